"""The last seconds of sound, kept in one piece of memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Room"]


class Room:
    """The last ``keep`` frames, (frames, channels), addressed by their frame in the watch.

    Args:
        keep: frames kept at least.
        channels: of each frame.
    """

    def __init__(self, keep: int, channels: int) -> None:
        self._keep = keep
        self._data = np.empty((keep + max(keep // 4, 1), channels), np.float32)
        self.start = self.stop = 0
        """First frame kept, and the frame after the last."""

    def begin(self, frame: int) -> None:
        """Forget everything; the next samples are from ``frame`` on."""
        self.start = self.stop = frame

    def add(self, samples: NDArray[np.float32]) -> None:
        """Append samples that follow the last ones, at most ``keep`` of them."""
        held = self.stop - self.start
        if held + len(samples) > len(self._data):
            kept = max(min(held, self._keep - len(samples)), 0)
            self._data[:kept] = self._data[held - kept : held].copy()
            self.start = self.stop - kept
            held = kept
        self._data[held : held + len(samples)] = samples
        self.stop += len(samples)

    def get(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return what is kept of the frames ``start`` to ``stop`` (a view, good until the next call of add)."""
        first, last = max(start, self.start) - self.start, min(stop, self.stop) - self.start
        return self._data[first : max(last, first)]
