"""How many false candidates of each score there are, and how they thin out, from the last minute alone.

In steady noise they thin out steeply (calibrated, see DEVELOPERS.md), and how many there are is told by the faint ones.
Noise that is made of pulses (a commutator, rattling, rumble) makes strong ones, too: fewer the stronger they are, while
impacts are spread evenly.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.detect.beside import Lately

__all__ = ["CLEAR", "FIRST_S", "MEMORY_S", "TENFOLD", "Chance"]

Doubles = NDArray[np.float64]

MEMORY_S: Final = 60.0
"""Decisions look back so far..."""
FIRST_S: Final = 1.0
"""... and in the first second, of which the background is learnt too, as if it were over."""
CLEAR: Final = 40.0
"""Score beyond any chance in steady noise."""
_PER_HOUR: Final = 120.0
_AT: Final = 19.3
TENFOLD: Final = 4.3
"""False candidates of steady noise: so many an hour above this score, and a tenth as many every so many units."""
_FAINT: Final = (14.0, 18.0)
"""Candidates of such scores are nearly all chance: some 30 a minute in steady noise..."""
_FAINT_BELIEF: Final = 3.0
"""... which is believed as if so many had been seen."""
_RATIO: Final = (0.1, 10.0)
_MIDDLING: Final = (18.0, 24.0)
_HIGHER: Final = (24.0, 30.0)
_STRONG: Final = 80.0
"""Of such scores there are hardly any by chance in steady noise, and no more than impacts have above them, up to the
last..."""
_EXCESS: Final = 2.0
_EXCESS_LEAST: Final = (4.0, 0.8)
"""... so many times over; beyond that, and so many and so many a second or as many as are clear, the noise itself is of
pulses, whose scores thin out by a factor e every so many units at most, as those above them tell."""
_TAIL_MOST: Final = 12.0
_RESTLESS: Final = 1.7
"""Where the faint ones are so many times more than in steady noise, both ranges may tell that, against what is
above both, and what is clear may be such noise's up to the last score."""


@record
class Chance:
    """False candidates at the time of each candidate, (n,) each."""

    restless: Doubles
    """How many times more faint candidates there were than steady noise has."""
    height: Doubles
    """Those of noise that is made of pulses, a second and unit of score at the middle of the middling scores..."""
    length: Doubles
    """... and units by which they thin out by a factor e."""

    @staticmethod
    def of(lately: Lately, score: Doubles, sudden: NDArray[np.bool_], window: Doubles) -> Chance:
        """Return what the last minute tells of candidates that may be impacts (``sudden``); ``window``: its seconds."""

        def count(low: float, high: float) -> NDArray[np.int64]:
            return lately.count(sudden & (score > low) & (score <= high))

        faint, middling, higher, below = (count(*span) for span in (_FAINT, _MIDDLING, _HIGHER, (_HIGHER[1], _STRONG)))
        steady = [_PER_HOUR / 3600.0 * 10.0 ** ((_AT - s) / TENFOLD) for s in _FAINT]
        expected = (steady[0] - steady[1]) * window
        restless = np.clip((faint + _FAINT_BELIEF) / (expected + _FAINT_BELIEF), *_RATIO)
        width = _MIDDLING[1] - _MIDDLING[0]
        unsteady = middling - steady[1] / steady[0] * faint
        fall = np.log((np.maximum(unsteady, 0.0) + 1.0) / (higher + 0.5))
        length = width / np.maximum(fall, width / _TAIL_MOST)
        near = width / (_STRONG - _HIGHER[0]) * (higher + below)
        excess = unsteady - _EXCESS * near
        both = unsteady + higher - _EXCESS * 2.0 * width / (_STRONG - _HIGHER[1]) * below
        at_least, too = (
            _EXCESS_LEAST[0] + np.minimum(_EXCESS_LEAST[1] * window, count(s, math.inf)) for s in (CLEAR, _STRONG)
        )
        restive = (restless > _RESTLESS) & (both > too)
        height = np.where(restive, np.maximum(excess, 0.5 * both), np.where(excess > at_least, excess, 0.0))
        return Chance(restless, height / (width * window), length)

    def density(self, score: Doubles) -> Doubles:
        """Return false candidates a second and unit of score."""
        steady = _PER_HOUR / 3600.0 * 10.0 ** ((_AT - score) / TENFOLD) * math.log(10.0) / TENFOLD
        return np.asarray(self.restless * steady + self._tail(score))

    def between(self, low: float, high: float) -> Doubles:
        """Return those that noise made of pulses has a second in a range of scores."""
        return np.asarray(self.length * (self._tail(low) - self._tail(high)))

    def _tail(self, score: Doubles | float) -> Doubles:
        return np.asarray(self.height * np.exp((0.5 * sum(_MIDDLING) - score) / self.length))
