"""A rail behind a codec: crests that crowd at one height and are flatter there than a ring's.

A codec leaves no equal samples, so no flat top survives it; but the shape of the half waves does. A ring's crest spends
0.53 of the time above half its height above 0.85 of it (a sine: arccos 0.85 / arccos 0.5), whatever its pitch and
loudness; one cut at a rail stays up longer, and all that are cut end at one height, whatever hit what. Equally strong
impacts crowd at one height too, but as sines do; and where by chance one of their crests is flat, it is the same one
every time. So flat crests count where few others are higher, flatter by far than those below, and not all alike:
several in an impact, or much flatter, or unequally flat.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["CrestScan"]

Floats = NDArray[np.float64]

_LOW: Final = 0.25  # of the highest sample: crests below tell nothing
_LEAST_PEAK: Final = 0.02
_FLAT: Final = 0.65
_MOST_A_TILE: Final = 256
_MOST: Final = 20_000
_SHORT: Final = 16  # samples in a half wave below which the crest is worked out between samples
_FINER: Final = 8
_HALF: Final = 32
_NEAR_DB: Final = 1.0  # codecs from 64 kb/s up move crests by about so much
_BELOW_DB: Final = 2.0
_LEAST: Final = 6
_LEAST_SHARE: Final = 0.03
_TIMES_BELOW: Final = 3.0
_ABOVE_DB: Final = 1.5
_MOST_ABOVE: Final = 0.5  # crests that pass a rail (codecs overshoot), for each that is cut there
_APART_S: Final = 0.05
_PLACES: Final = 3
_IN_ONE: Final = 3.0
_FLATTER: Final = 0.72
_UNEQUAL: Final = 0.04


class CrestScan:
    """Collects the high crests of one channel, tile after tile: (frame, height, flatness)."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._peak = 0.0
        self._kept: list[Floats] = []
        self._count = 0

    def add(self, x: NDArray[np.float32], origin: int, start: int, stop: int) -> None:
        """Take one tile: samples ``x`` (with margins) from frame ``origin``; it owns frames ``start`` to ``stop``."""
        size = np.abs(x)
        self._peak = max(self._peak, float(size[start - origin : stop - origin].max(initial=0.0)))
        begin = np.concatenate([[0], np.flatnonzero(np.diff(np.signbit(x))) + 1])
        if self._peak == 0.0 or len(begin) < 2:
            return
        length = np.diff(begin, append=len(x))
        high = np.maximum.reduceat(size, begin) >= _LOW * self._peak
        places = zip(begin[high].tolist(), length[high].tolist(), strict=True)
        top = np.array([a + int(size[a : a + n].argmax()) for a, n in places], np.int64)
        own = (top + origin >= start) & (top + origin < stop)
        top, length = top[own], length[high][own]
        if len(top) > _MOST_A_TILE:
            some = np.linspace(0, len(top) - 1, _MOST_A_TILE).astype(np.int64)
            top, length = top[some], length[some]
        if not len(top):
            return
        height, flatness = _shapes(x, top, length)
        self._kept.append(np.column_stack([(top + origin).astype(np.float64), height, flatness]))
        self._count += len(top)
        if self._count > _MOST:
            self._thin()

    def _thin(self) -> None:
        crests = np.concatenate(self._kept)
        crests = crests[crests[:, 1] >= _LOW * self._peak]
        crests = crests[:: 2 if len(crests) > _MOST // 2 else 1]
        self._kept, self._count = [crests], len(crests)

    def judge(self) -> tuple[float, NDArray[np.int64]] | None:
        """Return the height of the rail, full scale 1.0, and the frames of crests cut there (m,); None without one."""
        if not self._kept or self._peak < _LEAST_PEAK:
            return None
        frame, height, flatness = np.concatenate(self._kept).T
        kept = height >= _LOW * self._peak
        frame, flatness = frame[kept], flatness[kept]
        level = 20.0 * np.log10(height[kept])
        flat = flatness > _FLAT
        if np.count_nonzero(flat) < _LEAST:
            return None
        heights = np.sort(level[flat])
        crowd = np.searchsorted(heights, heights + 2.0 * _NEAR_DB, side="right") - np.arange(len(heights))
        most = int(np.argmax(crowd))
        rail = float(np.median(heights[most : most + crowd[most]]))
        near, below = np.abs(level - rail) <= _NEAR_DB, level < rail - _BELOW_DB
        cut = near & flat
        share = np.count_nonzero(cut) / np.count_nonzero(near)
        usual = np.count_nonzero(below & flat) / max(int(np.count_nonzero(below)), 1)
        few_above = np.count_nonzero(level > rail + _ABOVE_DB) <= _MOST_ABOVE * np.count_nonzero(cut)
        if np.count_nonzero(cut) < _LEAST or share < max(_LEAST_SHARE, _TIMES_BELOW * usual) or not few_above:
            return None
        place = np.cumsum(np.diff(frame[cut], prepend=frame[cut][0]) > _APART_S * self._rate)
        in_one = float(np.median(np.bincount(place)))
        several = int(place[-1]) + 1 >= _PLACES
        unlike = float(np.median(flatness[cut])) >= _FLATTER or float(np.std(flatness[cut])) >= _UNEQUAL
        if in_one < _IN_ONE and not (several and unlike):
            return None
        return float(10.0 ** (rail / 20.0)), frame[cut].astype(np.int64)


def _shapes(x: NDArray[np.float32], top: NDArray[np.int64], length: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return height and flatness of crests whose highest samples are ``top``, in half waves so long, each (m,)."""
    height, flatness = np.empty(len(top)), np.empty(len(top))
    short = length < _SHORT
    for chosen in (short, ~short):
        at = top[chosen]
        if not len(at):
            continue
        fine = chosen is short
        step = np.ones(len(at), np.int64) if fine else np.maximum(length[chosen] // (2 * _HALF), 1)
        reach = np.arange(-_HALF, _HALF) if fine else np.arange(-2 * _HALF, 2 * _HALF + 1)
        places = at[:, None] + step[:, None] * reach
        inside = (places >= 0) & (places < len(x))
        y = np.where(inside, x[np.clip(places, 0, len(x) - 1)], 0.0) * np.sign(x[at])[:, None].astype(np.float64)
        middle, near = 2 * _HALF, 0
        if fine:
            y, middle, near = _finer(y), _HALF * _FINER, _FINER
        height[chosen] = y[:, middle - near : middle + near + 1].max(axis=1)
        above = [_width(y, middle, share * height[chosen]) for share in (0.85, 0.5)]
        flatness[chosen] = above[0] / np.maximum(above[1], 1e-9)
    return height, flatness


def _finer(y: Floats) -> Floats:
    """Return rows of ``2 * _HALF`` samples with values between them, band-limited; their ends are faded out."""
    count = y.shape[1]
    fade = np.clip((np.minimum(np.arange(count), np.arange(count)[::-1]) / 8.0), 0.0, 1.0)
    return np.asarray(np.fft.irfft(np.fft.rfft(y * fade, axis=1), count * _FINER, axis=1) * _FINER)


def _width(y: Floats, middle: int, limit: Floats) -> Floats:
    """Return how long each row stays above its limit around the middle, in steps, with the parts of steps."""
    total = np.zeros(len(y))
    rows = np.arange(len(y))
    for side in (y[:, middle:], y[:, middle::-1]):
        under = side < limit[:, None]
        first = np.where(under.any(axis=1), under.argmax(axis=1), side.shape[1] - 1)
        over = side[rows, np.maximum(first - 1, 0)]
        part = (over - limit) / np.maximum(over - side[rows, first], 1e-12)
        total += np.maximum(first - 1, 0) + np.clip(part, 0.0, 1.0)
    return total
