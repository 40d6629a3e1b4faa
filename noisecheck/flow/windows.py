"""Transit times stated in the rig file that the sounds contradict: said, and not held against every ball."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.flow.beliefs import ONSET_S
from noisecheck.flow.route import Route
from noisecheck.flow.transits import learn_transits

__all__ = ["Contradiction", "WindowCheck", "contradicted", "without"]

_LEAST: Final = 8
_ENOUGH: Final = 150
_FEW: Final = 0.5
_MOST: Final = 0.8
_EVERY: Final = 12
_LATE: Final = (3, 0.03)
"""Balls, and the share of them that are not held up, that come later than stated where the stated time is too short."""
_UNITS: Final = ((1000.0, "milliseconds"), (1.0 / 60.0, "minutes"))


@dataclass(frozen=True)
class Contradiction:
    """One link whose stated transit time is not what is heard. Times in s."""

    origin: str
    station: str
    stated: tuple[float, float]
    heard: tuple[float, float]
    """What fits (from, to)."""
    share: float
    """Share of the balls that fit it."""
    late: float = 0.0
    """Share of the balls that come later than stated where the others keep to it, 0 where hardly any does."""

    @property
    def sentence(self) -> str:
        """Return the sentence that says so."""
        low, high = self.heard
        stated = f"rig.toml: station '{self.origin}' states transit_s = [{self.stated[0]:g}, {self.stated[1]:g}], but "
        if self.late:
            return (
                f"{stated}{self.late:.0%} of the balls come to '{self.station}' later than that, as is usual there (up "
                f"to {high:.2f} s): {low:.2f} to {high:.2f} s is taken instead"
            )
        said = (
            f"{stated}{self.share:.0%} of the balls come to '{self.station}' {low:.2f} to {high:.2f} s later: "
            "that is taken instead"
        )
        middle = 0.5 * (low + high)
        for factor, unit in _UNITS:
            if self.stated[0] * 0.9 <= middle * factor <= self.stated[1] * 1.1:
                return f"{said} (was it given in {unit}?)"
        return said


def contradicted(
    time_s: NDArray[np.float64],
    code: NDArray[np.int64],
    route: Route,
    *,
    longest_s: float,
    start_s: float,
    end_s: float,
) -> list[Contradiction]:
    """Return the links whose stated window hardly any ball keeps to, while most keep to another time.

    Args:
        time_s, code: (n,) first contacts: s, station index on the route or -1.
        route: with the windows stated.
        longest_s: longest transit looked for.
        start_s, end_s: span listened to.

    A link is judged from 8 departures and arrivals on: at most half of the departures may have an arrival within the
    window (half its width more to either side), at least four in five and twice as many at the time heard. Where more
    keep to it the window is only too short if many come later and the spread of them all has it so: balls held up are
    not part of what is usual.
    """
    if all(w is None for w in route.transit_s):
        return []
    doubtful = [
        link
        for link, window in enumerate(route.transit_s)
        if window is not None
        and (_kept(time_s, code, link, window, end_s) <= _FEW or _late(time_s, code, link, window) >= _LATE[0])
    ]
    if not doubtful:
        return []
    first = time_s[code == doubtful[0]][:_ENOUGH]
    stop_s = min(end_s, float(first[-1]) + longest_s) if len(first) else end_s
    early = time_s <= stop_s
    time_s, code, end_s = time_s[early], code[early], stop_s
    fits = learn_transits(time_s, code, Route(route.stations), longest_s, start_s=start_s, end_s=end_s)
    found = []
    for link, (window, (mean, sd, rivals)) in enumerate(zip(route.transit_s, fits, strict=True)):
        leave, reach = time_s[code == link], time_s[code == link + 1]
        if link not in doubtful or window is None or sd <= 0 or min(len(leave), len(reach)) < _LEAST:
            continue
        slack = 0.5 * (window[1] - window[0])
        half = max(5.0 * sd, 0.03)
        due = leave[leave + mean + half < end_s]
        if len(due) < _LEAST:
            continue
        kept = _share(due, reach, window[0] - slack, window[1] + slack)
        fit = _share(due, reach, mean - half, mean + half)
        came = np.append(reach, math.inf)[np.searchsorted(reach, due + mean - half)] - due
        came = came[came <= mean + half]
        late = float(np.mean(came > window[1] + ONSET_S)) if len(came) else 0.0
        near = window[0] - slack <= mean <= window[1] + slack
        if near and fit >= _MOST and min(late, _later(came, window[1])) >= _LATE[1]:
            heard = (max(min(window[0], mean - half), 0.0), max(window[1], mean + half))
            found.append(Contradiction(route.stations[link], route.stations[link + 1], window, heard, fit, late))
            continue
        if any(window[0] <= m <= window[1] for m in (mean, *(r[0] for r in rivals))):
            continue
        if kept <= _FEW and fit >= max(_MOST, 2.0 * kept):
            heard = (max(mean - half, 0.0), mean + half)
            found.append(Contradiction(route.stations[link], route.stations[link + 1], window, heard, fit))
    return found


def _kept(
    time_s: NDArray[np.float64], code: NDArray[np.int64], link: int, window: tuple[float, float], end_s: float
) -> float:
    """Return the share of departures with an arrival in the window or half its width beside it."""
    slack = 0.5 * (window[1] - window[0])
    leave = time_s[code == link]
    leave = leave[leave + window[1] + slack < end_s] if window[1] + slack < end_s else leave
    reach = time_s[code == link + 1]
    return _share(leave, reach, window[0] - slack, window[1] + slack) if len(leave) else 1.0


def _late(time_s: NDArray[np.float64], code: NDArray[np.int64], link: int, window: tuple[float, float]) -> int:
    """Return how many departures have no arrival in the window, but one up to its width after it."""
    leave, reach = time_s[code == link], time_s[code == link + 1]
    after = np.append(reach, math.inf)[np.searchsorted(reach, leave + window[0])] - leave - window[1]
    return int(np.sum((after > ONSET_S) & (after < window[1] - window[0])))


def _later(came: NDArray[np.float64], than_s: float) -> float:
    """Return the share of balls not held up that take longer, as far as the quicker ones, (n,) s, tell (normal)."""
    tenth, third = np.quantile(came, (0.1, 0.3))
    sd = max((third - tenth) / 0.757, 1e-6)
    return 0.5 * math.erfc((than_s - third - 0.524 * sd) / (1.4142 * sd))


def _share(leave: NDArray[np.float64], reach: NDArray[np.float64], low: float, high: float) -> float:
    """Return the share of departures with an arrival so much later."""
    return float(np.mean(np.searchsorted(reach, leave + high, "right") > np.searchsorted(reach, leave + low, "left")))


def without(route: Route, found: list[Contradiction]) -> Route:
    """Return the route with the windows heard in place of those contradicted."""
    heard = {c.origin: c.heard for c in found}
    return Route(route.stations, tuple(heard.get(n, w) for n, w in zip(route.stations, route.transit_s, strict=False)))


class WindowCheck:
    """Stated transit times held against what is heard, as it comes: each link is told once, when it is clear.

    Args:
        route: with the windows stated.
        longest_s: longest transit looked for.
        start_s: when listening began.
    """

    def __init__(self, route: Route, *, longest_s: float, start_s: float = 0.0) -> None:
        self.route = route
        """With the windows heard in place of those contradicted."""
        self._longest_s, self._start_s = longest_s, start_s
        self._heard: deque[tuple[float, int]] = deque(maxlen=_ENOUGH * max(len(route.stations), 2))
        self._new = 0

    def take(self, time_s: NDArray[np.float64], code: NDArray[np.int64], now_s: float) -> list[Contradiction]:
        """Take more first contacts, (n,): s and station index on the route or -1; return what is newly clear."""
        self._heard.extend(zip(time_s.tolist(), code.tolist(), strict=True))
        self._new += len(time_s)
        if self._new < _EVERY:
            return []
        self._new = 0
        times, codes = np.array([t for t, _ in self._heard]), np.array([q for _, q in self._heard], np.int64)
        start_s = max(self._start_s, float(times[0]))
        found = contradicted(times, codes, self.route, longest_s=self._longest_s, start_s=start_s, end_s=now_s)
        self.route = without(self.route, found)
        return found
