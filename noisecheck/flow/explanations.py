"""What else than a ball's contact may have made an impact: a stray, chance, a rebound, a copy; densities per s."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from operator import mul
from typing import NamedTuple

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.rebounds import SPAN_DB, Due
from noisecheck.place.evidence import LEAST_CONFIDENCE

__all__ = [
    "COPY_S",
    "NO_CONTACT",
    "SAME_FALL_S",
    "SAME_REBOUND",
    "Impact",
    "ReboundsDue",
    "as_rebound",
    "begun_by",
    "copy_density",
    "falls_more",
    "hidden_contacts",
    "label_of",
    "leftover_rebound",
    "rebound_or_other",
    "unexplained",
]

_TINY = 1e-300
_REBOUND_S = 0.08
"""A rebound left in follows its first contact this closely (mean)."""
_ASTRAY = 0.01
"""Share of contacts with a rebound that would be left in if it were put to another place than the contact."""
NO_CONTACT = 0.02
"""Weight of a train's rebound where its first contact is taken for something else."""
SAME_REBOUND = 0.35
"""Impacts nearer to one another than this, re the first rebound's time, may be the same rebound."""
SAME_FALL_S = 0.5
"""Rebounds of one fall that matter come within this of its contact."""
_BLUR = 0.6
"""Spread of the time between a hidden contact and the impact that hides it, over ``mask_s`` (evenly within it)."""
_ODD_LEVEL = 0.02
"""Share of rebounds of hidden contacts of any level."""
_ODD_TIME = 0.05
"""Share of contacts that come at another time than usual, held up (common practice, no source)."""
_HIDDEN_LEAST = 1e-3
_FOREIGN = 0.5 / 0.05
"""Share of the doubt in a placing that means "no station", over the share of such impacts taken there beforehand."""
_USUAL = 0.5
_LIKE_THE_LOUDER = 0.05
"""Share of impacts just after a louder one that sound as if made where that was (simulation)."""
_CLEARLY = 100.0
"""Likelihoods of two stations whose sounds are told apart."""
_REBOUND_ASTRAY = 0.5
"""The same share of rebounds, at least: a softer blow, fainter, sounds otherwise (common practice, no source)."""
COPY_S = 0.015
"""Another microphone hears the same impact at most this much earlier or later (some 5 m of air, common practice)."""


class Impact(NamedTuple):
    """One placed first contact."""

    number: int
    time_s: float
    station: int
    """Index on the route, -1 when unplaced."""
    confidence: float
    odds: float
    """That it is a real impact."""
    level_db: float
    mixed: int = 0
    """How much others near in time change what it sounds like: 0 hardly, 1 somewhat, 2 often."""
    drowned: bool = False
    """Whether a louder one is so near in time that its level may be too high, and it sounds like that one's place."""
    labels: tuple[float, ...] = ()
    """Likelihood of its sound at each station of the route and, last, at none; up to a constant. Empty: not known."""
    due: tuple[Due, ...] = ()
    """Rebounds it may be."""
    drop: int = -1
    rebound: int = 0
    """Its train and its number there, as told by the times and levels of its station alone."""
    company: tuple[int, ...] = ()
    """First contacts of the trains whose next rebound is due just then, and may be in it."""
    at_most: bool = False
    """Whether its level is an upper bound only."""
    channel: int = 0
    """Of the microphone whose sound its level is; levels at different ones are not compared."""
    faint: float = 1.0
    """How much likelier its margin is for what is hardly there than for any impact."""

    @property
    def named(self) -> bool:
        """Whether its sound is that of a station, and not only nearer to one than to others."""
        return self.station >= 0 and self.confidence >= LEAST_CONFIDENCE

    @property
    def heaped(self) -> bool:
        """Whether its level may be too high: a bound, a louder one near, or rebounds of two trains due at once."""
        return self.at_most or self.drowned or len(self.company) > 1

    @property
    def own_db(self) -> float:
        """Its level, NaN where that is not known."""
        return math.nan if self.at_most else self.level_db

    @property
    def likeliest(self) -> int:
        """Where it was, if it was at a station at all; -1 where its sound does not tell."""
        if self.station >= 0 or not self.labels:
            return self.station
        best, second = sorted(range(len(self.labels) - 1), key=lambda q: -self.labels[q])[:2] or (0, 0)
        return best if self.labels[best] > _CLEARLY * self.labels[second] else -1

    def blend(self, contact: int = -1) -> int:
        """Return how much others change its sound, 3 where one may be in it; but not one of its own train."""
        company = self.company
        return 3 if company and (len(company) > 1 or company[0] != contact) else self.mixed

    def nearest(self, station: int) -> float:
        """Return how much likelier its sound is at a station than at any of the route, foreign or not."""
        whole = sum(self.labels[:-1])
        return self.labels[station] * (len(self.labels) - 1) / whole if whole > 0.0 else 1.0

    def foreign(self, station: int, unplaced: float, astray: float) -> tuple[float, float]:
        """Return the probabilities that its sound is foreign although it was at a station, and tells no place then.

        Args:
            station: where it was.
            unplaced: share of foreign sounds beforehand.
            astray: share of those that are like one station as much as another.
        """
        if not self.labels:
            return float(self.station < 0), 0.0
        told = (1.0 - astray) * self.nearest(station)
        strange = unplaced * self.labels[-1] * (told + astray)
        foreign = strange / max(strange + (1.0 - unplaced) * self.labels[station], _TINY)
        return foreign, foreign * astray / (told + astray)


def label_of(beliefs: Beliefs, impact: Impact, station: int, contact: int = -1) -> float:
    """Probability that an impact at ``station``, in the train of ``contact`` or none, is placed as this one was."""
    blend, labels, misplaced = impact.blend(contact), impact.labels, beliefs.settings.misplaced
    u = (beliefs.p_unplaced if contact < 0 else beliefs.p_strange_rebound)[station][blend]
    if labels:
        # What sounds like none of the stations may still be most like its own: as far as the run bears that out.
        astray = beliefs.astray[blend]
        if contact >= 0 and astray < _REBOUND_ASTRAY:
            astray = _REBOUND_ASTRAY
        strange = labels[-1] * ((1.0 - astray) * impact.nearest(station) + astray)
        sound = (1.0 - u) * labels[station] + u * strange
        least = max(misplaced, _LIKE_THE_LOUDER * max(labels)) if impact.drowned else misplaced
        return sound if sound > least else least
    if impact.station < 0:
        return u
    wrong = max(1.0 - impact.confidence, misplaced)
    if impact.station == station:
        return (1.0 - u) * (1.0 - wrong)
    return wrong / max(beliefs.count - 1, 1) * (1.0 - u)


def unexplained(beliefs: Beliefs, impact: Impact, *, fell: bool = False) -> tuple[float, float]:
    """Return the densities of (stray, chance) for an impact that no ball of the route made; ``fell``: that is its fall.

    What is far softer than any contact of a ball is some small sound, and counted with chance.
    """
    real, stray_label, chance_label, ball = _sounds(beliefs, impact)
    stray = (beliefs.stray_rate + fell * beliefs.fall_rate) * real * stray_label
    chance = 0.5 / (1.0 + impact.odds) * chance_label + stray * (1.0 - ball)
    if any(beliefs.deaf) and any(start <= impact.time_s <= stop for spans in beliefs.deaf for start, stop in spans):
        usual = impact.station >= 0 and beliefs.levels[impact.station].ratio(impact.level_db, impact.drowned) > _USUAL
        if not usual:  # other microphones hear what falls at a dead one, and put it elsewhere
            chance += beliefs.feed_rate * real
    return stray * ball, chance


def falls_more(beliefs: Beliefs, impact: Impact) -> float:
    """Return by how much the density of an impact as a stray is higher if it may be the fall of a ball."""
    real, label, _, ball = _sounds(beliefs, impact)
    either = (beliefs.stray_rate + beliefs.fall_rate) * real * label * ball
    return either - beliefs.stray_rate * real * label * ball


def _sounds(beliefs: Beliefs, impact: Impact) -> tuple[float, float, float, float]:
    """Return how likely an impact is real, sounds as it does as a stray and by chance, and is as loud as a ball's."""
    real = impact.odds / (1.0 + impact.odds)
    # A stray sounds like no station more often than not, and else is put to one in doubt; chance has no preference.
    stray_label, chance_label = 0.7, 0.5
    if impact.labels:
        labels = impact.labels
        stray_label = sum(map(mul, beliefs.stray_sounds, labels))
        chance_label = 0.5 * (labels[-1] + sum(labels[:-1]) / beliefs.count)
    elif impact.station >= 0:
        doubt = (1.0 - impact.confidence) / max(impact.confidence, 1e-3)
        stray_label = min(0.3 / beliefs.count + _FOREIGN * doubt / beliefs.count, 1.0)
        chance_label = 0.5 / beliefs.count
    return real, stray_label, chance_label, beliefs.loud_as_a_ball(impact.level_db)


def leftover_rebound(beliefs: Beliefs, impact: Impact, place: int, since_s: float, level_db: float) -> float:
    """Return the density of a rebound left in, ``since_s`` after a contact of ``level_db`` at ``place``.

    Where the impact itself is put to another place or to none it must be known to be softer; then the doubt in its
    placing counts, or how often rebounds were left unplaced in this run.
    """
    if not 0.0 <= since_s < 1.5:
        return 0.0
    if not impact.at_most and impact.level_db > level_db - 1.0:
        return 0.0
    real = impact.odds / (1.0 + impact.odds)
    p = beliefs.p_rebound
    if place != impact.station:
        if not impact.level_db <= level_db - 1.0:
            return 0.0
        doubt = _ASTRAY * (1.0 - impact.confidence) / max(beliefs.count - 1, 1)
        # Where contacts sound like no station, so do the rebounds left in.
        strange = max(beliefs.p_unplaced_rebound, beliefs.p_rebound * beliefs.p_unplaced[place][0])
        p = doubt if impact.named else strange
    law = beliefs.laws[place]
    # Once it is known how balls rebound here, little else is expected; where no law is, that they hardly do, too, but
    # for what may be too faint to be told for a train.
    p *= 10.0 / (10.0 + law.drops * (law.known or impact.named))
    return p / _REBOUND_S * math.exp(-since_s / _REBOUND_S) * real


class ReboundsDue:
    """The rebounds an impact may be: of trains told apart, and of contacts that no train was found for.

    What is due after one contact does not depend on the others, and is worked out once.
    """

    def __init__(self, beliefs: Beliefs, impact: Impact) -> None:
        self._beliefs, self._impact = beliefs, impact
        self._real = impact.odds / (1.0 + impact.odds)
        self._trains = [
            (d, d.density * label_of(beliefs, impact, d.station, d.contact) if d.density else 0.0) for d in impact.due
        ]
        self._begun: dict[tuple[int, int], float] = {}
        self._after: dict[tuple[int, int], float] = {}

    def density(self, contacts: Sequence[tuple[int, int]]) -> float:
        """Return the density of a rebound that is due after contacts: (station, impact) of balls of late."""
        return sum(self.by_contact(contacts).values())

    def by_contact(self, contacts: Sequence[tuple[int, int]]) -> dict[tuple[int, int], float]:
        """Return the same by (station, impact) of the contact that it is due after."""
        found: dict[tuple[int, int], float] = {}
        real, after = self._real, self._after
        for number, (due, density) in enumerate(self._trains):
            its_station, first, _ = due
            at = its_station, first
            if not density:
                found.setdefault(at, 0.0)
                continue
            begun = NO_CONTACT
            for station, contact in contacts:
                if station == its_station:
                    p = self._begun.get((number, contact))
                    if p is None:
                        p = self._begun[number, contact] = begun_by(self._beliefs, due, contact)
                    if p > begun:
                        begun = p
            found[at] = found.get(at, 0.0) + density * begun * real
        for at in contacts:
            p = after.get(at)
            if p is None:
                p = after[at] = self._of(*at)
            if p > 0.0:
                found[at] = found.get(at, 0.0) + p * real
        return found

    def _of(self, station: int, contact: int) -> float:
        """Return the density of a rebound of a contact that no train was found for."""
        beliefs, impact, law, total = self._beliefs, self._impact, self._beliefs.laws[station], 0.0
        if contact == impact.number or not law.known:
            return 0.0
        since = impact.time_s - beliefs.heard[contact]
        if 0.0 < since < SAME_FALL_S and beliefs.rebounded(station, beliefs.heard[contact]) is False:
            # What was taken for the contact may not have been it: then this is the rebound of the one not heard.
            loud = _as_loud_as_a_rebound(beliefs, station, impact.own_db)
            missed = beliefs.p_miss[station] * law.share(1)
            total += missed * _beside(beliefs, station, since) * loud * label_of(beliefs, impact, station)
        if beliefs.heads.get(contact) == station:
            return total
        change = impact.own_db - beliefs.levels[station].usual_db[0]
        if impact.channel != beliefs.heard_by[contact] and not change > 0.0:
            change = math.nan  # another microphone hears it softer
        p = law.any_of(since, change, impact.drowned)
        return total + (p * label_of(beliefs, impact, station, contact) if p > 0.0 else 0.0)


def _beside(beliefs: Beliefs, station: int, since_s: float) -> float:
    """Return the density of a first rebound so long after what was taken for its contact, which was not heard.

    That contact is due when balls come here, so its time is known as well as a transit is; at the first station it is
    not known.
    """
    evenly = 1.0 / SAME_FALL_S
    if not station:
        return evenly
    usual, sd = beliefs.laws[station].first_s
    sd = math.hypot(sd, math.sqrt(beliefs.var[station - 1]))
    z = (since_s - usual) / sd
    return _ODD_TIME * evenly + (1.0 - _ODD_TIME) * math.exp(-0.5 * min(z * z, 1400.0)) / (sd * 2.5066)


def begun_by(beliefs: Beliefs, due: Due, contact: int) -> float:
    """Return how likely a contact began a train: it is its first impact, or that one was a rebound of it."""
    since = beliefs.heard[due.contact] - beliefs.heard[contact]
    if not 0.0 < since < SAME_FALL_S:
        return float(due.contact == contact)
    change = beliefs.heard_db[due.contact] - beliefs.heard_db[contact]
    p = beliefs.laws[due.station].any_of(since, change, True)
    return p / (1.0 + p)


def rebound_or_other(beliefs: Beliefs, impact: Impact, is_own: Callable[[Due], bool]) -> tuple[float, float]:
    """Return the densities of an impact that no ball made: as one of its own rebounds due, and as anything else."""
    own, other = 0.0, sum(unexplained(beliefs, impact))
    for due in impact.due:
        if not due.density:
            continue
        p = due.density * label_of(beliefs, impact, due.station, due.contact)
        own, other = (own + p, other) if is_own(due) else (own, other + p)
    return own, other


def as_rebound(beliefs: Beliefs, impact: Impact, contact: int, sure: bool) -> float:
    """Return the odds that an impact is the rebound due of a contact; where ``sure`` it is no ball's contact."""
    own, other = rebound_or_other(beliefs, impact, lambda due: due.contact == contact)
    if not sure:
        other += max(label_of(beliefs, impact, q) for q in range(beliefs.count))
    return own / max(other, _TINY)


def hidden_contacts(beliefs: Beliefs, impact: Impact) -> list[tuple[int, float, float]]:
    """Return (station, time in s, factor) of contacts that others may have hidden, whose first rebound this is.

    Or for which no impact was found at all. The factor, with the density of a contact at that time, gives the density
    of the rebound.
    """
    found = []
    within, times = beliefs.settings.mask_s, beliefs.heard
    for q, law in enumerate(beliefs.laws):
        if not law.known:
            continue
        usual, sd = law.first_s
        reach = 4.0 * sd + 1.5 * within
        loud = _as_loud_as_a_rebound(beliefs, q, impact.own_db)
        missed, loud = beliefs.p_miss[q] * law.share(1) * loud, loud * 2.0 * within * beliefs.masked
        at = impact.number - 1
        while at >= 0 and (since := impact.time_s - times[at]) <= usual + reach:
            if since >= usual - reach:
                missed = 0.0  # then that hid it
                double = beliefs.double(at) if beliefs.settings.shared_microphone else 1.0
                factor = double * loud * beliefs.hides(q, beliefs.heard_db[at]) * law.hidden(since, _BLUR * within)
                if factor > _HIDDEN_LEAST:
                    found.append((q, times[at], factor))
            at -= 1
        if missed > _HIDDEN_LEAST:
            found.append((q, impact.time_s - usual, missed))
    return found


def _as_loud_as_a_rebound(beliefs: Beliefs, station: int, level_db: float) -> float:
    """Return how much likelier a level is for a first rebound at a station than for anything; 1 where unknown."""
    middle, spread = beliefs.levels[station].usual_db
    fall, scatter = beliefs.laws[station].first_fall_db
    sd = math.hypot(spread, scatter)
    off = (level_db - middle - fall) / sd
    if math.isnan(off):
        return 1.0
    own = math.exp(-0.5 * off * off) / (sd * 2.5066) if abs(off) < 30.0 else 0.0
    return _ODD_LEVEL + (1.0 - _ODD_LEVEL) * own * SPAN_DB


def copy_density(beliefs: Beliefs, impact: Impact, apart_s: float, level_db: float) -> float:
    """Return the density of a copy: the sound of an impact of ``level_db``, taken twice by two microphones."""
    # The farther microphone hears it later and, the longer way round, clearly softer.
    softer_db = -1.0 if abs(apart_s) < 0.002 else 6.0
    if abs(apart_s) > COPY_S or not impact.level_db <= level_db - softer_db:
        return 0.0
    return beliefs.settings.copied / (2.0 * COPY_S)
