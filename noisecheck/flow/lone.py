"""Impacts that no ball made: strays, and what else each of them may be. What is a stray the whole run tells."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.dues import Trains
from noisecheck.flow.explanations import (
    COPY_S,
    SAME_REBOUND,
    Impact,
    ReboundsDue,
    as_rebound,
    copy_density,
    label_of,
    leftover_rebound,
    unexplained,
)
from noisecheck.flow.histories import Decision, contacts_of
from noisecheck.flow.odds import combine_odds
from noisecheck.flow.rebounds import Due

__all__ = ["LoneImpacts"]

_STRANGE: Final = 0.2
"""Share of a station's contacts that sound like none from which its rebounds are expected to."""
_SOON_S: Final = 0.3
"""A first rebound from a drop of 50 mm at a restitution of 0.7 takes 0.14 s (free fall), from 200 mm 0.28 s."""
_TWICE: Final = 1e-3
"""Share of sounds that two impacts are found for (chosen here)."""
_MAYBE: Final = 0.05
"""Odds from which an impact may yet turn out a stray."""


class _Lone(NamedTuple):
    """One such impact as it was settled: weights of histories, densities of all but a stray and chance."""

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
        self._maybe: dict[int, _Lone] = {}
        self._said: set[int] = set()

    def settle(self, d: Decision, share: float, rest: float, said_s: float) -> float:
        """Return the odds that a settled impact is a stray; learn how often rebounds are left in.

        Args:
            d: the decision.
            share, rest: weights of the histories that agree with it and of those that do not.
            said_s: when it is settled.
        """
        impact, b = self._impacts[d.impact], self._beliefs
        lone = _Lone(share, rest, self.rebound_density(d), impact.time_s in self.holding, d.fell, said_s)
        total = sum(unexplained(b, impact, fell=d.fell)) + lone.rebound
        part = lone.rebound / total
        for due in impact.due:
            blend = impact.blend(due.contact)
            p = due.density * label_of(b, impact, due.station, due.contact)
            p = min(p, lone.rebound) / total
            foreign, _ = impact.foreign(due.station, b.p_strange_rebound[due.station][blend], b.astray[blend])
            b.learn_rebound(due.station, p, foreign, blend)
        if impact.named:
            b.rebounds += part * (not impact.due)
        else:
            b.unplaced_rebounds += part * (not impact.due)
        odds = self._odds(impact, lone)
        if odds > _MAYBE:
            self._maybe[d.impact] = lone
        return odds

    def said(self, d: Decision, odds: float) -> None:
        """Learn from a stray that was claimed."""
        impact = self._impacts[d.impact]
        # Where contacts sound like no station, so do rebounds, and these keep coming soon after louder impacts.
        if not (d.fell or self._soon(impact)):
            self._beliefs.learn_stray(odds / (1.0 + odds), impact.labels)
        self._said.add(d.impact)

    def judged_again(self) -> list[tuple[Impact, float, float]]:
        """Return what may be strays by all that the run has taught: (impact, odds, when it was settled)."""
        return [(self._impacts[n], self._odds(self._impacts[n], lone), lone.said_s) for n, lone in self._maybe.items()]

    def _odds(self, impact: Impact, lone: _Lone) -> float:
        stray, chance = unexplained(self._beliefs, impact, fell=lone.fell)
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

    def rebound_density(self, d: Decision) -> float:
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
        known = impact._replace(due=tuple(d._replace(density=d.density * self._rival(impact, d)) for d in due))
        contacts = contacts_of(d.before, impact.time_s, self._beliefs.heard)
        return total + beside + ReboundsDue(self._beliefs, known).density(contacts)

    def _rebound(self, impact: Impact) -> float:
        """Return the density of an impact by the rebounds that were due, whatever their contacts are taken for."""
        return sum(d.density * label_of(self._beliefs, impact, d.station, d.contact) for d in impact.due)

    def _rival(self, impact: Impact, due: Due) -> float:
        """Return how much less likely an impact is a rebound because others that no ball made fit better there."""
        reach_s, share = SAME_REBOUND * self._beliefs.laws[due.station].first_s[0], 1.0
        mine = math.nan
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
                    mine = as_rebound(self._beliefs, impact, due.contact, True)
                if (theirs := as_rebound(self._beliefs, other, due.contact, True)) > mine:
                    share = min(share, 1.0 / (1.0 + theirs))
        return share
