"""Sounds close to one another: each is timed, and believed, by what is its own.

A louder impact soon after would lend its evidence to chance and make a soft impact look like a swell. The young ring of
an earlier one hides what comes next from a predictor that knows only what sounded before both.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import distinct
from noisecheck.detect.overlaid import ORDER, ORDER_LOW, SINCE_S, comes_anyway, overlaid_onsets
from noisecheck.detect.pulses import in_pulses
from noisecheck.detect.refine import AHEAD_S, Refined
from noisecheck.detect.spectra import FrameGrid
from noisecheck.detect.timing import Timed, sharp_step, time_onsets

__all__ = ["EARLIER_S", "LATER_S", "time_amid"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]

LATER_S: Final = 0.032
EARLIER_S: Final = SINCE_S[1]
"""Peaks so long before and after others can change what is told of them."""
_NEXT: Final = 4
"""Of so many peaks after another the first louder one ends what is its own."""
_NEVER: Final = 1 << 40
_BEGUN_S: Final = 0.001
"""A louder sound is heard so long before its onset at most."""
_STRUCK: Final = 40.0
"""Evidence of what surely was struck."""
_DOUBTED: Final = 25.0
_DOUBTED_ABRUPT: Final = 20.0
"""Up to such evidence, or abruptness, what comes on a young ring is looked at once more."""
_SUDDEN: Final = 6.0
"""A predictor that fits worse and worse errs more, too, but not all at once."""
_NEW: Final = 10.0
"""Evidence that chance does not come near..."""
_HEARD: Final = 12.0
_NEW_ALONE: Final = 30.0
"""... and where the bands tell no more than so little: what is in one stroke of a low drum, 20 to 25 ms after it began,
comes up to 27 in a background, and to 56 without; second strokes on the same notes that no band shows exceed 37."""


def time_amid(
    sharp: Floats,
    low: Floats,
    grid: FrameGrid,
    every: Ints,
    wanted: Ints,
    level: Doubles,
    bands_of: Callable[[Ints], Doubles],
) -> tuple[Timed, Doubles]:
    """Return when the sounds behind some peaks begin, and their evidence in bands.

    Args:
        sharp: one channel at about 48 kHz (:func:`noisecheck.detect.timing.sharp_step`), (n,), from frame 0 on.
        low: the same, decimated further.
        grid: frames and bands.
        every: frames of all peaks, in order, (m,); what is far apart has nothing to do with one another.
        wanted: which of them are asked about, in order, (n,).
        level: energy that is new at each peak, (m,).
        bands_of: evidence in bands of those asked about, by samples after each peak from which on another is heard.
    """
    louder_one = _louder_after(level, every, grid.frames(LATER_S))[wanted]
    asked = distinct(np.concatenate((wanted, louder_one)))
    timed = time_onsets(sharp, low, grid, every[asked])
    by, at = np.searchsorted(asked, louder_one), every[wanted] * grid.hop
    own = timed.onset[by] - int(_BEGUN_S * grid.rate) - at
    own[(louder_one == wanted) | (own < 0)] = _NEVER
    timed = timed.where(np.searchsorted(asked, wanted))
    first = timed.copy()
    again = np.flatnonzero(own < AHEAD_S * grid.rate)
    if len(again):
        timed.put(again, time_onsets(sharp, low, grid, every[wanted][again], own[again]))
    bands = bands_of(own)
    _overlay(timed, first, bands, sharp, low, grid, every, wanted)
    return timed, bands


def _louder_after(level: NDArray[np.float64], peaks: Ints, within: int) -> Ints:
    """Return which peak after each one (in order) is the first louder one within some frames, itself if none is."""
    which = np.arange(len(peaks))
    for ahead in range(min(_NEXT, len(peaks) - 1), 0, -1):
        more = np.flatnonzero((level[ahead:] > level[:-ahead]) & (peaks[ahead:] - peaks[:-ahead] <= within))
        which[more] = more + ahead
    return which


def _overlay(
    timed: Timed, first: Timed, bands: Doubles, sharp: Floats, low: Floats, grid: FrameGrid, every: Ints, wanted: Ints
) -> None:
    """Look once more at doubtful sounds that come on the young ring of one surely struck."""
    doubted = np.flatnonzero((timed.error < _DOUBTED) | (timed.abrupt < _DOUBTED_ABRUPT))
    if not len(doubted):
        return
    soonest, most = (round(s * grid.rate) for s in SINCE_S)
    at, before = every[wanted][doubted] * grid.hop, np.delete(every, wanted)
    ahead = np.append(at, _NEVER)[np.searchsorted(at, before * grid.hop)] - before * grid.hop
    before = before[ahead <= most]
    known = Timed.concat([time_onsets(sharp, low, grid, before), first]) if len(before) else first
    struck = np.sort(known.onset[known.error > _STRUCK])
    last = np.searchsorted(struck, at - soonest, side="right") - 1
    since = at - np.append(struck, -_NEVER)[last]  # none: long ago
    some = np.flatnonzero(since <= most)
    if not len(some):
        return

    def told_by(band: Floats, step: int, order: int, rows: Ints) -> Refined:
        return overlaid_onsets(band, round(grid.rate / step), at[rows] // step, since[rows] // step, order).spread(step)

    # The low band tells what is new, the full one when it begins.
    told = told_by(low, grid.step, ORDER_LOW, some)
    least = np.where(bands[doubted[some]] > _HEARD, _NEW, _NEW_ALONE)
    new = np.flatnonzero((told.abrupt > _SUDDEN) & (told.evidence > least))
    told, some = told.where(new), some[new]
    begun = (told.onset + at[some]) // grid.step
    anyway = comes_anyway(
        low, round(grid.rate / grid.step), at[some] // grid.step, since[some] // grid.step, begun, ORDER_LOW
    )
    told, some = told.where(~anyway), some[~anyway]
    full = told_by(sharp, sharp_step(grid.rate), ORDER, some)
    surer = np.flatnonzero((full.abrupt > _SUDDEN) & (full.evidence > told.evidence))
    told.put(surer, full.where(surer))
    # (A voice excites its notes anew with every pulse.)
    onset = told.onset + at[some]
    new = np.flatnonzero(~in_pulses(low, grid.rate / grid.step, onset // grid.step))
    told, mine = told.where(new), doubted[some[new]]
    timed.onset[mine] = onset[new]
    timed.full_error[mine] = told.evidence
    timed.abrupt[mine] = np.maximum(timed.abrupt[mine], told.abrupt)
    timed.louder[mine], timed.louder_db[mine] = told.louder, told.louder_db
