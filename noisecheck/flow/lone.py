"""Impacts that no ball made: strays, and what else each of them may be. What is a stray the whole run tells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.bounces import Bounces
from noisecheck.flow.dues import Trains
from noisecheck.flow.explanations import (
    COPY_S,
    SAME_REBOUND,
    Impact,
    ReboundsDue,
    begun_by,
    copy_density,
    falls_more,
    label_of,
    leftover_rebound,
    rebound_or_other,
    unexplained,
)
from noisecheck.flow.histories import Contacts, Decision, contacts_of, hider_of
from noisecheck.flow.odds import combine_odds
from noisecheck.flow.rebounds import Due, Member

__all__ = ["LoneImpacts"]

_STRANGE: Final = 0.2
"""Share of a station's contacts that sound like none from which its rebounds are expected to."""
_SOON_S: Final = 0.3
"""A first rebound from a drop of 50 mm at a restitution of 0.7 takes 0.14 s (free fall), from 200 mm 0.28 s."""
_TWICE: Final = 1e-3
"""Share of sounds that two impacts are found for (chosen here)."""
_LITTLE: Final = 0.01
"""Share of what is unexplained below which a rebound need not be weighed against others (chosen here)."""
_SAME: Final = 0.5
"""Probability from which what begins a train is a rebound itself."""
_RESTS: Final = 0.5
"""Share of the density of a rebound that is left without the impact before it, if it is not the next one after that."""
_MAYBE: Final = 0.05
"""Odds from which an impact may yet turn out a stray."""


class _Lone(NamedTuple):
    """One such impact as it was settled: weights of histories, densities of all but a stray and chance."""

    impact: Impact
    share: float
    rest: float
    rebound: float
    holds: bool
    fell: bool
    said_s: float


class LoneImpacts:
    """What no ball of a run made.

    Args:
        beliefs: of the run.
        impacts: all impacts taken in, by number; they are added to elsewhere.
        trains: of the run.
    """

    def __init__(self, beliefs: Beliefs, impacts: list[Impact], trains: Trains) -> None:
        self._beliefs, self._impacts, self._trains = beliefs, impacts, trains
        self.alone: set[int] = set()
        """Impacts that no ball made, in the best history."""
        self.holding: set[float] = set()
        """When, in it, contacts came that another impact hid: what holds one need not be a stray."""
        self.rebounds: set[int] = set()
        """Impacts that are surely rebounds."""
        self._maybe: list[_Lone] = []
        self._said: set[int] = set()
        self._events: set[int] = set()
        """Those said, and their bounces: where a stray was not said, as likely a ball's, its bounce is."""

    def settle(self, d: Decision, share: float, rest: float, said_s: float) -> float:
        """Return the odds that a settled impact is a stray; learn how often rebounds are left in.

        Args:
            d: the decision.
            share, rest: weights of the histories that agree with it and of those that do not.
            said_s: when it is settled.
        """
        impact, b = self._impacts[d.impact], self._beliefs
        rebound, bounce = self._rebound_density(d), Bounces(b, impact).density(d.before, self._events)
        lone = _Lone(impact, share, rest, rebound + bounce, impact.time_s in self.holding, d.fell, said_s)
        total = sum(unexplained(b, impact, fell=d.fell)) + lone.rebound
        if bounce > 0.5 * total:
            self._events.add(d.impact)
        part = rebound / total
        for due in impact.due:
            if not due.density:
                continue
            blend = impact.blend(due.contact)
            p = due.density * label_of(b, impact, due.station, due.contact)
            p = min(p, rebound) / total
            foreign, _ = impact.foreign(due.station, b.p_strange_rebound[due.station][blend], b.astray[blend])
            b.learn_rebound(due.station, p, foreign, blend)
        if impact.named:
            b.rebounds += part * (not impact.due)
        else:
            b.unplaced_rebounds += part * (not impact.due)
        odds = self._odds(lone)
        if odds > _MAYBE:
            self._maybe.append(lone)
        return odds

    def said(self, d: Decision, odds: float) -> None:
        """Learn from a stray that was claimed."""
        impact = self._impacts[d.impact]
        # Where contacts sound like no station, so do rebounds, and these keep coming soon after louder impacts.
        if not (d.fell or self._soon(impact)):
            self._beliefs.learn_stray(odds / (1.0 + odds), impact.labels)
        self._said.add(d.impact)
        self._events.add(d.impact)

    def judged_again(self) -> list[tuple[Impact, float, float]]:
        """Return what may be strays by all that the run has taught: (impact, odds, when it was settled)."""
        return [(lone.impact, self._odds(lone), lone.said_s) for lone in self._maybe]

    def _odds(self, lone: _Lone) -> float:
        stray, chance = unexplained(self._beliefs, lone.impact, fell=lone.fell)
        return combine_odds(lone.share, lone.rest, stray, chance + lone.rebound + lone.holds * stray)

    def _soon(self, impact: Impact) -> bool:
        """Return whether an impact comes so soon after a louder one that it may be a strange rebound."""
        number = impact.number - 1
        if self._beliefs.strangest < _STRANGE:
            return False
        while number >= 0 and impact.time_s - self._impacts[number].time_s < _SOON_S:
            if self._impacts[number].level_db > impact.level_db + 1.0:
                return True
            number -= 1
        return False

    def fall_or_else(self, d: Decision) -> tuple[float, float]:
        """Return the densities of an impact as the fall of a ball that left the track, and as anything else."""
        impact = self._impacts[d.impact]
        return falls_more(self._beliefs, impact), sum(unexplained(self._beliefs, impact)) + self.rebound_density(d)

    def rebound_density(self, d: Decision) -> float:
        """Return the density of a rebound, a copy or a stray's bounce, of an impact that is not settled."""
        return self._rebound_density(d) + Bounces(self._beliefs, self._impacts[d.impact]).density(d.before)

    def _rebound_density(self, d: Decision) -> float:
        """Return the density of a leftover rebound or copy, by the balls heard before and the impacts beside."""
        impact, at, total = self._impacts[d.impact], d.before, 0.0
        due = self._trains.due(
            impact.time_s, impact.level_db, impact.heaped, impact=impact.number, channel=impact.channel
        )
        seen: set[int] = set()
        for _ in range(40):
            if at is None or len(seen) == self._beliefs.count:
                break
            if at.kind in ("pass", "born") and at.station not in seen:
                seen.add(at.station)
                level_db = self._impacts[at.impact].level_db
                total += leftover_rebound(self._beliefs, impact, at.station, impact.time_s - at.time_s, level_db)
            at = at.before
        beside, within = 0.0, self._beliefs.settings.mask_s
        for step in (-1, 1):
            number = d.impact + step
            while 0 <= number < len(self._impacts):
                other = self._impacts[number]
                apart_s = other.time_s - impact.time_s
                if abs(apart_s) > COPY_S:
                    break
                # Two that no ball made may be one sound heard twice, but not each the other's copy: the softer is.
                softer = not other.level_db > impact.level_db
                if not (softer and number in self.alone and number not in self._said):
                    beside = max(beside, copy_density(self._beliefs, impact, apart_s, other.level_db))
                if abs(apart_s) < within:
                    hardly = max(impact.faint, other.faint)  # one of the two is at the level of the background
                    twice = hardly * _TWICE / (2.0 * within)
                    if softer and number in self.alone:  # then it is a rebound, and this the same sound once more
                        own = self._rebound(other)
                        twice *= own / (own + twice)
                    beside = max(beside, twice)
                number += step
        known = impact._replace(due=tuple(d for d in due if d.density > 0.0))
        contacts = contacts_of(d.before, impact.time_s, self._beliefs.heard)
        by = ReboundsDue(self._beliefs, known).by_contact(contacts)
        least, balls = _LITTLE * sum(unexplained(self._beliefs, impact)), _alone_heard(d, contacts, self._beliefs.heard)
        return total + beside + sum(p * (self._room(known, at, p, balls) if p > least else 1.0) for at, p in by.items())

    def _rebound(self, impact: Impact) -> float:
        """Return the density of an impact by the rebounds that were due, whatever their contacts are taken for."""
        return sum(d.density * label_of(self._beliefs, impact, d.station, d.contact) for d in impact.due)

    def _room(self, impact: Impact, at: tuple[int, int], density: float, balls: set[int]) -> float:
        """Return how much less likely an impact is a rebound because others that no ball made fit better there.

        By all that is known by now, also of what came later. ``at`` is (station, impact) of the contact, and
        ``density`` that of its rebound; ``balls`` are impacts which are no rebounds.
        """
        reach_s, share = SAME_REBOUND * self._beliefs.laws[at[0]].first_s[0], 1.0
        mine, whole = math.nan, 0.0
        for step in (-1, 1):
            number = impact.number + step
            while 0 <= number < len(self._impacts):
                other = self._impacts[number]
                if not abs(other.time_s - impact.time_s) < reach_s:
                    break
                number += step
                if other.number not in self.alone:
                    continue
                if math.isnan(mine):
                    mine, whole = self._of_fall(impact, at, density, balls), self._by_train(impact, at[1])
                if self._by_train(impact, at[1], other.number) < _RESTS * whole:
                    continue  # it is the rebound after that one, or none
                due = [d._replace(density=self._by_train(other, d.contact, impact.number)) for d in other.due]
                if (theirs := self._of_fall(other._replace(due=tuple(due)), at, 0.0, balls)) > mine:
                    share = min(share, 1.0 / (1.0 + theirs))
        return share

    def _by_train(self, impact: Impact, contact: int, without: int = -1) -> float:
        """Return the density of an impact as a rebound in the train of a contact, one other impact left out."""
        of = -1, impact.time_s, impact.level_db, impact.number
        now = Member(*of, drowned=impact.heaped, channel=impact.channel)
        return self._trains.density(contact, now, without)

    def _of_fall(self, impact: Impact, at: tuple[int, int], density: float, balls: set[int]) -> float:
        """Return the odds that an impact no ball made is a rebound of the fall of a contact: of ``density``, or due."""
        own, other = rebound_or_other(self._beliefs, impact, lambda due: self._same_fall(due, at, balls))
        return max(own, density) / max(other, 1e-300)

    def _same_fall(self, due: Due, at: tuple[int, int], balls: set[int]) -> bool:
        """Return whether a train begins with a contact, or with a rebound of it, or that is a rebound itself."""
        station, contact = at
        if due.station != station or due.contact == contact:
            return due.station == station
        first, then = sorted((due.contact, contact))
        return then not in balls and begun_by(self._beliefs, Due(station, then, 0.0), first) > _SAME


def _alone_heard(d: Decision, contacts: Contacts, heard_s: Sequence[float]) -> set[int]:
    """Return the balls' contacts before a decision, but for rebounds that show of hidden ones."""
    found, at, left = {number for _, number in contacts}, d.before, len(contacts)
    while at is not None and left > 0:
        if at.kind in ("pass", "born"):
            left -= 1
            if not math.isnan(at.came_s):
                left -= hider_of(heard_s, at.came_s) >= 0
                found.discard(at.impact)
        at = at.before
    return found
