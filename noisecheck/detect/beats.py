"""What a machine that beats many times a second hides: what is like its beats in all bands, and nothing else.

An unbalanced motor, a commutator or a chain makes dull sounds in numbers, and each by itself looks like an impact. They
are alike, so what stands out of them in some band is none of them.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import medians
from noisecheck.core.records import record
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.known import parted

__all__ = ["Beats"]

Floats = NDArray[np.float32]

_SPAN_S: Final = 10.0
_LEAST_S: Final = 0.5
_PER_S: Final = 10.0
_SCORE: Final = 20.0
_ABRUPT: Final = 50.0
"""A machine beats where more than so many a second, over the last seconds, are so surely new and no more abrupt."""
_LOUDER: Final = np.float32(16.0)
"""Its beats are not so many times louder than most of them in any band: commutators, chains, rolling at most 11."""
_SWELLS_PER_S: Final = 2.0
_SWELLS_LEAST_S: Final = 2.0
"""A slow chain swells so often a second..."""
_ONE_MORE: Final = np.float32(6.3)
"""... and what is dull and nowhere so many times louder than most swells is one more (2 to 4 times is usual), nor is it
struck where it is so many times louder, but not as loud as what stands out of beats, unless more sounds of the last
seconds were: levels of what is struck are spread, swells are ever fewer the louder they are."""
_STANDS_DB: Final = 8.0
"""What stands out of the swells of the second before, in some band, by so much more than they do is none of them..."""
_BELIEF: Final = 5.0
"""... but for one in all that the last minute had, and so many: in voices each stands out by 8 to 28 dB, in a chain
by -1 to 5."""
_RISEN: Final = np.float32(4.0)
"""Bands count that are so many times louder than before: others may ring."""
_TINY: Final = np.float32(1e-20)


@record
class Beats:
    """The dull sounds of one channel, and where there are so many that a machine beats."""

    times: NDArray[np.float64]
    """Of all candidates, s, (n,)."""
    dull: NDArray[np.bool_]
    """Which are no more abrupt than beats are, (n,)."""
    some: NDArray[np.int64]
    """Those of them that are surely new, (m,)..."""
    begin: NDArray[np.int64]
    """... and from which..."""
    end: NDArray[np.int64]
    """... to which of these each candidate is judged by: up to itself, or to the end of the first second, (n,)."""
    span: NDArray[np.float64]
    """Seconds that each is judged by, (n,)."""
    beating: NDArray[np.bool_]
    """Where a machine beats, (n,)."""
    heard: Floats
    """What is heard of each candidate in each band, (n, bands)..."""
    new: Floats
    """... and the same, 0 where it is not far louder than before."""

    @staticmethod
    def of(found: Candidates, times: NDArray[np.float64], first_s: float) -> Beats:
        """Return those of candidates, at least one, at their times; ``first_s`` seconds are judged as a whole."""
        dull, upto = found.abrupt <= _ABRUPT, np.maximum(times, first_s)
        some = np.flatnonzero(dull & (found.score > _SCORE))
        begin, end = (np.searchsorted(times[some], t) for t in (times - _SPAN_S, upto))
        span = np.clip(upto - times[0], _LEAST_S, _SPAN_S)
        past, frames = parted(found.sound)
        heard = frames.max(axis=1)
        return Beats(
            times,
            dull,
            some,
            begin,
            end,
            span,
            end - begin > _PER_S * span,
            heard,
            np.where(heard > _RISEN * past, heard, np.float32(0.0)),
        )

    def one_more(self, asked: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return which of those asked about are one beat more: as dull, and in no band far louder than most.

        Where a machine beats most are all that is dull, elsewhere what swells: all that is dull and not asked about.
        """
        swells = ~asked[self.some]
        total = np.concatenate(([0], np.cumsum(swells)))
        often = total[self.end] - total[self.begin] > _SWELLS_PER_S * np.maximum(self.span, _SWELLS_LEAST_S)
        rows = np.flatnonzero(asked & self.dull & (self.beating | often))
        louder = np.array([self._louder(i, swells) for i in rows.tolist()], np.float32)
        loud = louder > _LOUDER
        more = ~loud & (self.beating[rows] | (louder <= _ONE_MORE))
        first = np.searchsorted(self.times[rows], self.times[rows] - _SPAN_S)
        doubtful = ~loud & (louder > _ONE_MORE)
        loud_upto, doubtful_upto = (np.concatenate(([0], np.cumsum(some))) for some in (loud, doubtful))
        before = np.arange(len(rows))
        few = loud_upto[before] - loud_upto[first] <= doubtful_upto[before] - doubtful_upto[first]
        return rows[more | (doubtful & few)]

    def _louder(self, i: int, swells: NDArray[np.bool_]) -> np.float32:
        """Return how many times louder than most beats, or swells, one is in the band where it is so most."""
        near = slice(self.begin[i], self.end[i])
        others = self.some[near]
        if not self.beating[i]:
            others = others[swells[near]]
        return np.float32((self.new[i] / np.maximum(medians(self.heard[others], 0), _TINY)).max())

    def alike(
        self, asked: NDArray[np.bool_], swell: NDArray[np.bool_], before_s: float, memory_s: float
    ) -> NDArray[np.float64]:
        """Return the share of the swells remembered that stand out of those just before them about as far, (n,).

        That is, in the band where each does so most; 1 where there are none, no machine beats or nothing is asked.

        Args:
            asked: which candidates are asked about, (n,).
            swell: which are swells, (n,).
            before_s: seconds before each whose loudest swells it may stand out of.
            memory_s: seconds that are remembered.
        """
        rows, count = np.flatnonzero(swell), len(self.times)
        at, share, out = self.times[rows], np.ones(count), np.full(count, np.nan)
        first, begin = (np.searchsorted(at, self.times - s) for s in (memory_s, before_s))
        end = np.searchsorted(at, self.times)
        for i in np.flatnonzero((end > begin) & asked & self.beating).tolist():
            others = np.maximum(self.heard[rows[begin[i] : end[i]]].max(axis=0), _TINY)
            out[i] = 10.0 * math.log10(max(float((self.new[i] / others).max()), 1e-3))
            known = out[rows[first[i] : end[i]]]
            as_far = int((known > out[i] - _STANDS_DB).sum())
            share[i] = (_BELIEF + as_far) / (_BELIEF + int(np.isfinite(known).sum()))
        return share
