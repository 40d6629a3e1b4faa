"""Clipping: flat tops or sharp ones at a rail; after a codec, samples above 1.0 and crests that crowd at a rail."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.crests import CrestScan
from noisecheck.audio.ranges import Ranges, runs_of
from noisecheck.audio.recording import Coding
from noisecheck.audio.tops import EqualTops

__all__ = ["MARGIN_FRAMES", "ClippingScan"]

MARGIN_FRAMES: Final = 256
_LEAST_RUN: Final = 3
_LEAST_PEAK: Final = 0.02
_SAME_RAIL: Final = 0.995
_FLAT: Final = 5e-4  # of the rail: an analogue stage that clips before the converter leaves its noise on the tops
_CORNER: Final = 1.5
_SHORT: Final = 24.0  # noise makes three or four samples of a broad crest equal by chance: its sides must fall further
_FULL: Final = 0.9  # after a codec a rail is known to a decibel: from here on it may be full scale


class ClippingScan:
    """Finds clipped samples of one channel, tile after tile.

    A flat top is a run of 3 or more samples at the highest (or lowest) value of the recording whose sides fall off
    faster than those of a smooth peak as wide could: near the top of a parabola that stays within ``t`` for ``n``
    samples, the sample two further out is at most ``t ((n + 4) / n)^2`` down. So a rail below full scale is found and
    the crest of a low tone, flat only because samples have steps, is not.
    """

    def __init__(self, coding: Coding, step: float, *, rate: int) -> None:
        gap_frames = max(rate // 1000, 1)
        self._crests = CrestScan(rate) if coding == "lossy" else None
        self._float = coding == "float"
        self._step = step
        self._same = max(1.5 * step, 1e-6)
        self._gap = gap_frames
        self._extreme = [0.0, 0.0]
        self._flat = [Ranges(gap_frames), Ranges(gap_frames)]
        self._tops = [EqualTops(gap_frames), EqualTops(gap_frames)]
        self.runs = [0, 0]
        self._above = Ranges(gap_frames)
        self.above_one = 0
        self.peak = 0.0

    def add(self, x: NDArray[np.float32], origin: int, start: int, stop: int) -> None:
        """Take one tile: samples ``x`` (with margins) from frame ``origin``; it owns frames ``start`` to ``stop``."""
        own = x[start - origin : stop - origin]
        high, low = float(x.max(initial=0.0)), float(x.min(initial=0.0))
        self.peak = max(self.peak, float(own.max(initial=0.0)), -float(own.min(initial=0.0)))
        if max(high, -low) > 1.0:
            over = np.abs(own) > 1.0
            self.above_one += int(np.count_nonzero(over))
            self._above.add(runs_of(over) + start)
        if self._crests is not None:
            self._crests.add(x, origin, start, stop)
            return
        for side, extreme in enumerate((high, -low)):
            self._side(side, extreme, x, origin, start, stop)

    def _side(self, side: int, extreme: float, x: NDArray[np.float32], origin: int, start: int, stop: int) -> None:
        if extreme < max(_LEAST_PEAK, 8 * self._step) or extreme < _SAME_RAIL * self._extreme[side]:
            return
        if _SAME_RAIL * extreme > self._extreme[side]:
            self._flat[side], self._tops[side], self.runs[side] = Ranges(self._gap), EqualTops(self._gap), 0
        self._extreme[side] = max(extreme, self._extreme[side])
        tolerance = max(1.5 * self._step, _FLAT * extreme, 1e-6)
        self._tops[side].add(x if side == 0 else -x, extreme, self._same, origin, start, stop)
        at_rail = x >= extreme - tolerance if side == 0 else x <= tolerance - extreme
        if np.count_nonzero(at_rail) < _LEAST_RUN:
            return
        runs = runs_of(at_rail)
        length = runs[:, 1] - runs[:, 0]
        runs, length = runs[length >= _LEAST_RUN], length[length >= _LEAST_RUN]
        if not len(runs):
            return
        sign = 1.0 if side == 0 else -1.0
        need = np.maximum(_CORNER, _SHORT / length) * tolerance * ((length + 4) / length) ** 2
        left = np.where(runs[:, 0] >= 2, extreme - sign * x[np.maximum(runs[:, 0] - 2, 0)], np.inf)
        right = np.where(runs[:, 1] + 1 < len(x), extreme - sign * x[np.minimum(runs[:, 1] + 1, len(x) - 1)], np.inf)
        runs = runs[(left > need) & (right > need)] + origin
        runs = runs[(runs[:, 0] < stop) & (runs[:, 1] > start)]
        self.runs[side] += int(np.count_nonzero(runs[:, 0] >= start))
        self._flat[side].add(np.clip(runs, start, stop))

    def clipped(self) -> tuple[float | None, NDArray[np.int64]]:
        """Return the rail (full scale 1.0; None where none shows) and the clipped frames as ranges, int64 (m, 2).

        Ranges less than 1 ms apart are one.
        """
        joined = Ranges(self._gap)
        if self._crests is not None:
            found = self._crests.judge()
            joined.add(self._above.array())
            if found is None:
                return None, joined.array()
            joined.add(np.stack([found[1], found[1] + 1], axis=1))
            rail = found[0]
            return (None if self.above_one and rail > _FULL else rail), joined.array()
        rails = []
        for extreme, ranges, tops, runs in zip(self._extreme, self._flat, self._tops, self.runs, strict=True):
            cut = tops.judge(extreme, self._same)
            if runs or len(cut):
                rails.append(extreme)
                joined.add(ranges.array())
                joined.add(cut)
        return max(rails, default=None), joined.array()
