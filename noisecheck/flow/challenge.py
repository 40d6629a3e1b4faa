"""Challenge test: known failures put into the user's own run, to see how many the ledger would have named.

At table level: a ball is made to get stuck by taking away every impact it made after a station; a stray is added with
the odds, level and placing of an impact drawn from the run's own. What is caught goes into the bound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.flow.contacts import first_contacts
from noisecheck.flow.failures import HeardShare
from noisecheck.flow.findings import Ledger
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import Route
from noisecheck.place.evidence import Evidence

__all__ = ["Challenge", "challenge"]

_WITHIN_S = 1.0
_REBOUNDS_S = 0.5
_CLEAR = 3.0  # ln 20: how clearly what is added sounds like a station, or like none
_PER_ROUND = 0.01  # share of the balls changed in one round, so that changes do not meet each other


@dataclass(frozen=True)
class Challenge:
    """What a challenge test showed."""

    stuck_tried: int
    stuck_caught: int
    stray_tried: int
    stray_caught: int

    @property
    def heard(self) -> HeardShare:
        """Share of stuck balls caught, for the failure bound."""
        return HeardShare.from_test(self.stuck_caught, self.stuck_tried)

    @property
    def sentence(self) -> str:
        """One sentence that says it."""
        return (
            f"of {self.stuck_tried} balls made to stick {self.stuck_caught} were named, "
            f"of {self.stray_tried} strays added {self.stray_caught}."
        )


def challenge(
    impacts: Impacts,
    route: Route,
    *,
    end_s: float,
    stuck: int = 100,
    strays: int = 50,
    seed: int = 1,
    unplaced_strays: float = 0.7,
    start_s: float = 0.0,
    odds: Evidence | None = None,
    **options: Any,
) -> Challenge:
    """Return how many known failures the ledger of this run names.

    Args:
        impacts, route, end_s, start_s, odds: as for :func:`follow_balls`; further ``options`` are passed on to it.
        stuck, strays: how many of each to try, spread over as many copies of the run as keep them apart.
        seed: of the random choice; the same seed gives the same result.
        unplaced_strays: share of added strays that sound like no station; the others are put to a station at random.

    Raises:
        InputError: fewer than 5 balls were followed through the run.
    """
    rng = np.random.default_rng(seed)
    plain = follow_balls(impacts, route, end_s=end_s, start_s=start_s, odds=odds, **options)
    ways = _ways(plain, impacts, route)
    if len(ways) < 5:
        raise InputError(f"only {len(ways)} balls were followed to the end: a challenge test needs at least 5")
    per_round = max(1, int(_PER_ROUND * len(ways)))
    rounds = -(-max(stuck, strays) // per_round)
    caught = {"stuck": 0, "stray": 0}
    tried = {"stuck": 0, "stray": 0}
    for number in range(rounds):
        n_stuck = min(per_round, stuck - number * per_round)
        n_stray = min(per_round, strays - number * per_round)
        changed, rows, events = _change(impacts, ways, max(n_stuck, 0), max(n_stray, 0), unplaced_strays, route, rng)
        sounds = None if odds is None else _sounds(odds, rows, changed)
        ledger = follow_balls(changed, route, end_s=end_s, start_s=start_s, odds=sounds, **options)
        for kind, time_s, _ in events:
            tried[kind] += 1
            caught[kind] += _named(ledger, plain, kind, time_s)
    return Challenge(tried["stuck"], caught["stuck"], tried["stray"], caught["stray"])


def _named(ledger: Ledger, plain: Ledger, kind: str, time_s: float) -> bool:
    """Whether a finding is there that was not there before the change."""

    def near(which: Ledger) -> int:
        return sum(f.kind == kind and abs(f.time_s - time_s) <= _WITHIN_S for f in which.findings)

    return near(ledger) > near(plain)


def _ways(ledger: Ledger, impacts: Impacts, route: Route) -> list[list[tuple[float, str, int]]]:
    """Return for each ball that arrived its impacts (time, station, row), where all are known and its own."""
    rows, _ = first_contacts(impacts, route)
    times = impacts["time_s"][rows]
    by_ball: dict[int, list[tuple[float, str]]] = {}
    for p in ledger.passages:
        way = by_ball.setdefault(p.ball, [])
        if not way:
            way.append((p.time_s - p.took_s, p.origin))
        way.append((p.time_s, p.station))
    found = []
    last = max((route.stations.index(p.station) for p in ledger.passages), default=0)
    for _, way in sorted(by_ball.items()):
        if way[-1][1] != route.stations[last]:
            continue
        near = [min(int(np.searchsorted(times, t - 1e-9)), len(times) - 1) for t, _ in way]
        if all(abs(times[k] - t) < 1e-6 for k, (t, _) in zip(near, way, strict=True)):
            found.append([(t, s, int(rows[k])) for (t, s), k in zip(way, near, strict=True)])
    # Where a contact was hidden in another's, taking it away would take away the other.
    used = Counter(row for way in found for _, _, row in way)
    return [way for way in found if all(used[row] == 1 for _, _, row in way)]


def _sounds(odds: Evidence, rows: NDArray[np.int64], changed: Impacts) -> Evidence:
    """Return the odds of placing of a changed table, whose ``rows`` are those of the run, -1 for what was added."""
    added = rows < 0
    likelihood, unplaced = odds.log_likelihood[rows], odds.unplaced[rows]
    likelihood[added], unplaced[added] = 0.0, np.where(changed["station"][added] == "", _CLEAR, 0.0)
    for k, name in enumerate(odds.stations):
        likelihood[added & (changed["station"] == name), k] = _CLEAR
    return Evidence(odds.stations, likelihood, unplaced)


def _change(
    impacts: Impacts,
    ways: Sequence[list[tuple[float, str, int]]],
    stuck: int,
    strays: int,
    unplaced: float,
    route: Route,
    rng: np.random.Generator,
) -> tuple[Impacts, NDArray[np.int64], list[tuple[str, float, str]]]:
    """Return the changed table, its rows in the run's (-1: added), and what was changed: (kind, time, station)."""
    events: list[tuple[str, float, str]] = []
    keep = np.ones(len(impacts), bool)
    unclaimed = impacts["rebound"] == 0
    unclaimed[[row for way in ways for _, _, row in way]] = False
    for ball in rng.choice(len(ways), min(stuck, len(ways)), replace=False):
        way = ways[int(ball)]
        after = int(rng.integers(len(way) - 1))
        for time_s, name, row in way[after + 1 :]:
            keep[row] = False
            # Its rebounds too, also those that begin a drop of their own as the contact was not told to be theirs.
            since = impacts["time_s"] - time_s
            loose = unclaimed & (since > 0.0) & (since < _REBOUNDS_S) & np.isin(impacts["station"], ["", name])
            drops = np.append(impacts["drop"][loose], impacts["drop"][row])
            keep &= ~(loose | np.isin(impacts["drop"], drops[drops >= 0]))
        events.append(("stuck", way[after][0], way[after][1]))
    kept = np.flatnonzero(keep)
    if not strays:
        return impacts.where(kept), kept, events
    times = impacts["time_s"]
    when = rng.uniform(times[0], times[-1], strays)
    copies: NDArray[np.int64] = rng.choice(kept, strays)
    free = rng.random(strays) < unplaced
    station = ["" if f else route.stations[int(rng.integers(len(route.stations)))] for f in free]
    own = impacts["station_confidence"][copies]
    added = impacts.where(copies).with_columns(
        time_s=when,
        station=station,
        station_confidence=np.where(free, np.nan, own),
        drop=np.full(strays, -1),
        rebound=np.zeros(strays, np.int64),
    )
    events += [("stray", float(t), s) for t, s in zip(when, station, strict=True)]
    table = Impacts.concat([impacts.where(kept), added])
    order = np.argsort(table["time_s"], kind="stable")
    return table.where(order), np.concatenate([kept, np.full(strays, -1)])[order], events
