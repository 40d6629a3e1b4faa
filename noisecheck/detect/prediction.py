"""Linear prediction of what already sounds: its error is what is new, with the background's colour taken off."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["filtered", "gather", "own_error", "prediction_error"]

Floats = NDArray[np.float32]
_Real = TypeVar("_Real", np.float32, np.float64)

_ORDER = 32
_PAST_S = 0.050
_GAP_S = 0.010
_BLOCK = 24  # samples taken together in a matrix product, which for so short filters beats transforms


def prediction_error(samples: Floats, at: NDArray[np.int64], rate: int, before: int, after: int) -> Floats:
    """Return the prediction error (rows, before + after) around each position, predictor from the past before it.

    Args:
        samples: one channel, (n,); beyond its ends it is taken as mirrored.
        at: positions, (rows,).
        rate: frames a second.
        before, after: samples wanted on either side of each position.
    """
    past, gap = int(_PAST_S * rate), int(_GAP_S * rate)
    order = min(_ORDER, (past - gap) // 8)
    # Differences instead of samples: no wander slower than the past that is fitted is left to surprise anyone.
    fitted = np.diff(gather(samples, at, -past - 1, -gap), axis=1)
    return _error(np.diff(gather(samples, at, -before - order - 1, after), axis=1), fitted, order)


def own_error(
    samples: Floats, at: NDArray[np.int64], fitted: tuple[int, int], start: int, stop: int, *, order: int
) -> Floats:
    """Return the prediction error (rows, stop - start) around each position, predictor from the sound there itself.

    Args:
        samples: one channel, (n,); beyond its ends it is taken as mirrored.
        at: positions, (rows,).
        fitted: samples from each position between which the predictor is fitted.
        start, stop: samples wanted, from each position.
        order: order of the predictor.
    """
    wave = np.diff(gather(samples, at, start - order - 1, stop), axis=1)
    begin, end = (f - start + order for f in fitted)
    return _error(wave, wave[:, begin:end], order)


def gather(samples: Floats, at: NDArray[np.int64], start: int, stop: int) -> Floats:
    """Return rows ``samples[at + start : at + stop]``; beyond the ends the samples are mirrored."""
    last = len(samples) - 1
    if len(at) and at.min() + start >= 0 and at.max() + stop - 1 <= last:
        return np.lib.stride_tricks.sliding_window_view(samples, stop - start)[at + start]
    index = np.abs(at[:, None] + np.arange(start, stop))
    return samples[np.clip(np.where(index > last, 2 * last - index, index), 0, last)]


def _error(wave: Floats, fitted: Floats, order: int) -> Floats:
    """Return each row's prediction error, (rows, n - order), predictor from that row of ``fitted``."""
    window = np.hanning(fitted.shape[1]).astype(np.float32)
    return filtered(wave, _predictors(_lags(fitted * window, order)))


def _lags(past: Floats, order: int) -> NDArray[np.float64]:
    """Return the autocorrelation of each row at the lags 0 to ``order``, (rows, order + 1)."""
    rows, length = past.shape
    blocks = -(-length // _BLOCK)
    padded = np.zeros((rows, blocks * _BLOCK + order), np.float32)
    padded[:, :length] = past
    ahead = np.lib.stride_tricks.sliding_window_view(padded, _BLOCK + order, axis=1)[:, ::_BLOCK]
    here = padded[:, : blocks * _BLOCK].reshape(rows, blocks, _BLOCK)
    products = np.matmul(here.transpose(0, 2, 1), ahead)
    # Products of samples i and i + k of a block lie on the k-th diagonal.
    row, column, entry = products.strides
    diagonals = np.lib.stride_tricks.as_strided(products, (rows, _BLOCK, order + 1), (row, column + entry, entry))
    return np.asarray(diagonals.sum(axis=1, dtype=np.float64))


def _predictors(lags: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return prediction-error filters (rows, order + 1) of autocorrelations; Levinson's recursion, all rows at once."""
    at = np.ascontiguousarray(lags.T)  # rows side by side: each step of the recursion goes straight through memory
    at[0] = at[0] * (1 + 1e-6) + 1e-18
    filters = np.zeros_like(at)
    filters[0] = 1.0
    error = at[0].copy()
    for i in range(1, len(at)):
        reflection = -(filters[:i] * at[i:0:-1]).sum(axis=0) / error
        filters[1 : i + 1] += reflection * filters[i - 1 :: -1][:i]
        error *= 1 - reflection**2
    return filters.T


def filtered(pieces: NDArray[_Real], filters: NDArray[np.float64]) -> NDArray[_Real]:
    """Return each row through its own filter, (rows, n - order): samples whose whole past is in the row."""
    rows, order = len(filters), filters.shape[1] - 1
    length = pieces.shape[1] - order
    blocks = -(-length // _BLOCK)
    padded = np.zeros((rows, blocks * _BLOCK + order), pieces.dtype)
    padded[:, : pieces.shape[1]] = pieces
    windows = np.lib.stride_tricks.sliding_window_view(padded, _BLOCK + order, axis=1)[:, ::_BLOCK]
    taps = np.zeros((rows, _BLOCK, _BLOCK + order), pieces.dtype)
    # Output j of a block weighs the samples from j on with the filter turned round.
    row, output, entry = taps.strides
    shifted = np.lib.stride_tricks.as_strided(taps, (rows, _BLOCK, order + 1), (row, output + entry, entry))
    shifted[:] = filters[:, None, ::-1]
    return np.matmul(windows, taps.transpose(0, 2, 1)).reshape(rows, -1)[:, :length]
