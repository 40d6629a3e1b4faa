"""Impacts sorted before any history is asked: rebounds that fit their train are no balls' contacts."""

from __future__ import annotations

import math
from typing import Final

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.explanations import NO_CONTACT, Impact, as_rebound, label_of, unexplained
from noisecheck.flow.rebounds import Member

__all__ = ["CLEARLY_PLACED", "Sorter"]

CLEARLY_PLACED: Final = 0.98
"""Confidence from which no other contact is taken to be in an impact."""
_FITS, _MISFIT = 1.0, 0.02
"""Densities (per s, re any level) from which an impact fits its train, and below which it is none of it: what fits in
time and level has hundreds."""
_SURELY = 10.0
"""Odds from which that is sure, against all else it may be."""


class Sorter:
    """Sorts the impacts of a run into trains as they come.

    Args:
        beliefs: of the run.
        book: of the run; it keeps the impacts and the trains.
    """

    def __init__(self, beliefs: Beliefs, book: Book) -> None:
        self._beliefs, self._book = beliefs, book
        self._nowhere: set[int] = set()
        """Trains whose first contact sounds like no station, and as like one as another."""

    def among_trains(self, impact: Impact) -> tuple[Impact, bool]:
        """Return the impact with the rebounds it may be, taken into its own train, and whether it surely is one."""
        trains = self._book.trains
        self._place_head(impact)
        company = trains.company(impact.time_s, self._beliefs.settings.mask_s)
        heaped = impact.heaped or len(company) > 1
        due = trains.due(impact.time_s, impact.level_db, heaped, impact=impact.number, channel=impact.channel)
        impact = impact._replace(company=company, due=tuple(due))
        self._book.impacts[impact.number] = impact
        sure = impact.rebound > 0 and self._surely_rebound(impact)
        contact = trains.contact_of(impact.drop) if impact.rebound > 0 else -1
        if sure:
            station = self._beliefs.heads.get(contact, -1)
            if station >= 0:
                self._beliefs.learn_rebound(station, 1.0, 0.0, impact.blend(contact))
        # What does not fit its train is left out of it, so that it does not stand in for the rebound that does.
        if impact.drop >= 0 and (contact < 0 or self._fits(impact, contact, _MISFIT)):
            fit = as_rebound(self._beliefs, impact, contact, sure) if contact >= 0 else math.inf
            member = _member(impact, fit)
            station = impact.station if impact.rebound > 0 else impact.likeliest
            trains.take(impact.drop, member, station, usual=self._usual(impact, station))
            if impact.rebound <= 0 and station >= 0:
                self._beliefs.heads[impact.number] = station
            elif impact.rebound <= 0:
                self._nowhere.add(impact.drop)
        return impact, sure

    def _place_head(self, impact: Impact) -> None:
        """Put a train whose first contact was placed nowhere to where its rebound is."""
        contact = self._book.trains.contact_of(impact.drop) if impact.rebound > 0 else -1
        if contact < 0 or impact.station in (-1, self._beliefs.heads[contact]):
            return
        head = self._book.impacts[contact]
        if head.station < 0:
            self._beliefs.heads[contact] = impact.station
            usual = self._usual(head, impact.station)
            self._book.trains.place(impact.drop, impact.station, usual=usual)

    def if_short(self, impact: Impact) -> float:
        """Return how much less likely a first rebound of its train is if the train began with a rebound (at most 1)."""
        contact = self._book.trains.contact_of(impact.drop)
        law = self._beliefs.laws[self._beliefs.heads[contact]]
        if not law.known:
            return NO_CONTACT
        own, other = self._book.trains.if_short(impact.drop, _member(impact, math.inf))
        label = label_of(self._beliefs, impact, self._beliefs.heads[contact], contact)
        other += sum(unexplained(self._beliefs, impact)) / label
        return min(other / own, 1.0) if own > 0.0 else NO_CONTACT

    def _usual(self, impact: Impact, station: int) -> bool:
        """Return whether an impact is as loud as balls' contacts at a station, -1 any."""
        return station < 0 or self._beliefs.levels[station].begins(impact.level_db, impact.drowned)

    def _fits(self, impact: Impact, contact: int, least: float) -> bool:
        """Return whether an impact is a rebound in the train of a first contact by its time and level."""
        law = self._beliefs.laws[self._beliefs.heads[contact]]
        return (
            not (law.known and law.knows(impact.rebound))
            or sum(d.density for d in impact.due if d.contact == contact) >= least
        )

    def _surely_rebound(self, impact: Impact) -> bool:
        """Return whether an impact told to be a rebound fits its train, and the train a ball's contact."""
        contact = self._book.trains.contact_of(impact.drop)
        if contact < 0 and impact.rebound == 1 and impact.drop in self._nowhere:
            return impact.station < 0 or not self._beliefs.laws[impact.station].known
        if contact < 0 or not self._beliefs.laws[self._beliefs.heads[contact]].known:
            return True
        head = self._book.impacts[contact]
        if not self._fits(impact, contact, _FITS):
            return False
        if as_rebound(self._beliefs, impact, contact, False) < _SURELY:
            return False
        if impact.rebound > 1:
            return True
        # In one that sounds like no station there may be two contacts.
        return head.station >= 0 and self._usual(head, head.station) and head.confidence >= CLEARLY_PLACED


def _member(impact: Impact, fit: float) -> Member:
    """Return an impact as one of its train, which it fits by those odds."""
    of = impact.rebound, impact.time_s, impact.level_db, impact.number
    return Member(*of, fit, impact.drowned, impact.channel)
