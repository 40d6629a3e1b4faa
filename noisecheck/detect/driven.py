"""Whether a sound is driven and not struck: a syllable, a motor that comes up, a gust.

What is struck is loudest within the milliseconds of the contact; from then on it rings freely and dies away. Out of a
low background any sound seems to begin at once, since the first part of its rise is over within a millisecond. But
where a force goes on most of the energy comes later, and not in one step, which would be another impact. (Noise that
goes on is not enough: a thin plate, a large room and a ball that rolls on make it, too, but do not begin softly; what
comes in equal pulses is told in :mod:`noisecheck.detect.pulses`.)

Where that leaves a doubt, how much a sound swells is told, and the run decides (:mod:`noisecheck.detect.decide`): what
swells amid swells is one more, and what swells a little where all else is struck is struck. And the corner that
clipping makes in a loud sound is no sound of its own.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.core.windows import means
from noisecheck.detect.novelty import Novelty
from noisecheck.detect.prediction import changes, gather, own_error
from noisecheck.detect.spectra import FrameGrid

__all__ = ["Growth", "add_noise", "begins_low", "growth_of", "overdriven"]

Floats = NDArray[np.float32]

_BEFORE_S: Final = (-0.012, -0.003)
_SOON_S: Final = (0.001, 0.013)
_EARLY_S: Final = (0.003, 0.010)
_LATE_S: Final = (0.018, 0.039)
_LAST_S: Final = (0.055, 0.070)
"""Spans from the onset on."""
_NEW: Final = 2.0
"""Bands count that soon are so many times louder than before."""
_JUMPS: Final = 10.0
"""What is soon so many times louder than it ever was in the 12 ms before came in one go..."""
_SETTLED: Final = 1.26
"""... where the late span is at most so many times louder than the early one (5 of 1,100 syllables, vowels, tones)."""
_STEP_S: Final = (0.006, 0.004)
_STEP: Final = 8.0
"""What is so many times louder than anything in the first time before it, within the second, is another sound..."""
_STEPS_FROM_S: Final = 0.008
"""... if it comes so long after the onset, and that step is no growth."""
_SHARE: Final = 0.05
"""Of what was before counts as heard: what is far below it is as nothing."""
_LONG_S: Final = (0.012, 0.010, 0.045)
_SHORT_S: Final = (0.004, 0.0, 0.045)
"""The loudest span of a length, between a begin and an end: the long one is compared with the loudest before it..."""
_BEGUN_S: Final = (0.001, 0.004)
_LEAST: Final = 1e-4
"""... the short one with the beginning, down to so little of it (half as much a decibel: a thud that rises over 10 ms
begins as softly as noise that does)..."""
_LEFT: Final = (0.1, 0.25)
"""... and what is left in the last span tells a sound that lasts from one that dies away, half as much, within 10 dB; a
fall to the second of these speaks for neither."""
_UNTOLD_DB: Final = 6.0
"""No band is new enough to tell."""
_BATCH: Final = 128

_NOISE_S: Final = (0.006, 0.060)
_ORDER: Final = 24
_HARDLY_DB: Final = 4.0
_NOTES: Final = 4.0
"""Notes are predicted so well that what is left is so many times weaker (thuds and rings 10 times and more; noise with
the spectrum of speech 2 to 3, plates of hundreds of modes as well, but these swell by less)..."""
_NOISE_DB: Final = 4.0
"""... and noise that swells more than hardly swells by so much more."""
_SOFTLY: Final = 0.25
_AS_LONG: Final = (0.63, 1.6)
_ANY_NOTES: Final = 8.0
_LEVEL_DB: Final = 8.0
"""Noise (with any spectrum: hiss between 1 and 8 kHz is predicted 5 to 7 times) that begins by so little of what comes
soon, and whose last span is so many times as loud as the late one, is switched on: it swells by so much more (8 of 10
that come within 10 ms; of impacts of 19 makes 10 in 800: strings, gongs, rolling)."""
_LOW_SPANS_S: Final = ((-0.010, -0.002), (-0.0005, 0.002), (0.002, 0.014))
_LOW_STEP: Final = 0.25
"""What steps in is within 6 dB of what follows; out of nothing a swell of 15 ms is 14 dB and more below it."""
_LOW_ABOVE: Final = 10.0

_FULL: Final = np.float32(0.9995)
"""Two neighbouring samples so near full scale are cut off..."""
_CORNER_S: Final = (-0.001, 0.003)
_BESIDE_S: Final = ((-0.008, -0.001), (0.0, 0.003))
_AS_LOUD: Final = 4.0
_EARLIER_S: Final = (-0.060, -0.001)
_OFTENER: Final = 0.05
"""... and what is not so many times louder than before, and of which no such share of samples more is cut off than of
any as long span before (beats reach the ceiling again and again), is no sound of its own."""


@record
class Growth(Rows):
    """How sounds grow, equally long arrays."""

    swell_db: Floats
    """How much it swells: clicks -10, plates and rings 0, thuds that rise over 10 ms 0 to 4, and rarely above 10;
    syllables of noise 6 to 26 (medians)."""
    settled: NDArray[np.bool_]
    """Whether it comes within milliseconds and then grows no more. (A low note of a heavy skin takes as long as that to
    rise, and predicts itself too well for its error to tell.)"""
    level: NDArray[np.bool_]
    """Whether it begins softly and goes on as loud, as noise that is switched on does."""


def growth_of(found: Novelty, at: NDArray[np.int64], grid: FrameGrid) -> Growth:
    """Return how sounds grow, by the bands in which they are new.

    Args:
        found: evidence per frame.
        at: frames of the onsets, (m,).
        grid: frames and bands.
    """
    parts = [_growth(found, at[i : i + _BATCH], grid) for i in range(0, len(at), _BATCH)]
    if not parts:
        return Growth(np.empty(0, np.float32), np.empty(0, np.bool_), np.empty(0, np.bool_))
    return Growth.concat(parts)


def _growth(found: Novelty, at: NDArray[np.int64], grid: FrameGrid) -> Growth:
    first, soon_end = _frames(_BEFORE_S[0], grid), _frames(_SOON_S[1], grid)
    near = at[:, None] + np.arange(first, _frames(_LAST_S[1], grid))
    energy = found.energy.take(near, axis=0, mode="clip")  # a third of the time that an index takes
    past = np.maximum(energy[:, : _frames(_BEFORE_S[1], grid) - first].max(axis=1), found.floor_at(at))
    soon = means(energy[:, _frames(_SOON_S[0], grid) - first : soon_end - first])
    # Bands weigh nothing in which the sound is not new.
    new = soon > _NEW * past
    above = np.maximum(energy[:, -first:] - past[:, None], np.float32(0.0))
    power = np.einsum("ijk,ik->ij", above, new / past) + np.float32(_SHARE)
    step = _largest_step(power, grid)
    soon, late, last = (_mean(power, span, grid) for span in (_EARLY_S, _LATE_S, _LAST_S))
    early = np.maximum(soon, power[:, : _frames(_EARLY_S[1], grid)].max(axis=1))
    more = _loudest(power, _LONG_S, grid) / (early * step)
    top = np.maximum(_loudest(power, _SHORT_S, grid) / step, early)
    first_ms = _mean(power, _BEGUN_S, grid)
    level = (first_ms < _SOFTLY * np.maximum(late, soon)) & (last > _AS_LONG[0] * late) & (last < _AS_LONG[1] * late)
    begun = np.clip(first_ms / top, np.float32(_LEAST), np.float32(1.0))
    left = np.clip(last / np.maximum(late, early), np.float32(_LEFT[0]), np.float32(1.0))
    swell = 10.0 * np.log10(more) - 5.0 * np.log10(begun) + 5.0 * np.log10(left / np.float32(_LEFT[1]))
    known = new.any(axis=1)
    settled = known & (soon > _JUMPS * new.sum(axis=1)) & (late < _SETTLED * soon)
    return Growth(np.where(known, swell, np.float32(_UNTOLD_DB)).astype(np.float32), settled, known & level)


def _loudest(power: Floats, span: tuple[float, float, float], grid: FrameGrid) -> Floats:
    """Return the most that the power comes to in the mean of a length, between a begin and an end (all three s)."""
    length, begin, end = (_frames(s, grid) for s in span)
    total = np.cumsum(power[:, begin:end], axis=1, dtype=np.float64)
    total = np.concatenate((np.zeros((len(power), 1)), total), axis=1)
    return np.asarray((total[:, length:] - total[:, :-length]).max(axis=1) / length, np.float32)


def _mean(power: Floats, span: tuple[float, float], grid: FrameGrid) -> Floats:
    begin, end = (_frames(s, grid) for s in span)
    return means(power[:, begin:end])


def _largest_step(power: Floats, grid: FrameGrid) -> Floats:
    """Return by how many times another sound that steps in is louder than what came before it, 1 where none does."""
    start, end, back, ahead = (_frames(s, grid) for s in (_STEPS_FROM_S, _LATE_S[1], *_STEP_S))
    past, width = power[:, start - back : end], 1
    while width <= back:  # the loudest of so many frames from each one on
        shift = min(width, back + 1 - width)
        past = np.maximum(past[:, :-shift], past[:, shift:])
        width += shift
    step = (power[:, start + ahead : end + ahead] / past).max(axis=1, initial=1.0)
    return np.where(step > _STEP, step, np.float32(1.0))


def _frames(seconds: float, grid: FrameGrid) -> int:
    return round(seconds * grid.rate / grid.hop)


def add_noise(swell_db: Floats, level: NDArray[np.bool_], low: Floats, rate: float, at: NDArray[np.int64]) -> None:
    """Let what swells a little, and is noise and not notes, swell more: what rises slowly when struck has notes.

    Args:
        swell_db: how much sounds swell, (m,), changed in place.
        level: which of them begin softly and go on as loud, (m,).
        low: one channel, decimated, (n,).
        rate: its frames a second.
        at: onsets, (m,).
    """
    some = np.flatnonzero((swell_db > _HARDLY_DB) | level)
    if len(some):
        begin, end = (round(s * rate) for s in _NOISE_S)
        error = own_error(low, at[some], (begin, end), begin, end, order=_ORDER)
        wave = changes(low, at[some], begin, end)
        power = np.einsum("ij,ij->i", wave, wave)
        left = np.einsum("ij,ij->i", error, error)
        swell_db[some[power < _NOTES * left]] += np.float32(_NOISE_DB)
        swell_db[some[level[some] & (power < _ANY_NOTES * left)]] += np.float32(_LEVEL_DB)


def begins_low(low: Floats, rate: float, at: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return whose low notes begin at once, whatever high ones build up.

    Args:
        low: one channel, decimated, (n,).
        rate: its frames a second.
        at: onsets, (m,).
    """
    (first, _), *_, (_, last) = spans = [tuple(round(t * rate) for t in span) for span in _LOW_SPANS_S]
    # Differences: hum and slow wander weigh little.
    power = changes(low, at, first, last) ** 2
    before, begun, later = (means(power[:, begin - first : end - first]) for begin, end in spans)
    return np.asarray(begun > np.maximum(_LOW_STEP * later, _LOW_ABOVE * before))


def overdriven(samples: Floats, rate: int, at: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which sounds are the corner that clipping makes in what was about as loud before.

    Args:
        samples: one channel, (n,), full scale 1.0.
        rate: frames a second.
        at: onsets, (m,).
    """
    corner = np.zeros(len(at), np.bool_)
    near = np.abs(gather(samples, at, *(int(s * rate) for s in _CORNER_S)))
    full = ((near[:, 1:] >= _FULL) & (near[:, :-1] >= _FULL)).any(axis=1)
    some = np.flatnonzero(full)
    before, after = (gather(samples, at[some], *(int(s * rate) for s in span)) for span in _BESIDE_S)
    loud, louder = (np.einsum("ij,ij->i", x, x) / x.shape[1] for x in (before, after))
    cut = np.abs(gather(samples, at[some], *(int(s * rate) for s in _EARLIER_S))) >= _FULL
    upto = np.zeros((len(some), cut.shape[1] + 1), np.int64)
    np.cumsum(cut, axis=1, out=upto[:, 1:])
    shares = (upto[:, after.shape[1] :] - upto[:, : -after.shape[1]]) / after.shape[1]
    often = shares.max(axis=1, initial=0.0)
    oftener = (np.abs(after) >= _FULL).mean(axis=1)
    corner[some] = (louder < _AS_LOUD * loud) & (oftener < often + _OFTENER)
    return corner
