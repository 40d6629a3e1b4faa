"""How loud balls are at each station, as a run's own impacts show: it tells a contact from what only looks like one."""

from __future__ import annotations

import math
from collections import deque
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.flow.rebounds import SPAN_DB

__all__ = ["LevelHabit"]

_LEAST_SD_DB: Final = 0.5
_ODD: Final = ((0.01, 0.02), (0.02, 0.10))
"""Share of contacts (clearly softer, clearly louder) than usual, alone and among others, until the run shows it: what
overlaps a contact can only add to it."""
_SOFTER_DB: Final = 8.0
"""What is odd by being softer is so by about as much: a ball that only grazes, and not one that is hardly there."""
_LEAST: Final = 4
"""Contacts from which a level is usual: with fewer the spread has next to nothing to tell (chosen here)."""
_ENOUGH: Final = 12
"""Contacts of a run that take the place of those its levels were started from."""
_MANY: Final = 100
"""Degrees of freedom beyond which a spread is as good as known."""
_WEIGHT: Final = 50.0
_USUAL: Final = 0.5
"""A first contact whose level is likelier than this, over that of any other impact, is as loud as usual."""
_KEPT: Final = 200
_EVERY: Final = 8


class LevelHabit:
    """How loud first contacts are at one station: by median and spread of the last ones, with shares of odd ones."""

    def __init__(self) -> None:
        self._recent: deque[float] = deque(maxlen=_KEPT)
        self._new = 0
        self._middle, self._sd, self._freedom = math.nan, math.nan, math.inf
        self._odd = [[_WEIGHT * share for share in row] for row in _ODD]
        self._seen = [_WEIGHT, _WEIGHT]

    @property
    def usual_db(self) -> tuple[float, float]:
        """Median level of contacts and its spread, NaN where unknown."""
        return self._middle, self._sd

    def ratio(self, level_db: float, drowned: bool, *, at_most: bool = False) -> float:
        """Return how much likelier the level is for a contact here than for any other impact; 1 where unknown.

        ``at_most``: the level is an upper bound, and as likely as all levels below it together.
        """
        if math.isnan(level_db) or math.isnan(self._middle):
            return 1.0
        z = self._off(level_db)
        odd = self._odd[drowned][z > 0.0] / self._seen[drowned]
        softer = max(self._middle - level_db, 0.0)
        if at_most:
            below = (1.0 - odd) * 0.5 * math.erfc(-z / 1.4142) + odd * math.exp(-softer / _SOFTER_DB)
            return below * SPAN_DB / min(max(0.5 * SPAN_DB + level_db - self._middle, 1.0), SPAN_DB)
        far = SPAN_DB / _SOFTER_DB * math.exp(-softer / _SOFTER_DB) if softer else 1.0
        wide = math.hypot(self._sd, (level_db - self._middle) / math.sqrt(self._freedom))
        own = math.exp(-0.5 * z * z) / (wide * 2.5066) if abs(z) < 8.0 else 0.0
        return odd * far + (1.0 - odd) * own * SPAN_DB

    def _off(self, level_db: float) -> float:
        """Return how far off a level is, over the spread: as far as a normal one that is as rare.

        Median and spread of a few are themselves uncertain, so the next level follows Student's t: z is as far off with
        n degrees of freedom as a normal value of ``sqrt(n ln(1 + z^2 / n))`` (Wallace's approximation).
        """
        z = (level_db - self._middle) / self._sd
        n = self._freedom
        return z if n > _MANY else math.copysign(math.sqrt(n * math.log1p(z * z / n)), z)

    def begins(self, level_db: float, drowned: bool) -> bool:
        """Return whether an impact is loud enough here for a first contact, and not the rebound of one unheard."""
        return level_db >= self._middle or self.ratio(level_db, drowned) > _USUAL

    def prime(self, level_db: ArrayLike) -> None:
        """Start from levels of contacts likely made here, (n,), most of them by balls, unless levels are known."""
        levels = np.asarray(level_db, np.float64)
        levels = levels[np.isfinite(levels)]
        if len(levels) >= _LEAST and math.isnan(self._middle):
            self._fit(levels)

    def learn(self, level_db: float, drowned: bool) -> None:
        """Learn from a ball's contact."""
        if math.isnan(level_db):
            return
        if not math.isnan(self._middle):
            z = self._off(level_db)
            self._seen[drowned] += 1.0
            self._odd[drowned][z > 0.0] += abs(z) > 4.0
        self._recent.append(level_db)
        self._new += 1
        if self._new >= _EVERY and len(self._recent) >= min(self._freedom + 1, _ENOUGH):
            self._new = 0
            self._fit(np.array(self._recent))

    def _fit(self, levels: NDArray[np.float64]) -> None:
        self._middle, self._freedom = _median(levels), len(levels) - 1
        sd = 1.4826 * _median(np.abs(levels - self._middle))
        # what is known from few is known less well
        self._sd = max(sd, _LEAST_SD_DB) * (1.0 + 2.0 / math.sqrt(len(levels)))


def _median(values: NDArray[np.float64]) -> float:
    """Return the median of a few values, faster than numpy's for any number."""
    order = np.sort(values)
    return 0.5 * float(order[(len(order) - 1) // 2] + order[len(order) // 2])
