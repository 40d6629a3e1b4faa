"""What a lossy codec makes of an impact, and of the noise between.

A transform codec spreads its error evenly over a block, so an impact is announced by a faint copy of itself up to a
block (some 20 ms) before it comes: pre-echo (Bosi & Goldberg 2003, Introduction to Digital Audio Coding and Standards;
from memory). It lies well below the impact; the arrival is where the impact itself begins, and the copy is none.
Bands in which a codec keeps nothing, above its upper limit foremost, open for a block now and then: that is no sound.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import rfft
from noisecheck.core.order import medians
from noisecheck.core.windows import stretches, windows
from noisecheck.detect.spectra import FrameGrid

__all__ = ["AHEAD_S", "announcing", "cut_off", "filled", "grows_until", "kept_bands", "past_pre_echo", "went_through"]

AHEAD_S: Final = 0.020
_BELOW: Final = 0.2
"""Share of the steepest step at which an impact steps in (14 dB below)."""
_BACK_S: Final = (0.0041, 0.0011)
_ON_S: Final = 0.005
_LOUDER: Final = 1.4
_SOFT: Final = 0.06
"""Just before it an impact may have begun softly: where its steps first exceed by 3 dB those that announced it, and
come within 24 dB of the steepest."""
_ANNOUNCED_S: Final = 0.030
"""Half a block of 2048 samples and what a frame sees before it; announcements lay 13 to 30 ms before the impact..."""
_ANNOUNCED: Final = 100.0
"""... and 22 to 39 dB below it (Vorbis at its usual quality)..."""
_EVEN_S: Final = (0.004, 0.010, 0.003)
_EVEN: Final = 3.0
"""... with hardly more in the first 3 ms than from 4 to 10 ms; of what is struck these first fell by 8 to 16 dB."""
_SOONER_S: Final = 0.002
_STEP_S: Final = 0.001
_STEPS: Final = 16.0
"""What announces an impact begins so long before it steps in, at 16 times the power of the ms before..."""
_GROWS: Final = 1.4
"""... and grows by so much, last third against first: the error of a block does in a third and more, a stroke 16 to
26 dB softer 3 to 14 ms before another in 2 of 100."""
_BY_CHANCE: Final = 0.01
"""Share of impacts that seem announced as they were recorded: 15 of 2,600 in takes of a busy machine, none of 740 in
real scenes, 0.02 where all are struck twice within 12 ms..."""
_CODED: Final = 0.05
"""... and by a codec, at the least: 0.04 to 0.7."""
_LEAST: Final = 3
_TOLD: Final = 20.0
"""Odds at which a recording went through a codec."""
_ASKED: Final = 64
_SOUND_S: Final = (-0.005, 0.080)
"""Around so many impacts at most, whose every note is heard..."""
_CUT_DB: Final = 20.0
_BESIDE_HZ: Final = (200.0, 1000.0)
"""... all that is farther above some frequency lies so far below what is as far beneath it (25 dB and more where a
codec or a filter cuts off; of rooms, balls and plates 9 at most)..."""
_CUT_HZ: Final = 3000.0
_CUT_TO: Final = 0.43
_CUT_TO_HZ: Final = 20_000.0
"""... between this, this share of the rate and this: converters cut off above, whatever the rate was turned into."""
_MOST_ABOVE: Final = 0.9
_FILLED: Final = 0.3
_NOTHING: Final = 1e-3
"""A band whose background is so small a share of that of the middle band holds nothing: rooms fall by far less."""


def past_pre_echo(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Return onsets moved from the pre-echo to the impact itself.

    Args:
        samples: one channel, (n,).
        at: (m,) positions of onsets in ``samples``.
        rate: frames a second.

    Where it steps in, or up to a millisecond before, where it first exceeds all of the 3 ms before that.
    """
    stepped = _steps_in(samples, at, rate)
    moved = np.flatnonzero(stepped > at)
    begin, back, on = (int(s * rate) for s in (*_BACK_S, _ON_S))
    changes = np.abs(np.diff(stretches(samples, stepped[moved] - begin - 1, begin + on + 1), axis=1))
    before, near, sound = np.split(changes, (begin - back, begin + 1), axis=1)
    least = np.maximum(_LOUDER * before.max(axis=1), _SOFT * sound.max(axis=1))
    later = near >= least[:, None].astype(np.float32)
    sooner = np.where(later.any(axis=1), back - later.argmax(axis=1), 0)
    stepped[moved] = np.maximum(stepped[moved] - sooner, at[moved])
    return stepped


def _steps_in(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Return the first sample within 20 ms whose step from the one before reaches a fifth of the steepest step there.

    Steps, not samples, so that hum and slow thuds beneath do not count; where noise hides the impact, nothing moves.
    What dies away before is an impact itself.
    """
    if not len(at):
        return at
    steps = np.abs(np.diff(stretches(samples, at - 1, int(AHEAD_S * rate) + 1), axis=1))
    later = np.argmax(steps >= _BELOW * steps.max(axis=1, keepdims=True), axis=1)
    later[(later > _EVEN_S[1] * rate) & _dies_away(samples, at, rate)] = 0
    return np.asarray(at + later, np.int64)


def _dies_away(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.bool_]:
    """Return what changes far more at once than some milliseconds later, (m,)."""
    begin, end, first = (int(s * rate) for s in _EVEN_S)
    changes = np.diff(stretches(samples, at, end), axis=1) ** 2
    return np.asarray(changes[:, :first].mean(axis=1) >= _EVEN * changes[:, begin:].mean(axis=1))


def grows_until(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.bool_]:
    """Return which onsets lie in what announces an impact: it grows for 2 ms and more until the impact steps in.

    Arguments as for :func:`past_pre_echo`, the onsets as they are found where nobody knows of a codec, (m,).
    """
    told = np.zeros(len(at), np.bool_)
    step = int(_STEP_S * rate)
    inside = np.flatnonzero((at > 0) & (at + int(AHEAD_S * rate) + step < len(samples)))
    later = _steps_in(samples, at[inside], rate) - at[inside]
    for i, wait in zip(inside.tolist(), later.tolist(), strict=True):
        if wait > _SOONER_S * rate:
            changes = np.diff(samples[at[i] : at[i] + wait + step].astype(np.float64)) ** 2
            before, third = changes[: wait - 1], max((wait - 1) // 3, 1)
            steps_in = changes[wait - 1 :].mean() > _STEPS * before[-step:].mean()
            told[i] = steps_in and before[-third:].mean() > _GROWS * before[:third].mean()
    return told


def went_through(announced: float, impacts: float) -> bool:
    """Return whether sound went through a codec of whose clear impacts so many are announced."""
    by_chance = (1.0 - _CODED) / (1.0 - _BY_CHANCE)
    odds = (_CODED / _BY_CHANCE) ** announced * by_chance ** (impacts - announced)
    return announced >= _LEAST and odds > _TOLD


def cut_off(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> bool:
    """Return whether impacts are cut off steeply above some frequency, far from where converters do.

    Args:
        samples: one channel, (n,).
        at: onsets of clear impacts, (m,).
        rate: frames a second.
    """
    begin, end = (int(s * rate) for s in _SOUND_S)
    inside = at[(at + begin >= 0) & (at + end <= len(samples))]
    if len(inside) < _LEAST:
        return False
    some = inside[np.linspace(0, len(inside) - 1, min(len(inside), _ASKED)).astype(np.int64)]
    spectrum = rfft(stretches(samples, some + begin, end - begin) * np.hanning(end - begin).astype(np.float32))
    level = np.log10(spectrum.real**2 + spectrum.imag**2 + np.float32(1e-20)).mean(axis=0)
    near, far, first = (round(hz * (end - begin) / rate) for hz in (*_BESIDE_HZ, _CUT_HZ))
    last = min(int(min(_CUT_TO, _CUT_TO_HZ / rate) * (end - begin)), len(level) - far)
    if last <= first:
        return False
    middles = medians(windows(level, far - near), -1)
    at_most = max(range(first, last), key=lambda i: middles[i - far] - middles[i + near])
    above = np.sort(level[at_most + near :])[int(_MOST_ABOVE * (len(level) - at_most - near))]
    return bool(middles[at_most - far] - max(middles[at_most + near], above) > 0.1 * _CUT_DB)


def filled(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the same, (n,), with its spectrum turned round beneath it, 10 dB lower.

    What opens and closes in bands that hold nothing else would surprise any predictor; low notes, where rooms are
    loudest, cover it. Whatever begins begins as before. Which samples are raised must not depend on where a piece
    begins, so these begin with an even sample of the recording.
    """
    return np.asarray(samples * np.where(np.arange(len(samples)) % 2, 1.0 - _FILLED, 1.0 + _FILLED).astype(np.float32))


def announcing(
    samples: NDArray[np.float32],
    onset: NDArray[np.int64],
    new: NDArray[np.float32],
    level: NDArray[np.float64],
    peaks: NDArray[np.int64],
    grid: FrameGrid,
) -> NDArray[np.int64]:
    """Return which sounds only announce a much louder one: the error of a block, spread evenly, does not die away.

    Args:
        samples: one channel, (n,).
        onset: frames of the sounds in it, (m,).
        new: energy that is new, per frame of the grid.
        level: its peak at each sound, (m,).
        peaks: frames of the grid of the sounds, (m,).
        grid: frames and bands.
    """
    ahead = stretches(new, peaks, grid.frames(_ANNOUNCED_S) + 1).max(axis=1)
    some = np.flatnonzero(ahead > _ANNOUNCED * level)
    return some[~_dies_away(samples, onset[some], grid.rate)]


def kept_bands(floor: NDArray[np.float32], bands: int) -> NDArray[np.bool_]:
    """Return in which bands a codec keeps the background, like ``floor``: (cells, bands), of channels side by side."""
    each = floor.reshape(len(floor), -1, bands)
    return np.asarray(each > np.float32(_NOTHING) * medians(each, -1)[:, :, None]).reshape(floor.shape)
