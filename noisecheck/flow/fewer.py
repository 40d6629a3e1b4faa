"""Habits of places where balls rebound once or twice only, or so faintly that no train shows them."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import median, robust_sd
from noisecheck.flow.rebounds import FALL_DB

__all__ = ["E_LOW", "LEAST_REBOUNDS", "faint_rebounds", "few_rebounds"]

E_LOW: Final = 0.15
LEAST_REBOUNDS: Final = 8
_LEAST_THREES: Final = 4, 0.5
"""Of three impacts each, and the share of all impacts that they must be: none of 24,000 runs of chance has them."""
_BY_CHANCE: Final = 1e-3
_SOON_S: Final = 0.5
"""A first rebound at restitution 0.7 after a fall from 0.6 m."""


def few_rebounds(
    t: NDArray[np.float64], level: NDArray[np.float64], longest_s: float
) -> tuple[float, float, float, float]:
    """Return the habits of one place where balls rebound once or twice only.

    That is (restitution, its scatter, first interval or NaN, level of first contacts), of impacts in order of time.

    Without longer trains only the level tells a rebound: each impact softer than the one before it by 1.5 dB.
    """
    gap, fall = np.diff(t), level[:-1] - level[1:]
    soft = (gap > 0.0) & (gap < longest_s) & (fall > 1.5)
    first = soft & ~np.r_[False, soft[:-1]]
    second = np.flatnonzero(soft & ~first)
    e, spread, usual = 0.6, 0.35, math.nan
    loud = median(level[np.isfinite(level)])
    if first.sum() >= 0.1 * t.size and (first.sum() >= 5 or _alike(gap[first])):
        middle = median(gap[first])
        # Softer by chance is no habit: then the other intervals are as long, and as many of that length as softer.
        near = np.abs(np.log(np.maximum(gap, 1e-6) / middle)) < 0.15
        others = near & ~soft
        few = others.sum() < min(0.25 * max((~soft).sum(), 1), 0.5 * (near & soft).sum())
        if median(np.abs(gap[first] - middle)) < 0.12 * middle and few:
            usual, loud = middle, median(level[:-1][first])
            e = min(max(10.0 ** (-median(fall[first]) / FALL_DB), E_LOW), 0.98)
    if usual != usual:
        return _in_threes(t, level, longest_s) or (e, spread, usual, loud)
    if len(second) >= max(5, 0.1 * t.size):
        ratio = np.log(gap[second] / gap[second - 1])
        middle = median(ratio)
        off = robust_sd(ratio, middle)
        if off < 0.2 and math.log(E_LOW) < middle < 0.0:
            e, spread = math.exp(middle), max(off, 0.02)
    return e, spread, usual, loud


def _in_threes(
    t: NDArray[np.float64], level: NDArray[np.float64], longest_s: float
) -> tuple[float, float, float, float] | None:
    """Return the habits, as :func:`few_rebounds`, of one place where most impacts come in threes at two intervals.

    A first rebound that is hit less squarely may be as loud as the fall before it; how they come tells them, too.
    """
    gap = np.append(np.diff(t), np.inf)
    one, two = gap[:-2], gap[1:-1]
    alone = (np.r_[np.inf, gap[:-3]] > 2.0 * one) & (gap[2:] > 2.0 * one)
    shrinking = (two < one) & (one < min(longest_s, _SOON_S))
    rows = np.flatnonzero(alone & shrinking & (level[:-2] - level[2:] > 1.5))
    if len(rows) < _LEAST_THREES[0] or 3 * len(rows) < _LEAST_THREES[1] * t.size:
        return None
    first, ratio = gap[rows], np.log(gap[rows + 1] / gap[rows])
    usual, middle = median(first), median(ratio)
    off = robust_sd(ratio, middle)
    if median(np.abs(first - usual)) > 0.12 * usual or off > 0.2 or middle < math.log(E_LOW):
        return None
    return math.exp(middle), max(off, 0.02), usual, median(level[rows])


def _alike(gap: NDArray[np.float64]) -> bool:
    """Return whether a few intervals are first rebounds by how they agree: 3 within 4 %, or 4 within 13 %.

    Of intervals that come at any time at most 0.74 d lie within d (log) of one of them, at whatever rate. Long ones may
    be the way from one place to the next.
    """
    off = np.abs(np.log(gap / median(gap))) if len(gap) else np.empty(0)
    few = len(gap) >= 3 and median(gap) < _SOON_S
    return few and (0.74 * float(off.max())) ** (len(gap) - 1) < _BY_CHANCE


def faint_rebounds(
    t: NDArray[np.float64], level: NDArray[np.float64], faint: NDArray[np.bool_], longest_s: float
) -> tuple[float, float, float, float] | None:
    """Return the habits, as :func:`few_rebounds`, of one place where first rebounds are as faint as the background.

    Most faint impacts right after clear ones come at one interval then. What a lift ticks comes at any, or goes on as
    evenly; None for that.
    """
    head = np.flatnonzero(~faint[:-1] & faint[1:])
    gap, fall = t[head + 1] - t[head], level[head] - level[head + 1]
    good = (gap > 0.005) & (gap < longest_s) & (fall > 1.5)
    head, gap, fall = head[good], gap[good], fall[good]
    if len(gap) < max(LEAST_REBOUNDS, 0.1 * int((~faint).sum())):
        return None
    edges = np.arange(math.log(0.005), math.log(longest_s) + 0.1, 0.03)
    count = np.convolve(np.histogram(np.log(gap), edges)[0], np.ones(5), "same")
    near = np.abs(np.log(gap) - 0.5 * (edges[np.argmax(count)] + edges[np.argmax(count) + 1])) < 0.15
    usual = median(gap[near])
    then = head[near] + 2
    then = then[then < t.size]
    on = (t[then] - t[then - 1] > 0.9 * usual) & (t[then] - t[then - 1] < 2.0 * usual) & faint[then]
    if near.sum() < 0.5 * len(gap) or on.sum() > 0.2 * near.sum():
        return None
    e = min(max(10.0 ** (-median(fall[near]) / FALL_DB), E_LOW), 0.98)
    return e, 0.35, usual, median(level[head[near]])
