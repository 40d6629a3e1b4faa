"""Peaks between the samples of a signal."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.windows import stretches
from noisecheck.measure.windows import around, block_maxima, gathered, maxima

__all__ = ["CANDIDATES", "peak_candidates", "true_peaks"]

Ints = NDArray[np.int64]

_PHASES: Final = 8
_HALF: Final = 32
_REACH: Final = 16
_NEAR: Final = np.float32(0.7)
CANDIDATES: Final = 8
"""Samples between which the true peak of an impact is looked for."""


def peak_candidates(signal: NDArray[np.float32], block: int, first: Ints, stop: Ints) -> Ints:
    """Return where each impact's peak may lie, (n, CANDIDATES): the highest sample, then crests within 3 dB of it.

    Fewer candidates are filled up with the highest sample.

    Args:
        signal: one channel, shape (frames,).
        block: frames in a block.
        first, stop: whole blocks to be searched, (n,) each, at least one for each impact and within the signal
            (the last may be short).
    """
    highest = block_maxima(signal, block)
    top = maxima(highest, first, stop)
    length = stop - first
    blank = -1.0
    least = np.where(top > 0, _NEAR * top, blank)  # in digital silence every sample is as high as any
    row, at = np.nonzero(gathered(highest, first, length, int(length.max(initial=1)), blank=blank) > least[:, None])
    begin, last = (first[row] + at) * block, np.minimum(stop * block, len(signal)) - 1
    inside = np.arange(block) <= (last[row] - begin)[:, None]  # the last block may be short
    which, column = np.nonzero(inside & (np.abs(stretches(signal, begin, block)) > least[row][:, None]))
    row, place = row[which], begin[which] + column
    value = np.abs(signal[place])
    crest = value >= np.abs(signal[np.maximum(place - 1, (first * block)[row])])
    crest &= value >= np.abs(signal[np.minimum(place + 1, last[row])])
    row, place, value = row[crest], place[crest], value[crest]
    order = np.lexsort((place, -value, row))
    row, place = row[order], place[order]
    rank = np.arange(len(row)) - np.searchsorted(row, row)
    kept = rank < CANDIDATES
    out = np.repeat(place[rank == 0][:, None], CANDIDATES, axis=1)
    out[row[kept], rank[kept]] = place[kept]
    return np.asarray(out, np.int64)


@lru_cache(maxsize=4)
def _interpolator(reach: int) -> NDArray[np.float32]:
    """Return the matrix (samples, points) of a Kaiser-windowed sinc: ``reach`` samples each way in eighths."""
    points = np.arange(-reach * _PHASES, reach * _PHASES + 1) / _PHASES
    at = np.arange(-_HALF - reach, _HALF + reach + 1)
    distance = points[None, :] - at[:, None]
    kaiser = np.i0(6.0 * np.sqrt(np.maximum(1.0 - (distance / (_HALF + 0.5)) ** 2, 0.0))) / np.i0(6.0)
    kernel = np.where(np.abs(distance) <= _HALF, np.sinc(distance) * kaiser, 0.0).astype(np.float32)
    kernel.setflags(write=False)
    return kernel


def true_peaks(signal: NDArray[np.float32], at: Ints) -> NDArray[np.float64]:
    """Return the highest magnitude near the candidates of each event, between samples too, shape (n,).

    Band-limited interpolation to eight points a sample, then a parabola: within 0.05 dB up to 0.9 of Nyquist,
    where plain samples read several dB low (0.97 dB for one cycle of 8 kHz at 48 kHz). The highest sample is
    searched 16 samples each way (near Nyquist the true peak may lie between two low samples), the others one.

    Args:
        signal: one channel, shape (frames,).
        at: candidates of each event, frames, shape (n, CANDIDATES), see :func:`peak_candidates`.
    """
    flat, back = np.unique(at, return_inverse=True)
    crests = _refined(signal, flat, 1)[back.reshape(at.shape)].max(axis=1)
    return np.maximum(crests, _refined(signal, at[:, 0], _REACH))


def _refined(signal: NDArray[np.float32], at: Ints, reach: int) -> NDArray[np.float64]:
    """Return the highest magnitude within ``reach`` samples of each frame, shape (n,)."""
    # one product a row: its bits do not depend on the neighbours
    fine = np.abs(np.matmul(around(signal, at, _HALF + reach)[:, None, :], _interpolator(reach)))[:, 0]
    fine = fine.astype(np.float64)
    row, top = np.arange(len(at)), np.argmax(fine, axis=1)
    inner = np.clip(top, 1, fine.shape[1] - 2)
    left, mid, right = fine[row, inner - 1], fine[row, inner], fine[row, inner + 1]
    bend = np.minimum(left - 2.0 * mid + right, -1e-30)
    vertex = np.where(top == inner, mid - (right - left) ** 2 / (8.0 * bend), fine[row, top])
    return np.maximum(vertex, np.abs(signal[at]))
