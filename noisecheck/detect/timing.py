"""When a sound begins: told in the full band, in the low band where it hears the sound about as well, or by its rise.

A click is sharpest in the full band. A thud on a soft pad lives in the low band, and one that rises for milliseconds is
timed by its spectrum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.core.windows import stretches
from noisecheck.detect import modal, refine, slow
from noisecheck.detect.modal import modal_onsets
from noisecheck.detect.prediction import gather
from noisecheck.detect.refine import refine_onsets
from noisecheck.detect.slow import slow_rises
from noisecheck.detect.spectra import FrameGrid

__all__ = ["AHEAD_S", "BACK_S", "PAST_S", "Timed", "first_within", "past_forerun", "sharp_step", "time_onsets"]

Floats = NDArray[np.float32]

_MOST_ERROR = 40.0
_SHARP = 20.0
"""An onset this abrupt in the full band is not looked at in the low band..."""
_CREST = 50.0
"""... but up to so abrupt one that rises by its spectrum is: the error of a thud steps in at a crest of its tones."""
_CLEAR = 10.0
"""Evidence of the prediction error that chance does not come near."""
_LONG_S, _LONG = 0.004, 0.25
_LONGISH_S, _LONGISH = 0.0025, 1.0
"""Rises, and log-likelihood ratios of them, from which the spectrum of a sound is asked."""
_PAST_HEARD_S, _SOUND_S = (-0.046, -0.014), (0.0, 0.020)
_STANDS_OUT = 8.0
"""Times the power of the past, a little less than the spectrum of a rise is asked to stand out by."""
_LOUD, _FAR_S, _FARTHEST_S = 300.0, 0.0025, 0.008
"""What the prediction error hears so clearly it does not time so far off, and nothing so far."""
_AS_WELL = 2.0
_BARELY = 4.0
"""A click is heard many times better in the full band than in the low one, a thud hardly better: up to so many times
the low band's onset is taken, and up to so many times its spectrum may show a rise."""
_SHARP_RATE = 48_000
"""Onsets are looked at closely at about this rate, so that higher ones find the same."""
_BEFORE_S = 0.028
"""What was heard since so long before an onset (a cycle of most hums)..."""
_MISTAKEN_S = 0.0035
"""... but for the last of it, by which onsets may be mistaken..."""
_ALONE = 0.75
"""... is softer by this than where a sound counts as begun..."""
_WITHIN = 10.0 ** (-30.0 / 20.0)
"""... against its peak..."""
_PEAK_S = 0.012
"""... which comes within so long."""
_FORERUN_DB = 12.0
"""What slides before a blow is softer than it by so much..."""
_SWAY_S = 0.00025
"""... and heard above notes that sway a background: each sample against the mean of so long before it."""


AHEAD_S = max(refine.AHEAD_S, refine.SEARCH_S[1] + max(slow.AHEAD_S, modal.AHEAD_S))
"""Seconds of samples after a peak that can change what is found..."""
BACK_S = refine.BACK_S + modal.BACK_S
"""... by which an onset may come before its peak..."""
PAST_S = refine.BACK_S + modal.PAST_S
"""... and of samples before it that can change what is found."""


@record
class Timed(Rows):
    """Onsets of sounds and what the prediction error tells of them, equally long arrays."""

    onset: NDArray[np.int64]
    """First arrival, sample."""
    full_error: NDArray[np.float64]
    """Log-likelihood ratio that something new begins, in the full band."""
    low_error: NDArray[np.float64]
    """The same in the low band, at most 40."""
    abrupt: NDArray[np.float64]
    """Log-likelihood ratio of an abrupt onset against smooth growth."""
    louder: NDArray[np.int64]
    """Samples after the onset at which a louder sound sets in, 0 where none does within 12 ms."""
    louder_db: NDArray[np.float64]
    """By how many dB it exceeds what came before it, about."""
    steps_in: NDArray[np.bool_]
    """Whether what is new is, for 14 ms, hardly stronger than in its first millisecond."""

    @property
    def error(self) -> NDArray[np.float64]:
        """Log-likelihood ratio that something new begins, both bands added, each at most 40."""
        return np.asarray(np.minimum(self.full_error, _MOST_ERROR) + self.low_error)


@record
class _Low(Rows):
    """What the low band tells of the sounds it was asked about."""

    asked: NDArray[np.int64]
    """Which ones."""
    own: NDArray[np.bool_]
    """Whether it hears them about as well as the full band."""
    onset: NDArray[np.int64]
    """First arrival, low sample."""
    evidence: NDArray[np.float64]


def sharp_step(rate: int) -> int:
    """Return by how many times samples are decimated where onsets are looked at closely in the full band."""
    return max(1, round(rate / _SHARP_RATE))


def time_onsets(
    sharp: Floats, low: Floats, grid: FrameGrid, peaks: NDArray[np.int64], own: NDArray[np.int64] | None = None
) -> Timed:
    """Return when the sound behind each peak of the evidence begins.

    Args:
        sharp: one channel, (n,), from frame 0 on, decimated by :func:`sharp_step`.
        low: the same, decimated.
        grid: frames and bands.
        peaks: frames, (m,).
        own: samples after each peak from which on another, louder sound is heard, (m,); None: there is none.
    """
    step = sharp_step(grid.rate)
    full = refine_onsets(sharp, grid.rate // step, peaks * grid.hop // step, own // step if own is not None else None)
    error = full.evidence
    timed = Timed(
        full.onset * step,
        error,
        np.minimum(error, _MOST_ERROR),
        full.abrupt,
        full.louder * step,
        full.louder_db,
        full.steps_in,
    )
    heard = _by_low_band(timed, full.rise_s, low, grid, peaks, own)
    _by_rise(timed, heard.where((heard.evidence > _CLEAR) & (error[heard.asked] < _BARELY * heard.evidence)), low, grid)
    asked = np.zeros(len(error), np.bool_)
    asked[heard.asked] = True
    _of_a_crest(timed, np.flatnonzero(~asked & (timed.abrupt < _CREST)), low, grid)
    return timed


def _by_low_band(
    timed: Timed,
    rise_s: NDArray[np.float64],
    low: Floats,
    grid: FrameGrid,
    peaks: NDArray[np.int64],
    ahead: NDArray[np.int64] | None,
) -> _Low:
    """Ask the low band about sounds that the full band is not sure of, and time by it those that it hears as well."""
    error, abrupt, rate = timed.full_error, timed.abrupt, grid.rate // grid.step
    # The full band is sharper; the low band speaks where it heard the sound about as well (a thud on a soft pad).
    asked = np.flatnonzero((error < _MOST_ERROR) | (abrupt < _SHARP) | (rise_s > 0))
    if grid.step == 1:
        return _Low(asked, np.ones(len(asked), np.bool_), timed.onset[asked], error[asked])
    ends = None if ahead is None else ahead[asked] // grid.step
    other = refine_onsets(low, rate, peaks[asked] * grid.hop // grid.step, ends)
    timed.low_error[asked] = np.minimum(other.evidence, _MOST_ERROR)
    abrupt[asked] = np.maximum(abrupt[asked], other.abrupt)
    own = error[asked] <= _AS_WELL * other.evidence
    onset = other.onset * grid.step
    # What steps in within the full band, right where the low band has it, is told to the sample there.
    sharp = (rise_s[asked] == 0) & (error[asked] > _CLEAR) & (timed.onset[asked] - onset < _FAR_S * grid.rate)
    timed.onset[asked[own & ~sharp]] = onset[own & ~sharp]
    return _Low(asked, own, other.onset, other.evidence)


def _by_rise(timed: Timed, heard: _Low, low: Floats, grid: FrameGrid) -> None:
    """Time the sounds that rise by their spectrum."""
    if not len(heard.asked):
        return
    rate = grid.rate // grid.step
    slow = _slow(low, heard.onset, rate)
    sure = (heard.evidence > _LOUD) & ~(slow & _stands_out(low, heard.onset, rate))
    asked = slow | (heard.own & (timed.abrupt[heard.asked] < _SHARP))
    _by_spectrum(timed, heard.asked[asked], heard.onset[asked], np.where(sure, _FAR_S, _FARTHEST_S)[asked], low, grid)


def _of_a_crest(timed: Timed, asked: NDArray[np.int64], low: Floats, grid: FrameGrid) -> None:
    """Time those of the sounds that step in by the full band, at a crest, and rise by their spectrum."""
    rate = grid.rate // grid.step
    asked = asked[_stands_out(low, timed.onset[asked] // grid.step, rate)]
    asked = asked[_slow(low, timed.onset[asked] // grid.step, rate)]
    _by_spectrum(timed, asked, timed.onset[asked] // grid.step, np.full(len(asked), _FARTHEST_S), low, grid)


def _by_spectrum(
    timed: Timed,
    asked: NDArray[np.int64],
    onset: NDArray[np.int64],
    most_s: NDArray[np.float64],
    low: Floats,
    grid: FrameGrid,
) -> None:
    """Take what a sound's spectrum tells of its beginning, at most so many seconds from its onset in the low band."""
    rate = grid.rate // grid.step
    begins, rise_s = modal_onsets(low, rate, onset)
    told = (rise_s > 0) & (np.abs(begins - onset) <= most_s * rate)
    timed.onset[asked[told]], timed.louder[asked[told]] = begins[told] * grid.step, 0


def _slow(samples: Floats, at: NDArray[np.int64], rate: int) -> NDArray[np.bool_]:
    """Return which of the sounds that begin about each position, (m,), rise over milliseconds."""
    likelier, rise_s = slow_rises(samples, rate, at)
    return np.asarray(
        ((rise_s > _LONG_S) & (likelier > _LONG)) | ((rise_s > _LONGISH_S) & (likelier > _LONGISH)), np.bool_
    )


def _stands_out(samples: Floats, at: NDArray[np.int64], rate: int) -> NDArray[np.bool_]:
    """Return which sounds are far louder after each position, (m,), than what was heard before; amid rings none is."""
    before, after = (gather(samples, at, *(round(s * rate) for s in span)) for span in (_PAST_HEARD_S, _SOUND_S))
    rest, sound = (piece.var(axis=1) for piece in (before, after))
    return np.asarray(sound > _STANDS_OUT * rest)


def first_within(samples: Floats, onset: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Return where each sound first comes within 30 dB of its peak, where all heard before is softer than that.

    Elsewhere, and where that is earlier by more than onsets are mistaken by, the onset itself. (What slides before a
    blow may be heard 12 ms before it.)

    Args:
        samples: one channel, (n,).
        onset: frames, (m,).
        rate: frames a second.
    """
    before, apart, after = (round(s * rate) for s in (_BEFORE_S, _MISTAKEN_S, _PEAK_S))
    begin = onset - before
    inside = np.flatnonzero((begin >= 0) & (onset + after <= len(samples)))
    if not len(inside):
        return onset
    near = stretches(samples, begin[inside], before + after)
    past = near[:, : before - apart]
    middle = past.mean(axis=1, keepdims=True)
    level = np.abs(near - middle)
    least = np.float32(_WITHIN) * level[:, before:].max(axis=1, keepdims=True)
    alone = level[:, : before - apart].max(axis=1) < np.float32(_ALONE) * least[:, 0]
    some = level[:, before - apart :] >= least
    first = onset.copy()
    told = alone & some.any(axis=1) & ~some[:, 0]
    first[inside[told]] += some[told].argmax(axis=1) - apart
    return first


def past_forerun(
    samples: Floats, onset: NDArray[np.int64], louder: NDArray[np.int64], louder_db: NDArray[np.float64], rate: int
) -> NDArray[np.int64]:
    """Return where the louder sound sets in that soon follows an onset, where what is heard before that is no arrival.

    That lies more than 30 dB below the peak. Elsewhere, the onset itself.

    Args:
        samples: one channel, (n,).
        onset: frames, (m,).
        louder: frames after each at which a louder sound sets in, 0 where none does, (m,).
        louder_db: by how many dB it exceeds what came before it, (m,).
        rate: frames a second.
    """
    before, soon, after, sway = (max(1, round(s * rate)) for s in (_BEFORE_S, _MISTAKEN_S, _PEAK_S, _SWAY_S))
    inside = (onset >= before) & (onset + after <= len(samples))
    asked = np.flatnonzero(inside & (louder > 0) & (louder <= soon) & (louder_db > _FORERUN_DB))
    if not len(asked):
        return onset
    near = stretches(samples, onset[asked] - before, before + after).astype(np.float64)
    level = np.abs(near - near[:, : before - soon].mean(axis=1, keepdims=True))
    part = near[:, before - sway : before + soon]
    heard = np.abs(part[:, sway:] - np.add.reduce([part[:, k : k + soon] for k in range(sway)], axis=0) / sway)
    # (What steps in is told a little late.)
    own = np.arange(soon) < louder[asked, None] - sway // 2
    softer = np.where(own, heard, 0.0).max(axis=1) < _WITHIN * level[:, before:].max(axis=1)
    first = onset.copy()
    first[asked[softer]] += louder[asked[softer]]
    return first
