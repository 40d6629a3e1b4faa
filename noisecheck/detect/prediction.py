"""Linear prediction of what already sounds: its error is what is new, with the background's colour taken off."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.windows import strided, windows

__all__ = [
    "beside",
    "changes",
    "errors_by",
    "filtered",
    "fitted_closely",
    "fitted_side_by_side",
    "gather",
    "own_error",
    "prediction_errors",
    "predictors_at",
]

Floats = NDArray[np.float32]
_Real = TypeVar("_Real", np.float32, np.float64)

_ORDER = 32
_PAST_S = 0.050
_GAP_S = 0.010
_BLOCK = 32
"""Samples filtered together by a matrix product, which for so short filters beats transforms; no order is higher."""
_TOGETHER = 24
"""The same where a predictor is fitted."""
_BATCH = 128
_RIDGE = 1e-9


def prediction_errors(samples: Floats, at: NDArray[np.int64], rate: int, before: int, after: int) -> Iterator[Floats]:
    """Yield the prediction error (rows, before + after) around some positions at a time, predictor from the past.

    Args:
        samples: one channel, (n,); beyond its ends it is taken as mirrored.
        at: positions, (m,).
        rate: frames a second.
        before, after: samples wanted on either side of each position.
    """
    past, gap = int(_PAST_S * rate), int(_GAP_S * rate)
    order = min(_ORDER, (past - gap) // 8)
    parts = [at[i : i + _BATCH] for i in range(0, len(at), _BATCH)]
    # Differences instead of samples: no wander slower than the past that is fitted is left to surprise anyone.
    lags = [_lags(changes(samples, part, -past, -gap), order) for part in parts]
    filters = _predictors(np.concatenate(lags)) if lags else np.empty((0, order + 1))
    for i, part in enumerate(parts):
        wave = changes(samples, part, -before - order, after)
        yield filtered(wave, filters[i * _BATCH :][: len(part)])


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
    return errors_by(predictors_at(samples, at, *fitted, order=order), samples, at, start, stop)


def predictors_at(samples: Floats, at: NDArray[np.int64], start: int, stop: int, *, order: int) -> NDArray[np.float64]:
    """Return prediction-error filters (rows, order + 1) of what sounds from ``start`` to ``stop`` of each position."""
    return _predictors(_lags(changes(samples, at, start, stop), order))


def errors_by(filters: NDArray[np.float64], samples: Floats, at: NDArray[np.int64], start: int, stop: int) -> Floats:
    """Return the error (rows, stop - start) that each filter of :func:`predictors_at` makes around its position."""
    return filtered(changes(samples, at, start + 1 - filters.shape[1], stop), filters)


def gather(samples: Floats, at: NDArray[np.int64], start: int, stop: int) -> Floats:
    """Return rows ``samples[at + start : at + stop]``; beyond the ends the samples are mirrored."""
    last = len(samples) - 1
    if len(at) and at.min() + start >= 0 and at.max() + stop - 1 <= last:
        return windows(samples, stop - start)[at + start]
    index = np.abs(at[:, None] + np.arange(start, stop))
    return samples[np.clip(np.where(index > last, 2 * last - index, index), 0, last)]


def changes(samples: Floats, at: NDArray[np.int64], start: int, stop: int) -> Floats:
    """Return by how much each of the samples of :func:`gather` differs from the one before it."""
    wave = gather(samples, at, start - 1, stop)
    return wave[:, 1:] - wave[:, :-1]


def _lags(past: Floats, order: int) -> NDArray[np.float64]:
    """Return the autocorrelation of each row, windowed, at the lags 0 to ``order``, (rows, order + 1)."""
    rows, length = past.shape
    blocks = -(-length // _TOGETHER)
    padded = np.zeros((rows, blocks * _TOGETHER + order), np.float32)
    np.multiply(past, _window(length), out=padded[:, :length])
    ahead = windows(padded, _TOGETHER + order)[:, ::_TOGETHER]
    here = padded[:, : blocks * _TOGETHER].reshape(rows, blocks, _TOGETHER)
    products = np.matmul(here.transpose(0, 2, 1), np.ascontiguousarray(ahead))
    # Products of samples i and i + k of a block lie on the k-th diagonal. (Side by side they are summed twice as fast.)
    diagonals = np.ascontiguousarray(_diagonals(products, order + 1).swapaxes(0, 1))
    return np.asarray(np.add.reduce(diagonals, axis=0, dtype=np.float64))


@lru_cache(maxsize=16)
def _window(length: int) -> Floats:
    return np.hanning(length).astype(np.float32)


def _diagonals(matrices: NDArray[_Real], count: int) -> NDArray[_Real]:
    """Return a view of the first diagonals, (matrices, rows, count), of matrices (matrices, rows, rows + count - 1)."""
    matrix, row, column = matrices.strides
    shape = *matrices.shape[:2], count
    return strided(matrices, shape, (matrix, row + column, column))


def _predictors(lags: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return prediction-error filters (rows, order + 1) of autocorrelations; Levinson's recursion, all rows at once."""
    at = np.ascontiguousarray(lags.T)  # rows side by side: each step of the recursion goes straight through memory
    at[0] = at[0] * (1 + 1e-6) + 1e-18
    filters = np.zeros_like(at)
    filters[0] = 1.0
    error = at[0].copy()
    for i in range(1, len(at)):
        before, longer = filters[:i], filters[1 : i + 1]
        reflection = np.add.reduce(before * at[i:0:-1], axis=0) / error
        longer -= reflection * before[::-1]
        error *= 1 - reflection**2
    return filters.T


def fitted_closely(
    wave: NDArray[np.float64], length: int, order: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return prediction-error filters (rows, order + 1) of least squared error over each row's first samples, and that.

    This covariance method foresees what rings freely down to the noise, however short the ring; a window smears it.

    Args:
        wave: rows, (rows, n), n at least length + 2 * order.
        length: squared errors of samples order to order + length of each row are summed.
        order: order of the predictor.

    Returns:
        Filters, and the sum of squared errors that each leaves, (rows,).
    """
    product = _products(wave, length, order)
    normal, toward = product[:, :-1, :-1].copy(), product[:, :-1, -1:]
    diagonal = np.einsum("ijj->ij", normal)
    ridge = _RIDGE * diagonal.mean(axis=1, keepdims=True) + 1e-18
    diagonal += ridge
    ahead = np.linalg.solve(normal, toward)[:, :, 0]
    filters = np.ones((len(wave), order + 1))
    filters[:, 1:] = -ahead[:, ::-1]
    return filters, product[:, -1, -1] - ((toward[:, :, 0] + ridge * ahead) * ahead).sum(axis=1)


def _products(wave: NDArray[np.float64], length: int, order: int) -> NDArray[np.float64]:
    """Return sums over t < length of products of samples i + t and j + t of each row, (rows, order + 1, order + 1).

    From a pair of samples to the next one a sum loses its first product and gains one: a tenth of the work.
    """
    ahead = windows(wave, order + 1)
    apart = np.empty((len(wave), order + 1, order + 1))
    np.einsum("ij,ijk->ik", wave[:, :length], ahead[:, :length], out=apart[:, 0])
    begin, end = (wave[:, at : at + order, None] * ahead[:, at : at + order] for at in (0, length))
    np.subtract(end, begin, out=apart[:, 1:])
    np.cumsum(apart, axis=1, out=apart)
    i = np.arange(order + 1)
    return apart[:, np.minimum(i[:, None], i), np.abs(i[:, None] - i)]


def beside(wave: NDArray[np.float64], count: int, length: int) -> NDArray[np.float64]:
    """Return a view of ``length`` samples of columns (n, columns), from each of the first ``count`` on."""
    row, column = wave.strides
    return strided(wave, (count, length, wave.shape[1]), (row, row, column))


def fitted_side_by_side(
    wave: NDArray[np.float64], length: int, order: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what :func:`fitted_closely` does for columns (n, columns), three times as fast where they are hundreds.

    Returns:
        Weights of the ``order`` samples before another, the oldest first, that foresee it, (order, columns), and the
        sum of squared errors that each column leaves, (columns,). Of two columns and more each is worked out alone.
    """
    product = np.empty((order + 1, order + 1, wave.shape[1]))
    np.einsum("ij,kij->kj", wave[:length], beside(wave, order + 1, length), out=product[0])
    product[1:, 0] = product[0, 1:]
    for i in range(1, order + 1):
        more = wave[length + i - 1] * wave[length + i - 1 : length + order]
        more -= wave[i - 1] * wave[i - 1 : order]
        np.add(product[i - 1, i - 1 : order], more, out=product[i, i:])
        product[i + 1 :, i] = product[i, i + 1 :]
    whole, toward = product[order, order].copy(), product[:order, order].copy()
    diagonal = np.einsum("iij->ij", product[:order, :order])
    ridge = _RIDGE * np.add.reduce(diagonal, axis=0) / order + 1e-18
    diagonal += ridge
    for k in range(order - 1):  # elimination; what is squared and summed needs no pivots
        share = product[k + 1 : order, k] / product[k, k]
        product[k + 1 : order, k + 1 :] -= share[:, None] * product[k, k + 1 :]
    ahead = np.empty((order, wave.shape[1]))
    for k in range(order - 1, -1, -1):
        rest = np.add.reduce(product[k, k + 1 : order] * ahead[k + 1 :], axis=0)
        np.divide(product[k, order] - rest, product[k, k], out=ahead[k])
    return ahead, whole - np.add.reduce((toward + ridge * ahead) * ahead, axis=0)


def filtered(pieces: NDArray[_Real], filters: NDArray[np.float64]) -> NDArray[_Real]:
    """Return each row through its own filter, (rows, n - order): samples whose whole past is in the row."""
    rows, order = len(filters), filters.shape[1] - 1
    length = pieces.shape[1] - order
    blocks = np.empty((rows, -(-length // _BLOCK) + 1, _BLOCK), pieces.dtype)
    whole = blocks.reshape(rows, -1)
    whole[:, : pieces.shape[1]], whole[:, pieces.shape[1] :] = pieces, 0.0
    taps = np.zeros((rows, 2 * _BLOCK, _BLOCK), pieces.dtype)
    # Output j of a block weighs the samples from j on, of that block and the next, with the filter turned round.
    row, before, after = taps.strides
    strided(taps, (rows, _BLOCK, order + 1), (row, before + after, before))[:] = filters[:, None, ::-1]
    out = np.matmul(blocks[:, :-1], taps[:, :_BLOCK])
    out += np.matmul(blocks[:, 1:], taps[:, _BLOCK:])
    return out.reshape(rows, -1)[:, :length]
