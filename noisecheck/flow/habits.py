"""What a run's own impacts show of themselves: how loud balls are at each station, and when they rebound there.

Both tell a ball's contact from what only looks like one: a rebound put to a wrong station is too soft for a contact
there, and comes just when rebounds come.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LevelHabit", "ReboundHabit"]

_SPAN_DB: Final = 40.0
"""What is no ball's contact may have any level within this span (common practice, no source)."""
_LEAST_SD_DB: Final = 0.5
_ODD: Final = ((0.01, 0.02), (0.02, 0.10))
"""Share of contacts (clearly softer, clearly louder) than usual, alone and among others, until the run shows it: what
overlaps a contact can only add to it."""
_LEAST: Final = 12
"""Contacts from which a level is usual."""
_WEIGHT: Final = 50.0
_KEPT: Final = 200
_EVERY: Final = 8
_BIN_S: Final = 0.004
_LONGEST_S: Final = 1.2


class LevelHabit:
    """How loud first contacts are at one station: by median and spread of the last ones, with shares of odd ones."""

    def __init__(self) -> None:
        self._recent: deque[float] = deque(maxlen=_KEPT)
        self._new = 0
        self._middle, self._sd = math.nan, math.nan
        self._odd = [[_WEIGHT * share for share in row] for row in _ODD]
        self._seen = [_WEIGHT, _WEIGHT]

    def ratio(self, level_db: float, crowded: bool) -> float:
        """Return how much likelier the level is for a contact here than for any other impact; 1 where unknown."""
        if math.isnan(level_db) or math.isnan(self._middle):
            return 1.0
        z = (level_db - self._middle) / self._sd
        odd = self._odd[crowded][z > 0.0] / self._seen[crowded]
        own = math.exp(-0.5 * z * z) / (self._sd * 2.5066) if abs(z) < 8.0 else 0.0
        return odd + (1.0 - odd) * own * _SPAN_DB

    def prime(self, level_db: ArrayLike) -> None:
        """Start from levels of contacts likely made here, (n,), most of them by balls, unless levels are known."""
        levels = np.asarray(level_db, np.float64)
        levels = levels[np.isfinite(levels)]
        if len(levels) >= _LEAST and math.isnan(self._middle):
            self._fit(levels)

    def learn(self, level_db: float, crowded: bool) -> None:
        """Learn from a ball's contact."""
        if math.isnan(level_db):
            return
        if not math.isnan(self._middle):
            z = (level_db - self._middle) / self._sd
            self._seen[crowded] += 1.0
            self._odd[crowded][z > 0.0] += abs(z) > 4.0
        self._recent.append(level_db)
        self._new += 1
        if self._new >= _EVERY and len(self._recent) >= _LEAST:
            self._new = 0
            self._fit(np.array(self._recent))

    def _fit(self, levels: NDArray[np.float64]) -> None:
        self._middle = float(np.median(levels))
        sd = 1.4826 * float(np.median(np.abs(levels - self._middle)))
        # what is known from few is known less well
        self._sd = max(sd, _LEAST_SD_DB) * (1.0 + 2.0 / math.sqrt(len(levels)))


class ReboundHabit:
    """When balls rebound at one station, as known rebounds show: how many a second, so long after a contact."""

    def __init__(self) -> None:
        self._count = np.zeros(int(_LONGEST_S / _BIN_S))
        self._rate: list[float] = [0.0] * len(self._count)
        self.drops = 0
        self.known = 0

    def learn(self, after_s: ArrayLike, drops: int) -> None:
        """Learn from rebounds so many seconds after their first contacts, (n,), of so many drops."""
        times: NDArray[np.float64] = np.asarray(after_s, np.float64)
        bins = (times[(times > 0.0) & (times < _LONGEST_S)] / _BIN_S).astype(np.int64)
        self._count += np.bincount(bins, minlength=len(self._count))
        self.drops += drops
        self.known += len(times)
        smooth = np.convolve(self._count, np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0, "same")
        self._rate = (smooth / (self.drops + 10.0) / _BIN_S).tolist()

    def rate(self, after_s: float) -> float:
        """Return rebounds a second expected ``after_s`` after a contact."""
        return self._rate[int(after_s / _BIN_S)] if 0.0 <= after_s < _LONGEST_S - _BIN_S else 0.0
