"""Neighbouring values out of signals, copied in one piece each: ten times as fast as picking them one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["extended", "in_blocks", "means", "stretches", "strided", "windows"]


def strided(values: NDArray[Any], shape: tuple[int, ...], strides: tuple[int, ...]) -> NDArray[Any]:
    """Return a view of a shape that begins with the first value and goes on by so many bytes along each axis.

    The same as ``numpy.lib.stride_tricks.as_strided``, which takes three times as long to make one.
    """
    if values.flags.c_contiguous:
        return np.ndarray(shape, values.dtype, values, 0, strides)
    return np.lib.stride_tricks.as_strided(values, shape, strides)


def windows(values: NDArray[Any], length: int) -> NDArray[Any]:
    """Return a view of every ``length`` neighbouring values along the last axis, (..., n - length + 1, length).

    The same as ``numpy.lib.stride_tricks.sliding_window_view``, which takes 20 us to look at what it is given: as long
    as it takes to copy 100,000 values. There must be ``length`` values; the view is for reading only.
    """
    *lead, count = values.shape
    view = strided(values, (*lead, count - length + 1, length), (*values.strides, values.strides[-1]))
    view.flags.writeable = False
    return view


def extended(values: NDArray[Any], before: int, after: int) -> NDArray[Any]:
    """Return values with the first and the last of them going on so long, (..., before + n + after).

    The same as ``numpy.pad(mode="edge")``, which takes 50 us to look at what it is given.
    """
    first, last = np.repeat(values[..., :1], before, axis=-1), np.repeat(values[..., -1:], after, axis=-1)
    return np.concatenate((first, values, last), axis=-1)


def stretches(values: NDArray[Any], start: NDArray[np.int64], length: int) -> NDArray[Any]:
    """Return ``length`` values from each start on, (m, length); the first and last value go on beyond the ends.

    Args:
        values: one signal for all, (n,), or one for each, (m, n).
        start: where each begins, (m,).
        length: how many.
    """
    if length > values.shape[-1]:
        values = extended(values, 0, length - values.shape[-1])
    each = windows(values, length)
    inside = np.minimum(np.maximum(start, 0), values.shape[-1] - length)
    own: tuple[Any, ...] = () if values.ndim == 1 else (np.arange(len(start)),)
    out = each[(*own, inside)]
    beyond = np.flatnonzero(inside != start)
    if len(beyond):
        at = np.minimum(np.maximum(start[beyond, None] + np.arange(length), 0), values.shape[-1] - 1)
        out[beyond] = values[(*(rows[beyond, None] for rows in own), at)]
    return out


def in_blocks(values: NDArray[Any], block: int, by: np.ufunc) -> NDArray[Any]:
    """Return the sums, or what else ``by`` makes, of whole blocks of a few values of each row, (rows, n // block).

    A third of the time that reducing a short axis takes.
    """
    count = values.shape[1] // block
    blocks = values[:, : count * block].reshape(len(values), count, block)
    out = blocks[:, :, 0].copy()
    for k in range(1, block):
        by(out, blocks[:, :, k], out=out)
    return out


def means(values: NDArray[Any]) -> NDArray[Any]:
    """Return the means along the second axis, (m, ...), of float values: those of ``mean``, in a third of its time."""
    return np.asarray(np.add.reduce(values, axis=1) / values.dtype.type(values.shape[1]))
