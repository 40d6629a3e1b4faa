"""How long balls take from station to station, learnt from when contacts are heard."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.flow.route import Route

__all__ = ["learn_transits"]

_ALONE: Final = 6.0
"""Nats by which a departure without an arrival, or an arrival without a departure, speaks against a lag."""
_LONG: Final = 5.0
"""Nats against each ball that is under way at once."""
_QUIET: Final = 1.5
"""Times the usual time between balls in which nothing is heard where they are not yet, or no longer, fed."""


def learn_transits(
    times: NDArray[np.float64],
    stations: NDArray[np.int64],
    route: Route,
    longest_s: float,
    *,
    start_s: float,
    end_s: float,
) -> list[tuple[float, float]]:
    """Return (mean, standard deviation) of each link from the start of a run listened to from start to end.

    Every lag at which many arrivals follow departures is a candidate (an even feed fits at every period); the one
    kept makes the run likeliest: narrow, and with the fewest departures and arrivals left alone. (0, 0) if unknown.
    Where the feed was heard to begin or to end, every arrival needs a departure, every departure an arrival.
    """
    found: list[tuple[float, float]] = []
    for link in range(len(route.stations) - 1):
        leave, reach = times[stations == link], times[stations == link + 1]
        if min(len(leave), len(reach)) < 3:
            found.append((0.0, 0.0))
            continue
        since = -math.inf if _begins(leave, reach, start_s) else start_s
        until = math.inf if _begins(-reach[::-1], -leave[::-1], -end_s) else end_s
        lags = np.sort(np.concatenate([reach[(reach > t) & (reach < t + longest_s)] - t for t in leave]))
        best, best_score = (0.0, 0.0), -math.inf
        for half in (0.02, 0.06, 0.2, 0.5):
            inside = np.searchsorted(lags, lags + half, "right") - np.searchsorted(lags, lags - half)
            left = inside.copy()
            for _ in range(12):
                peak = int(np.argmax(left)) if len(left) else 0
                if not len(left) or left[peak] < 3:
                    break
                centre = float(np.median(lags[np.abs(lags - lags[peak]) <= half]))
                left[np.abs(lags - lags[peak]) <= 2.0 * half] = 0
                score, fit = _lag_score(leave, reach, centre, half, since, until)
                if score > best_score:
                    best, best_score = fit, score
        found.append(best)
    return found


def _begins(first: NDArray[np.float64], then: NDArray[np.float64], start_s: float) -> bool:
    """Return whether a feed began while listening: nothing was heard for longer than balls are apart, then in order."""
    quiet = float(first[0]) - start_s
    return bool(then[0] > first[0] and quiet > _QUIET * np.median(np.diff(first)))


def _lag_score(
    leave: NDArray[np.float64], reach: NDArray[np.float64], lag: float, half: float, start_s: float, end_s: float
) -> tuple[float, tuple[float, float]]:
    """Return (log likelihood of a lag up to a constant, (mean, standard deviation) of the transits it gives)."""
    nearest = np.clip(np.searchsorted(reach, leave + lag), 1, len(reach) - 1)
    nearest -= (leave + lag - reach[nearest - 1]) < (reach[nearest] - leave - lag)
    off = reach[nearest] - leave - lag
    near = np.abs(off) <= half
    if near.sum() < 3:
        return -math.inf, (0.0, 0.0)
    middle = float(np.median(off[near]))
    sd = max(1.4826 * float(np.median(np.abs(off[near] - middle))), 0.004)
    # Spread over the whole band (0.74 of its half width if evenly) it is no lag, but chance.
    if sd > 0.6 * half or lag + middle <= 0.0:
        return -math.inf, (0.0, 0.0)
    fits = np.abs(off - middle) <= 4.0 * sd
    pairs = len(np.unique(nearest[fits]))
    due = int(np.sum(leave + lag + 4 * sd < end_s))
    owed = int(np.sum(reach - lag - 4 * sd > start_s))
    # What a long lag leaves out at the ends is no more in order than the rest.
    whole = (len(leave) + len(reach)) / max(due + owed, 1)
    alone = (max(due - pairs, 0) + max(owed - pairs, 0)) * whole
    z = np.minimum(np.abs(off[fits] - middle) / sd, 4.0)
    score = -pairs * math.log(sd) - 0.5 * float(np.sum(z * z)) * pairs / max(int(fits.sum()), 1) - _ALONE * alone
    # Of lags that fit alike, the short one: tracks are short, and balls under way at once are few.
    score -= 2.0 * math.log(lag + 0.2) + _LONG * lag / max(float(np.median(np.diff(leave))), 0.01)
    return score, (lag + middle, sd)
