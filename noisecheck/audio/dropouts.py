"""Dropouts: spans of exact zeros, and buffers written twice."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.ranges import Ranges, runs_of

__all__ = ["REACH_S", "DropoutScan"]

REACH_S: Final = 0.25
"""Longest buffer whose repetition is looked for; a tile needs this margin before it."""
_CHUNK: Final = 32
_CONTEXT: Final = 8
_LEAST_REPEAT: Final = 64
_SIDE: Final = 28  # of 0.9 times 64 equal samples so many lie on one side of any of them
_ANCHOR: Final = np.uint32((1 << 32) - (1 << 29))  # one sample in 8 is an anchor, by content: a copy has the same
_WORD: Final = 12


class DropoutScan:
    """Finds dropouts of one channel, tile after tile."""

    def __init__(self, *, rate: int, step: float, frames: int) -> None:
        self._loud_enough = max(4 * step, 1e-6)
        self._frames = frames
        self._reach = int(REACH_S * rate)
        self._zeros = Ranges()
        self._repeats = Ranges()

    def add(self, x: NDArray[np.float32], origin: int, start: int, stop: int, *, repeats: bool) -> None:
        """Take one tile: samples ``x`` from frame ``origin`` (margins included); it owns ``start`` to ``stop``."""
        chunks = x[: len(x) // _CHUNK * _CHUNK].reshape(-1, _CHUNK)
        # Four samples of each chunk tell that most hold no silence, at a fraction of the cost.
        maybe = chunks[(chunks[:, :: _CHUNK // 4] == 0.0).all(axis=1)]
        if not maybe.any(axis=1).all():
            self._silences(x, np.abs(chunks).max(axis=1), origin, start, stop)
        if repeats and len(x) > 4 * _LEAST_REPEAT:
            self._copies(x, origin, start, stop)

    def _silences(self, x: NDArray[np.float32], peaks: NDArray[np.float32], origin: int, start: int, stop: int) -> None:
        for first, last in runs_of(peaks == 0.0).tolist():
            begin, end = first * _CHUNK, last * _CHUNK
            while begin > 0 and x[begin - 1] == 0.0:
                begin -= 1
            while end < len(x) and x[end] == 0.0:
                end += 1
            if end - begin < 2 * _CHUNK or origin + begin == 0 or origin + end >= self._frames:
                continue  # silence at the very ends is how some recorders start and stop
            around = np.concatenate([peaks[max(first - _CONTEXT, 0) : first], peaks[last : last + _CONTEXT]])
            around = around[around > 0.0]
            # Where the sound is only a step or two high, runs of zeros are natural.
            if len(around) and float(np.median(around)) < self._loud_enough:
                continue
            low, high = max(origin + begin, start), min(origin + end, stop)
            if high > low:
                self._zeros.add([(low, high)])

    def _copies(self, x: NDArray[np.float32], origin: int, start: int, stop: int) -> None:
        bits = x.view(np.uint32)
        # Two neighbours mixed. Samples of few bits end in zeros, which a product alone would carry on: so fold first.
        bits = bits ^ (bits >> np.uint32(16))
        mixed = bits[:-1] * np.uint32(2654435761)
        mixed += bits[1:] * np.uint32(2246822519)
        anchors = np.flatnonzero(mixed[: 1 - _WORD] > _ANCHOR)
        if len(anchors) < 2:
            return
        word = np.zeros(len(anchors), np.uint64)
        for k in range(0, _WORD, 2):
            word ^= mixed[anchors + k]
            word *= np.uint64(1099511628211)
        # Sorting words with their places in the lower bits is faster than asking for the order of equal words.
        places = np.uint64((1 << len(anchors).bit_length()) - 1)
        word = np.sort((word & ~places) | np.arange(len(anchors), dtype=np.uint64))
        order = (word & places).astype(np.int64)
        same = np.flatnonzero((word[1:] ^ word[:-1]) <= places)
        if not len(same) or len(same) > len(anchors) // 4:
            return  # few distinct values: silence or a made tone, where sameness says nothing
        before, after = anchors[order[same]], anchors[order[same + 1]]
        lag = after - before
        fits = (lag >= _LEAST_REPEAT) & (lag <= self._reach) & (after >= start - origin) & (after < stop - origin)
        after, lag = after[fits], lag[fits]
        fits = _equal_on_a_side(x, after, lag)
        done = -1
        for at, step in sorted(zip(after[fits].tolist(), lag[fits].tolist(), strict=True)):
            if at < done:
                continue
            low, high = _extent(x, at, step)
            # One buffer written twice: equal over about its own length; much more is a periodic sound.
            if 0.9 * step <= high - low <= 4 * step and np.ptp(x[low:high]) > 4 * self._loud_enough:
                self._repeats.add([(origin + low, origin + high)])
                done = high

    def zeros(self) -> NDArray[np.int64]:
        """Return spans of exact zeros inside the sound, int64 (m, 2)."""
        return self._zeros.array()

    def repeated(self) -> NDArray[np.int64]:
        """Return spans that repeat the samples just before them, int64 (m, 2)."""
        return self._repeats.array()


def _equal_on_a_side(x: NDArray[np.float32], at: NDArray[np.int64], lag: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return where samples before ``at`` or after it are those ``lag`` earlier, as they are inside any repeat, (m,)."""
    places = at[:, None] + np.arange(-_SIDE, _SIDE + 1)
    same = x[np.clip(places, 0, len(x) - 1)] == x[np.clip(places - lag[:, None], 0, len(x) - 1)]
    return np.asarray(same[:, : _SIDE + 1].all(axis=1) | same[:, _SIDE:].all(axis=1))


def _extent(x: NDArray[np.float32], at: int, lag: int) -> tuple[int, int]:
    """Return the span around ``at`` in which ``x`` equals itself ``lag`` samples earlier."""
    low, high = max(at - 5 * lag, lag), min(at + 5 * lag, len(x))
    unequal = np.flatnonzero(x[low:high] != x[low - lag : high - lag]) + low
    place = int(np.searchsorted(unequal, at))
    begin = int(unequal[place - 1]) + 1 if place else low
    end = int(unequal[place]) if place < len(unequal) else high
    return begin, end
