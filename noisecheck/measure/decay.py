"""Decay by backward integration (Schroeder) with compensation for noise and truncation, ISO 3382-1:2009 clause 5.3."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import Flag

__all__ = ["decay_time", "late_rate", "shortest_decay_s"]

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


def decay_time(power: NDArray[np.float64], step_s: float, *, noise: float, shortest_s: float) -> tuple[float, Flag]:
    """Return (time to fall by 60 dB in s, flag that says from which fit); NaN with ``NO_DECAY`` when refused.

    Args:
        power: mean square in steps, shape (steps,), from the impact to where its window ends.
        step_s: length of a step in s.
        noise: mean square of the background (0 where there is none).
        shortest_s: see :func:`shortest_decay_s`; nothing at or below it is reported.

    The backward integral of power minus noise is completed, where the window cuts it, by the energy an
    exponential of the late slope would still bring. A fit needs the dynamic range of ISO 3382-1 (peak 35 dB
    above the noise for T20, 25 dB for T10), at least four steps, a completion that does not decide it, and a curve
    within 1.5 dB of its line.
    """
    refused = (math.nan, Flag.NO_DECAY)
    if len(power) < _LEAST_POINTS + 1:
        return refused
    top = int(power.argmax())
    net = power[top:] - noise
    peak = float(net[0])
    to_noise = 10.0 * math.log10(peak / noise) if peak > 0 and noise > 0 else math.inf
    if len(net) < _LEAST_POINTS + 1 or not peak > 0 or to_noise < _FITS[-1][1]:
        return refused
    span = min(max(len(net) // 5, 2), round(0.02 / step_s) + 1)
    tail = 0.0
    late = float(net[-span:].sum()) / span
    before = float(net[-2 * span : -span].sum()) / span if len(net) >= 2 * span else 0.0
    if late > 0.25 * noise and late > 0:
        whole = math.log(max(peak / late, 1.0)) / max(len(net) - 0.5 * span, 1.0)
        local = math.log(before / late) / span if before > late else 0.0
        if whole <= 0 or (local <= 0 and late > 2.0 * noise):
            return refused
        # near the noise the local slope is chance
        tail = late / (whole if late < 2.0 * noise else 0.5 * (whole + local))
    integral = np.cumsum(net[::-1])[::-1] + tail
    total = float(integral[0])
    if not total > 0:
        return refused
    level = 10.0 * np.log10(np.maximum(integral / total, 1e-30))
    first = int((level <= _START_DB).argmax()) if level[-1] <= _START_DB else len(level)
    for fall, needed, flag in _FITS:
        stop_db = _START_DB - fall
        if to_noise < needed or level[-1] > stop_db or tail > 0.5 * total * 10.0 ** (stop_db / 10.0):
            continue
        last = int((level <= stop_db).argmax()) + 1
        if last - first < _LEAST_POINTS:
            continue
        count = last - first
        t, y = np.arange(count) - 0.5 * (count - 1), level[first:last]
        slope = float(t @ y) / float(t @ t)
        rest = y - float(y.sum()) / count - slope * t
        misfit = math.sqrt(float(rest @ rest) / count)
        seconds = -60.0 / slope * step_s if slope < 0 else math.inf
        if math.isfinite(seconds) and seconds > shortest_s and misfit <= _CURVED_DB:
            return float(seconds), flag
    return refused


def late_rate(log_net: NDArray[np.float64], step_s: float) -> float:
    """Return how fast the end of a window falls, in 1/s of power (13.8 / T60), or NaN where it does not.

    ``log_net`` is the natural logarithm of the net power in cells, shape (cells,), from the peak on; the
    second half, at most the last 25 cells, is fitted.
    """
    count = len(log_net)
    y = log_net[max(count // 2 - 1, count - _LATEST, 0) :]
    if len(y) < 3:
        return math.nan
    t = np.arange(len(y)) - 0.5 * (len(y) - 1)
    rate = -float(t @ y) / float(t @ t) / step_s
    return rate if rate > _LN60 / 20.0 else math.nan
