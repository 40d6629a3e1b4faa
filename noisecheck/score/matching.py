"""One-to-one matching of found times with true times.

The matching is the largest one possible within the tolerance: no pair of lists is ever scored lower because an early
choice took a partner that another one needed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.records import record

__all__ = ["Matching", "match"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@record
class Matching:
    """A largest one-to-one matching. Indices refer to the lists as they were given."""

    found_s: Floats
    truth_s: Floats
    found_index: Ints
    """Index of the found time of each pair, (pairs,), in order of time."""
    truth_index: Ints
    """Index of the true time of each pair, (pairs,)."""

    @property
    def pairs(self) -> int:
        """Number of pairs: true impacts that were found."""
        return len(self.found_index)

    @property
    def precision(self) -> float:
        """Share of found times that are true (1 when nothing was found)."""
        return self.pairs / len(self.found_s) if len(self.found_s) else 1.0

    @property
    def recall(self) -> float:
        """Share of true times that were found (1 when there was nothing to find)."""
        return self.pairs / len(self.truth_s) if len(self.truth_s) else 1.0

    @property
    def f_measure(self) -> float:
        """Harmonic mean of precision and recall, ``2 pairs / (found + true)`` (1 when both lists are empty)."""
        total = len(self.found_s) + len(self.truth_s)
        return 2.0 * self.pairs / total if total else 1.0

    @property
    def missed_index(self) -> Ints:
        """Indices of true times without a partner."""
        return np.setdiff1d(np.arange(len(self.truth_s)), self.truth_index)

    @property
    def false_index(self) -> Ints:
        """Indices of found times without a partner."""
        return np.setdiff1d(np.arange(len(self.found_s)), self.found_index)

    @property
    def error_s(self) -> Floats:
        """Found minus true time of each pair, (pairs,)."""
        return np.asarray(self.found_s[self.found_index] - self.truth_s[self.truth_index])


def _times(values: ArrayLike, name: str) -> Floats:
    times = np.atleast_1d(np.asarray(values, np.float64))
    if times.ndim != 1:
        raise InputError(f"{name} has {times.ndim} dimensions: give one list of times in seconds")
    if not np.all(np.isfinite(times)):
        raise InputError(f"{name} holds {int(np.sum(~np.isfinite(times)))} times that are not finite numbers")
    return times


def match(found_s: ArrayLike, truth_s: ArrayLike, *, tolerance_s: float) -> Matching:
    """Return a largest one-to-one matching of found with true times, each pair within ``tolerance_s`` (inclusive).

    Of all largest matchings the one with the smallest sum of absolute time errors is taken. Lists may be in any
    order. Times are compared as given; a pair exactly at the tolerance counts up to a rounding of 1e-12 s.

    Raises:
        InputError: times that are not finite or not a flat list, or a tolerance below zero.
    """
    found, truth = _times(found_s, "found_s"), _times(truth_s, "truth_s")
    if not (np.isfinite(tolerance_s) and tolerance_s >= 0):
        raise InputError(f"tolerance_s = {tolerance_s} must be a number of seconds, 0 or more")
    a, b = np.argsort(found, kind="stable"), np.argsort(truth, kind="stable")
    pairs = [(a[i], b[j]) for i, j in _in_order(found[a], truth[b], tolerance_s + 1e-12)]
    index = np.array(pairs, np.int64).reshape(-1, 2)
    return Matching(found, truth, index[:, 0], index[:, 1])


def _in_order(found: Floats, truth: Floats, tolerance: float) -> list[tuple[int, int]]:
    """Return pairs of sorted lists, cluster by cluster: no partner lies across a gap wider than the tolerance."""
    both = np.concatenate([found, truth])
    order = np.argsort(both, kind="stable")
    breaks = np.flatnonzero(np.diff(both[order]) > tolerance) + 1
    pairs: list[tuple[int, int]] = []
    for cluster in np.split(order, breaks):
        f = cluster[cluster < len(found)]
        t = cluster[cluster >= len(found)] - len(found)
        if len(f) == 1 and len(t) == 1:
            pairs.append((int(f[0]), int(t[0])))
        elif len(f) and len(t):
            pairs += [(int(f[i]), int(t[j])) for i, j in _cluster(found[f], truth[t], tolerance)]
    return pairs


def _cluster(found: Floats, truth: Floats, tolerance: float) -> list[tuple[int, int]]:
    """Return the best pairs of one cluster by dynamic programming over both sorted lists.

    Crossing pairs never help: uncrossing two keeps both within the tolerance and does not raise the error. So most
    pairs, then least error, follow from a table over prefixes: the best of the first ``i`` found and ``j`` true times.
    Row ``i`` can only change between the true times its own found time reaches, so only that band is kept.
    """
    low = np.searchsorted(truth, found - tolerance, "left").tolist()
    high = np.searchsorted(truth, found + tolerance, "right").tolist()
    choices: list[bytearray] = []
    before, before_low = [(0, 0.0)], 0
    for i, (first, last) in enumerate(zip(low, high, strict=True)):
        near = (truth[first:last] - found[i]).tolist()
        row, choice = [before[min(first - before_low, len(before) - 1)]], bytearray([_UP])
        for step, error in enumerate(near):
            at = first + step - before_low
            best, how = before[min(at + 1, len(before) - 1)], _UP
            if _better(row[-1], best):
                best, how = row[-1], _LEFT
            pairs, cost = before[min(at, len(before) - 1)]
            if _better((pairs + 1, cost + abs(error)), best):
                best, how = (pairs + 1, cost + abs(error)), _PAIR
            row.append(best)
            choice.append(how)
        choices.append(choice)
        before, before_low = row, first
    pairs_back: list[tuple[int, int]] = []
    i, j = len(found) - 1, len(truth)
    while i >= 0 and j > 0:
        j = min(j, high[i])
        how = choices[i][max(j - low[i], 0)]
        if how == _LEFT:
            j -= 1
            continue
        if how == _PAIR:
            j -= 1
            pairs_back.append((i, j))
        i -= 1
    return pairs_back[::-1]


_UP, _LEFT, _PAIR = 0, 1, 2


def _better(a: tuple[int, float], b: tuple[int, float]) -> bool:
    """Return whether (pairs, error) ``a`` beats ``b``: more pairs, or as many with less error."""
    return a[0] > b[0] or (a[0] == b[0] and a[1] < b[1])
