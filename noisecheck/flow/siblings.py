"""What other runs of the same revision show of a machine, for a run too short to show it alone.

When balls rebound and how long they take from station to station is the machine's, and how evenly they are fed its
lift's. How loud a contact is, is the microphone's and its gain's as well: that each run shows for itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.table import Impacts
from noisecheck.flow.contacts import Told, first_contacts, levels_of, rebounds_told
from noisecheck.flow.habits import LevelHabit
from noisecheck.flow.rebounds import LEAST, Member
from noisecheck.flow.regular import with_regular_of_all
from noisecheck.flow.route import Route
from noisecheck.flow.silence import silences
from noisecheck.flow.transits import Contacts

__all__ = ["Sibling", "as_many_as_needed", "levels_shown", "shown_by", "surely_placed", "trains_known", "untold_here"]

_SURELY_PLACED: Final = 0.9
_ENOUGH: Final = 60
"""Balls that show by themselves when they rebound (50 falls) and how long they take (60 transits)."""

_UNTOLD: Final = 0.5
"""Impacts that sound like no station, over the balls, where those of one station do."""


@dataclass(frozen=True)
class Sibling:
    """What one run shows to its siblings."""

    stations: tuple[str, ...]
    told: Told
    levels: tuple[LevelHabit, ...]
    """How loud contacts are at each station in this run."""
    contacts: Contacts
    fed_s: NDArray[np.float64]
    """When balls were heard at the first station."""
    balls: int
    """How many balls it shows, roughly: first contacts at the station that has most."""

    def without(self, names: Iterable[str]) -> Sibling:
        """Return what it shows of the other stations, and of the ways between them."""
        off = [n in set(names) for n in self.stations]
        told = self.told._replace(trains=[[] if o else t for o, t in zip(off, self.told.trains, strict=True)])
        codes = self.contacts.stations
        kept = np.where(np.array([*off, True])[codes], -1, codes)
        return replace(self, told=told, contacts=self.contacts._replace(stations=kept))

    def trains_at(self, name: str) -> list[list[Member]]:
        """Return the trains told apart at a station."""
        return self.told.trains[self.stations.index(name)] if name in self.stations else []

    def contacts_on(self, route: Route) -> Contacts:
        """Return its first contacts with stations as on another route."""
        to = [route.stations.index(n) if n in route.stations else -1 for n in self.stations]
        deaf = [self.contacts.deaf_s[self.stations.index(n)] if n in self.stations else () for n in route.stations]
        return self.contacts._replace(stations=np.array([*to, -1], np.int64)[self.contacts.stations], deaf_s=deaf)


def surely_placed(impacts: Impacts) -> NDArray[np.bool_]:
    """Return for each of ``n`` impacts whether it is a first contact whose station is hardly in doubt."""
    return (impacts["rebound"] == 0) & (impacts["station_confidence"] > _SURELY_PLACED)


def levels_shown(impacts: Impacts, route: Route) -> list[NDArray[np.float64]]:
    """Return for each station the levels of contacts surely made there, most of them by balls."""
    levels, at_most = levels_of(impacts)
    levels[at_most] = math.nan
    names, sure = impacts["station"], surely_placed(impacts)
    return [levels[sure & (names == name)] for name in route.stations]


def trains_known(
    told: Told, levels: Sequence[LevelHabit], route: Route, siblings: Sequence[Sibling]
) -> list[list[list[Member]]]:
    """Return for each station the trains of a run and of its siblings that begin as loud as first contacts there.

    Args:
        told: of the run.
        levels: how loud contacts are at each station, in the run.
        route: its stations.
        siblings: what others show.
    """
    found = []
    for name, own, level in zip(route.stations, told.trains, levels, strict=True):
        beside = [s for s in siblings if s.trains_at(name)]
        runs = [(own, told.nowhere, told.span_s), *((s.trains_at(name), s.told.nowhere, s.told.span_s) for s in beside)]
        usual = [level, *(s.levels[s.stations.index(name)] for s in beside)]
        # What does not begin as loud as a first contact may begin with a rebound.
        whole = zip(usual, with_regular_of_all(runs), strict=True)
        found.append([t for habit, trains in whole for t in trains if habit.begins(t[0].level_db, True)])
    return found


def shown_by(impacts: Impacts, route: Route, *, end_s: float, start_s: float = 0.0) -> Sibling:
    """Return what a run, listened to from start to end, shows to its siblings; impacts as of ``follow_balls``."""
    rows, codes = first_contacts(impacts, route)
    times = impacts["time_s"][rows]
    deaf: list[list[tuple[float, float]]] = [[] for _ in route.stations]
    for s in silences(times, codes, route, start_s=start_s, end_s=end_s):
        deaf[s.station].append((s.deaf_from_s, s.to_s))
    levels = tuple(LevelHabit() for _ in route.stations)
    for level, own in zip(levels, levels_shown(impacts, route), strict=True):
        level.prime(own)
    balls = int(np.bincount(codes[codes >= 0], minlength=1).max())
    contacts = Contacts(times, codes, start_s, end_s, deaf)
    fed_s = impacts["time_s"][surely_placed(impacts) & (impacts["station"] == route.stations[0])]
    return Sibling(route.stations, rebounds_told(impacts, route), levels, contacts, fed_s, balls)


def untold_here(name: str, codes: NDArray[np.int64], siblings: Iterable[Sibling]) -> bool:
    """Return whether a station at which nothing was heard is one whose sound is not told: others tell it.

    ``codes`` are the stations of the run's first contacts, (n,). Where it is not listened to nothing sounds like no
    station in its stead.
    """
    balls = int(np.bincount(codes[codes >= 0], minlength=1).max())
    heard = any(len(s.trains_at(name)) >= LEAST for s in siblings)
    return heard and int(np.sum(codes < 0)) >= _UNTOLD * balls


def as_many_as_needed(balls: int, siblings: Iterable[Sibling]) -> tuple[Sibling, ...]:
    """Return the first siblings that, with a run's own balls, show enough: none where these do alone."""
    found: list[Sibling] = []
    for sibling in siblings:
        if balls >= _ENOUGH:
            break
        found.append(sibling)
        balls += sibling.balls
    return tuple(found)
