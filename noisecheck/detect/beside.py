"""What sounds beside something: the loudest of some others in a span of time around each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["loudest_near"]

Levels = NDArray[np.float64]


def loudest_near(times: NDArray[np.float64], level_db: Levels, before_s: float, after_s: float) -> Levels:
    """Return the loudest of all others so long before and after each, -inf where there are none.

    Args:
        times: seconds in order, (n,).
        level_db: their levels, -inf for those that do not count, (n,).
        before_s: from so long before each...
        after_s: ... up to so long after it, exclusive; 0 for none after it.
    """
    here = np.arange(len(times))
    first = np.searchsorted(times, times - before_s)
    earlier = _loudest_in(level_db, first, here)
    if after_s <= 0.0:
        return earlier
    end = np.maximum(np.searchsorted(times, times + after_s), here + 1)
    return np.maximum(earlier, _loudest_in(level_db, here + 1, end))


def _loudest_in(level: Levels, first: NDArray[np.int64], end: NDArray[np.int64]) -> Levels:
    """Return ``max(level[first:end])`` of each pair, from the maxima of spans of 1, 2, 4... (so in n log n)."""
    out, size, width = np.full(len(first), -np.inf), end - first, 1
    while (size >= width).any():
        some = np.flatnonzero((size >= width) & (size < 2 * width))
        out[some] = np.maximum(level[first[some]], level[end[some] - width])
        level = np.maximum(level[:-width], level[width:]) if len(level) > width else level
        width *= 2
    return out
