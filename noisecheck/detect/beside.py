"""What sounds beside something: the loudest of some others in a span of time around each, and how many came before."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lately", "loudest_near"]

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


class Lately:
    """Counts what came lately before each of some times.

    Args:
        times: seconds in order, (n,).
        memory_s: how long it is remembered, if not said otherwise.
        first_s: what has no past yet is judged by the whole of so much at the beginning.
    """

    def __init__(self, times: NDArray[np.float64], memory_s: float, first_s: float) -> None:
        self.times, self._memory_s, self._first_s = times, memory_s, first_s
        self._spans: dict[tuple[float, float], tuple[NDArray[np.int64], NDArray[np.int64]]] = {}

    def count(
        self, marked: NDArray[np.bool_] | NDArray[np.int64], seconds: float | None = None, *, ago_s: float = 0.0
    ) -> NDArray[np.int64]:
        """Return for each time how many marked ones, or the sum of what is marked, lie in the ``seconds`` before it.

        The last ``ago_s`` do not count.
        """
        seconds = self._memory_s if seconds is None else seconds
        if (seconds, ago_s) not in self._spans:
            self._spans[seconds, ago_s] = self._span(seconds, ago_s)
        since, upto = self._spans[seconds, ago_s]
        total = np.concatenate(([0], np.cumsum(marked)))
        return np.asarray(total[upto] - total[since])

    def _span(self, seconds: float, ago_s: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        times = self.times
        upto = np.maximum(np.arange(len(times)), np.searchsorted(times, self._first_s))
        if ago_s > 0.0:
            upto = np.minimum(upto, np.searchsorted(times, np.maximum(times, self._first_s) - ago_s))
        return np.searchsorted(times, times - seconds), upto
