"""The trains of a run as they come, and which rebounds are due in them."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from typing import Final

from noisecheck.flow.rebounds import SHORTS, Due, Member, ReboundLaw, Spans

__all__ = ["Trains"]

_BEGUN: Final = {"usual": (1.0, 0.001), "drowned": (0.5, 0.03), "other": (0.05, 0.3)}
"""Weights of a train as numbered, and one or two short since its first contact was heard as none of it: where it begins
as loud as a first contact, where others beside its beginning leave that in doubt, and else."""
_LONGEST_S: Final = 1.6
_SETTLED_S: Final = 90.0


class _Train:
    __slots__ = ("_reach", "_spans", "begun", "contact", "members", "station")

    def __init__(self, station: int, first: Member, begun: tuple[float, float]) -> None:
        self.station, self.contact, self.begun = station, first.impact, begun
        self.members = [first]
        self._reach: list[Spans] | None = None
        self._spans = 0.0, 0.0, 0.0, 0.0

    def add(self, member: Member) -> None:
        """Take the next impact."""
        self.members.append(member)
        self._reach = None

    def spans(self, law: ReboundLaw) -> Spans:
        """Return when the next rebound is due by a law, see :meth:`ReboundLaw.spans`, also if the last one is none."""
        if self._reach is not law.reach:
            self._reach, self._spans = law.reach, law.spans(self.members)
            if len(self.members) > 1:
                (a, b, c, d), (e, f, g, h) = self._spans, law.spans(self.members[:-1])
                self._spans = min(a, e), min(b, f), max(c, g), max(d, h)
        return self._spans

    def before(self, time_s: float, impact: int = -1) -> list[Member]:
        """Return the impacts before a time but for one of that number: the list itself where that is all of them."""
        if self.last_before(time_s, impact):
            return self.members
        return [m for m in self.members if m.time_s < time_s and not 0 <= m.impact == impact]

    def last_before(self, time_s: float, impact: int = -1) -> bool:
        """Return whether all its impacts came before a time, none of them of that number."""
        last = self.members[-1]
        return last.time_s < time_s and (last.impact != impact or impact < 0)

    def after(self, time_s: float, impact: int = -1) -> list[Member]:
        """Return the impacts after a time but for one of that number."""
        return [m for m in self.members if m.time_s > time_s and not 0 <= m.impact == impact]


class Trains:
    """The trains of a run as they come, and which rebounds are due in them."""

    def __init__(self, laws: Sequence[ReboundLaw]) -> None:
        self._laws = laws
        self._by_drop: dict[int, _Train] = {}
        self._open: deque[tuple[int, _Train]] = deque()

    def contact_of(self, drop: int) -> int:
        """Return the number of a train's first contact, -1 where it is not known."""
        return self._by_drop[drop].contact if drop in self._by_drop else -1

    def take(self, drop: int, member: Member, station: int, *, usual: bool = True) -> None:
        """Take the next impact; one of rebound 0 begins a train, ``usual`` if it is as loud as a first contact."""
        if member.rebound <= 0 or drop not in self._by_drop:
            if member.rebound > 0 or station < 0:
                return
            begun = _BEGUN["usual" if usual else "drowned" if member.drowned else "other"]
            train = _Train(station, member, begun)
            self._by_drop[drop] = train
            self._open.append((drop, train))
            while self._open and self._open[0][1].members[-1].time_s < member.time_s - _SETTLED_S:
                old, gone = self._open.popleft()
                if self._by_drop.get(old) is gone:
                    del self._by_drop[old]
            return
        self._by_drop[drop].add(member)

    def place(self, drop: int, station: int, *, usual: bool) -> None:
        """Put a train to another station than it was begun at."""
        train = self._by_drop[drop]
        train.station = station
        train.begun = _BEGUN["usual" if usual else "drowned" if train.members[0].drowned else "other"]

    def due(self, time_s: float, level_db: float, drowned: bool, *, impact: int = -1, channel: int = 0) -> list[Due]:
        """Return the rebounds that an impact may be by its time and level, of no density where that is next to none.

        What came before it foresees it; what is known to have come later as the same rebound speaks against it.

        Args:
            time_s, level_db, drowned, channel: of the impact.
            impact: its number, so that it is not held against itself.
        """
        found, now = [], Member(-1, time_s, level_db, impact, drowned=drowned, channel=channel)
        for _, train in reversed(self._open):
            begun_s = train.members[0].time_s
            if begun_s < time_s - _LONGEST_S:
                break
            law = self._laws[train.station]
            if begun_s >= time_s or not law.known:
                continue
            if train.last_before(time_s, impact):
                since_s, near_from, near_to, to_s = train.spans(law)
                if not since_s < time_s < to_s:
                    continue
                if not near_from < time_s < near_to:
                    found.append(Due(train.station, train.contact, 0.0))
                    continue
            p = self._density(train, now)
            if p > 0.0:
                found.append(Due(train.station, train.contact, p))
        return found

    def density(self, contact: int, now: Member, without: int = -1) -> float:
        """Return the density of an impact as the next rebound of a contact's train, with another impact left out."""
        for _, train in reversed(self._open):
            if train.contact == contact:
                return self._density(train, now, without) if self._laws[train.station].known else 0.0
            if train.members[0].time_s < now.time_s - _LONGEST_S:
                break
        return 0.0

    def if_short(self, drop: int, now: Member) -> tuple[float, float]:
        """Return the densities of a train's next rebound as it is numbered, and if the train began with a rebound."""
        train = self._by_drop[drop]
        before = train.before(now.time_s, now.impact)
        own = self._next(train, before, now, (), shorts=(0,)) / train.begun[0]
        return own, max(self._next(train, before, now, (), shorts=(short,)) for short in (1, 2)) / train.begun[1]

    def company(self, time_s: float, within_s: float) -> tuple[int, ...]:
        """Return the first contacts of the trains whose next rebound is due to within so much."""
        found = []
        for _, train in reversed(self._open):
            begun_s = train.members[0].time_s
            if begun_s < time_s - _LONGEST_S:
                break
            if begun_s >= time_s:
                continue
            before = train.before(time_s)
            if before and self._laws[train.station].due(before, time_s, within_s):
                found.append(train.contact)
        return tuple(found)

    def _density(self, train: _Train, now: Member, without: int = -1) -> float:
        before = train.before(now.time_s, now.impact)
        # What is known to have come later tells whether this was the one before it.
        later = [] if before is train.members else train.after(now.time_s, now.impact)
        if without >= 0:
            before, later = ([m for m in some if m.impact != without] for some in (before, later))
        if not before:
            return 0.0
        numbered = len(later) > 0 and any(m.impact == now.impact >= 0 for m in train.members)
        stand_in = 1.0 / (1.0 + before[-1].fit)
        total = (1.0 - stand_in) * self._next(train, before, now, later, numbered)
        if len(before) > 1:
            total += stand_in * self._next(train, before[:-1], now, later, numbered)
        if not later:
            return total
        number = before[-1].rebound + 1
        # A rebound of this number that came later, and fits, leaves no room for another.
        return total * min((1.0 / (1.0 + m.fit) for m in later if m.rebound == number), default=1.0)

    def _next(
        self,
        train: _Train,
        before: list[Member],
        now: Member,
        later: Sequence[Member],
        numbered: bool = False,
        *,
        shorts: tuple[int, ...] = SHORTS,
    ) -> float:
        """Return the density of the next rebound after those heard before.

        ``later`` are those heard after it, ``numbered`` whether their numbers count this one, ``shorts`` by how many
        the numbers of the train may be short.
        """
        law = self._laws[train.station]
        last = before[-1]
        last_s = law.last_s(before)
        since, change = now.time_s - last.time_s, _change_db(last, now)
        drowned = now.drowned or (last.drowned and change < 0.0)  # what was read too high seems to fall the more
        total = 0.0
        for short in shorts:
            number = last.rebound + short + 1
            if number > law.most:
                break
            # What began a train may itself have been a rebound.
            step_s = law.usual_s(short) if short and math.isnan(last_s) else last_s
            p = law.density(number, since, step_s, change, drowned)
            if p > 0.0 and later:
                p *= _told(_leads_to(law, last, step_s, now, number, m, short, numbered) for m in later)
            for missing in (1, 2):
                if number + missing > law.most:
                    break
                p += law.skipped(number + missing, since, step_s, change, drowned, missing)
            total += p * train.begun[short > 0]
        return total


def _change_db(before: Member, now: Member) -> float:
    """Return by how much louder one is than that before it.

    NaN where another microphone heard it softer: it may stand further away.
    """
    change = now.level_db - before.level_db
    return change if now.channel == before.channel or change > 0.0 else math.nan


def _told(ratios: Iterable[float]) -> float:
    """Return the ratio of likelihoods that several tell which are not independent: what speaks against, if any does."""
    known = list(ratios)
    least = min(known, default=1.0)
    return least if least < 1.0 else max(known, default=1.0)


def _leads_to(
    law: ReboundLaw, last: Member, last_s: float, now: Member, number: int, then: Member, short: int, numbered: bool
) -> float:
    """Return how much likelier a rebound of ``number`` is by what came later, if that is a rebound of the train.

    What came later comes after an interval that follows from the ones before: from this one's, or from those without.
    Where this one was ``numbered`` as one of them and is none, what came later has a number less, or this one's place
    stayed empty.
    """
    missing = then.rebound + short - number
    if not 0 < missing <= 2:
        return 1.0
    drowned = now.drowned or then.drowned
    since, change = then.time_s - now.time_s, _change_db(now, then)
    if missing == 1:
        own = law.density(number + 1, since, now.time_s - last.time_s, change, drowned)
    else:
        own = law.skipped(number + 2, since, now.time_s - last.time_s, change, drowned)
    drowned = last.drowned or then.drowned
    since, change = then.time_s - last.time_s, _change_db(last, then)
    other = law.skipped(number + missing, since, last_s, change, drowned, missing)
    if numbered and missing == 1:
        other += law.density(number, since, last_s, change, drowned)
    elif numbered:
        other += law.skipped(number + 1, since, last_s, change, drowned)
    part = 1.0 / (1.0 + then.fit)
    return part + (1.0 - part) * own / other if other > 0.0 else 1.0
