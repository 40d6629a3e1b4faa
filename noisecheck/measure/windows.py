"""Stretches of unequal length out of one stream, worked on together as rows of a matrix."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import distinct
from noisecheck.core.windows import stretches, windows

__all__ = ["around", "block_maxima", "first_at_or_below", "gathered", "in_groups", "maxima"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SHORTEST: Final = 32
_ROUND: Final = 32
_SPAN: Final = 65536  # samples at a time, to stay in the cache
_WIDTH: Final = 8


def in_groups(lengths: Ints) -> Iterator[tuple[Ints, int]]:
    """Yield (rows, width) of stretches about as long as one another; width, a power of two, holds the longest.

    Together they hold every row once, and no more than twice the elements of all stretches longer than 16.
    """
    width = 1 << np.ceil(np.log2(np.maximum(lengths, _SHORTEST))).astype(np.int64)
    for each in distinct(width):
        yield np.flatnonzero(width == each), int(each)


def gathered(values: NDArray[Any], start: Ints, length: Ints, width: int, *, blank: float) -> NDArray[Any]:
    """Return rows ``values[start : start + length]``, each (width,), with ``blank`` behind what a row has.

    Args:
        values: the stream, shape (n,).
        start: first index of each row, within the stream.
        length: how much of the stream each row holds, at most ``width``.
        width: columns of the result.
        blank: what stands behind the end of a row.
    """
    rows = stretches(values, start, width)
    rows[np.arange(width) >= length[:, None]] = blank
    return rows


def around(signal: NDArray[np.float32], at: Ints, reach: int) -> NDArray[np.float32]:
    """Return samples ``at - reach`` to ``at + reach`` of each position, (n, 2 * reach + 1), 0 outside the signal."""
    if len(at) and (at.min() < reach or at.max() + reach >= len(signal)):
        signal, at = np.pad(signal, reach), at + reach
    return windows(signal, 2 * reach + 1)[at - reach]


def maxima(values: NDArray[Any], start: Ints, stop: Ints) -> NDArray[Any]:
    """Return ``max(values[start : stop])`` for each pair, (n,); every stretch holds something."""
    padded = np.append(values, values[-1:])  # a stretch may end where the stream does
    edges = np.column_stack([start, stop]).ravel()
    return np.asarray(np.maximum.reduceat(padded, edges)[::2])


def block_maxima(signal: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """Return the highest magnitude of each whole block, (blocks,); the last one may be short."""
    count = -(-len(signal) // block)
    out = np.empty(count, np.float32)
    some = max(_SPAN // block, 1)
    for first in range(0, count, some):
        part = np.abs(signal[first * block : (first + some) * block])
        target = out[first : first + some]
        if len(part) < len(target) * block:
            part = np.pad(part, (0, len(target) * block - len(part)))
        width = 1
        while 2 * width <= min(block, _WIDTH):  # the maxima of this many samples from each one on
            part = np.maximum(part[:-width], part[width:])
            width *= 2
        target[:] = part[::block]
        for at in (*range(width, block - width, width), block - width):
            np.maximum(target, part[at::block], out=target)
    return out


def first_at_or_below(values: Floats, limits: Floats, least: Floats, start: Ints, stop: Ints) -> Ints:
    """Return the first index in ``start <= k < stop`` where ``values[k] <= max(limits[k], least)``, else -1.

    Args:
        values, limits: streams of one length.
        least: one number a row.
        start, stop: the stretch of each row.
    """
    found = np.full(len(start), -1, np.int64)
    open_rows, at = np.flatnonzero(start < stop), start.copy()
    step = np.arange(_ROUND)
    while len(open_rows):
        here = at[open_rows]
        inside = step < (stop[open_rows] - here)[:, None]
        limit = np.maximum(stretches(limits, here, _ROUND), least[open_rows][:, None])
        low = inside & (stretches(values, here, _ROUND) <= limit)
        k = low.argmax(axis=1)
        hit = low[np.arange(len(k)), k]
        found[open_rows[hit]] = at[open_rows[hit]] + k[hit]
        at[open_rows] += _ROUND
        open_rows = open_rows[~hit & (at[open_rows] < stop[open_rows])]
    return found
