"""Sounds of several bursts: what follows a sound by the same delay again, wave for wave, is the rest of it.

A latch, a clap or a tambourine makes more than one onset each time it is struck. Where one recording of it sounds again
and again the bursts come at the same delay to some microseconds and in the same proportion, and one hardly ever without
the other. Two balls do not: each contact is a wave of its own, and no two come so exactly one after the other.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.prediction import changes, predictors_at

__all__ = ["Bursts", "blows_at"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_FITTED_S: Final = (-0.010, -0.002)
"""What sounds so long before an onset is fitted: the error that its predictor makes is what is new..."""
_SPAN_S: Final = (-0.001, 0.004)
"""... of which so much is compared."""
_ORDER: Final = 16
_ORDER_SHARE: Final = 12
"""Samples that the predictor is made of, but no more than this part of what it is fitted to."""
_MEMORY_S: Final = 60.0
_MOST: Final = 128
"""So many sounds are remembered."""
_APART_S: Final = (0.012, 0.055)
"""Bursts of one sound come so long after one another."""
_NEAR_S: Final = 0.001
"""Onsets are mistaken by less, mostly."""
_ALIKE: Final = 0.75
"""Correlation from which two blows are alike..."""
_ONCE_MORE: Final = 0.85
"""... and from which the second may be of the same object, struck twice; whitened, unlike clicks come up to 0.7."""
_SAME_S: Final = 40e-6
"""Laid over one another, two bursts of one sound come at the same delay as those before to so much..."""
_SAME_DB: Final = 4.0
"""... and in the same proportion, told amid other rings, to so much..."""
_LEAST: Final = 2
_SHARE: Final = 0.5
"""... so often, and in so large a share of what is alike and comes at about that delay."""
_LOUDER_DB: Final = 20.0
"""A second burst so much louder is the blow, and what slid before it no impact."""
_FOLLOWED: Final = 1.0 / 3.0
"""Of what is like the first such a share at least is heard to be followed by what is like the second (others drown
some)..."""
_FOLLOWS: Final = 0.5
"""... and of what is like the second more than such a share follows the first."""
_TINY: Final = 1e-20


def _order(rate: float) -> int:
    begin, end = (round(s * rate) for s in _FITTED_S)
    return min(_ORDER, (end - begin) // _ORDER_SHARE)


def blows_at(samples: Floats, rate: float, onset: NDArray[np.int64], clear: NDArray[np.bool_]) -> Floats:
    """Return what is needed to tell what is new at each onset, (m, n): zeros where that is not clear.

    That is the predictor of what sounded before, and by how much each sample differs from the one before it.

    Args:
        samples: one channel, (k,).
        rate: samples a second.
        onset: samples, (m,).
        clear: which of them are heard clearly, (m,).
    """
    begin, end, start, stop = (round(s * rate) for s in (*_FITTED_S, *_SPAN_S))
    order = _order(rate)
    blows = np.zeros((len(onset), 2 * order + 1 + stop - start), np.float32)
    if clear.any():
        at = onset[clear]
        blows[clear, : order + 1] = predictors_at(samples, at, begin, end, order=order)
        blows[clear, order + 1 :] = changes(samples, at, start - order, stop)
    return blows


class Bursts:
    """The blows of one channel in the last minute, the last 128 at most.

    Args:
        rate: samples a second of the blows.
    """

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._at = np.empty(0, np.int64)
        self._blows: list[Floats] = []
        self._peak_db = np.empty(0)
        self._first = np.empty(0, bool)
        """Whether each is an impact, and not the rest of one."""

    def rest(self, at: NDArray[np.int64], blows: Floats, struck: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return which of the next sounds are the rest of an impact before them, and remember all.

        Args:
            at: where they begin, samples, in order, (m,).
            blows: from :func:`blows_at`, (m, n).
            struck: whether they are impacts otherwise, (m,).
        """
        told, known = np.zeros(len(at), bool), len(self._at)
        self._at, self._blows = np.concatenate((self._at, at)), [*self._blows, *blows]
        peak = np.abs(blows[:, _order(self._rate) + 1 :]).max(axis=1)
        self._peak_db = np.concatenate((self._peak_db, 20.0 * np.log10(peak + _TINY)))
        self._first = np.concatenate((self._first, struck))
        since, soonest, latest = (int(s * self._rate) for s in (_MEMORY_S, *_APART_S))
        # Of each: the first that is remembered then, and the impacts whose rest it may be.
        old = np.searchsorted(self._at, self._at - since)
        old = np.maximum(old, np.arange(len(self._at)) - _MOST)
        begin, end = (
            np.searchsorted(self._at, self._at - latest),
            np.searchsorted(self._at, self._at - soonest, "right"),
        )
        for i in known + np.flatnonzero(struck & (begin < end)[known:]):
            firsts = [n for n in range(end[i] - 1, begin[i] - 1, -1) if self._first[n]]
            told[i - known] = any(self._again(int(old[i]), n, int(i)) for n in firsts)
            self._first[i] = not told[i - known]
        keep = slice(-_MOST, None)
        self._at, self._blows, self._peak_db = self._at[keep], self._blows[keep], self._peak_db[keep]
        self._first = self._first[keep]
        return told

    def _again(self, old: int, first: int, then: int) -> bool:
        """Return whether a sound and one before it, of those remembered from ``old`` on, came so before."""
        near, latest = (int(s * self._rate) for s in (_NEAR_S, _APART_S[1]))
        delay, before = self._at[then] - self._at[first], np.searchsorted(self._at, self._at[first] - latest)
        sources = np.arange(old, before)
        rests = np.searchsorted(self._at, self._at[sources] + delay - near)
        pairs = self._at[rests] <= self._at[sources] + delay + near
        louder_db = self._peak_db[rests] - self._peak_db[sources] - (self._peak_db[then] - self._peak_db[first])
        pairs &= np.abs(louder_db) <= 2.0 * _SAME_DB  # of the sound itself: what rings on is in it
        sources, rests = sources[pairs], rests[pairs]
        if len(sources) < _LEAST:
            return False
        begun, blow = self._blows[first], self._blows[then]
        own, own_late, own_gain = self._like(blow, [begun, *(self._blows[k] for k in rests)])
        then_likes, then_late, then_gain = own[1:], own_late[1:], own_gain[1:]
        if own[0] > _ONCE_MORE or (then_likes > _ALIKE).sum() < _LEAST:
            return False
        likes, late, gain = self._like(begun, [self._blows[k] for k in sources])
        apart = self._at[rests] - self._at[sources] + then_late - late
        both = (likes > _ALIKE) & (then_likes > _ALIKE)
        same = both & (np.abs(apart - delay) <= _SAME_S * self._rate)
        same &= np.abs(20.0 * np.log10(then_gain / gain)) <= _SAME_DB
        if same.sum() < max(_LEAST, _SHARE * both.sum()):
            return False
        peak = [float(np.abs(self._new(blow, [one])).max()) for one in (begun, blow)]
        if peak[1] > 10.0 ** (_LOUDER_DB / 20.0) * peak[0]:
            return False
        every = self._blows[old:before]
        followed, follows = (int((self._like(b, every)[0] > _ALIKE).sum()) for b in (begun, blow))
        return bool(both.sum() >= _FOLLOWED * followed and both.sum() > _FOLLOWS * follows)

    def _new(self, by: Floats, blows: list[Floats]) -> Floats:
        """Return what is new in sounds, to the predictor of one of them, (m, n)."""
        taps = by[: _order(self._rate) + 1]
        return np.array([np.convolve(blow[len(taps) :], taps, "valid") for blow in blows])

    def _like(self, by: Floats, others: list[Floats]) -> tuple[Doubles, Doubles, Doubles]:
        """Return how well a sound explains each of others, how much later that is, samples, and how much louder.

        What is new of all of them is what the predictor of the one does not foresee.

        Returns:
            Correlation, (m,), at most 1; samples, (m,); factor, (m,), above 0.
        """
        most, every = int(_NEAR_S * self._rate), self._new(by, [by, *others])
        new, rows = every[0], every[1:]
        around = np.zeros(len(new) + 2 * most, np.float32)
        around[most:-most] = new
        # Column k: k - most samples later.
        shared = np.array([np.correlate(around, one)[::-1] for one in rows], np.float64)
        row, at = np.arange(len(rows)), np.clip(shared.argmax(axis=1), 1, 2 * most - 1)
        left, top, right = (shared[row, at + k] for k in (-1, 0, 1))
        later = at - most + 0.5 * (right - left) / np.maximum(2.0 * top - left - right, _TINY)
        own, energy = float(new @ new) + _TINY, np.einsum("ij,ij->i", rows, rows).astype(np.float64) + _TINY
        return top / np.sqrt(own * energy), later, np.maximum(top / own, _TINY)
