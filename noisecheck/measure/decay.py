"""Decay by backward integration (Schroeder) with compensation for noise and truncation, ISO 3382-1:2009 clause 5.3."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import Flag
from noisecheck.core.windows import windows
from noisecheck.measure.windows import gathered

__all__ = ["decay_time", "decay_times", "late_rates", "shortest_decay_s"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_START_DB: Final = -5.0
_FITS: Final = ((20.0, 35.0, Flag.DECAY_T20), (10.0, 25.0, Flag.DECAY_T10))
"""Fall fitted (dB), peak to noise needed (dB; 10 dB below the fit's end, ISO 3382-1), flag."""
_LEAST_POINTS: Final = 4
_CURVED_DB: Final = 1.5
_LN60: Final = 6.0 * np.log(10.0)
_LATEST: Final = 25  # cells at the end of a window whose fall says what a cut window loses


def shortest_decay_s(bandwidth_hz: float, *, reversed_filter: bool) -> float:
    """Return the shortest reverberation-like time a filter of this bandwidth can show.

    ``B T > 16`` for a filter run forward (ISO 3382-1:2009 clause 7.3), ``B T > 4`` run backward in time
    (ISO 3382-2:2008 clause 7.3).
    """
    return (4.0 if reversed_filter else 16.0) / bandwidth_hz


def decay_time(power: Floats, step_s: float, *, noise: float, shortest_s: float) -> tuple[float, Flag]:
    """Return (time to fall by 60 dB in s, flag that says from which fit) of one event, see :func:`decay_times`.

    Args:
        power: mean square in steps, shape (steps,), from the impact to where its window ends.
        step_s: length of a step in s.
        noise: mean square of the background (0 where there is none).
        shortest_s: see :func:`shortest_decay_s`; nothing at or below it is reported.
    """
    if not len(power):
        return math.nan, Flag.NO_DECAY
    length = np.array([len(power)])
    seconds, flags = decay_times(power[None, :], length, step_s, noise=np.array([noise]), shortest_s=shortest_s)
    return float(seconds[0]), Flag(int(flags[0]))


def decay_times(
    power: Floats, length: Ints, step_s: float, *, noise: Floats, shortest_s: float
) -> tuple[Floats, NDArray[np.uint32]]:
    """Return (times to fall by 60 dB in s, flags that say from which fit), (n,) each; NaN, ``NO_DECAY`` when refused.

    Args:
        power: mean squares in steps, a row an event from the impact to where its window ends, (n, steps).
        length: steps that each row holds, (n,), at least one; what stands behind them is not looked at.
        step_s: length of a step in s.
        noise: mean square of each event's background (0 where there is none), (n,).
        shortest_s: see :func:`shortest_decay_s`; nothing at or below it is reported.

    The backward integral of power minus noise is completed, where the window cuts it, by the energy an
    exponential of the late slope would still bring. A fit needs the dynamic range of ISO 3382-1 (peak 35 dB
    above the noise for T20, 25 dB for T10), at least four steps, a completion that does not decide it, and a curve
    within 1.5 dB of its line.
    """
    n, width = power.shape
    row, at = np.arange(n), np.arange(width)
    top = np.where(at < length[:, None], power, -np.inf).argmax(axis=1)
    count = length - top
    net = windows(np.concatenate((power, np.zeros_like(power)), axis=1), width)[row, top] - noise[:, None]
    inside = at < count[:, None]
    net[~inside] = 0.0
    peak = net[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        to_noise = np.where((peak > 0) & (noise > 0), 10.0 * np.log10(peak / noise), np.inf)
        fit = (count > _LEAST_POINTS) & (peak > 0) & (to_noise >= _FITS[-1][1])
        tail, known = _completion(net, count, peak, noise, step_s)
        integral = np.cumsum(net[:, ::-1], axis=1)[:, ::-1] + tail[:, None]
        total = integral[:, 0]
        fit &= known & (total > 0)
        level = np.maximum(integral / total[:, None], 1e-30)
    np.log10(level, out=level, where=inside)
    level *= 10.0
    level[~inside] = np.inf
    lowest = level[row, count - 1]
    seconds, flags = np.full(n, np.nan), np.full(n, Flag.NO_DECAY, np.uint32)
    first = np.where(lowest <= _START_DB, (level <= _START_DB).argmax(axis=1), count)
    for fall, needed, flag in _FITS:
        stop_db = _START_DB - fall
        rows = np.flatnonzero(
            fit
            & (flags == Flag.NO_DECAY)
            & (to_noise >= needed)
            & (lowest <= stop_db)
            & (tail <= 0.5 * total * 10.0 ** (stop_db / 10.0))
        )
        last = (level[rows] <= stop_db).argmax(axis=1) + 1
        enough = last - first[rows] >= _LEAST_POINTS
        rows, last = rows[enough], last[enough]
        slope, misfit = _lines(level[rows], first[rows], last)
        with np.errstate(divide="ignore"):
            told = np.where(slope < 0, -60.0 / slope * step_s, np.inf)
        good = np.isfinite(told) & (told > shortest_s) & (misfit <= _CURVED_DB)
        seconds[rows[good]], flags[rows[good]] = told[good], flag
    return seconds, flags


def _completion(
    net: Floats, count: Ints, peak: Floats, noise: Floats, step_s: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return (energy in steps that the end of each window still misses, whether that can be told)."""
    row = np.arange(len(net))
    span = np.minimum(np.maximum(count // 5, 2), round(0.02 / step_s) + 1)
    summed = np.concatenate([np.zeros((len(net), 1)), np.cumsum(net, axis=1)], axis=1)
    middle, oldest = np.maximum(count - span, 0), np.maximum(count - 2 * span, 0)
    late = (summed[row, count] - summed[row, middle]) / span
    before = np.where(count >= 2 * span, (summed[row, middle] - summed[row, oldest]) / span, 0.0)
    completed = (late > 0.25 * noise) & (late > 0)
    whole = np.log(np.maximum(peak / late, 1.0)) / np.maximum(count - 0.5 * span, 1.0)
    local = np.where(before > late, np.log(before / late) / span, 0.0)
    known = ~completed | ((whole > 0) & ((local > 0) | (late <= 2.0 * noise)))
    # near the noise the local slope is chance
    tail = late / np.where(late < 2.0 * noise, whole, 0.5 * (whole + local))
    return np.where(completed & known, tail, 0.0), known


def _lines(level: Floats, first: Ints, last: Ints) -> tuple[Floats, Floats]:
    """Return (slope a step, RMS distance) of the straight line through ``level[first : last]`` of each row."""
    at = np.arange(level.shape[1])
    inside = (at >= first[:, None]) & (at < last[:, None])
    count = (last - first).astype(np.float64)
    t = np.where(inside, at - 0.5 * (first + last - 1)[:, None], 0.0)
    y = np.where(inside, level, 0.0)
    y = np.where(inside, y - (y.sum(axis=1) / count)[:, None], 0.0)
    slope = (t * y).sum(axis=1) / (t * t).sum(axis=1)
    rest = y - slope[:, None] * t
    return slope, np.sqrt((rest * rest).sum(axis=1) / count)


def late_rates(log_net: Floats, start: Ints, stop: Ints, step_s: float) -> Floats:
    """Return how fast the end of each stretch falls, in 1/s of power (13.8 / T60), or NaN where it does not, (n,).

    Args:
        log_net: natural logarithm of the net power in cells, shape (cells,).
        start, stop: cells of each stretch, from its peak on, (n,); of it the second half, at most 25 cells, is fitted.
        step_s: length of a cell in s.
    """
    count = np.maximum(stop - start, 0)
    skip = np.maximum(np.maximum(count // 2 - 1, count - _LATEST), 0)
    length = count - skip
    width = _LATEST + 1
    y = gathered(log_net, start + skip, length, width, blank=0.0)
    t = np.where(np.arange(width) < length[:, None], np.arange(width) - 0.5 * (length - 1)[:, None], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = -(t * y).sum(axis=1) / (t * t).sum(axis=1) / step_s
    return np.where((length >= 3) & (rate > _LN60 / 20.0), rate, np.nan)
