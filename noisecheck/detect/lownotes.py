"""Strokes on low notes while others still ring: the ring is predicted, and what is new shows.

Low notes lie closer together than frames of 21 ms can tell, and die away more slowly than what the past explains. But a
predictor fitted closely to 40 ms of their ring foresees it, beats and all, and not what is struck next.
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
_EVERY: Final = 8
"""... before and after every so many frames..."""
_ORDER: Final = 12
_FITTED_S: Final = 0.040
_GAP_S: Final = 0.002
_TOLD_S: Final = 0.016
"""... by what a predictor fitted to the one does not foresee in the other."""
_LEAST: Final = 1e-4
"""No ring is foreseen by more than 40 dB."""
_FALLS: Final = 0.9
"""What is struck adds to a ring: what falls short of it is switched off (a hum, over 50 ms)."""
_RINGS: Final = 10.0
"""A ring is what a predictor leaves 10 dB less of, and louder by as much than the background in some low band..."""
_BANDS: Final = 4
_BEFORE_S: Final = 0.012
"""... so long before."""
_PLAIN: Final = 25.0
"""Evidence in the bands of what needs no closer look, and whose ring is not foreseen from its beginning."""
_ASK: Final = 20.0
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
    channel, asked = np.nonzero(_ringing(found, grid, each[:, known:].ravel()).reshape(len(low), -1))
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


def _ringing(found: Novelty, grid: FrameGrid, frames: Ints) -> NDArray[np.bool_]:
    """Return at which frames something low has been ringing, and nothing begins plainly."""
    before = np.maximum(frames - grid.frames(_BEFORE_S), 0)
    rings = np.zeros(len(frames), np.bool_)
    for low, floor in zip(found.energy[before, :_BANDS].T, found.floor_at(before)[:, :_BANDS].T, strict=True):
        rings |= low > _RINGS * floor
    upto = np.concatenate(([0], np.cumsum(found.fine > _PLAIN)))
    begin = np.maximum(frames - grid.frames(_FITTED_S + _GAP_S), 0)
    end = np.minimum(frames + grid.frames(_TOLD_S), len(found.fine))
    return np.asarray(rings & (upto[end] == upto[begin]))


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
    surprise[(ratio < 1.0) | (power < _RINGS * quiet)] = 0.0
    some, begins = np.flatnonzero(surprise > _ASK), np.zeros(wave.shape[1], np.int64)
    if len(some):
        surprise[some[_falls_short(wave[:, some], ahead[:, some], told)]] = 0.0
        left = np.arange(told, _FEW, -1)[:, None]
        since = np.maximum(np.cumsum(new[::-1, some], axis=0)[: _FEW - 1 : -1] / left / quiet[some], 1.0)
        begins[some] = (left * (since - 1.0 - np.log(since))).argmax(axis=0)
    return surprise[:count], begins[:count]


def _falls_short(wave: Doubles, ahead: Doubles, told: int) -> NDArray[np.bool_]:
    """Return which columns are softer where they are told than their ring, foreseen from before there on, would be."""
    ring = wave.copy()
    for n in range(len(wave) - told, len(wave)):
        ring[n] = np.einsum("ij,ij->j", ahead, ring[n - _ORDER : n])
    heard, foreseen = ((part[-told:] ** 2).sum(axis=0) for part in (wave, ring))
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
