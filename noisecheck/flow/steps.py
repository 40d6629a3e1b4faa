"""One more impact explained in every history: by a ball under way, by one not heard before, or by none."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from heapq import heappush, heappushpop
from operator import itemgetter
from typing import Any

from noisecheck.flow.arrivals import arrivals_of
from noisecheck.flow.beliefs import FALL_S, Beliefs
from noisecheck.flow.bounces import Bounces
from noisecheck.flow.explanations import (
    COPY_S,
    NO_CONTACT,
    Impact,
    ReboundsDue,
    copy_density,
    falls_more,
    leftover_rebound,
    unexplained,
)
from noisecheck.flow.histories import Ball, Contacts, Decision, History, Overdue, decision_on, of_late, without
from noisecheck.flow.rivals import Rival, Rivals

__all__ = ["extend", "with_copies", "with_train", "without_train"]

_LOST = math.log(1e-6)
"""Histories this much less likely than the best are dropped (log)."""
_TINY = 1e-300
_MANY_BALLS = 48
"""So many balls may be under way in every history, were there as many as the beam is wide: with a third of that a jam
whose contacts were placed in doubt was not found."""
_LEAST_BEAM = 24


def extend(histories: list[History], impact: Impact, beliefs: Beliefs, heard: Sequence[Impact]) -> list[History]:
    """Return the histories with one more impact explained, most likely first.

    ``heard`` are all impacts so far, by number, as they were taken in.
    """
    kept = _Kept(_beam(histories[0], beliefs))
    overdue = Overdue(impact.time_s, beliefs)
    by_none = _ByNone(beliefs, impact, heard)
    arrivals = arrivals_of(beliefs, impact, min((h.period_s for h in histories if h.period_s > 0.0), default=math.inf))
    times, mask_s = beliefs.heard, beliefs.settings.mask_s
    # What cannot come near the best so far, or under the beam, is not worked out; what balls may do that are under way
    # alike, once.
    for track, members in _alike(histories):
        first = members[0]
        late, places, _ = overdue.of(track)
        falls: list[tuple[int, float]] | None = None
        for h, log in zip(members, by_none.log_densities(members), strict=True):
            if (standing := h.log_p + log + late) > kept.least:
                kept.add(standing, standing - late, h, by_none.child, log)
            if (log_p := h.log_p + by_none.log_fall) > kept.least:
                if falls is None:
                    falls = [
                        (place, overdue.log_p(without(track, place)) if place in places else late)
                        for place in by_none.falls(track)
                    ]
                for place, more in falls:
                    kept.add(log_p + more, log_p, h, by_none.fallen, place)
        for arrival in arrivals:
            if first.log_p + arrival.log_most <= kept.least:
                continue
            if arrival.wide:
                arrival.narrow()
                if first.log_p + arrival.log_most <= kept.least:
                    continue
            last = first.last_at[arrival.station]
            if arrival.hidden and last >= 0 and times[last] > arrival.time_s - mask_s:
                continue
            for move in arrival.moves(first, track, kept.least, overdue):
                same = move.others_same and move.place not in places
                gain, how = move.log + (late if same else overdue.log_p(move.track)), (move, first)
                for h in members:
                    if h.log_p + gain <= kept.least:
                        break
                    kept.add(h.log_p + gain, h.log_p + move.log, h, arrival.child, how)
    return kept.histories()


def with_copies(histories: list[History], louder: Impact, beliefs: Beliefs, heard: Sequence[Impact]) -> list[History]:
    """Return the histories once a louder sound is heard at another microphone: what came just before may be of it.

    Then it is the likelier no ball. ``heard`` are all impacts so far, by number.
    """
    at, changed = louder.number - 1, False
    while at >= 0 and (since := louder.time_s - beliefs.heard[at]) <= COPY_S:
        softer = heard[at]
        at -= 1
        copied = copy_density(beliefs, softer, since, louder.level_db) if softer.channel != louder.channel else 0.0
        if not copied:
            continue
        due, strange, found = ReboundsDue(beliefs, softer), sum(unexplained(beliefs, softer)), []
        for h in histories:
            by = decision_on(h.past, softer)
            if by is not None and by.kind == "none":
                other = strange + due.density(of_late(h.contacts, softer.time_s, beliefs.heard))
                h = History(h.log_p + math.log1p(copied / other), *h[1:])
            found.append(h)
        histories, changed = found, True
    return Overdue(louder.time_s, beliefs).ranked(histories) if changed else histories


def _beam(best: History, beliefs: Beliefs) -> int:
    """Return how many histories are kept: fewer where the likeliest has many balls under way, so that all have so many.

    What an impact takes is bounded so, whatever is heard: where dozens wait for one that is held up, there is little
    else to choose from, and where more and more seem to wait no number of histories tells what they do in truth.
    """
    most = beliefs.settings.beam
    return min(most, max(most * _MANY_BALLS // max(len(best.track), 1), _LEAST_BEAM))


def _alike(histories: list[History]) -> Iterable[tuple[tuple[Ball, ...], list[History]]]:
    """Return the histories that differ in what they have decided only, each with the same object for equal rows."""
    rows: dict[tuple[Ball, ...], tuple[Ball, ...]] = {}
    known: dict[int, tuple[Ball, ...]] = {}
    found: dict[tuple[object, ...], tuple[tuple[Ball, ...], list[History]]] = {}
    for h in histories:
        _, own, last_at, fed_s, period_s, slots, _, contacts = h
        track = known.get(id(own))
        if track is None:
            track = known[id(own)] = rows.setdefault(own, own)
        found.setdefault((id(track), last_at, fed_s, period_s, slots, contacts), (track, []))[1].append(h)
    return found.values()


class _Kept:
    """The likeliest ways on so far: as many as the beam is wide, none far less likely than the best.

    A history is made of those only that are left in the end.
    """

    __slots__ = ("_beam", "_found", "_top", "least")

    def __init__(self, beam: int) -> None:
        self._beam = beam
        self._found: list[tuple[float, float, History, Callable[[History, float, Any], History], object]] = []
        self._top: list[float] = []
        """Heap of the best standings."""
        self.least = -math.inf
        """No history of less standing is kept."""

    def add(
        self,
        standing: float,
        log_p: float,
        history: History,
        make: Callable[[History, float, Any], History],
        how: object,
    ) -> None:
        """Take a way on from a history, of that log probability then, which ``make`` makes a history of by ``how``."""
        if standing < self.least:
            return
        self._found.append((standing, log_p, history, make, how))
        top = self._top
        if len(top) < self._beam:
            heappush(top, standing)
        else:
            heappushpop(top, standing)
            if top[0] > self.least:
                self.least = top[0]
        if standing + _LOST > self.least:
            self.least = standing + _LOST

    def histories(self) -> list[History]:
        """Return them, the likeliest first."""
        found = sorted(self._found, key=itemgetter(0), reverse=True)
        floor = found[0][0] + _LOST
        top = found[0][1]  # keeps the numbers small over millions of impacts
        return [make(h, log_p - top, how) for p, log_p, h, make, how in found[: self._beam] if p > floor]


def with_train(
    histories: list[History], contact: Impact, now_s: float, beliefs: Beliefs, if_rebound: float = NO_CONTACT
) -> list[History]:
    """Return the histories once a rebound is heard that fits a contact: what has one is likely a ball's contact.

    ``if_rebound`` is how much less likely it is if that was a rebound itself.
    """
    due, strange = ReboundsDue(beliefs, contact), sum(unexplained(beliefs, contact))
    found, known = [], dict[Contacts, float]()
    for h in histories:
        contacts = of_late(h.contacts, now_s, beliefs.heard)
        if any(n == contact.number for _, n in contacts):
            found.append(h)
            continue
        log = known.get(contacts)
        if log is None:
            rebound = due.density(contacts)
            log = known[contacts] = math.log((strange * NO_CONTACT + rebound * if_rebound) / (strange + rebound))
        found.append(History(h.log_p + log, *h[1:]))
    return Overdue(now_s, beliefs).ranked(found)


def without_train(
    histories: list[History], contact: Impact, station: int, answers: Sequence[Impact], now_s: float, beliefs: Beliefs
) -> list[History]:
    """Return the histories once a contact's first rebound was due: what has none there is less likely a contact.

    ``answers`` are what was heard then. A ball's contact or its fall is no rebound of another, though it may hide one.
    """
    found, changed, silent = [], False, beliefs.silent(station, contact.time_s)
    heard = [Rival(beliefs, a) for a in answers]
    hidden = min(sum(beliefs.hidden_rebound(station, a.time_s - contact.time_s) for a in answers), 1.0)
    for h in histories:
        at = decision_on(h.past, contact)
        if at is not None and at.kind != "none" and at.station == station and math.isnan(at.came_s):
            absent = 1.0
            for answer in heard:
                by = decision_on(h.past, answer.impact)
                if by is None:
                    absent = 0.0
                elif by.kind == "none" and by.ball < 0:
                    contacts = of_late(h.contacts, now_s, beliefs.heard)
                    absent *= 1.0 - answer.share((station, contact.number), contacts)
            if absent > 0.0:
                log = math.log(1.0 - absent * (1.0 - silent) * (1.0 - hidden))
                h = History(h.log_p + log, *h[1:])
                changed = True
        found.append(h)
    return Overdue(now_s, beliefs).ranked(found) if changed else found


class _ByNone:
    """An impact that no ball's contact made. What histories ask of it alike is worked out once."""

    __slots__ = (
        "_beliefs", "_bounces", "_due", "_fall", "_impact", "_known", "_left", "_rivals", "_strange", "_stray",
        "log_fall",
    )  # fmt: skip

    def __init__(self, beliefs: Beliefs, impact: Impact, heard: Sequence[Impact]) -> None:
        self._beliefs, self._impact, self._due = beliefs, impact, ReboundsDue(beliefs, impact)
        self._rivals = Rivals(beliefs, impact, heard)
        copied, at = 0.0, impact.number - 1
        while at >= 0 and (since := impact.time_s - beliefs.heard[at]) <= COPY_S:
            copied = max(copied, copy_density(beliefs, impact, since, beliefs.heard_db[at]))
            at -= 1
        stray, chance = unexplained(beliefs, impact)
        self._stray, self._strange = stray, stray + chance + copied
        self._bounces = Bounces(beliefs, impact)
        self._fall = falls_more(beliefs, impact)
        self.log_fall = math.log(max(self._fall, _TINY))
        """Log density of the sound of a ball that left the track."""
        self._known: dict[object, float] = {}
        self._left: dict[tuple[int, int], float] = {}
        """Density of a rebound left in, by (station, last impact of a ball there)."""

    def log_densities(self, histories: list[History]) -> list[float]:
        """Return the log densities of a stray, chance, a rebound or a copy, in histories alike but for what is past."""
        last_at = histories[0].last_at
        contacts = of_late(histories[0].contacts, self._impact.time_s, self._beliefs.heard)
        if not self._rivals.any and not self._bounces:
            return [self._kept_density(last_at, contacts, (), 0.0)] * len(histories)
        found = []
        for h in histories:
            others = self._rivals.of(h, contacts) if self._rivals.any else ()
            found.append(self._kept_density(last_at, contacts, others, self._bounces.density(h.past)))
        return found

    def _kept_density(
        self, last_at: tuple[int, ...], contacts: Contacts, others: Sequence[Rival], bounce: float
    ) -> float:
        key = (last_at, contacts, others, bounce)
        log = self._known.get(key)
        if log is None:
            log = self._known[key] = self._log_density(*key)
        return log

    def child(self, h: History, log_p: float, log: float) -> History:
        """Return the history in which the impact is one of those (``log`` density), of that log probability."""
        impact, stray = self._impact, self._stray + self._bounces.density(h.past)
        foreign = self._bounces.share(stray, math.exp(log))
        past = Decision(h.past, "none", impact.number, -1, impact.station, impact.time_s, foreign=foreign)
        return History(log_p, h.track, h.last_at, h.fed_s, h.period_s, h.slots, past, h.contacts)

    def _log_density(
        self, last_at: tuple[int, ...], contacts: Contacts, others: Sequence[Rival], bounce: float
    ) -> float:
        b, impact = self._beliefs, self._impact
        total = self._strange + bounce
        for at, density in self._due.by_contact(contacts).items():
            if density:
                total += density * (self._rivals.room(at, contacts, others) if others else 1.0)
        for at in enumerate(last_at):
            left = self._left.get(at)
            if left is None:
                q, last = at
                since_s = impact.time_s - b.heard[last]
                left = leftover_rebound(b, impact, q, since_s, b.heard_db[last]) if last >= 0 else 0.0
                self._left[at] = left
            total += left
        return math.log(max(total, _TINY))

    def falls(self, track: tuple[Ball, ...]) -> list[int]:
        """Return the places of balls that may have left the track just before, if the impact is the sound of one."""
        now_s, found = self._impact.time_s, []
        for place, (_, station, time_s, floor) in enumerate(track):
            if floor <= station and FALL_S[0] < now_s - time_s < FALL_S[1]:
                found.append(place)
        return found

    def fallen(self, h: History, log_p: float, place: int) -> History:
        """Return the history in which the ball at that place fell, of that log probability."""
        impact, ball = self._impact, h.track[place]
        foreign = self._bounces.share(1.0, 1.0)
        heard = Decision(h.past, "none", impact.number, ball.last, impact.station, impact.time_s, foreign=foreign)
        past = Decision(heard, "end", ball.last, ball.last, ball.station, impact.time_s, ball.floor)
        return History(log_p, without(h.track, place), h.last_at, h.fed_s, h.period_s, h.slots, past, h.contacts)
