"""Whether a sound is made of equal pulses, as a voice is, and whether something is but one pulse more.

A voice is a train of blows: each of them steps in as an impact does, and by itself looks like one. But they come in
nearly equal intervals of a few milliseconds, before and after, and none is louder than the last by much.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, next_fast_len, rfft
from noisecheck.core.order import quantiles
from noisecheck.core.windows import extended, in_blocks, stretches, windows
from noisecheck.detect.freed import foreseen
from noisecheck.detect.prediction import changes, gather, own_error
from noisecheck.detect.spectra import FILTER_REACH, FrameGrid, decimated

__all__ = ["AHEAD_S", "BEGINS_MOST_DB", "in_pulses", "regular", "trains"]

Floats = NDArray[np.float32]

_ORDER: Final = 24
_SOUND_S: Final = (-0.001, 0.010, 0.071)
"""A predictor is fitted from the first to the last, and its error looked at from the second on."""
_PULSE_S: Final = 0.0005
_PERIODS_S: Final = (0.0035, 0.0125)
"""Pulses of a voice of 80 to 285 Hz come again after so long..."""
_PLAIN: Final = 0.97
_PULSED: Final = 0.5
"""... where their strengths in time agree with themselves so well (correlation; speech 0.67 and more in 98 of 100;
clicks of heavy skins, plates, rooms, rolling and chatter at most 0.37 in as many)."""

_TRAIN_S: Final = ((-0.102, -0.002), (0.002, 0.071))
"""Before and after an onset..."""
_INTERVALS_S: Final = (0.0025, 0.0165)
"""... pulses of 60 to 400 Hz are looked for, by how well their strength agrees with itself one interval later, and not
half an interval earlier or later..."""
_LOCAL_S: Final = 0.016
_MOST: Final = 3.0
"""... each as strong as so many times what is usual nearby at most."""
_TRAIN: Final = 0.75
"""One pulse more is what lies between pulses that stand out so much (mean of before and after: most pulses of voices
0.9 to 1.2; impacts on real machines, plates, rings, rooms, chatter 0.66 at most in 98 of 100)..."""
_MOST_REGULAR: Final = 1.45
"""(by so much at most)"""
_LOUDER: Final = 6.3
"""... and is, in all its band, the low one and the lowest, not so many times louder than the loudest before it (nine of
ten pulses of voices; impacts 12 dB and more above a voice are louder)."""
_FREE_S: Final = (0.004, 0.024)
"""Where a sound rings freely, its pulses are beats: of notes in equal intervals, to predictors that foresee less."""
_LOUD_S: Final = 0.012
_FALLS_TO: Final = 0.4
"""From one interval to the next the loudest pulses of a train fall to so little at most (to 0.5 in 98 of 100 of voices;
clicks 15 to 50 ms apart to 0.2 to 0.4, since walls answer between them)."""
_EARLIER_S: Final = (0.0125, 0.034)
"""Pulses that come again after so long are as those before, in the buzz of the mains..."""
_RIDGE: Final = 1e-4
_OWN_S: Final = (0.0, 0.022)
_PAST_S: Final = (-0.060, -0.002)
_NEXT_S: Final = (0.022, 0.071)
_LOWEST_RATE: Final = 1500
_BEGINS: Final = 0.7
_BEGINS_DB: Final = 33.0
"""What begins a train is likelier a voice, by a factor e for each tenth by which pulses stand out more after it than
before, from there on (one real impact in thirty, but rattling and strings as well)..."""
BEGINS_MOST_DB: Final = 12.0
"""... which counts as if it swelled more, up to so much: the run tells whether that tells anything."""

AHEAD_S: Final = _TRAIN_S[1][1]
"""Seconds after an onset that can change the results."""


def trains(
    samples: Floats, low: Floats, grid: FrameGrid, onset: NDArray[np.int64], open_to: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], Floats]:
    """Return which sounds are one pulse more of a train, and by how many dB more each swells since it begins one.

    Args:
        samples: one channel, (n,).
        low: the same, decimated.
        grid: frames and bands.
        onset: onsets, samples, (m,).
        open_to: of which it is asked whether they begin a train, (m,); of the others 0 dB are told.
    """
    rate, at = grid.rate // grid.step, onset // grid.step
    passes = _louder(low, rate, at) < _LOUDER
    asked = np.flatnonzero(passes | open_to)
    after = np.zeros(len(onset), np.float32)
    after[asked] = regular(low, rate, at[asked])
    passes &= after > 2.0 * _TRAIN - _MOST_REGULAR
    one = np.zeros(len(onset), np.bool_)
    some = np.flatnonzero(passes | (open_to & (after > _BEGINS)))
    before = np.zeros(len(onset), np.float32)
    if len(some):
        before[some] = _stands_out(_own(low, rate, at[some], _TRAIN_S[0]), rate)
    # Where a ring would be foreseen is asked only of what passes for a pulse, or begins a train, otherwise.
    some = some[(before[some] + after[some] > 2.0 * _TRAIN) | (after[some] > np.maximum(before[some], _BEGINS))]
    free = some[foreseen(low, rate, at[some], _FREE_S, _FREE_S)]
    before[free], passes[free] = after[free], False
    more = np.flatnonzero(passes & (before + after > 2.0 * _TRAIN))
    if len(more):
        lowest = _louder(*_lowest(low, rate, at[more]), tilted=False)
        louder = np.maximum.reduce((_louder(samples, grid.rate, onset[more]), _louder(low, rate, at[more]), lowest))
        # What a far louder sound soon after makes of the pulses is not its own.
        own = _louder(low, rate, at[more], (_NEXT_S, _OWN_S)) < _LOUDER
        own &= _goes_on(low, rate, at[more]) & (_unlike_before(low, rate, at[more]) < _LOUDER)
        one[more] = own & (louder < _LOUDER)
    begins = _BEGINS_DB * (after - np.maximum(before, np.float32(_BEGINS)))
    begins[~open_to] = 0.0
    return one, np.clip(begins, np.float32(0.0), np.float32(BEGINS_MOST_DB), dtype=np.float32)


def _goes_on(low: Floats, rate: int, at: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which sounds have, before or after them, a pulse in each of two of the longest intervals.

    Clicks farther apart are no train, however what is between them agrees with itself.
    """
    apart, interval = round(_TRAIN_S[1][0] * rate), round(_INTERVALS_S[1] * rate)
    most = apart + 2 * interval
    error = np.abs(_own(low, rate, at, (-most / rate, most / rate)))
    own = error[:, most - apart : most + apart].max(axis=1)
    goes_on = np.zeros(len(at), np.bool_)
    for side in (error[:, : 2 * interval], error[:, -2 * interval :]):
        one, other = side[:, :interval].max(axis=1), side[:, interval:].max(axis=1)
        goes_on |= np.minimum(one, other) > _FALLS_TO * np.maximum(np.maximum(one, other), own)
    return goes_on


def _unlike_before(low: Floats, rate: int, at: NDArray[np.int64]) -> Floats:
    """Return how many times louder each sound is than what came before it, of what some pulses earlier do not foresee.

    A voice changes from pulse to pulse, and a stroke amid it adds no more than that; the buzz of the mains does not.
    """
    first, last, length = (round(s * rate) for s in (*_EARLIER_S, _LOUD_S))
    begin, end = (round(s * rate) for s in _PAST_S)
    wave = changes(low, at, begin - last - 1, length).astype(np.float64)
    heard = wave[:, last + 1 :]
    past = heard[:, : end - begin]
    lag = np.arange(first, last + 1)
    earlier = windows(wave[:, : last + 1 + end - begin], end - begin)[:, last + 1 - lag]
    agree = np.einsum("ij,ikj->ik", past, earlier) / np.sqrt(np.einsum("ikj,ikj->ik", earlier, earlier) + 1e-30)
    best = lag[agree.argmax(axis=1)]
    # Of three neighbouring samples: intervals are not whole numbers of them.
    near = np.stack([stretches(wave, last + 1 - best + k, heard.shape[1]) for k in (-1, 0, 1)], axis=2)
    fitted = near[:, : end - begin]
    normal = np.einsum("ijk,ijl->ikl", fitted, fitted)
    diagonal = np.einsum("ijj->ij", normal)
    diagonal *= 1.0 + _RIDGE
    diagonal += 1e-18
    share = np.linalg.solve(normal, np.einsum("ijk,ij->ik", fitted, past)[:, :, None])
    new = (heard - (near @ share)[:, :, 0]) ** 2
    total = np.cumsum(np.concatenate((np.zeros((len(new), 1)), new), axis=1), axis=1)
    loudest = total[:, length:] - total[:, :-length]
    before = loudest[:, : end - begin - length + 1].max(axis=1)
    return np.asarray(loudest[:, -1] / np.maximum(before, 1e-14), np.float32)


def _lowest(low: Floats, rate: int, at: NDArray[np.int64]) -> tuple[Floats, int, NDArray[np.int64]]:
    """Return the lowest notes around each sound, one behind the other, their frames a second, and where each begins.

    Every sound is decimated from its own onset on, so that it does not matter where ``low`` begins.
    """
    step = max(1, rate // _LOWEST_RATE)
    before, after = (math.ceil(s * rate / step) + FILTER_REACH for s in (-_PAST_S[0], _OWN_S[1]))
    waves = decimated(gather(low, at, -before * step, after * step), step)
    return waves.ravel(), rate // step, before + np.arange(len(at)) * waves.shape[1]


def regular(low: Floats, rate: int, at: NDArray[np.int64]) -> Floats:
    """Return how far pulses in equal intervals stand out of each sound after its onset.

    Args:
        low: one channel, decimated, (n,).
        rate: its frames a second.
        at: onsets, (m,).
    """
    return _stands_out(_own(low, rate, at, _TRAIN_S[1]), rate) if len(at) else np.empty(0, np.float32)


def _own(low: Floats, rate: float, at: NDArray[np.int64], span: tuple[float, float]) -> Floats:
    """Return what a predictor fitted to a span of each sound does not foresee there."""
    begin, end = (round(s * rate) for s in span)
    return own_error(low, at, (begin, end), begin, end, order=_ORDER)


def _louder(
    wave: Floats,
    rate: int,
    at: NDArray[np.int64],
    spans: tuple[tuple[float, float], tuple[float, float]] = (_OWN_S, _PAST_S),
    *,
    tilted: bool = True,
) -> Floats:
    """Return by how many times each sound, or its differences, is louder at its loudest in one span than in another."""
    length = round(_LOUD_S * rate)

    def loudest(span: tuple[float, float]) -> Floats:
        begin, end = (round(s * rate) for s in span)
        part = (changes if tilted else gather)(wave, at, begin, end)
        total = np.cumsum(part * part, axis=1, dtype=np.float64)
        total = np.concatenate((np.zeros((len(total), 1)), total), axis=1)
        return np.asarray((total[:, length:] - total[:, :-length]).max(axis=1, initial=0.0), np.float32)

    return np.asarray(loudest(spans[0]) / np.maximum(loudest(spans[1]), np.float32(1e-14)))


def _stands_out(error: Floats, rate: int) -> Floats:
    """Return how far pulses in equal intervals stand out in the strength of each row."""
    block = max(1, round(_PULSE_S * rate))
    strength = np.sqrt(in_blocks(error * error, block, np.add))
    around = round(_LOCAL_S * rate / block) // 2
    padded = extended(strength, around + 1, around)
    total = np.cumsum(padded, axis=1, dtype=np.float64)
    local = (total[:, 2 * around + 1 :] - total[:, : -2 * around - 1]) / (2 * around + 1)
    pulses = np.minimum(strength / np.maximum(local, 1e-12), _MOST)
    pulses = 0.25 * pulses[:, :-2] + 0.5 * pulses[:, 1:-1] + 0.25 * pulses[:, 2:]
    pulses -= pulses.mean(axis=1, keepdims=True)
    first, last = (int(s * rate / block) for s in _INTERVALS_S)
    agree, power = _agreement(pulses, 3 * last // 2 + 1)
    agree /= np.maximum(power, 1e-12)[:, None]
    lag = np.arange(first, last + 1)
    top = np.maximum(np.maximum(agree[:, first - 1 : last], agree[:, lag]), agree[:, first + 1 : last + 2])
    between = np.minimum(agree[:, np.round(lag * 0.5).astype(int)], agree[:, np.round(lag * 1.5).astype(int)])
    return np.asarray((top - np.maximum(between, -0.5)).max(axis=1), np.float32)


def _agreement(pulses: NDArray[Any], most: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return how well each row agrees with itself up to ``most`` steps later, (rows, most + 1), and its power, (rows,).

    What is left to compare is taken for the whole: sums over fewer steps count for as much more.
    """
    count = pulses.shape[1]
    spectrum = rfft(pulses, next_fast_len(count + most, real=True))
    agree = irfft(spectrum * spectrum.conj(), next_fast_len(count + most, real=True))[:, : most + 1]
    return agree * (count / (count - np.arange(most + 1))).astype(pulses.dtype), agree[:, 0].copy()


def in_pulses(low: Floats, rate: float, at: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which sounds are excited anew at equal intervals after they begin, however strongly.

    Args:
        low: one channel, decimated, (n,).
        rate: its frames a second.
        at: onsets, (m,).
    """
    if not len(at):
        return np.empty(0, np.bool_)
    error = _own(low, rate, at, (_SOUND_S[0], _SOUND_S[2]))
    told = round(_SOUND_S[1] * rate) - round(_SOUND_S[0] * rate)
    return _comes_again(error[:, told:], rate) > _PULSED


def _comes_again(error: Floats, rate: float) -> Floats:
    """Return how well the strength of each row agrees with itself one period later, for the best period."""
    block = max(1, round(_PULSE_S * rate))
    pulses = in_blocks(np.abs(error), block, np.maximum)
    np.minimum(pulses, quantiles(pulses, _PLAIN)[:, None], out=pulses)
    pulses = 0.25 * pulses[:, :-2] + 0.5 * pulses[:, 1:-1] + 0.25 * pulses[:, 2:]
    pulses -= pulses.mean(axis=1, keepdims=True)
    first, last = (int(s * rate / block) for s in _PERIODS_S)
    agree, power = _agreement(pulses, last)
    return np.asarray(agree[:, first:].max(axis=1) / np.maximum(power, 1e-30))
