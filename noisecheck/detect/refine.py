"""The onset to the sample, and how surely the sound there is new, by linear prediction.

What still rings (decaying tones, hum) is predictable from the recent past; a new impact is not. Each
candidate's past is fitted with a linear predictor (autocorrelation method, Levinson recursion); the
predictor's error is the noise-whitened signal, so the background's colour does not matter. Its short-time
energies are compared with onset shapes (boxes of several lengths for clicks and rings, ramps for thuds) by
the likelihood ratio of a variance that rises by that shape; the best shape gives evidence and onset.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.core.windows import in_blocks, means, stretches
from noisecheck.detect.prediction import prediction_errors

__all__ = ["AHEAD_S", "BACK_S", "CONTEXT_S", "SEARCH_S", "Refined", "refine_onsets", "spans", "weigh_error"]

CONTEXT_S = 0.06
"""Seconds of samples needed before and after a candidate."""

_BEFORE_S = 0.020
_AFTER_S = 0.034
SEARCH_S = (0.010, 0.010)
_BLOCK_S = 0.00025
_BOX_S = (0.0005, 0.0015, 0.005, 0.012)
_RAMP_S = (0.003, 0.006, 0.010)
_LEAD_S = 0.012
AHEAD_S = _AFTER_S + 0.001
"""Seconds of samples after a candidate that can change what is found."""
BACK_S = SEARCH_S[0] + _LEAD_S + 0.002
"""Seconds by which an onset may come before its candidate."""
_TAIL_S = 0.004
_GROWTH_DB_S = (150.0, 300.0, 600.0, 1000.0)
_WHOLE_BLOCK_S = 0.001
_WHOLE_S = (0.016, 0.020)
_WHOLE_BOX_S = (0.0015, 0.006)
_WHOLE_RAMP_S = (0.004, 0.008, 0.014)
_STRENGTHS = (2.0, 6.0, 20.0, 60.0, 200.0, 700.0)
_TOP = 1000.0  # energies are cut at 30 dB above the quiet: beyond it only the start matters
_RAMP_COST = 12.0
_DEFLATE = 0.25  # neighbouring samples of a thud's error are not independent
_CAUTION = 2.0  # standard errors by which the quiet is taken higher than measured
_EARLIER_S = 0.002
_LATER_S = 0.00175
_RISE = 3.0
_BESIDE_PEAK = 1e-3  # an arrival is what comes within 30 dB of the peak
_MOST_COMPLETED = 10.0
_LOUDER_S = (0.00075, 0.012)
"""A second, louder sound may begin so long after the first."""
_LOUDER_HOLD_S = 0.001
_LOUDER_RECENT_S = 0.003
_LOUDER_SHARE = 0.33
_LOUDER = 3.0  # times the loudest quarter of a millisecond just before it, and as loud as any since the onset
_FELL = 3.0
_STEP_S = (0.001, 0.005, 0.014)
"""A blow is heard most at once: of what grows from nothing for 15 ms or more, the first span has..."""
_STEP = (0.32, 0.1, 6.3)
"""... 5 dB less than the second and 10 dB less than the third, nearly always; it must stand out, or chance tells."""
_FLOOR = 1e-16  # mean square of -160 dB re full scale: keeps digital silence finite


def _weights(variance: NDArray[np.float64], block: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return weights and constants of the log-likelihood ratio of variances (shapes, blocks) against 1.

    For known variances ``v`` of Gaussian samples it is ``sum 0.5 * (1 - 1/v) * e^2 - 0.5 * ln v``.
    """
    weights = 0.5 * block * (1.0 - 1.0 / variance)
    return weights.T.astype(np.float32).copy(), (0.5 * block * np.log(variance).sum(axis=1)).astype(np.float32)


@lru_cache(maxsize=16)
def _boxes(block: int, rate: int) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return lengths of boxes in blocks, weights of their strengths, and constants (lengths, strengths)."""
    at = (np.arange(round(max(_BOX_S) * rate / block)) + 0.5) * block / rate
    lengths, variance = np.searchsorted(at, _BOX_S), 1.0 + np.array(_STRENGTHS)
    return lengths, 0.5 * block * (1.0 - 1.0 / variance), 0.5 * block * np.outer(lengths, np.log(variance))


@record
class Refined(Rows):
    """What the prediction error tells of each candidate, equally long arrays."""

    onset: NDArray[np.int64]
    """First arrival, sample."""
    evidence: NDArray[np.float64]
    """Log-likelihood ratio that something new begins."""
    abrupt: NDArray[np.float64]
    """The same against smooth growth: of the first milliseconds with growth, and (at most ``_MOST_COMPLETED``) of a
    sound that is done rising within milliseconds with growth that goes on."""
    rise_s: NDArray[np.float64]
    """Seconds for which it rises, 0 for a sound that steps in; the onset of one that rises lies midway between where
    its shape comes within 30 dB of its peak and where it is first heard."""
    louder: NDArray[np.int64]
    """Samples after the onset at which a louder sound sets in, 0 where none does within 12 ms."""
    louder_db: NDArray[np.float64]
    """By how many dB its first millisecond exceeds the loudest half millisecond before it."""
    steps_in: NDArray[np.bool_]
    """Whether what is new is, for 14 ms, hardly stronger than in its first millisecond."""

    @staticmethod
    def nothing(count: int) -> Refined:
        """Return so many rows that tell nothing."""
        kinds = {"onset": np.int64, "louder": np.int64, "steps_in": np.bool_}
        return Refined(*(np.zeros(count, kinds.get(f.name, np.float64)) for f in fields(Refined)))

    def spread(self, step: int) -> Refined:
        """Return the same in samples of which every ``step``-th was looked at."""
        return replace(self, onset=self.onset * step, louder=self.louder * step)


@record
class _Starts:
    """Onset shapes before a fixed end: abrupt ones, and for comparison smooth growth that is no impact."""

    weights: NDArray[np.float32]
    constants: NDArray[np.float32]
    start: NDArray[np.int64]
    """Block where each abrupt shape begins."""
    rise_s: NDArray[np.float64]
    """Seconds for which each abrupt shape rises; 0 for a step."""
    abrupt: int
    """The first so many shapes are abrupt, the rest smooth."""


@lru_cache(maxsize=16)
def _starts(block: int, rate: int) -> _Starts:
    count = _lead(rate, block) + round(_TAIL_S * rate / block)
    at = (np.arange(count) + 0.5) * block / rate
    strengths, lowest = np.array(_STRENGTHS), np.array((0.0, 0.3, 1.0))
    first = np.arange(2, _lead(rate, block) + 4)
    since = at - at[first, None] + 0.5 * block / rate
    profiles = [np.where(since < 0, 0.0, np.minimum(since / s, 1.0) ** 2 if s else 1.0) for s in (0.0, *_RAMP_S)]
    # Abrupt shapes by start, then rise, then strength.
    sudden = (1.0 + strengths[:, None] * np.stack(profiles, axis=1)[:, :, None]).reshape(-1, count)
    smooth = [
        1.0 + lowest[:, None] + strength * 10.0 ** (growth * (at - at[-1]) / 10.0)
        for growth in _GROWTH_DB_S
        for strength in _STRENGTHS
    ]
    weights, constants = _weights(np.concatenate((sudden, *smooth)), block)
    rise = np.tile(np.repeat((0.0, *_RAMP_S), len(strengths)), len(first))
    return _Starts(weights, constants, np.repeat(first, len(sudden) // len(first)), rise, len(sudden))


@lru_cache(maxsize=16)
def _wholes(block: int, rate: int) -> tuple[NDArray[np.float32], NDArray[np.float32], int]:
    """Return weights, constants and number of the shapes of a whole thud, followed by growth that goes on."""
    at = (np.arange(*(round(s / _WHOLE_BLOCK_S) for s in (-_WHOLE_S[0], _WHOLE_S[1]))) + 0.5) * block / rate
    strengths, lowest = np.array(_STRENGTHS)[:, None], np.array((0.0, 0.3, 1.0))[:, None]
    profiles: list[NDArray[np.float64]] = []
    for first in np.arange(-0.014, 0.0041, 0.001):
        profiles += [np.clip((at - first) / seconds, 0.0, 1.0) ** 2 for seconds in _WHOLE_RAMP_S]
        profiles += [((at > first) & (at < first + seconds)).astype(np.float64) for seconds in _WHOLE_BOX_S]
    wholes = (1.0 + strengths * np.array(profiles)[:, None]).reshape(-1, len(at))
    growing = [
        1.0 + np.minimum(lowest + strength * 10.0 ** (growth * (at - at[-1]) / 10.0), _TOP)
        for growth in _GROWTH_DB_S
        for strength in _STRENGTHS
    ]
    return *_weights(np.concatenate((wholes, *growing)), block), len(wholes)


def _completed(ratio: NDArray[np.float32], rate: int, block: int, box: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the evidence, per row, that a sound was done rising within milliseconds, against longer growth."""
    merge = round(_WHOLE_BLOCK_S * rate / block)
    weights, constants, whole = _wholes(block * merge, rate)
    lead = round(_WHOLE_S[0] / _WHOLE_BLOCK_S) * merge
    power = in_blocks(stretches(ratio, box - lead, len(weights) * merge), merge, np.add) / np.float32(merge)
    score = power @ weights
    score -= constants
    return np.asarray(_DEFLATE * (score[:, :whole].max(axis=1) - score[:, whole:].max(axis=1)), np.float64)


def _lead(rate: int, block: int) -> int:
    return round(_LEAD_S * rate / block)


def _mean_squares(error: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """Return the mean square of each block of samples, (rows, n / block)."""
    blocks = error.reshape(len(error), -1, block)
    return np.asarray(np.einsum("ijk,ijk->ij", blocks, blocks) / np.float32(block))


def _quiet_power(power: NDArray[np.float32], first: int, block: int) -> NDArray[np.float32]:
    """Return the mean square of the error before the search begins, (rows,), at the upper end of its own error.

    Where it fell by more than chance allows (an impact just before), only the later part is the quiet.
    """
    half = first // 2
    early, late = means(power[:, :half]), means(power[:, half:first])
    fell = late * np.float32(_FELL) < early
    mean = np.where(fell, late, means(power[:, :first]))
    count = np.where(fell, first - half, first) * block
    return np.asarray(mean * (1.0 + _CAUTION * np.sqrt(2.0 / count)) + _FLOOR, np.float32)


def _leave_to_louder(ratio: NDArray[np.float32], middle: int, end: NDArray[np.int64]) -> None:
    """Take out of each row from block ``end`` on what exceeds the mean from ``middle`` to there: a louder sound's."""
    rows = np.flatnonzero(end < ratio.shape[1])
    block = np.arange(ratio.shape[1])
    own = (block >= middle) & (block < np.maximum(end[rows, None], middle + 1))
    mean = np.einsum("ij,ij->i", ratio[rows], own.astype(np.float32)) / own.sum(axis=1)
    ratio[rows] = np.where(block < end[rows, None], ratio[rows], np.minimum(ratio[rows], mean[:, None]))


def _best_box(
    ratio: NDArray[np.float32], rate: int, block: int, first: int, last: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the block where the best box begins and its evidence, per row of energies over quiet."""
    lengths, weights, constants = _boxes(block, rate)
    stop, end = min(last, ratio.shape[1] - int(lengths.max())), last + int(lengths.max())
    total = np.zeros((len(ratio), min(ratio.shape[1], end) + 1))
    np.cumsum(ratio[:, :end], axis=1, out=total[:, 1:])
    held = np.empty((len(ratio), len(lengths), stop - first))
    for k, n in enumerate(lengths.tolist()):
        np.subtract(total[:, first + n : stop + n], total[:, first:stop], out=held[:, k])
    # Whatever its strength, a box of some length tells most where it holds most.
    at, row = held.argmax(axis=2), np.arange(len(ratio))
    most = held[row[:, None], np.arange(len(lengths)), at][:, :, None]
    score = (most * weights - constants).max(axis=2)
    best = score.argmax(axis=1)
    return first + at[row, best], _DEFLATE * score[row, best]


def _best_start(
    ratio: NDArray[np.float32], rate: int, block: int, box: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Look back from the best box: block where the sound begins, seconds it rises, evidence against smooth growth."""
    shapes = _starts(block, rate)
    lead = _lead(rate, block)
    score = stretches(ratio, box - lead, len(shapes.weights)) @ shapes.weights
    score -= shapes.constants
    abrupt, smooth = score[:, : shapes.abrupt], score[:, shapes.abrupt :]
    best = abrupt.argmax(axis=1)
    # Ramps come nearer to smooth growth than steps do: they must explain more to speak against it.
    abrupt -= np.float32(_RAMP_COST) * (shapes.rise_s > 0)
    sudden = abrupt.max(axis=1) - smooth.max(axis=1)
    return box - lead + shapes.start[best], shapes.rise_s[best], _DEFLATE * sudden.astype(np.float64)


def _first_arrival(
    error: NDArray[np.float32], start: NDArray[np.int64], quiet: NDArray[np.float32], rate: int
) -> NDArray[np.int64]:
    """Return the sample near ``start`` where the error's power rises for good, above the quiet and -30 dB of the peak.

    It is the change point of a variance that rises ``_RISE``-fold (the lowest point of the running sum of
    log-likelihood ratios; Page, Biometrika 41 (1954) 100).
    """
    before, after = int(_EARLIER_S * rate) + 1, int(_LATER_S * rate) + 2
    power = stretches(error, start - before, before + after) ** 2
    bias = math.log(_RISE) / (1.0 - 1.0 / _RISE)
    unit = np.maximum(quiet, np.float32(_BESIDE_PEAK / bias) * power.max(axis=1))
    total = np.cumsum(power / unit[:, None] - np.float32(bias), axis=1)
    low = np.where(total.min(axis=1) < 0, total.argmin(axis=1) + 1, 0)
    return start - before + np.minimum(low, before + after - 1)


def _louder(
    error: NDArray[np.float32], power: NDArray[np.float32], first: NDArray[np.int64], rate: int, block: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return when, in samples after ``first``, the error steps up once more (0: never), and by how many dB.

    Args:
        error: prediction error, (rows, n).
        power: its mean square in blocks, (rows, n / block).
        first: first arrival in each row.
        rate: frames a second.
        block: samples a block.
    """
    begin, end = (round(s * rate / block) for s in _LOUDER_S)
    hold, recent = (round(s * rate / block) for s in (_LOUDER_HOLD_S, _LOUDER_RECENT_S))
    part = stretches(power, first // block, end + hold)
    total = np.cumsum(part, axis=1)
    part = np.maximum(part, np.float32(_FLOOR))
    ever = np.maximum.accumulate(part, axis=1)[:, begin - 1 : end - 1]
    last, width = part, 1
    while width < recent:  # the loudest of so many blocks up to each
        shift = min(width, recent - width)
        last = np.concatenate((last[:, :shift], np.maximum(last[:, shift:], last[:, :-shift])), axis=1)
        width += shift
    before = np.maximum(last[:, begin - 1 : end - 1], np.float32(_LOUDER_SHARE) * ever)
    after = (total[:, begin + hold - 1 : end + hold - 1] - total[:, begin - 1 : end - 1]) / hold
    ratio = after / before
    best = ratio.argmax(axis=1)
    rows = np.arange(len(error))
    found = np.flatnonzero(ratio[rows, best] > _LOUDER)
    late, by_db = np.zeros(len(error), np.int64), np.zeros(len(error))
    if len(found):
        at = (first[found] // block + begin + best[found]) * block
        late[found] = _first_arrival(error[found], at, before[found, best[found]], rate) - first[found]
        late[found] = np.maximum(late[found], 1)
        by_db[found] = 10.0 * np.log10((after / ever)[found, best[found]])
    return late, by_db


def _steps_in(
    power: NDArray[np.float32], first: NDArray[np.int64], quiet: NDArray[np.float32], rate: int, block: int
) -> NDArray[np.bool_]:
    """Return in which rows the error's power in blocks steps in after ``first`` instead of growing."""
    one, two, end = (round(s * rate / block) for s in _STEP_S)
    part = stretches(power, first // block, end)
    begun, soon, later = means(part[:, :one]), means(part[:, one:two]), means(part[:, two:])
    least = np.maximum(np.float32(_STEP[0]) * soon, np.float32(_STEP[1]) * later)
    return np.asarray(begun > np.maximum(least, np.float32(_STEP[2]) * quiet))


def weigh_error(
    error: NDArray[np.float32],
    quiet: NDArray[np.float32] | None,
    rate: int,
    search_s: tuple[float, float] = SEARCH_S,
    own: NDArray[np.int64] | None = None,
) -> Refined:
    """Return what a prediction error tells of the sound in each row; onsets are samples from its middle.

    Args:
        error: (rows, n), around its middle as :func:`spans` gives it.
        quiet: mean square of the error before anything new, (rows,); None: as found before the search.
        rate: frames a second.
        search_s: seconds before and after the middle in which the sound is looked for.
        own: samples after the middle from which on another, louder sound is heard, (rows,); None: there is none.
    """
    block, before, _ = spans(rate)
    middle = before // block
    first, last = middle - round(search_s[0] * rate / block), middle + round(search_s[1] * rate / block)
    power = _mean_squares(error, block)
    if quiet is None:
        quiet = _quiet_power(power, first, block)
    ratio = np.minimum(power / quiet[:, None], np.float32(_TOP))
    if own is not None:
        _leave_to_louder(ratio, middle, middle + own // block)
    box, score = _best_box(ratio, rate, block, first, last)
    where, rise, sudden = _best_start(ratio, rate, block, box)
    sudden = sudden + np.minimum(_completed(ratio, rate, block, box), _MOST_COMPLETED)
    sharp = _first_arrival(error, where * block, quiet, rate)
    slow = where * block + np.round(math.sqrt(_BESIDE_PEAK) * rise * rate).astype(np.int64)
    # What rises is heard late, and its shape, fitted in steps, begins early.
    onset = np.where(rise > 0, (slow + sharp + 1) // 2, sharp)
    steps = _steps_in(power, onset, quiet, rate, block)
    return Refined(onset - before, score, sudden, rise, *_louder(error, power, onset, rate, block), steps)


def spans(rate: int) -> tuple[int, int, int]:
    """Return the samples of a block, and of an error before and after its middle."""
    block = max(1, round(_BLOCK_S * rate))
    return block, block * round(_BEFORE_S * rate / block), block * round(_AFTER_S * rate / block)


def refine_onsets(
    samples: NDArray[np.float32], rate: int, candidates: NDArray[np.int64], own: NDArray[np.int64] | None = None
) -> Refined:
    """Return what the prediction error tells of each candidate.

    Args:
        samples: one channel, (n,).
        rate: frames a second.
        candidates: (m,) positions in ``samples``, within about 8 ms of an onset.
        own: (m,) samples after each candidate at which another, louder sound may begin; None: at none.
    """
    _, before, after = spans(rate)
    parts = []
    done = 0
    for error in prediction_errors(samples, candidates, rate, before, after):
        now = slice(done, done + len(error))
        told = weigh_error(error, None, rate, own=None if own is None else own[now])
        parts.append(replace(told, onset=told.onset + candidates[now]))
        done = now.stop
    return Refined.concat(parts) if parts else Refined.nothing(0)
