"""The onset of a sound that rises over milliseconds, from tones that its loud part shows.

A thud's tones begin together and keep their pitch and phase while they grow, so the loud part, tens of milliseconds
long, tells what to look for in the faint beginning. The sound is taken as an envelope (start, rise, decay) times a
stationary Gaussian process whose spectrum is that of the loud part, in noise whose spectrum is that of the past. The
covariance of the process has few large components (pivoted Cholesky factor), so the exact likelihood of each
envelope costs the determinant of a small matrix. Start and first arrival are medians over all envelopes weighed by
their likelihood: as often too early as too late.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, next_fast_len, rfft
from noisecheck.detect.prediction import gather

__all__ = ["AHEAD_S", "BACK_S", "modal_onsets"]

Floats = NDArray[np.float32]

_LEAD_S: Final = 0.014
_TAIL_S: Final = 0.036
_STARTS_S: Final = (-0.012, 0.004)
_PAD_S: Final = 0.006
_NOISE_S: Final = (-0.090, -0.014)
_NOISE_FRAME_S: Final = 0.030
_LOUD_S: Final = (0.002, 0.040)
_SMEAR_S: Final = 0.0005
_BLOCK_S: Final = 0.0005
_FIRST_STEP_S: Final = 0.0015
_FIRST_RISES_S: Final = (0.002, 0.008)
_STEP_S: Final = 0.0005
_STEPS: Final = 3
_RISES_S: Final = (0.001, 0.004, 0.007, 0.010, 0.014)
_DECAY_S: Final = 0.030
_SLOW_S: Final = 0.007
"""Shorter rises are left to others: the onset of a click with a slow ring may look like one."""
_SHORTER: Final = 10.0
"""Log-likelihood ratio by which a short rise is clearly likelier at first sight."""
_OUTSTANDING: Final = 4.0
"""Times the noise: chance alone reaches it in one bin of fifty."""
_BESIDE_TOP: Final = 0.01
_LINE: Final = 3.0
"""Times the mean: what the short whitening leaves of hum and whine sounds on, and is taken off."""
_FULL: Final = 2.0
"""Power of the process over that of its windowed loud part, which rises at its beginning and decays."""
_LEFT_OUT: Final = 0.3
"""Variance, of the noise's, that the components may leave out at any sample."""
_UNTOLD: Final = 0.4
"""Share of its variance, at some sample, that they may leave out: noise in a wide band has no tones to be known by."""
_TIE: Final = 1e-3
_COMPONENTS: Final = 40
_FIRST_COMPONENTS: Final = 28
_BESIDE_PEAK: Final = 10.0**-1.5
_MODEL_ERROR: Final = 1e-3
"""Of the loud part's power: no sound follows the model closer."""
_LEAST: Final = 0.02
_TINY: Final = 1e-16
AHEAD_S: Final = _LOUD_S[1] + _PAD_S
"""Seconds of samples after the rough onset that can change the onset."""
BACK_S: Final = -_STARTS_S[0] + _STEPS * _STEP_S + 0.001
"""Seconds by which an onset may come before the rough one."""


@dataclass(frozen=True)
class _Envelopes:
    """Envelopes of sounds that begin, rise and decay; arrays as long as there are envelopes."""

    start_s: NDArray[np.float64]
    """After the rough onset."""
    rise_s: NDArray[np.float64]

    @staticmethod
    def of(starts: NDArray[np.float64], rises: tuple[float, ...]) -> _Envelopes:
        return _Envelopes(np.repeat(starts, len(rises)), np.tile(rises, len(starts)))

    def at(self, seconds: NDArray[np.float64]) -> Floats:
        """Return amplitudes (envelopes, times): a quarter of a sine up to 1, then an exponential decay."""
        since = seconds - self.start_s[:, None]
        rise = self.rise_s[:, None]
        up = np.sin(0.5 * np.pi * np.clip(since / rise, 0.0, 1.0))
        return np.asarray(up * np.exp(-np.maximum(since - rise, 0.0) / _DECAY_S), np.float32)


@lru_cache(maxsize=8)
def _first(rate: int) -> tuple[_Envelopes, Floats]:
    envelopes = _Envelopes.of(np.arange(_STARTS_S[0], _STARTS_S[1] + 1e-9, _FIRST_STEP_S), _FIRST_RISES_S)
    return envelopes, envelopes.at(_times(rate))


def _times(rate: int) -> NDArray[np.float64]:
    block = max(1, round(_BLOCK_S * rate))
    lead, tail = (block * round(s * rate / block) for s in (_LEAD_S, _TAIL_S))
    return np.arange(-lead, tail) / rate


@lru_cache(maxsize=8)
def _window(length: int) -> NDArray[np.float64]:
    window = np.hanning(length + 2)[1:-1]
    return np.asarray(window / np.sqrt((window**2).sum()))


def _noise(past: NDArray[np.float64], rate: int, size: int) -> NDArray[np.float64]:
    """Return the power spectrum (bins,) of the past, a little smoothed."""
    frame = int(_NOISE_FRAME_S * rate)
    frames = np.lib.stride_tricks.sliding_window_view(past, frame)[:: max(1, frame // 4)]
    spectrum = rfft(frames * _window(frame), size)
    mean = (spectrum.real**2 + spectrum.imag**2).mean(axis=0)
    mean = np.convolve(np.pad(mean, 2, mode="edge"), np.full(5, 0.2), "valid")
    return np.asarray(mean + 1e-7 * mean.max() + _TINY)


def _components(loud: NDArray[np.float64], past: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Return the large components (count, components) of the covariance of what is new in ``loud``; none of noise.

    ``past`` is the power spectrum of what sounds anyway, both in units of the noise.
    """
    size = 2 * (len(past) - 1)
    spectrum = rfft(loud * _window(len(loud)), size)
    power = spectrum.real**2 + spectrum.imag**2
    power = np.where((power > _OUTSTANDING * past) & (power > _BESIDE_TOP * power.max()), power - past, 0.0)
    lags = _FULL * irfft(power, size)
    left = np.full(count, lags[0])
    out = np.zeros((count, _COMPONENTS))
    at = np.arange(count)
    # What is left is the same at mirror images about the middle of two samples taken: the later one must not win by
    # rounding, or the last bit of a sample would tell which components are found.
    even = 1.0 - _TIE * at / count
    for k in range(_COMPONENTS):
        row = int((left * even).argmax())
        if left[row] < _LEFT_OUT:
            return out[:, :k]
        # The covariance is even and as long as the transform: a negative index is the lag from the other side.
        out[:, k] = (lags[at - row] - out[:, :k] @ out[row, :k]) / np.sqrt(left[row])
        left -= out[:, k] ** 2
    return out if left.max() < _UNTOLD * lags[0] else out[:, :0]


def _likelihoods(
    envelopes: Floats, heard: Floats, parts: Floats, block: int
) -> tuple[NDArray[np.float64], Floats, Floats]:
    """Return log-likelihood ratios of envelopes (rows, n) times a process against noise of variance 1.

    Also the matrices (rows, k, k) and vectors (rows, k) whose quotient is the amplitude of each of the k components.
    """
    rows, k = len(envelopes), parts.shape[1]
    by_block = parts.reshape(-1, block, k)
    products = np.matmul(by_block.transpose(0, 2, 1), by_block).reshape(len(by_block), -1)
    squares = (envelopes**2).reshape(rows, -1, block).mean(axis=2)
    vectors = (envelopes * heard) @ parts
    # The last step of the factor of the bordered matrix is the quadratic form: one factorisation tells all.
    border = np.float32(2.0 * (heard @ heard) + 1.0)
    whole = np.full((rows, k + 1, k + 1), border, np.float32)
    whole[:, :k, :k] = (squares @ products).reshape(rows, k, k) + np.eye(k, dtype=np.float32)
    whole[:, k, :k] = whole[:, :k, k] = vectors
    steps = np.diagonal(np.linalg.cholesky(whole), axis1=1, axis2=2).astype(np.float64)
    ratio = 0.5 * (border - steps[:, k] ** 2) - np.log(steps[:, :k]).sum(axis=1)
    return np.asarray(ratio, np.float64), whole[:, :k, :k], np.asarray(vectors, np.float32)


def _median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(np.interp(0.5 * total[-1], total - 0.5 * weights[order], values[order]))


def modal_onsets(samples: Floats, rate: int, rough: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return onsets (int64), where each sound comes within 30 dB of its peak, and the seconds it rises.

    Where it rises for less than 5 ms or so, or nothing stands out of the noise, the rough onset is returned and a
    rise of 0.

    Args:
        samples: one channel, (n,), at a rate of some kilohertz.
        rate: frames a second.
        rough: (m,) positions in ``samples``, at most 4 ms before and 12 ms after the start.
    """
    each, rows = np.unique(rough, return_inverse=True)  # two peaks of one sound often share a rough onset
    onsets, rises = each.copy(), np.zeros(len(each))
    for n, at in enumerate(each):
        found = _modal(samples, rate, each[n : n + 1])
        if found is not None and found[0] < _STARTS_S[1]:
            onsets[n], rises[n] = at + round(found[0] * rate), found[1]
    return onsets[rows], rises[rows]


def _modal(samples: Floats, rate: int, at: NDArray[np.int64]) -> tuple[float, float] | None:
    times, block = _times(rate), max(1, round(_BLOCK_S * rate))
    count, lead, pad = len(times), -round(times[0] * rate), int(_PAD_S * rate)
    size = 2 * next_fast_len(count, real=False)  # long enough for all lags of the process
    before, quiet = (-int(s * rate) for s in _NOISE_S)
    piece = gather(samples, at, -before, count - lead + pad)[0].astype(np.float64)
    piece -= piece[: before - quiet].mean()
    noise = _noise(piece[: before - quiet], rate, size)
    # White noise out of the background, by a filter of zero phase shorter than 1 ms: what rings ahead comes early.
    lag = np.minimum(np.arange(size), size - np.arange(size)) / rate
    short = np.where(lag < _SMEAR_S, 0.5 + 0.5 * np.cos(np.pi * np.minimum(lag / _SMEAR_S, 1.0)), 0.0)
    gain = rfft(irfft(1.0 / np.sqrt(noise), size) * short).real
    gain = np.maximum(gain, 1e-3 * gain.max())
    gain /= np.sqrt((gain**2 * noise).mean())
    heard = irfft(rfft(piece[before - lead - pad :], size) * gain, size)[pad : pad + count + pad]
    begin, end = (lead + int(s * rate) for s in _LOUD_S)
    loud = heard[begin:end]
    unit = np.sqrt(max(1.0, _MODEL_ERROR * (loud**2).mean()))
    y = (heard[:count] / unit).astype(np.float32)
    past = noise * gain**2
    past = np.where(past > _LINE, past, 1.0)
    parts = _components(loud / unit, past / unit**2, count).astype(np.float32)
    if not parts.shape[1]:
        return None
    envelopes, shapes = _first(rate)
    ratio, _, _ = _likelihoods(shapes, y, np.ascontiguousarray(parts[:, :_FIRST_COMPONENTS]), block)
    long = envelopes.rise_s == _FIRST_RISES_S[-1]
    if ratio[long].max() < ratio.max() - _SHORTER:
        return None
    middle = float(envelopes.start_s[int(ratio.argmax())])
    starts = np.asarray(middle + _STEP_S * np.arange(-_STEPS, _STEPS + 1), np.float64)
    envelopes = _Envelopes.of(starts, _RISES_S)
    shapes = envelopes.at(times)
    ratio, matrices, vectors = _likelihoods(shapes, y, parts, block)
    weight = np.exp(ratio - ratio.max())
    slow = weight[(envelopes.rise_s >= _SLOW_S) & (envelopes.start_s > _STARTS_S[0])].sum()
    if slow < 0.5 * weight.sum():
        return None
    likely = np.flatnonzero(weight > _LEAST)
    amplitudes = np.linalg.solve(matrices[likely], vectors[likely][:, :, None])[:, :, 0]
    tones = rfft(shapes[likely] * (amplitudes @ parts.T), size) / gain.astype(np.float32)
    sound = np.abs(irfft(tones, 2 * size))[:, : 2 * count]
    since = np.repeat(times, 2) + np.tile([0.0, 0.5 / rate], count)
    loud_enough = (sound > _BESIDE_PEAK * sound.max(axis=1, keepdims=True)) & (since >= envelopes.start_s[likely, None])
    arrival = since[loud_enough.argmax(axis=1)]
    return _median(arrival, weight[likely]), float(envelopes.rise_s[int(ratio.argmax())])
