"""Rebounds told by time alone: what comes at one interval after the contacts of a place, whatever it sounds like.

A soft second blow may sound like no station, or be taken for a fall of its own. Then no train is found, and yet what
comes softer at the same interval after contact upon contact is no stray and no ball.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.flow.rebounds import LEAST, Member

__all__ = ["regular_followers", "with_regular", "with_regular_of_all"]

_WITHIN_S: Final = 0.02, 0.3
"""First rebounds looked for: balls that rise by 0.5 to 110 mm (free fall)."""
_SOFTER_DB: Final = 2.0
"""A rebound is softer than its contact by more at a restitution below 0.84 (26 dB a decade)."""
_ALIKE: Final = 0.1
"""Greatest difference of intervals, in log, of one habit: they scatter by some 4 % (simulation)."""
_LEAST_SHARE: Final = 0.25
"""Share of a place's contacts that must be followed alike: fewer are no habit."""
_BY_CHANCE: Final = 1e-4
"""Greatest chance that as many agree where others come at any time: one of so many places is judged wrongly."""


def with_regular_of_all(
    runs: Sequence[tuple[Sequence[list[Member]], Sequence[list[Member]], float]],
) -> list[list[list[Member]]]:
    """Return for each run the trains of one place as :func:`with_regular` does, whose arguments each run has.

    What too few contacts of each run show those of all may. They are put one after another on one axis of time.
    """
    known = [with_regular(*run) for run in runs]
    if len(runs) < 2:
        return known
    begins: list[float] = []
    together: list[list[Member]] = []
    nowhere: list[list[Member]] = []
    at = 0.0
    for own, (_, lone, span_s) in zip(known, runs, strict=True):
        first_s = min((t[0].time_s for t in (*own, *lone)), default=0.0)
        by_s = at - first_s if begins else 0.0
        for put, some in ((together, own), (nowhere, lone)):
            put += [[m._replace(time_s=m.time_s + by_s) for m in t] for t in some] if by_s else some
        begins.append(first_s + by_s)
        at = begins[-1] + span_s + 2.0 * _WITHIN_S[1]
    found: list[list[list[Member]]] = [[] for _ in runs]
    for train in with_regular(together, nowhere, at):
        found[max(bisect_right(begins, train[0].time_s) - 1, 0)].append(train)
    return found


def with_regular(trains: Sequence[list[Member]], nowhere: Sequence[list[Member]], span_s: float) -> list[list[Member]]:
    """Return the trains of one place, with what comes after their contacts at one interval as their first rebounds.

    Args:
        trains: told apart at that place, each in order of its numbers.
        nowhere: impacts that are put to no station and belong to no train.
        span_s: length of the recording.

    As they are where first rebounds are told already.
    """
    told = sum(any(m.rebound == 1 for m in t) for t in trains)
    if told >= LEAST:
        return list(trains)
    heads = sorted(trains, key=lambda t: t[0].time_s)
    lone = sorted([*nowhere, *(t for t in trains if len(t) == 1)], key=lambda t: t[0].time_s)
    (head_s, head_db), (lone_s, lone_db) = (
        np.array([(t[0].time_s, t[0].level_db) for t in some]).reshape(-1, 2).T for some in (heads, lone)
    )
    followed = regular_followers(head_s, head_db, lone_s, lone_db, span_s)
    taken: dict[int, list[Member]] = {}
    for head, other in followed:
        if len(heads[head]) == 1:
            taken[head] = [heads[head][0], lone[other][0]._replace(rebound=1)]
    gone = {id(lone[other]) for head, other in followed if head in taken}
    return [taken.get(n, t) for n, t in enumerate(heads) if id(t) not in gone]


def regular_followers(
    contact_s: NDArray[np.float64],
    contact_db: NDArray[np.float64],
    other_s: NDArray[np.float64],
    other_db: NDArray[np.float64],
    span_s: float,
) -> list[tuple[int, int]]:
    """Return (contact, other) for the contacts of one place that others follow at one interval.

    Args:
        contact_s, contact_db: (n,) times of its first contacts in s, ascending, and levels; NaN unknown.
        other_s, other_db: (m,) the same of impacts that belong to no train.
        span_s: length of the recording.

    None where as many would agree by chance, others coming at any time as often as they do.
    """
    shortest, longest = _WITHIN_S
    pairs = []
    for row, (at, level) in enumerate(zip(contact_s.tolist(), contact_db.tolist(), strict=True)):
        first, last = np.searchsorted(other_s, (at + shortest, at + longest)).tolist()
        near = range(first, last)
        pairs += [(row, i, math.log(other_s[i] - at)) for i in near if not other_db[i] > level]
    if len(pairs) < LEAST:
        return []
    logs = np.sort([p[2] for p in pairs])
    middle = float(logs[np.argmax(np.searchsorted(logs, logs + _ALIKE) - np.searchsorted(logs, logs - _ALIKE))])
    found: dict[int, int] = {}
    for row, other, log in sorted(pairs, key=lambda p: abs(p[2] - middle), reverse=True):
        if abs(log - middle) < _ALIKE:
            found[row] = other
    hits = len(found)
    # What follows one may have been taken for a contact itself.
    count = len(contact_s) - int(np.isin(contact_s, other_s[list(found.values())]).sum())
    if hits < max(LEAST, _LEAST_SHARE * count):
        return []
    falls = [other_db[other] - contact_db[row] for row, other in found.items()]
    known = [fall for fall in falls if math.isfinite(fall)]
    if known and float(np.median(known)) > -_SOFTER_DB:
        return []
    chance = -math.expm1(-len(other_s) / max(span_s, longest) * 2.0 * _ALIKE * math.exp(middle))
    # At most so many by chance (Chernoff), at as many places as there are intervals tried.
    share = hits / count
    bound = share * math.log(share / chance) + (1.0 - share) * math.log(max(1.0 - share, 1e-12) / (1.0 - chance))
    if share <= chance or len(pairs) * math.exp(-count * bound) > _BY_CHANCE:
        return []
    return sorted(found.items())
