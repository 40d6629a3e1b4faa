"""Soft strokes on low notes: what still rings and hums is predicted, and what is new shows.

Low notes lie closer together than frames of 21 ms can tell, and die away more slowly than what the past explains. But a
predictor fitted closely to 80 ms of their ring foresees it, beats and all, and not what is struck next. Nor is a soft
low stroke plain in a machine's noise: one band of one frame is chance where 32 ms of all low notes are not.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import distinct
from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.detect.novelty import Novelty
from noisecheck.detect.prediction import beside, fitted_side_by_side
from noisecheck.detect.spectra import FILTER_REACH, FrameGrid, decimated

__all__ = ["Strokes", "Told", "low_strokes", "with_strokes"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]

_RATE: Final = 1400
"""Low notes are looked at with so many samples a second at least..."""
_EVERY: Final = 12
"""... before and after every so many frames..."""
_ORDER: Final = 12
_FITTED_S: Final = 0.080
_GAP_S: Final = 0.002
_TOLD_S: Final = 0.032
"""... by what a predictor fitted to the one does not foresee in the other."""
_LEAST: Final = 1e-4
"""No ring is foreseen by more than 40 dB."""
_FALLS: Final = 0.9
"""What is struck adds to a ring: what falls short of it is switched off (a hum, over 50 ms)."""
_SOUNDS: Final = 5.0
"""Something sounds where some low band is so many times louder than its background, on the average..."""
_BANDS: Final = 4
_AFTER_S: Final = (0.004, 0.012, 0.020, 0.028)
"""... of so long after."""
_YOUNG_S: Final = 0.042
"""A ring so young is not foreseen from its beginning."""
_PLAIN: Final = 25.0
"""Evidence in the bands of what needs no closer look, and whose ring is not foreseen from its beginning."""
_ASK: Final = 20.0
_RINGS: Final = 10.0
"""What a predictor leaves 10 dB less of is a ring, or a hum..."""
_NOISE: Final = 0.7
"""... and after anything else evidence counts so much: noise that wanders surprises more than its samples tell."""
_WEIGHT: Final = 0.5
"""Chance in rumble comes a tenth as often every 6.5 units, of other evidence every 4.3."""
_BESIDE_S: Final = 0.012
"""A stroke so close to a peak is what peaks there."""
_FEW: Final = 3
"""Samples in which no beginning is looked for, at the end of what is told."""
_NEVER: Final = 1 << 40
_BATCH: Final = 512


@record
class Strokes(Rows):
    """Strokes on low notes, or what is known of other sounds; equally long arrays."""

    frame: Ints
    """When they begin."""
    evidence: NDArray[np.float64]
    """Log-likelihood ratio that they do."""


class Told(NamedTuple):
    """What is not foreseen in channels of a stream, every ``_EVERY`` frames; what comes later does not change it."""

    end: int
    """Frame of the recording before which it is told."""
    evidence: NDArray[np.float64]
    """How surely something is new there, (channels, frames)..."""
    since: Ints
    """... and from how many samples on, where it may be."""

    @staticmethod
    def nothing(channels: int) -> Told:
        """Return that of a stream that begins."""
        return Told(0, np.empty((channels, 0)), np.empty((channels, 0), np.int64))


def low_strokes(
    low: Floats, found: Novelty, grid: FrameGrid, first: int, told: Told | None = None
) -> tuple[Strokes, Told]:
    """Return strokes that the past does not foresee, in frames of the piece, and what was told of its frames.

    Args:
        low: channels, decimated, (channels, n), from a frame on.
        found: evidence and band energies of their frames, the channels one behind the other.
        grid: frames and bands.
        first: frame of the recording on which they begin: what is found must not hang on it.
        told: of a stream, what was told of an earlier piece of it; only settled frames are asked about, and none twice.
    """
    step, length = _step(grid), len(found.fine) // len(low)
    begin = first * grid.hop // grid.step
    skip = -begin % step
    wave = np.diff(decimated(low[:, skip:], step)).astype(np.float64)
    rate = grid.rate / grid.step / step
    fitted, gap, ahead = (round(s * rate) for s in (_FITTED_S, _GAP_S, _TOLD_S))
    frames = np.arange(-first % _EVERY, length, _EVERY)
    at = (frames + first) * grid.hop // grid.step // step - (begin + skip) // step
    start = at - gap - fitted - _ORDER
    inside = (start >= FILTER_REACH) & (at + ahead + FILTER_REACH <= wave.shape[1])
    if told is not None:
        # (The end of the low band is as its filter takes the samples to go on, and what begins plainly may come yet.)
        inside &= (at + ahead + 2 * FILTER_REACH <= wave.shape[1]) & (frames + grid.frames(_TOLD_S) <= length)
    frames, start = frames[inside], start[inside]
    evidence, since = np.zeros((len(low), len(frames))), np.zeros((len(low), len(frames)), np.int64)
    known = 0 if told is None else min(int(np.searchsorted(frames, told.end - first)), told.evidence.shape[1])
    if told is not None and known:
        evidence[:, :known], since[:, :known] = told.evidence[:, -known:], told.since[:, -known:]
    each = frames + length * np.arange(len(low))[:, None]
    channel, asked = np.nonzero(_sounding(found, grid, each[:, known:].ravel()).reshape(len(low), -1))
    asked += known
    within = np.arange(_ORDER + fitted + gap + ahead)[:, None]
    for i in range(0, len(asked), _BATCH):
        some = channel[i : i + _BATCH], asked[i : i + _BATCH]
        evidence[some], since[some] = _surprise(wave[some[0], start[some[1]] + within], fitted, ahead)
    padded = np.zeros((len(low), len(frames) + 4))
    padded[:, 2:-2] = evidence
    around = np.max([padded[:, k : k + len(frames)] for k in range(5)], axis=0)
    top = np.nonzero((evidence > _ASK) & (evidence == around))
    strokes = Strokes(each[top] + since[top] * step * grid.step // grid.hop, _WEIGHT * evidence[top])
    return strokes, Told(first + int(frames[-1]) + 1 if len(frames) else 0, evidence, since)


def _step(grid: FrameGrid) -> int:
    """Return by how many times the low band is decimated once more: cells of the background begin with a sample."""
    most = max(grid.rate // grid.step // _RATE, 1)
    return next(n for n in range(most, 0, -1) if grid.cell * grid.hop // grid.step % n == 0)


def _sounding(found: Novelty, grid: FrameGrid, frames: Ints) -> NDArray[np.bool_]:
    """Return after which frames something low sounds, where nothing begins plainly."""
    upto = np.concatenate(([0], np.cumsum(found.fine > _PLAIN)))
    begin = np.maximum(frames - grid.frames(_YOUNG_S), 0)
    end = np.minimum(frames + grid.frames(_TOLD_S), len(found.fine))
    asked = upto[end] == upto[begin]
    frames = frames[asked]
    last = len(found.energy) - 1
    heard = sum(found.energy[np.minimum(frames + grid.frames(s), last), :_BANDS] for s in _AFTER_S)
    floor = found.floor_at(frames)[:, :_BANDS]
    asked[asked] = (heard > np.float32(_SOUNDS * len(_AFTER_S)) * floor).any(axis=1)
    return asked


def _surprise(wave: Doubles, fitted: int, told: int) -> tuple[Doubles, Ints]:
    """Return, per column, how surely what is told is not foreseen by what is fitted, and from which sample on.

    The log-likelihood ratio of two variances, both of them estimates, against one.
    """
    count = wave.shape[1]
    if count == 1:  # sums over one column alone would be taken in another order
        wave = np.repeat(wave, 2, axis=1)
    ahead, error = fitted_side_by_side(wave, fitted, _ORDER)
    free = fitted - _ORDER
    heard = wave[_ORDER : _ORDER + fitted]
    power = np.einsum("ij,ij->j", heard, heard) / fitted + 1e-18
    quiet = np.maximum(error, 0.0) / free + _LEAST * power
    new = (wave[-told:] - np.einsum("kj,kij->ij", ahead, beside(wave[-told - _ORDER :], _ORDER, told))) ** 2
    ratio = np.add.reduce(new, axis=0) / told / quiet
    both = told + free
    surprise = 0.5 * (both * np.log((told * ratio + free) / both) - told * np.log(np.maximum(ratio, 1e-9)))
    surprise[power < _RINGS * quiet] *= _NOISE
    surprise[ratio < 1.0] = 0.0
    some, begins = np.flatnonzero(surprise > _ASK), np.zeros(wave.shape[1], np.int64)
    if len(some):
        left = np.arange(told, _FEW, -1)[:, None]
        since = np.maximum(np.cumsum(new[::-1, some], axis=0)[: _FEW - 1 : -1] / left / quiet[some], 1.0)
        begins[some] = (left * (since - 1.0 - np.log(since))).argmax(axis=0)
        surprise[some[_falls_short(wave[:, some], ahead[:, some], told, begins[some])]] = 0.0
    return surprise[:count], begins[:count]


def _falls_short(wave: Doubles, ahead: Doubles, told: int, begins: Ints) -> NDArray[np.bool_]:
    """Return which columns, from where something new may be, are softer than their ring, foreseen from before there."""
    ring = wave.copy()
    for n in range(len(wave) - told, len(wave)):
        ring[n] = np.einsum("ij,ij->j", ahead, ring[n - _ORDER : n])
    new = np.arange(told)[:, None] >= begins
    heard, foreseen = ((part[-told:] ** 2 * new).sum(axis=0) for part in (wave, ring))
    return np.asarray(heard < _FALLS * foreseen)


def with_strokes(peaks: Ints, strokes: Strokes, grid: FrameGrid) -> tuple[Ints, Strokes]:
    """Return peaks with strokes that none is beside, in order, and what strokes tell of each (evidence 0: nothing)."""
    apart = grid.frames(_BESIDE_S)
    ends = np.concatenate(([-_NEVER], peaks, [_NEVER]))
    after = np.searchsorted(ends, strokes.frame)
    before, after = ends[after - 1], ends[after]
    near = np.where(strokes.frame - before < after - strokes.frame, before, after)
    near = np.where(np.abs(near - strokes.frame) > apart, strokes.frame, near)
    every = distinct(np.concatenate((peaks, near)))
    told = Strokes(every.copy(), np.zeros(len(every)))
    which = np.searchsorted(every, near)
    for one, frame, evidence in zip(which.tolist(), strokes.frame, strokes.evidence, strict=True):
        if evidence > told.evidence[one]:
            told.frame[one], told.evidence[one] = frame, evidence
    return every, told
