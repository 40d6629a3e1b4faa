"""Frame ranges collected piece by piece, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Ranges", "runs_of"]

Pairs = NDArray[np.int64]


def runs_of(mask: NDArray[np.bool_]) -> Pairs:
    """Return (start, stop) of every run of True in a one-dimensional mask, int64 (m, 2)."""
    if not mask.any():
        return np.empty((0, 2), np.int64)
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return edges.reshape(-1, 2).astype(np.int64)


class Ranges:
    """Ranges of frames; those closer than ``gap`` are one. Past ``most`` ranges the gap doubles: memory is bounded."""

    def __init__(self, gap: int = 0, *, most: int = 100_000) -> None:
        self.gap = gap
        self._most = most
        self._held: list[Pairs] = []
        self._count = 0

    def add(self, pairs: Pairs | Iterable[tuple[int, int]]) -> None:
        """Add ranges (m, 2) of frames, in any order."""
        array = np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
        if not len(array):
            return
        self._held.append(array)
        self._count += len(array)
        if self._count > 2 * self._most:
            while self._merge() > self._most:
                self.gap = max(2 * self.gap, 1)

    def _merge(self) -> int:
        if len(self._held) == 1 and self._count < 2:
            return self._count
        array = np.concatenate(self._held)
        array = array[np.argsort(array[:, 0], kind="stable")]
        reach = np.maximum.accumulate(array[:, 1])
        first = np.concatenate([[True], array[1:, 0] > reach[:-1] + self.gap])
        starts = array[first, 0]
        stops = reach[np.concatenate([first[1:], [True]])]
        self._held = [np.stack([starts, stops], axis=1)]
        self._count = len(starts)
        return self._count

    def array(self) -> Pairs:
        """Return the ranges in order, merged, int64 (m, 2)."""
        if not self._held:
            return np.empty((0, 2), np.int64)
        self._merge()
        return self._held[0].copy()
