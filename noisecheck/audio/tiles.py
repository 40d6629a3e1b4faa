"""Decoding in fixed tiles: what a codec gives depends on where it began, so it always begins at the same places."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAD_IN_S", "Tiles"]

_TILE_S: Final = 20
_KEPT: Final = 2
LEAD_IN_S: Final = 0.25
"""Sound decoded before a tile and thrown away: longer than any codec here needs to settle."""

Samples = NDArray[np.float32]


class Tiles:
    """The last few tiles of a recording; ``decode(first, count)`` gives up to ``count`` frames from ``first`` on."""

    def __init__(self, decode: Callable[[int, int], Samples], *, rate: int, channels: int) -> None:
        self._decode = decode
        self._channels = channels
        self.frames = _TILE_S * rate
        self._kept: OrderedDict[int, Samples] = OrderedDict()

    def tile(self, number: int) -> Samples:
        """Return one tile (frames, channels), shorter where the sound ends."""
        if number not in self._kept:
            self._kept[number] = self._decode(number * self.frames, self.frames)
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(number)
        return self._kept[number]

    def read(self, start: int, stop: int) -> Samples:
        """Return frames ``start`` to ``stop``; what cannot be decoded is 0."""
        out = np.zeros((stop - start, self._channels), np.float32)
        for number in range(start // self.frames, (stop - 1) // self.frames + 1):
            origin = number * self.frames
            data = self.tile(number)
            low, high = max(start, origin), min(stop, origin + len(data))
            if high > low:
                out[low - start : high - start] = data[low - origin : high - origin]
        return out

    def clear(self) -> None:
        """Forget what was decoded."""
        self._kept.clear()
