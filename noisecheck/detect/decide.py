"""Which candidates are impacts, and at what odds, from the past alone.

A candidate is accepted when it is more likely an impact than chance: the density of real impacts at its
score, learnt from the clear impacts of the last minute, against the density of false ones, which falls
exponentially with the score (calibrated on steady noise, see DEVELOPERS.md). With nothing clear in the
last minute the dial alone decides: ``false_per_hour`` false impacts an hour in steady noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.candidates import Candidates

__all__ = ["MEMORY_S", "DetectSettings", "decide"]

_CLEAR = 40.0
"""Score beyond any chance."""
MEMORY_S = 60.0
"""Decisions look back so far."""
_SPREAD = 60.0
"""Clear impacts stand for a density of weaker ones spread evenly over so many units of score."""
_CHANCE_PER_HOUR = 120.0
_CHANCE_AT = 19.3
_CHANCE_TENFOLD = 4.3
_ABRUPT = 2.0
_ECHO_S = 0.150
_ECHO_DB = -10.0
_ECHO_FALL_DB_S = 330.0
_RESTLESS_S = 10.0


@dataclass(frozen=True, kw_only=True)
class DetectSettings:
    """How eager detection is."""

    false_per_hour: float = 0.1
    """False impacts an hour accepted in steady noise when nothing else sounds (the dial ``--sensitivity``)."""


def chance_density(score: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return false candidates per second and unit of score in steady noise, one channel."""
    per_second = _CHANCE_PER_HOUR / 3600.0 * 10.0 ** ((_CHANCE_AT - score) / _CHANCE_TENFOLD)
    return np.asarray(per_second * math.log(10.0) / _CHANCE_TENFOLD, np.float64)


def _echoes(found: Candidates, rate: int) -> NDArray[np.bool_]:
    """Return which candidates a room reflection or chatter of an earlier, louder one explains."""
    echo = np.zeros(len(found), bool)
    for back in range(1, 24):  # more than 24 candidates in 150 ms is noise anyway
        if back >= len(found):
            break
        lag = (found.onset[back:] - found.onset[:-back]) / rate
        allowed = found.new_db[:-back] + _ECHO_DB - _ECHO_FALL_DB_S * (lag - 0.005)
        echo[back:] |= (lag < _ECHO_S) & (found.new_db[back:] < allowed)
    return echo


def _windowed_count(times: NDArray[np.float64], marked: NDArray[np.bool_], seconds: float) -> NDArray[np.int64]:
    """Return for each time how many marked ones lie in the ``seconds`` before it."""
    total = np.concatenate(([0], np.cumsum(marked)))
    return total[np.arange(len(times))] - total[np.searchsorted(times, times - seconds)]


def decide(found: Candidates, rate: int, settings: DetectSettings) -> NDArray[np.float64]:
    """Return the odds (real : chance) of each candidate, 0 where an echo, a swell or a restless background explains it.

    Args:
        found: candidates of one channel of the whole run, in order of onset.
        rate: frames a second.
        settings: the dial.
    """
    if not len(found):
        return np.empty(0)
    times = found.onset / rate
    sudden = (found.abrupt > _ABRUPT) & ~_echoes(found, rate)
    score = found.score
    clear = sudden & (score > _CLEAR) & (found.abrupt > 4.0)
    # Where swells (speech, a motor hunting) come thick, a moderate impact cannot be told from them.
    swell = (found.abrupt <= _ABRUPT) & (score > _CLEAR)
    restless = _windowed_count(times, swell, _RESTLESS_S) / np.minimum(np.maximum(times - times[0], 1.0), _RESTLESS_S)
    needed = np.where(restless > 1.0, 10.0, _ABRUPT)
    window = np.minimum(np.maximum(times, 5.0), MEMORY_S)
    real = _windowed_count(times, clear, MEMORY_S) / window / _SPREAD
    dial = settings.false_per_hour / 3600.0 * math.log(10.0) / _CHANCE_TENFOLD
    odds = (real + dial) / chance_density(score)
    return np.where(sudden & (found.abrupt > needed), np.minimum(odds, 1e9), 0.0)
