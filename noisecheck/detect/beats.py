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
_PER_S: Final = (7.0, 10.0)
_SCORE: Final = 20.0
_ABRUPT: Final = 50.0
"""A machine may beat, and surely does, where more than so many a second, over the last seconds, are so surely new and
no more abrupt..."""
_BEAT_TO: Final = (40.0, 200.0)
"""... counted for less the clearer they are from the first score on, down to 0: what is struck is spread over scores up
to the last, a machine's beats thin out. But what swells is no clearer for its score..."""
_SWELLING: Final = 6.0
_EVENLY: Final = 0.75
_EVEN_SHARE: Final = (0.25, 0.5)
_EVEN: Final = 0.75
"""... and the gap before a beat is as long as the one before that, down to so many times the longer: one in seven is by
chance. Where such a share of all is, clear ones count for so much."""
_PARTS: Final = 16
"""They count in whole parts, so that sums are exact however a run is cut."""
_LOUDER: Final = np.float32(16.0)
"""Its beats are not so many times louder than most of them in any band: commutators, chains, rolling at most 11. Where
it may only beat it hides the less of what stands out of them, in dB, the fewer they are."""
_ROLL_S: Final = 0.5
_ROLL_PER_S: Final = (12.0, 18.0)
_ROLL_SCORE: Final = 16.0
"""What rolls or rattles beats for half a second, in which so many a second, so likely new, hide what is like them."""
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
    hides: Floats
    """Beats hide what is dull and at most so many times louder than most of them in all bands, 0: none, (n,)."""
    rolling: NDArray[np.int64]
    """The dull sounds of which a roll may be made, (k,)..."""
    soon: NDArray[np.int64]
    """... from which on each candidate is judged by, (n,)..."""
    rolls: Floats
    """... and how far these hide what is dull, as ``hides``, (n,)."""
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
        per_s = _beats(found, times, some, begin, end) / span
        rolling = np.flatnonzero(dull & (found.score > _ROLL_SCORE))
        soon, now = (np.searchsorted(times[rolling], t) for t in (times - _ROLL_S, times))
        rolls_per_s = _beats(found, times, rolling, soon, now) / _ROLL_S
        past, frames = parted(found.sound)
        heard = frames.max(axis=1)
        return Beats(
            times,
            dull,
            some,
            begin,
            end,
            span,
            _hides(per_s, _PER_S),
            rolling,
            soon,
            _hides(rolls_per_s, _ROLL_PER_S),
            heard,
            np.where(heard > _RISEN * past, heard, np.float32(0.0)),
        )

    @property
    def beating(self) -> NDArray[np.bool_]:
        """Where a machine surely beats, (n,)."""
        return self.hides >= _LOUDER

    def one_more(self, asked: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return which of those asked about are one beat more: as dull, and in no band far louder than most.

        Where a machine beats most are all that is dull, elsewhere what swells: all that is dull and not asked about.
        """
        swells = ~asked[self.some]
        total = np.concatenate(([0], np.cumsum(swells)))
        often = total[self.end] - total[self.begin] > _SWELLS_PER_S * np.maximum(self.span, _SWELLS_LEAST_S)
        rows = np.flatnonzero(asked & self.dull & ((self.hides > 0.0) | often))
        hides, slow = self.hides[rows], often[rows] & ~self.beating[rows]
        beats = np.full(len(rows), np.inf, np.float32)
        louder = beats.copy()
        for n, i in enumerate(rows.tolist()):
            near = self.some[self.begin[i] : self.end[i]]
            if hides[n] > 0.0:
                louder[n] = beats[n] = self._louder(i, near)
            if slow[n]:
                louder[n] = self._louder(i, near[swells[self.begin[i] : self.end[i]]])
        loud = louder > _LOUDER
        more = (beats <= hides) | (slow & (louder <= _ONE_MORE))
        first = np.searchsorted(self.times[rows], self.times[rows] - _SPAN_S)
        doubtful = slow & ~loud & (louder > _ONE_MORE)
        loud_upto, doubtful_upto = (np.concatenate(([0], np.cumsum(some))) for some in (loud, doubtful))
        before = np.arange(len(rows))
        few = loud_upto[before] - loud_upto[first] <= doubtful_upto[before] - doubtful_upto[first]
        return np.concatenate((rows[more | (doubtful & few)], self._rolled(asked)))

    def _rolled(self, asked: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return which of those asked about are like the sounds of a roll."""
        rows = np.flatnonzero(asked & self.dull & (self.rolls > 0.0))
        upto = np.searchsorted(self.rolling, rows)
        louder = [self._louder(i, self.rolling[self.soon[i] : end]) for i, end in zip(rows.tolist(), upto, strict=True)]
        return rows[np.array(louder, np.float32) <= self.rolls[rows]]

    def _louder(self, i: int, others: NDArray[np.int64]) -> np.float32:
        """Return how many times louder than most of some others one is in the band where it is so most."""
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


def _hides(per_s: NDArray[np.float64], limits: tuple[float, float]) -> Floats:
    """Return how many times louder than most is hidden, by how many beats there are a second."""
    surely = np.minimum((per_s - limits[0]) / (limits[1] - limits[0]), 1.0)
    return np.asarray(np.where(surely > 0.0, _LOUDER**surely, 0.0), np.float32)


def _beats(
    found: Candidates,
    times: NDArray[np.float64],
    some: NDArray[np.int64],
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return how many beats of a machine some dull sounds are worth, from one to another for each candidate."""

    def sums(share: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.concatenate(([0.0], np.cumsum(np.round(_PARTS * share))))
        return np.asarray((total[end] - total[begin]) / _PARTS)

    low, high = _BEAT_TO
    unclear = np.clip((high - found.score[some]) / (high - low), 0.0, 1.0)
    unclear[found.abrupt[some] <= _SWELLING] = 1.0
    gap = np.diff(times[some], prepend=-np.inf)
    before = np.concatenate((gap[:1], gap[:-1]))
    alike = np.minimum(gap, before) > _EVENLY * np.maximum(gap, before)
    least, most = _EVEN_SHARE
    even = np.clip((sums(alike.astype(np.float64)) / np.maximum(end - begin, 1) - least) / (most - least), 0.0, 1.0)
    usual = sums(unclear)
    return usual + even * (sums(np.maximum(unclear, _EVEN)) - usual)
