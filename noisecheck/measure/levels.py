"""Peaks between the samples, correction for background, and the blocks that levels are summed from."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.units import from_power_db, power_db

__all__ = [
    "BOUND_DB",
    "CANDIDATES",
    "LOW_DB",
    "background_correction_db",
    "block_frames",
    "block_sums",
    "exposure_level_db",
    "net_exposure",
    "peak_candidates",
    "true_peaks",
]

LOW_DB: Final = 6.0
"""Below this difference the correction leaves the engineering grade, ISO 3744:2010 clause 8.2.3."""
BOUND_DB: Final = 3.0
"""Below this difference the correction is held and the result is an upper bound, ISO 3746:2010 clause 8.3.3."""
_BLOCK_S: Final = 0.0005
_PHASES: Final = 8
_HALF: Final = 32
_REACH: Final = 16
_NEAR: Final = 0.7
CANDIDATES: Final = 8
"""Samples between which the true peak of an impact is looked for."""


def background_correction_db(difference_db: ArrayLike) -> NDArray[np.float64]:
    """Return K1 in dB (same shape), to be subtracted from a level measured with the source on.

    ``K1 = -10 lg(1 - 10^(-0.1 dL))``, ISO 3744:2010 Eq. (16); held at its 3 dB value (3.02 dB) below 3 dB,
    ISO 3746:2010 clause 8.3.3, where the corrected level is an upper bound. Never apply it to a peak
    (ISO 11202:2010 clause 8). It is not set to zero above 15 dB, as the standards allow: that would bias by 0.14 dB.
    """
    difference = np.maximum(np.asarray(difference_db, np.float64), BOUND_DB)
    return np.asarray(-10.0 * np.log10(1.0 - from_power_db(-difference)), np.float64)


def net_exposure(gross: ArrayLike, background: ArrayLike) -> NDArray[np.float64]:
    """Return the exposure without its background (same shape), by the rule of :func:`background_correction_db`."""
    g, b = np.asarray(gross, np.float64), np.asarray(background, np.float64)
    return np.maximum(g - b, g * (1.0 - from_power_db(-BOUND_DB)))


def exposure_level_db(samples: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Return the sound exposure level L_E re (full scale)^2 * 1 s over the first axis, ISO 1996-1:2016 clause 3.1.8."""
    x = np.asarray(samples, np.float64)
    return power_db(np.sum(x * x, axis=0) / rate)


def block_frames(rate: float) -> int:
    """Return the frames in one block: 0.5 ms, the grid on which windows begin and end."""
    return max(round(_BLOCK_S * rate), 1)


def block_sums(signal: NDArray[np.float32], block: int) -> NDArray[np.float64]:
    """Return the sums of squares of whole blocks (float64, shape (blocks,)); the last one may be short."""
    blocks = -(-len(signal) // block)
    padded = signal
    if blocks * block != len(signal):
        padded = np.zeros(blocks * block, np.float32)
        padded[: len(signal)] = signal
    rows = padded.reshape(blocks, block)
    return np.asarray(np.einsum("ij,ij->i", rows, rows), np.float64)


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


def peak_candidates(piece: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return where the peak may lie, shape (CANDIDATES,): the highest sample, then crests within 3 dB of it.

    ``piece`` is one channel, shape (frames,), not empty. Fewer candidates are filled up with the highest sample.
    """
    size = np.abs(piece)
    best = int(size.argmax())
    out = np.full(CANDIDATES, best, np.int64)
    near = (size > _NEAR * size[best]).nonzero()[0]
    if len(near) > 1:
        top = size[near]
        crest = (top >= size[np.maximum(near - 1, 0)]) & (top >= size[np.minimum(near + 1, len(size) - 1)])
        near, top = near[crest], top[crest]
        near = near[np.argsort(-top, kind="stable")[:CANDIDATES]]
        out[: len(near)] = near
    return out


def true_peaks(signal: NDArray[np.float32], at: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the highest magnitude near the candidates of each event, between samples too, shape (n,).

    Band-limited interpolation to eight points a sample, then a parabola: within 0.05 dB up to 0.9 of Nyquist,
    where plain samples read several dB low (0.97 dB for one cycle of 8 kHz at 48 kHz). The highest sample is
    searched 16 samples each way (near Nyquist the true peak may lie between two low samples), the others one.

    Args:
        signal: one channel, shape (frames,).
        at: candidates of each event, frames, shape (n, CANDIDATES), see :func:`peak_candidates`.
    """
    padded = np.zeros(len(signal) + 2 * (_HALF + _REACH), np.float32)
    padded[_HALF + _REACH : _HALF + _REACH + len(signal)] = signal
    flat, back = np.unique(at, return_inverse=True)
    crests = _refined(padded, flat, 1)[back.reshape(at.shape)].max(axis=1)
    return np.maximum(crests, _refined(padded, at[:, 0], _REACH))


def _refined(padded: NDArray[np.float32], at: NDArray[np.int64], reach: int) -> NDArray[np.float64]:
    """Return the highest magnitude within ``reach`` samples of each frame, shape (n,)."""
    kernel, shift = _interpolator(reach), _REACH - reach
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * (_HALF + reach) + 1)
    # one product a row: its bits do not depend on the neighbours
    fine = np.abs(np.matmul(windows[at + shift][:, None, :], kernel))[:, 0].astype(np.float64)
    row, top = np.arange(len(at)), np.argmax(fine, axis=1)
    inner = np.clip(top, 1, fine.shape[1] - 2)
    left, mid, right = fine[row, inner - 1], fine[row, inner], fine[row, inner + 1]
    bend = np.minimum(left - 2.0 * mid + right, -1e-30)
    vertex = np.where(top == inner, mid - (right - left) ** 2 / (8.0 * bend), fine[row, top])
    return np.maximum(vertex, np.abs(padded[at + _HALF + _REACH]))
