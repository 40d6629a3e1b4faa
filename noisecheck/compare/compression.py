"""Gain riding read from reference drops: rebounds that come out louder than their flight times allow.

A ball that rebounds tells its own speeds: it lands at ``v = g t / 2`` after a flight of ``t``, and came in to the first
contact at ``v1 / e`` with ``e = t2 / t1`` (e falls with speed, arXiv cond-mat/0312005: this is if anything too slow).
Momentum, and with it every ringing below the contact's cut-off, follows the speed; peaks and what lies above follow it
more steeply (Hertz: peak force as v^1.2). So from contact to contact the level falls by *at least* ``20 lg`` of the
ratio of speeds. Where it falls by less, drop after drop, loud contacts were turned down: a peak limiter or compressor,
which the noise floor may never show because the gain is back before the floor is heard again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import SPOILT, Flag
from noisecheck.core.order import median, robust_sd
from noisecheck.core.records import record
from noisecheck.core.table import Impacts

__all__ = ["Compression", "compression_of", "shortfalls"]

Floats = NDArray[np.float64]

_LONGEST_FLIGHT_S: Final = 0.7
_MARGIN_DB: Final = 10.0
_UNUSABLE: Final = SPOILT | Flag.BOUND | Flag.NO_BACKGROUND
_REBOUNDS: Final = (1, 2, 3)
_LEAST_DROPS: Final = 4
_ALLOWED_DB: Final = 1.0
"""What physics leaves open: a slower contact rebounds better and so turns round more of its momentum, ``20 lg (1 + e)``
(0.6 dB from e = 0.5 to 0.6), and strikes another place."""
_LEAST_SD_DB: Final = 0.7
_CHANCE: Final = 0.005
_LOW_E: Final = 0.15
_HIGH_E: Final = 0.98
_EVEN: Final = 0.25  # how much restitution may change from one flight to the next


@record
class Compression:
    """Reference drops whose rebounds are too loud."""

    drops: int
    rebound: int
    """Which rebound shows it most clearly, from 1."""
    short_db: float
    """How much less than its speed demands the level falls from the first contact to this rebound (median)."""

    def sentence(self) -> str:
        """Return the reason why levels are not to be used."""
        which = {1: "first", 2: "second", 3: "third"}[self.rebound]
        return (
            f"gain riding: at {self.drops} reference drops the {which} rebound is {self.short_db:.1f} dB louder, "
            "against the first contact, than its flight time allows: loud sound is turned down, levels are not "
            "comparable"
        )


def compression_of(parts: Sequence[Impacts]) -> Compression | None:
    """Return how loud contacts were turned down, or None where reference drops show no such thing.

    Args:
        parts: reference drops with their rebounds, a table for each end of a take, in order of time. Drops with fewer
            than two rebounds do not tell their own speed and are left out.

    For each of the first three rebounds the shortfall of the fall of L_AE is taken over all drops: shown where its
    median exceeds 1 dB by more than chance (0.5 %, t quantile, spread from the median absolute deviation).
    """
    short = shortfalls(parts)
    best, found = 1.0, None
    for k in _REBOUNDS:
        values = short[k - 1]
        if len(values) < _LEAST_DROPS:
            continue
        middle = median(values)
        # The median of n normal values scatters by sqrt(pi / 2) more than their mean.
        spread = math.sqrt(math.pi / 2) * max(robust_sd(values, middle), _LEAST_SD_DB)
        score = (middle - _ALLOWED_DB) * math.sqrt(len(values)) / spread / _limit(len(values) - 1)
        if score > best:
            best, found = score, Compression(len(values), k, middle)
    return found


def _limit(free: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(free, 1.0 - _CHANCE / len(_REBOUNDS)))


def shortfalls(parts: Sequence[Impacts]) -> tuple[Floats, ...]:
    """Return for the first, second and third rebound what its fall in level lacks, dB, one value a drop (see above)."""
    found: tuple[list[float], ...] = tuple([] for _ in _REBOUNDS)
    for part in parts:
        time, level, channel = part["time_s"], part["lae_db"], part["channel"]
        good = np.isfinite(level) & (part["margin_db"] >= _MARGIN_DB) & ~part.flagged(_UNUSABLE)
        for first, last in _trains(time):
            flights = np.diff(time[first : last + 1])
            for k in _REBOUNDS[: last - first]:
                now = first + k
                if good[first] and good[now] and channel[now] == channel[first]:
                    # The fall before the first contact, as a flight: t1 / e with e = t2 / t1.
                    due = 20.0 * math.log10(flights[0] ** 2 / flights[1] / flights[k - 1])
                    found[k - 1].append(due - float(level[first] - level[now]))
    return tuple(np.array(f) for f in found)


def _trains(time_s: Floats) -> list[tuple[int, int]]:
    """Return (first, last) contact of each train of two or more rebounds.

    By times alone, since levels are what is in doubt: each flight is shorter than the one before by about one ratio.
    """
    found: list[tuple[int, int]] = []
    flights = np.diff(time_s)
    first = 0
    while first + 2 < len(time_s):
        last = _reach(flights, first)
        # The pause before a drop and its first flight look like two flights; its own train goes on further.
        if last - first < 2 or _reach(flights, first + 1) > last:
            first += 1
            continue
        found.append((first, last))
        first = last + 1
    return found


def _reach(flights: Floats, first: int) -> int:
    """Return the last contact of the train that begins at contact ``first``."""
    last, e = first, math.nan
    while last < len(flights) and flights[last] < _LONGEST_FLIGHT_S:
        if last > first:
            ratio = float(flights[last] / max(float(flights[last - 1]), 1e-6))
            if not _LOW_E < ratio < _HIGH_E or abs(ratio / e - 1.0) > _EVEN:
                break
            e = ratio
        last += 1
    return last
