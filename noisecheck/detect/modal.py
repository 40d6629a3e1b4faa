"""The onset of a sound that rises over milliseconds, by the likelihood of all ways in which it may have risen.

A thud keeps its spectrum, and its tones their phase, while it grows, so the loud part tells what to look for in the
faint beginning. The sound is taken as an envelope (start, rise, decay) times a stationary Gaussian process whose
spectrum is that of the loud part, in noise whose spectrum is that of the past. At about 2 kHz, where thuds live, the
window that begins with the sound has less than a hundred samples: the factor of its covariance gives the exact
likelihood of every start at once, be the sound a few tones or noise. But notes that one blow strikes set out together,
from rest: a low one is heard only where its first half wave has grown, and envelopes alone would have it begin a
millisecond or two too soon. So blows are asked about, too. Start and first arrival are medians over all envelopes and
blows weighed by their likelihood: as often too early as too late.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, next_fast_len, rfft
from noisecheck.core.order import medians
from noisecheck.core.records import record
from noisecheck.core.windows import windows
from noisecheck.detect.prediction import filtered, fitted_closely, gather

__all__ = ["AHEAD_S", "BACK_S", "PAST_S", "modal_onsets", "soft_onsets"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_RATE: Final = 2000
_BAND: Final = (0.45, 0.5)
"""Of the lower rate: there the filter falls."""
_LEAD_S: Final = 0.012
_TAIL_S: Final = 0.018
_STARTS_S: Final = (-0.012, 0.004)
_PAST_S: Final = (-0.250, -0.014)
_FRAME_S: Final = 0.032
_RECENT: Final = 4
_STEADY: Final = (0.6, 1.5)
"""Where so many frames just before the sound are softer or louder than the rest, all bins together, by more than noise
is by chance (1 in 100), another sound dies away: its spectrum is not that of noise."""
_SMOOTH: Final = 7
"""Bins, about as many as the window of a frame makes alike."""
_MEDIAN: Final = 0.75
"""Median over mean of the power in a bin of noise, of some ten independent frames."""
_LOUD_S: Final = (0.002, 0.030)
_PAD_S: Final = 0.006
_OUTSTANDING: Final = 3.0
"""Times the noise: chance alone reaches it in one bin of twenty."""
_BESIDE_TOP: Final = 0.002
_STANDS_OUT: Final = 10.0
"""Times the power of the noise: of what is softer the beats of older rings, which no such noise has, tell too much."""
_FULL: Final = 2.0
"""Power of the process over that of its windowed loud part, which rises at its beginning and decays."""
_RISES: Final = (
    *((0.001, 1.0), (0.004, 1.0), (0.007, 1.0), (0.010, 1.0), (0.014, 1.0)),
    *((0.006, 2.0), (0.010, 2.0), (0.015, 2.0)),
)
"""Seconds and power of the quarter sine by which a sound may rise: with a kink, as under a half sine of force, or as
smoothly as a raised cosine."""
_BLOWS_S: Final = (0.001, 0.003, 0.005, 0.008, 0.012)
"""Half sines of force that strike all notes at once..."""
_LEAST_STRUCK: Final = 0.2
"""... of which none that is heard was struck by less than so much of the blow."""
_STEPS: Final = 8
"""Of a blow, to each sample."""
_DECAY_S: Final = 0.030
_SLOW_S: Final = 0.0023
"""Of what is half up sooner the onset is left to others: that of a click with a slow ring may look like one."""
_FLOOR: Final = 1e-3
_WRONG: Final = 3e-3
"""Of the sound's power: no sound follows the model closer, at any time; nor, for its loudness, while it lasts."""
_SURE: Final = 15.0
"""Log-likelihood ratio against no sound at all: chance reaches 10 once in thirty, 17 once in three hundred."""
_SOFT: Final = (3.0, 8.0)
"""What is known to sound need not stand out, nor be told from nothing, by as much."""
_FARTHEST_S: Final = 0.008
"""What sounds is not timed so far off by its bands."""
_ORDER: Final = 16
_FITTED_S: Final = (-0.174, -0.014)
"""Old rings are foreseen by a predictor of so many samples, fitted to so long a past."""
_LEAST: Final = 0.1
"""Of the likelihood of the best envelope: what is less counts nothing."""
_BESIDE_PEAK: Final = 10.0**-1.5
_FINE: Final = 4
_BORDER: Final = 1e20
"""More than any square sum in units of the noise."""
_FORESEEN: Final = 1e-7
"""No ring is foreseen by more than 70 dB."""
_TINY: Final = 1e-16
AHEAD_S: Final = max(_LOUD_S[1], _STARTS_S[1] - _STARTS_S[0] + _TAIL_S) + _PAD_S
"""Seconds of samples after the rough onset that can change the onset."""
BACK_S: Final = -_STARTS_S[0] + 0.001
"""Seconds by which an onset may come before the rough one."""
PAST_S: Final = -_PAST_S[0] + 2.0 * _PAD_S
"""Seconds of samples before it that can change the onset."""


@record
class _Grid:
    """What is the same for every sound at one rate; times are samples of the lower rate."""

    step: int
    rate: float
    lead: int
    first: int
    """First start after the rough onset (negative)."""
    starts: int
    length: int
    """Of the window that begins ``lead`` before a start."""
    frame: int
    """Samples of a frame of the past."""
    size: int
    """Of the transforms: long enough for all lags of the process."""
    lag: NDArray[np.int64]
    """(length, length)."""
    shape: Floats
    """Envelopes (rises, length)."""
    fine: Floats
    """The same (rises, times) from the start on, ``_FINE`` times as dense."""
    fine_lag: NDArray[np.int64]
    slow: NDArray[np.bool_]
    """Which envelopes and blows are half up late enough."""
    heard: NDArray[np.bool_]
    """Which samples (starts, length) lie before the one end of all windows."""


@lru_cache(maxsize=8)
def _grid(full_rate: int) -> _Grid:
    step = max(1, round(full_rate / _RATE))
    rate = full_rate / step
    lead, tail, first, last = (round(s * rate) for s in (_LEAD_S, _TAIL_S, *_STARTS_S))
    length, starts = lead + tail - first, last - first + 1
    at, fine = np.arange(length) - lead, np.arange((length - lead) * _FINE)
    heard = at + np.arange(first, last + 1)[:, None] < tail
    frame = round(_FRAME_S * rate)
    size = 2 * next_fast_len(max(length, frame), real=False)
    return _Grid(
        step,
        rate,
        lead,
        first,
        starts,
        length,
        frame,
        size,
        np.abs(at[:, None] - at),
        _envelopes(at / rate),
        _envelopes(fine / (_FINE * rate)),
        np.abs(fine[:, None] - _FINE * at),
        np.concatenate((_slow(), 0.5 * np.array(_BLOWS_S) >= _SLOW_S)),
        heard,
    )


def _envelopes(since: Doubles) -> Floats:
    """Return amplitudes (rises, times): part of a sine up to 1, then an exponential decay."""
    rise, power = np.array(_RISES).T[:, :, None]
    up = np.sin(0.5 * np.pi * np.clip(since / rise, 0.0, 1.0)) ** power
    return np.asarray(up * np.exp(-np.maximum(since - rise, 0.0) / _DECAY_S), np.float32)


@lru_cache(maxsize=8)
def _struck(full_rate: int) -> Floats:
    """Return what blows make of notes at rest, (blows, fine times from the start on, bins)."""
    grid = _grid(full_rate)
    return np.array([_struck_by(s, len(grid.fine_lag), grid.rate, grid.size) for s in _BLOWS_S])


def _struck_by(blow_s: float, count: int, rate: float, size: int) -> Floats:
    """Return what a blow makes of notes at rest, (times, bins): each, in the end, as loud as all, and dying away."""
    dense = _STEPS * rate
    since, note = np.arange(count * _STEPS // _FINE) / dense, 2.0 * np.pi * np.arange(size // 2 + 1) * rate / size
    at = (np.arange(round(blow_s * dense)) + 0.5) / dense
    force = np.sin(np.pi * at / blow_s)
    force /= force.sum()
    length = next_fast_len(len(since) + len(force), real=True)
    spectra = rfft(np.sin(note[:, None] * since), length) * rfft(force, length)
    wave = irfft(spectra, length)[:, : len(since)]
    wave /= np.maximum(np.abs(np.exp(-1j * note[:, None] * at) @ force), _LEAST_STRUCK)[:, None]
    wave *= np.exp(-np.maximum(since - blow_s, 0.0) / _DECAY_S)
    return np.asarray(wave.T[:: _STEPS // _FINE], np.float32)


def _slow() -> NDArray[np.bool_]:
    rise, power = np.array(_RISES).T
    return np.asarray(rise * np.arcsin(0.5 ** (1.0 / power)) / (0.5 * np.pi) >= _SLOW_S)


@lru_cache(maxsize=8)
def _window(length: int) -> Doubles:
    window = np.hanning(length + 2)[1:-1]
    return np.asarray(window / np.sqrt((window**2).sum()))


def _decimated(piece: Doubles, step: int) -> Doubles:
    """Return every ``step``-th sample of what a low-pass of zero phase leaves."""
    size = step * next_fast_len(-(-len(piece) // step) + 64, real=True)
    spectrum = rfft(piece, size)[: size // step // 2 + 1]
    at = np.arange(len(spectrum)) * step / size
    fall = np.clip((_BAND[1] - at) / (_BAND[1] - _BAND[0]), 0.0, 1.0)
    return np.asarray(irfft(spectrum * (0.5 - 0.5 * np.cos(np.pi * fall)), size // step) / step)


def _noise(past: Doubles, frame: int, size: int) -> Doubles | None:
    """Return the power spectrum (bins,) of the past, without other sounds that came and went; None if not steady."""
    frames = windows(past, frame)[::-1][:: max(1, frame // 4)]
    spectrum = rfft(frames * _window(frame), size)
    power = spectrum.real**2 + spectrum.imag**2
    noise = medians(power, 0) / _MEDIAN
    heard = slice(1, round(2.0 * _BAND[0] * len(noise)))
    change = np.log((power[:_RECENT].mean(axis=0)[heard] + _TINY) / (noise[heard] + _TINY)).mean()
    if not math.log(_STEADY[0]) < change < math.log(_STEADY[1]):
        return None
    noise = np.convolve(np.pad(noise, _SMOOTH // 2, mode="edge"), np.full(_SMOOTH, 1.0 / _SMOOTH), "valid")
    return np.asarray(noise + 1e-6 * noise.max() + _TINY)


def _median(values: Doubles, weights: Doubles) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(np.interp(0.5 * total[-1], total - 0.5 * weights[order], values[order]))


class _Asked(NamedTuple):
    """What is asked of an answer."""

    stands_out: float = _STANDS_OUT
    sure: float = _SURE
    slowly: bool = True
    """Whether the sound must rise over milliseconds."""
    rung: bool = False
    """Whether old rings may sound before it, as they are foreseen."""


def modal_onsets(samples: Floats, rate: int, rough: NDArray[np.int64]) -> tuple[NDArray[np.int64], Doubles]:
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
        found = _modal(samples, rate, each[n : n + 1], _Asked())
        if found is not None:
            onsets[n], rises[n] = at + round(found[0] * rate), found[1]
    return onsets[rows], rises[rows]


def soft_onsets(samples: Floats, rate: int, rough: NDArray[np.int64], rung: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return by how much later sounds begin that are known to be there but timed by nothing else, 0 if not told.

    Args:
        samples, rate, rough: as in :func:`modal_onsets`.
        rung: which ones, (m,), may come amid old rings.
    """
    later = np.zeros(len(rough), np.int64)
    for n in range(len(rough)):
        found = _modal(samples, rate, rough[n : n + 1], _Asked(*_SOFT, slowly=False, rung=bool(rung[n])))
        if found is not None and abs(found[0]) <= _FARTHEST_S:
            later[n] = round(found[0] * rate)
    return later


def _log_likelihoods(covariance: Floats, heard: Floats, grid: _Grid) -> Doubles:
    """Return the log-likelihood ratio (models, starts) of each against none, the last covariance.

    Args:
        covariance: (envelopes, blows and none; length, length).
        heard: windows (starts, length), one sample later each. Densities are multiplied up to the one end of all.
        grid: of these.
    """
    count, length = len(covariance), grid.length
    # The lower left part of the factor of the bordered matrix are the windows, whitened.
    whole = np.zeros((count, length + grid.starts, length + grid.starts), np.float32)
    whole[:, :length, :length] = covariance
    whole[:, length:, :length] = heard
    whole[:, range(length, length + grid.starts), range(length, length + grid.starts)] = _BORDER
    factor = np.linalg.cholesky(whole)
    steps = np.log(np.diagonal(factor[:, :length, :length], axis1=1, axis2=2))
    density = np.float32(-0.5) * factor[:, length:, :length] ** 2 - steps[:, None]
    return np.asarray(((density[:-1] - density[-1]) * grid.heard).sum(axis=2), np.float64)


def _unforeseen(wave: Doubles, rough: int, rate: float) -> tuple[Doubles, float]:
    """Return what of a wave its past does not foresee, from there on, and the power of that where nothing is new."""
    begin, end = (rough + round(s * rate) for s in _FITTED_S)
    filters, left = fitted_closely(wave[None, begin - _ORDER :], end - begin, _ORDER)
    error = np.zeros_like(wave)
    error[begin:] = filtered(wave[None, begin - _ORDER :], filters)[0]
    quiet = max(float(left[0]), 0.0) / (end - begin - _ORDER)
    return error, quiet + _FORESEEN * float((wave[begin:end] ** 2).mean()) + _TINY


def _modal(samples: Floats, full_rate: int, at: NDArray[np.int64], asked: _Asked) -> tuple[float, float] | None:
    grid = _grid(full_rate)
    rate, length, size = grid.rate, grid.length, grid.size
    rough = round((PAST_S - _PAD_S) * rate)
    piece = gather(samples, at, -rough * grid.step, round(AHEAD_S * rate) * grid.step)[0].astype(np.float64)
    wave = _decimated(piece - piece.mean(), grid.step)
    begin, end = (rough + round(s * rate) for s in _PAST_S)
    noise = _noise(wave[begin:end], grid.frame, size)
    if noise is None:
        if not asked.rung:
            return None
        wave, level = _unforeseen(wave, rough, rate)
        noise = np.full(size // 2 + 1, level)
    begin, end = (rough + round(s * rate) for s in _LOUD_S)
    spectrum = rfft(wave[begin:end] * _window(end - begin), size)
    power = spectrum.real**2 + spectrum.imag**2
    power = np.where((power > _OUTSTANDING * noise) & (power > _BESIDE_TOP * power.max()), power - noise, 0.0)
    if not power.any():
        return None
    power *= _FULL
    new, left = irfft(power, size), irfft(noise, size)
    if new[0] < asked.stands_out * left[0]:
        return None
    unit = left[0] + _FLOOR * new[0]
    first = rough + grid.first - grid.lead
    heard = windows(wave[first : first + grid.starts + length - 1], length)
    heard = (heard / np.sqrt(unit)).astype(np.float32)
    models = _Models(power / unit, full_rate)
    covariance = models.covariance
    rest = (left / unit).astype(np.float32)[grid.lag]
    np.fill_diagonal(rest, rest[0, 0] + _FLOOR * new[0] / unit)
    covariance += rest
    ratio = _log_likelihoods(covariance, heard, grid)
    weight = np.exp(ratio - ratio.max())
    # A start at the edge of the search is none: something sounded before.
    told = weight[grid.slow, 1:] if asked.slowly else weight[:, 1:]
    if ratio.max() < asked.sure or told.sum() < 0.5 * weight.sum():
        return None
    arrival, weights = [], []
    for n in np.flatnonzero(weight.max(axis=1) > _LEAST):
        likely = np.flatnonzero(weight[n] > _LEAST)
        sound = np.abs(models.sound(int(n), np.linalg.solve(covariance[n], heard[likely].T)))
        since = (sound > _BESIDE_PEAK * sound.max(axis=0)).argmax(axis=0)
        arrival.append((likely + grid.first + (since - 0.5) / _FINE) / rate)
        weights.append(weight[n, likely])
    best = int(ratio.max(axis=1).argmax())
    return _median(np.concatenate(arrival), np.concatenate(weights)), (*(s for s, _ in _RISES), *_BLOWS_S)[best]


class _Models:
    """How a sound of some spectrum may begin: under one of the envelopes, or by one of the blows."""

    def __init__(self, power: Doubles, full_rate: int) -> None:
        grid = _grid(full_rate)
        size, length, lead = grid.size, grid.length, grid.lead
        process = irfft(power, size).astype(np.float32)
        dense = np.zeros(_FINE * size // 2 + 1)
        dense[: len(power)] = _FINE * power
        some = np.flatnonzero(power)
        notes = (power[some] * (4.0 / size)).astype(np.float32)  # of the square of their amplitudes
        fine = _struck(full_rate)[:, :, some]
        self._grid = grid
        self._across = irfft(dense, _FINE * size).astype(np.float32)[grid.fine_lag]
        self._blows = fine * notes @ fine[:, ::_FINE].swapaxes(1, 2)
        self.covariance = np.zeros((len(_RISES) + len(_BLOWS_S) + 1, length, length), np.float32)
        """(Envelopes, blows and none; length, length)."""
        under, struck = self.covariance[: len(_RISES)], self.covariance[len(_RISES) : -1, lead:, lead:]
        np.multiply(process[grid.lag], grid.shape[:, :, None], out=under)
        under *= grid.shape[:, None]
        struck[:] = self._blows[:, ::_FINE]
        wrong = np.float32(_WRONG) * process[0]
        under[:, range(length), range(length)] += wrong * grid.shape**2
        struck[:, range(length - lead), range(length - lead)] += wrong

    def sound(self, model: int, weights: Floats) -> Floats:
        """Return the sound at fine times from its start on, from what is heard by the inverse covariance, (length,)."""
        if model >= len(_RISES):
            return np.asarray(self._blows[model - len(_RISES)] @ weights[self._grid.lead :])
        shape = self._grid.shape[model, :, None]
        return np.asarray(self._grid.fine[model, :, None] * (self._across @ (shape * weights)))
