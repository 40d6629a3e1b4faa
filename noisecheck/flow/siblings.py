"""What other runs of the same pad, height and revision show of a machine, for a run too short to show it alone.

When balls rebound and how long they take from station to station is the machine's. How loud a contact is, is the
microphone's and its gain's as well, and how evenly balls are fed is the hand's: these each run shows for itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.table import Impacts
from noisecheck.flow.contacts import first_contacts, levels_of, rebounds_known
from noisecheck.flow.habits import LevelHabit
from noisecheck.flow.rebounds import Member
from noisecheck.flow.route import Route
from noisecheck.flow.silence import silences
from noisecheck.flow.transits import Contacts

__all__ = ["SURELY_PLACED", "Sibling", "as_many_as_needed", "begun_as_usual", "habits_shown", "shown_by"]

SURELY_PLACED: Final = 0.9
_ENOUGH: Final = 60
"""Balls that show by themselves when they rebound (50 falls) and how long they take (60 transits)."""


@dataclass(frozen=True)
class Sibling:
    """What one run shows to its siblings."""

    stations: tuple[str, ...]
    trains: tuple[list[list[Member]], ...]
    """Trains told apart at each station, begun as loud as balls are there."""
    contacts: Contacts
    balls: int
    """How many balls it shows, roughly: first contacts at the station that has most."""

    def without(self, names: Iterable[str]) -> Sibling:
        """Return what it shows of the other stations, and of the ways between them."""
        off = [n in set(names) for n in self.stations]
        trains = tuple([] if o else t for o, t in zip(off, self.trains, strict=True))
        codes = self.contacts.stations
        kept = np.where(np.array([*off, True])[codes], -1, codes)
        return replace(self, trains=trains, contacts=self.contacts._replace(stations=kept))

    def trains_at(self, name: str) -> list[list[Member]]:
        """Return the trains told apart at a station."""
        return self.trains[self.stations.index(name)] if name in self.stations else []

    def contacts_on(self, route: Route) -> Contacts:
        """Return its first contacts with stations as on another route."""
        to = [route.stations.index(n) if n in route.stations else -1 for n in self.stations]
        deaf = [self.contacts.deaf_s[self.stations.index(n)] if n in self.stations else () for n in route.stations]
        return self.contacts._replace(stations=np.array([*to, -1], np.int64)[self.contacts.stations], deaf_s=deaf)


def habits_shown(impacts: Impacts, route: Route) -> list[tuple[NDArray[np.float64], list[list[Member]]]]:
    """Return for each station (levels of contacts surely made there, trains told apart there)."""
    levels, at_most = levels_of(impacts)
    levels[at_most] = math.nan
    names, sure = impacts["station"], (impacts["rebound"] == 0) & (impacts["station_confidence"] > SURELY_PLACED)
    known = rebounds_known(impacts, route)
    return [(levels[sure & (names == name)], trains) for name, trains in zip(route.stations, known, strict=True)]


def begun_as_usual(trains: Sequence[list[Member]], level: LevelHabit) -> list[list[Member]]:
    """Return the trains that begin as loud as a first contact: others may begin with a rebound."""
    return [t for t in trains if level.begins(t[0].level_db, True)]


def shown_by(impacts: Impacts, route: Route, *, end_s: float, start_s: float = 0.0) -> Sibling:
    """Return what a run, listened to from start to end, shows to its siblings; impacts as of ``follow_balls``."""
    rows, codes = first_contacts(impacts, route)
    times = impacts["time_s"][rows]
    deaf: list[list[tuple[float, float]]] = [[] for _ in route.stations]
    for s in silences(times, codes, route, start_s=start_s, end_s=end_s):
        deaf[s.station].append((s.deaf_from_s, s.to_s))
    trains = []
    for levels, told in habits_shown(impacts, route):
        habit = LevelHabit()
        habit.prime(levels)
        trains.append(begun_as_usual(told, habit))
    balls = int(np.bincount(codes[codes >= 0], minlength=1).max())
    return Sibling(route.stations, tuple(trains), Contacts(times, codes, start_s, end_s, deaf), balls)


def as_many_as_needed(balls: int, siblings: Iterable[Sibling]) -> tuple[Sibling, ...]:
    """Return the first siblings that, with a run's own balls, show enough: none where these do alone."""
    found: list[Sibling] = []
    for sibling in siblings:
        if balls >= _ENOUGH:
            break
        found.append(sibling)
        balls += sibling.balls
    return tuple(found)
