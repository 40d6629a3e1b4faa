"""Impacts sorted before any history is asked: rebounds that fit their train are no balls' contacts."""

from __future__ import annotations

import math
from typing import Final

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.explanations import Impact
from noisecheck.flow.rebounds import Member

__all__ = ["CLEARLY_PLACED", "USUAL", "Sorter"]

CLEARLY_PLACED: Final = 0.98
"""Confidence from which no other contact is taken to be in an impact."""
USUAL: Final = 0.5
"""A first contact whose level is likelier than this, over that of any other impact, is as loud as usual."""
_FITS, _MISFIT = 1.0, 0.02
"""Densities (per s, re any level) from which an impact fits its train, and below which it is none of it: what fits in
time and level has hundreds."""


class Sorter:
    """Sorts the impacts of a run into trains as they come.

    Args:
        beliefs: of the run.
        book: of the run; it keeps the impacts and the trains.
    """

    def __init__(self, beliefs: Beliefs, book: Book) -> None:
        self._beliefs, self._book = beliefs, book

    def among_trains(self, impact: Impact) -> Impact:
        """Return the impact with the rebounds it may be, and take it into its own train."""
        trains = self._book.trains
        due = trains.due(impact.time_s, impact.level_db, impact.crowded, impact=impact.number)
        impact = impact._replace(due=tuple(due))
        self._book.impacts[impact.number] = impact
        contact = trains.contact_of(impact.drop) if impact.rebound > 0 else -1
        # What does not fit its train is left out of it, so that it does not stand in for the rebound that does.
        if impact.drop >= 0 and (contact < 0 or self._fits(impact, contact, _MISFIT)):
            fit = sum(d.density for d in due if d.contact == contact) if contact >= 0 else math.inf
            member = Member(
                impact.rebound, impact.time_s, impact.level_db, impact.number, fit or math.inf, impact.crowded
            )
            trains.take(impact.drop, member, impact.station, usual=self._usual(impact))
            if impact.rebound <= 0 and impact.station >= 0:
                self._beliefs.heads[impact.number] = impact.station
        return impact

    def _usual(self, impact: Impact) -> bool:
        """Return whether an impact is as loud as balls' contacts at its station."""
        return impact.station < 0 or self._beliefs.levels[impact.station].ratio(impact.level_db, impact.crowded) > USUAL

    def _fits(self, impact: Impact, contact: int, least: float) -> bool:
        """Return whether an impact is a rebound in the train of a first contact by its time and level."""
        law = self._beliefs.laws[self._book.impacts[contact].station]
        return (
            not (law.known and law.knows(impact.rebound))
            or sum(d.density for d in impact.due if d.contact == contact) >= least
        )

    def surely_rebound(self, impact: Impact) -> bool:
        """Return whether an impact told to be a rebound fits its train, and the train a ball's contact."""
        contact = self._book.trains.contact_of(impact.drop)
        head = self._book.impacts[contact]
        if contact < 0 or not self._beliefs.laws[head.station].known:
            return True
        if not self._fits(impact, contact, _FITS):
            return False
        return impact.rebound > 1 or (self._usual(head) and head.confidence >= CLEARLY_PLACED)
