"""Moments at which something may have struck, with the evidence for each, one channel at a time."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.core.windows import extended, stretches
from noisecheck.detect.coded import announcing, filled, past_pre_echo
from noisecheck.detect.driven import add_noise, begins_low, growth_of, overdriven
from noisecheck.detect.echoes import followed
from noisecheck.detect.ends import mere_ends
from noisecheck.detect.freed import foreseen, rings_freely
from noisecheck.detect.known import sounds_of
from noisecheck.detect.lownotes import Strokes, low_strokes, with_strokes
from noisecheck.detect.modal import soft_onsets
from noisecheck.detect.neighbours import time_amid
from noisecheck.detect.novelty import FLOOR_CELLS, FLOOR_EVERY, Novelty, floor_of, novelty, quantile_of
from noisecheck.detect.pulses import BEGINS_MOST_DB, in_pulses, trains
from noisecheck.detect.refine import CONTEXT_S
from noisecheck.detect.rounding import mere_steps
from noisecheck.detect.spectra import PAIR, FrameGrid, decimated, frame_energies, frame_grid
from noisecheck.detect.timing import Timed, first_within, past_forerun, sharp_step
from noisecheck.detect.waves import wave_grid, waves_at

__all__ = [
    "APART_S",
    "EDGE_S",
    "END_S",
    "TAIL_S",
    "Candidates",
    "cell_frames",
    "find_candidates",
    "find_peaks",
    "lead_frames",
    "own_bands",
    "strongest",
    "tail_frames",
    "weigh_peaks",
]

_ASK = 9.0
"""Log-likelihood ratio from which a frame is looked at closely; chance alone asks for a few a second."""
_ASK_SOON = 4.0
_SOON_S = 0.030
_LOUD = 100.0
"""The same so soon after an impact of such evidence, whose energy may explain most of the next one's."""
_BLIND = 3.0
"""Below such evidence the prediction error does not tell the onset: it is where the bands rise."""
_RINGS_DB = 0.0
"""Plates and rings swell by so much (median), and so may what steps in."""
_HARDLY_DB = -1.0
"""What swells by less swells by nothing, as far as the run can tell (:mod:`noisecheck.detect.decide`)."""
_SETTLED = 16.0
"""Abruptness of a sound that comes within milliseconds and grows no more: well above that of swells."""
_HEARD = 25.0
"""Evidence from which a sound is heard clearly enough to tell its blow from its ring."""
_SURELY_DB = 18.0
"""What is struck swells by less (thuds and rings that rise over 10 ms at most by 10 dB in 98 of 100, by 13 in 199 of
200; noise in syllables by 26, median)."""
_CHANCE = 16.0
"""Evidence that chance seldom has: what is fainter need not be told from an echo."""
_UNHEARD = 10.0
"""Below such evidence the prediction error tells nothing new..."""
_RING_S, _ON_S = (-0.028, -0.004), (-0.004, 0.012)
"""... and what an earlier ring foresees so long before and after an onset are its beats."""
_MOST_RUNG = 40.0
"""Evidence of a stroke on low notes counts up to that of one band's prediction error."""
_PEAK_S = 0.006
APART_S = 0.012
"""Sounds closer than this are one impact."""
_FINE_SPAN_S = (0.003, 0.005)
_COARSE_SPAN_S = (0.004, 0.016)
_COARSE_LEAD_S = 0.012
"""The coarse evidence of a sound may begin so long before the fine one: half a coarse frame, and the filter's."""
_SURE = 80.0
"""Of two sounds of such evidence both are beyond doubt: the first counts."""
TAIL_S = 0.1
EDGE_S = 0.003
END_S = 0.012
"""Of the end of a recording: too little of a sound that begins there is left to tell or to measure it."""


@record
class Candidates(Rows):
    """Candidates of one channel, equally long arrays in order of onset."""

    onset: NDArray[np.int64]
    """First arrival, frame of the recording."""
    bands: NDArray[np.float64]
    """Log-likelihood ratio that band energies rose, both resolutions added; 0 where an earlier ring foresees it."""
    error: NDArray[np.float64]
    """Log-likelihood ratio that the prediction error rose, full band and low band added, each at most 40; or
    that of the lowest notes did, where that is more."""
    abrupt: NDArray[np.float64]
    """Log-likelihood ratio of an abrupt onset against smooth growth, at most 0 where the sound is driven."""
    new_db: NDArray[np.float64]
    """Peak level of the energy that is new, dB (for comparing with one another), that of a louder sound included."""
    louder: NDArray[np.int64]
    """Frames after the onset at which a louder sound sets in, 0 where none does within 12 ms."""
    louder_db: NDArray[np.float64]
    """By how many dB it exceeds what came before it, about."""
    swell_db: NDArray[np.float32]
    """How much it is like a swell, see :class:`noisecheck.detect.driven.Growth`."""
    delay: NDArray[np.float64]
    """Seconds since a louder sound which it is once more, 0 for none, see :mod:`noisecheck.detect.echoes`..."""
    delayed_db: NDArray[np.float32]
    """... and its level against that."""
    sound: NDArray[np.float32]
    """Its bands, (n, 5 * bands), see :func:`noisecheck.detect.known.sounds_of`."""
    wave: NDArray[np.float32]
    """The sound around it, see :func:`noisecheck.detect.waves.waves_at`; zeros for what is hardly more than chance, and
    (n, 0) where nobody asks for it."""

    @property
    def score(self) -> NDArray[np.float64]:
        """Total log-likelihood ratio."""
        return self.bands + self.error

    def __len__(self) -> int:
        return len(self.onset)

    def with_waves(self, low: NDArray[np.float32], rate: int, *, origin: int = 0) -> Candidates:
        """Return the same with the sound around each in ``low``, decimated, which begins at frame ``origin``."""
        wave = np.zeros((len(self), wave_grid(rate).length), np.float32)
        some = np.flatnonzero(self.score > _CHANCE)
        wave[some] = waves_at(low, rate, self.onset[some] - origin)
        return replace(self, wave=wave)

    def without_waves(self) -> Candidates:
        """Return the same without the sound around each."""
        return replace(self, wave=self.wave[:, :0])

    def moved(self, by: int) -> Candidates:
        """Return the same, so many frames later."""
        return replace(self, onset=self.onset + by)

    @classmethod
    def concat(cls, parts: list[Candidates]) -> Candidates:
        """Return all candidates, one after the other."""
        parts = [p for p in parts if len(p)]
        if not parts:
            none, empty, some = np.empty(0, np.int64), np.empty(0), np.empty(0, np.float32)
            return Candidates(
                *(none, empty, empty, empty, empty, none, empty),
                *(some, empty, some, np.empty((0, 0), np.float32), np.empty((0, 0), np.float32)),
            )
        return super().concat(parts)


def lead_frames(rate: int) -> int:
    """Return the samples needed before a piece: what the floor and the longest ring look back on."""
    grid = frame_grid(rate)
    return (FLOOR_CELLS + 1) * grid.cell * grid.hop


def tail_frames(rate: int) -> int:
    """Return the samples needed after a piece."""
    return int(TAIL_S * rate) + frame_grid(rate).reach


def cell_frames(rate: int) -> int:
    """Return the samples of one floor cell: pieces begin at whole cells."""
    grid = frame_grid(rate)
    return grid.cell * grid.hop


def _forward_max(values: NDArray[np.float32], span: int) -> NDArray[np.float32]:
    """Return ``max(values[t : t + span + 1])`` at each t, in log2(span) passes."""
    out, width = values, 1
    while width < span + 1:
        shift = min(width, span + 1 - width)
        out = np.concatenate((np.maximum(out[:-shift], out[shift:]), out[-shift:]))
        width += shift
    return out


def _around_max(values: NDArray[np.float32], at: NDArray[np.int64], before: int, after: int) -> NDArray[np.float64]:
    """Return ``max(values[t - before : t + after + 1])`` at each t in ``at`` (float64)."""
    return stretches(values, at - before, before + after + 1).max(axis=1).astype(np.float64)


def own_bands(found: Novelty, peaks: NDArray[np.int64], grid: FrameGrid, own: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the evidence of both resolutions at peaks, without that of a louder sound soon after.

    Args:
        found: evidence per frame.
        peaks: frames, (m,).
        grid: frames and bands.
        own: samples after each peak from which on a louder sound is heard, (m,).
    """
    fine = _around_max(found.fine, peaks, *(grid.frames(s) for s in _FINE_SPAN_S))
    steps = np.arange(-grid.frames(_COARSE_SPAN_S[0]), grid.frames(_COARSE_SPAN_S[1]) + 1)
    coarse = stretches(found.coarse, peaks + steps[0], len(steps))
    until = own // grid.hop - grid.frames(_COARSE_LEAD_S)
    return np.asarray(fine + np.where(steps <= until[:, None], coarse, np.float32(0.0)).max(axis=1), np.float64)


def find_peaks(found: Novelty, grid: FrameGrid) -> NDArray[np.int64]:
    """Return frames where the evidence peaks; the coarse evidence comes a little after the fine one."""
    both = found.fine + np.float32(0.5) * _forward_max(found.coarse, grid.frames(0.010))
    apart = grid.frames(_PEAK_S)
    around = _forward_max(extended(both, apart, apart), 2 * apart)[: len(both)]
    peaks = np.flatnonzero((both > _ASK_SOON) & (both == around))
    peaks = peaks[(both[peaks] > _ASK) | (_around_max(both, peaks, grid.frames(_SOON_S), 0) > _LOUD)]
    # Equal neighbours (a plateau) count once.
    return peaks[np.diff(peaks, prepend=-apart - 1) > 1] if len(peaks) else peaks


def weigh_peaks(
    samples: NDArray[np.float32],
    low: NDArray[np.float32],
    rate: int,
    found: Novelty,
    every: NDArray[np.int64],
    wanted: NDArray[np.int64],
    strokes: Strokes,
    *,
    coded: bool = False,
) -> Candidates:
    """Return the candidate behind each peak asked about, in the order of the peaks; onsets are samples.

    Channels may lie one behind the other, if what is asked about lies far enough from where they meet.

    Args:
        samples: one channel, (n,), from the frame on which ``found`` begins.
        low: the same, decimated.
        rate: frames a second.
        found: evidence per frame.
        every: frames of peaks and of strokes on low notes, also those ``EARLIER_S`` and ``ECHO_S`` before those asked
            about, and ``LATER_S`` after them.
        wanted: which of them are asked about.
        strokes: what low notes tell of every peak.
        coded: the sound went through a lossy codec (:mod:`noisecheck.detect.coded`).
    """
    grid, peaks = frame_grid(rate), every[wanted]
    level = _around_max(found.new_energy, every, *(grid.frames(s) for s in _FINE_SPAN_S))
    step = sharp_step(rate)
    sharp = filled(decimated(samples, step)) if coded else decimated(samples, step)
    timed, bands = time_amid(sharp, low, grid, every, wanted, level, partial(own_bands, found, peaks, grid))
    onset, error, abrupt, louder = timed.onset, timed.error, timed.abrupt, timed.louder
    more = np.flatnonzero(louder)
    then = (onset + louder)[more] // grid.hop
    new = level[wanted]
    new[more] = np.maximum(new[more], _around_max(found.new_energy, then, 0, grid.frames(_FINE_SPAN_S[1])))
    rise, sound = sounds_of(found, peaks, grid)
    blind = error < _BLIND
    onset[blind] = (rise * grid.hop)[blind]
    if coded:
        onset = past_pre_echo(samples, onset, rate)
    rung = strokes.evidence[wanted]
    alone = blind & (rung > 0.0)
    onset[alone], error = strokes.frame[wanted][alone] * grid.hop, np.maximum(error, np.minimum(rung, _MOST_RUNG))
    soft = np.flatnonzero((timed.error < _UNHEARD) & (bands + error > _CHANCE))
    onset[soft] += grid.step * soft_onsets(low, grid.rate // grid.step, onset[soft] // grid.step, rung[soft] > 0.0)
    doubted = np.flatnonzero((error < _UNHEARD) & (bands + error > _CHANCE))
    bands[doubted[foreseen(low, rate / grid.step, onset[doubted] // grid.step, _RING_S, _ON_S)]] = 0.0
    delay, delayed_db = np.zeros(len(peaks)), np.zeros(len(peaks), np.float32)
    some = np.flatnonzero(bands + error > _CHANCE)
    heralds = announcing(samples, onset, found.new_energy, level[wanted], peaks, grid) if coded else some[:0]
    for no_sound in (heralds, some[mere_steps(samples, onset[some], new[some], found, grid)]):
        bands[no_sound], error[no_sound] = 0.0, 0.0
    delay[some], delayed_db[some] = followed(sharp, rate / step, every * grid.hop // step, level, wanted[some])
    swell_db = _judge_force(timed, onset, abrupt, bands, samples=samples, low=low, found=found, grid=grid)
    # (What announces an impact may lie within 30 dB of it.)
    sure = np.flatnonzero((bands + error > _SURE) & (not coded))
    first = first_within(samples, past_forerun(samples, onset[sure], louder[sure], timed.louder_db[sure], rate), rate)
    louder[sure] = np.maximum(louder[sure] - np.maximum(first - onset[sure], 0), 0)
    onset[sure] = first
    ends = some[mere_ends(onset[some], found, grid)]
    bands[ends], error[ends] = 0.0, 0.0
    return Candidates(
        onset.astype(np.int64),
        bands,
        np.maximum(error, 0.0),
        abrupt,
        10.0 * np.log10(np.maximum(new, 1e-20)),
        louder,
        timed.louder_db,
        swell_db,
        delay,
        delayed_db,
        sound,
        np.empty((len(peaks), 0), np.float32),
    )


def _judge_force(
    timed: Timed,
    onset: NDArray[np.int64],
    abrupt: NDArray[np.float64],
    bands: NDArray[np.float64],
    *,
    samples: NDArray[np.float32],
    low: NDArray[np.float32],
    found: Novelty,
    grid: FrameGrid,
) -> NDArray[np.float32]:
    """Return by how much each sound swells, dB. ``abrupt`` becomes 0 at most where it is driven."""
    at, rate = onset // grid.step, grid.rate / grid.step
    growth = growth_of(found, (onset + grid.hop // 2) // grid.hop, grid)
    swell_db = growth.swell_db
    # A blow may be followed by more, but for a voice: a cymbal's high notes build up, a heavy skin's low one swells.
    struck = np.flatnonzero(swell_db > _RINGS_DB)
    struck = struck[timed.steps_in[struck] | begins_low(low, rate, at[struck])]
    swell_db[struck[~in_pulses(low, rate, at[struck])]] = _RINGS_DB
    # A train that begins makes no swell of what swells so little, nor does it matter to what is so abrupt.
    open_to = (swell_db > _HARDLY_DB - BEGINS_MOST_DB) | growth.level | (abrupt < _SETTLED)
    one_more, begins_db = trains(samples, low, grid, onset, open_to)
    driven = (swell_db > _SURELY_DB) | one_more | overdriven(samples, grid.rate, onset)
    swell_db += begins_db
    free = np.flatnonzero(~driven & (abrupt < _SETTLED) & (bands + timed.error > _HEARD) & (begins_db <= 0.0))
    free = free[rings_freely(low, rate, at[free])]
    settled = growth.settled & ~driven
    settled[free[~in_pulses(low, rate, at[free])]] = True
    abrupt[settled] = np.maximum(abrupt[settled], _SETTLED)
    abrupt[driven] = np.minimum(abrupt[driven], 0.0)
    level = growth.level
    level[struck] = False
    add_noise(swell_db, level, low, rate, at)
    return swell_db


def find_candidates(
    samples: NDArray[np.float32], rate: int, *, origin: int, start: int, stop: int, coded: bool = False
) -> Candidates:
    """Return the candidates with onset in ``start <= onset < stop``.

    Args:
        samples: one channel, (n,), full scale 1.0; it should reach :func:`lead_frames` before ``start`` and
            :func:`tail_frames` after ``stop`` where the recording does.
        rate: frames a second.
        origin: frame of ``samples[0]`` in the recording, a multiple of :func:`cell_frames`.
        start: first frame of the piece.
        stop: end of the piece.
        coded: the sound went through a lossy codec (:mod:`noisecheck.detect.coded`).
    """
    grid = frame_grid(rate)
    count = len(samples) // grid.hop
    if count < 2 * grid.frames(TAIL_S):
        return Candidates.concat([])
    low = decimated(samples, grid.step)
    found, first = _novelty(samples, low, grid, count, before=(start - origin) // cell_frames(rate), coded=coded)
    origin, samples, low = origin + first * grid.hop, samples[first * grid.hop :], low[first * grid.hop // grid.step :]
    strokes, _ = low_strokes(low[None], found, grid, origin // grid.hop)
    peaks, strokes = with_strokes(find_peaks(found, grid), strokes, grid)
    margin = 2 * grid.frames(CONTEXT_S)
    wanted = (peaks * grid.hop + origin >= start - margin * grid.hop) & (
        peaks * grid.hop + origin < stop + margin * grid.hop
    )
    peaks, strokes = peaks[wanted], strokes.where(wanted)
    if not len(peaks):
        return Candidates.concat([])
    made = weigh_peaks(samples, low, rate, found, peaks, np.arange(len(peaks)), strokes, coded=coded).moved(origin)
    made = strongest(made.where(np.argsort(made.onset, kind="stable")), rate)
    # The mirrored samples before a recording's first and after its last make kinks there that are no onsets.
    end = origin + len(samples)
    earliest = int(EDGE_S * rate) if origin == 0 and start == 0 else start
    latest = end - int(END_S * rate) if end < stop + tail_frames(rate) else stop
    made = made.where((made.onset >= earliest) & (made.onset < min(latest, stop)))
    return made.with_waves(low, rate, origin=origin)


def _novelty(
    samples: NDArray[np.float32], low: NDArray[np.float32], grid: FrameGrid, count: int, *, before: int, coded: bool
) -> tuple[Novelty, int]:
    """Return the evidence from the floor cell before a piece on, and its first frame.

    Of the ``before`` cells in front of the piece all but the last serve only for the floor, which looks at some frames.
    """
    cell, skipped = grid.cell, max(before - 1, 0)
    first = skipped * cell
    fine, coarse = frame_energies(samples, grid, low=low, frames=range(first, count))
    if not skipped:
        return novelty(fine, coarse, grid, coded=coded), 0
    earlier: tuple[list[NDArray[np.float32]], list[NDArray[np.float32]]] = [], []
    for begin in range(0, first, cell):
        some = frame_energies(samples, grid, low=low, frames=range(begin, begin + cell, FLOOR_EVERY))
        for quiet, energy in zip(earlier, some, strict=True):
            quiet.append(quantile_of(energy))
    floors = floor_of(fine, cell, earlier=earlier[0]), floor_of(coarse, cell, each=PAIR, earlier=earlier[1])
    return novelty(fine, coarse, grid, floors=floors, coded=coded), first


def strongest(made: Candidates, rate: int) -> Candidates:
    """Return the candidates (in order of onset) with, among those within ``APART_S``, only the surest."""
    apart = int(APART_S * rate)
    keep = np.ones(len(made), bool)
    first, end = np.searchsorted(made.onset, [made.onset - apart, made.onset + apart])
    sure = np.minimum(made.score, _SURE) - (made.delay > 0.0)
    for i in np.argsort(-sure, kind="stable").tolist():
        if keep[i]:
            keep[first[i] : i] = False
            keep[i + 1 : end[i]] = False
    return made.where(keep)
