"""Crests too sharp to be flat: a rail that cuts a sample or two off each shows by where they end."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.ranges import runs_of

__all__ = ["EqualTops"]

_LEAST: Final = 3
_UNLIKE: Final = 4.0
_NEAR: Final = 0.5
"""Samples above this share of the highest show the steps they were once stored in, coarser than now (8 bits, or a
logarithmic scale of telephones)."""


class EqualTops:
    """Crests of one side of one channel that end at the recording's highest value.

    The highest crests of noise, or of impacts, lie per cents apart, so that three do not end within one step of each
    other. Equal sounds do (a pure tone, copies of one click), but they are equal beside the top, too: near the top of
    a sinusoid whose samples lie within a share ``e`` of its peak, the next ones are the same to ``2 sqrt(2 e)``.
    """

    def __init__(self, gap_frames: int) -> None:
        self._gap = gap_frames
        self._found: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        self._apart = np.inf

    def add(self, x: NDArray[np.float32], extreme: float, step: float, origin: int, start: int, stop: int) -> None:
        """Take the crests of a tile, highest value ``extreme``, that it owns (frames ``start`` to ``stop``)."""
        values = np.unique(x[x > _NEAR * extreme])
        self._apart = min(self._apart, float(np.diff(values).min(initial=np.inf)))
        runs = runs_of(x >= extreme - step)
        runs = runs[(runs[:, 0] > 0) & (runs[:, 1] < len(x))]
        runs = runs[(runs[:, 0] + origin >= start) & (runs[:, 0] + origin < stop)]
        if len(runs):
            heights = np.stack([x[runs[:, 0]], x[runs[:, 0] - 1], x[runs[:, 1]]], axis=1).astype(np.float64)
            self._found.append((runs + origin, heights))

    def judge(self, extreme: float, step: float) -> NDArray[np.int64]:
        """Return the frames cut at a rail, as ranges (m, 2); none where the highest crests show no rail."""
        step = max(step, 1.5 * self._apart)
        if not self._found or extreme <= 0:
            return np.empty((0, 2), np.int64)
        runs, heights = (np.concatenate(v) for v in zip(*self._found, strict=True))
        at_rail = heights[:, 0] >= extreme - step
        runs, heights = runs[at_rail], heights[at_rail]
        apart = np.diff(runs[:, 0], prepend=runs[0, 0] - self._gap - 1) > self._gap
        beside = heights[apart][:, 1:] / extreme
        if len(beside) < _LEAST or beside.std(axis=0).max() < _UNLIKE * np.sqrt(2 * step / extreme):
            return np.empty((0, 2), np.int64)
        return runs
