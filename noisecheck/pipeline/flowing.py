"""From placed impacts to drops, and from drops to the ledger of a run and the failure rate of a campaign."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.challenge import Challenge, challenge
from noisecheck.flow.drops import G_MPS2, Drops, describe_drops
from noisecheck.flow.failures import FailureRate, HeardShare, failure_rate
from noisecheck.flow.findings import Ledger
from noisecheck.flow.heights import HeightHeard, height_heard
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.trains import begun_where_placed, find_drops
from noisecheck.pipeline.references import machine_impacts
from noisecheck.place.evidence import Evidence

__all__ = [
    "challenge_run",
    "drop_height",
    "drops_of",
    "follow_run",
    "height_note",
    "pooled_rate",
    "route_of",
    "with_drops",
]


_LONGEST_FIRST_S = 1.2
_LEAST_FIRST_S = 0.35


def _longest_first_s(run: Run) -> float:
    """Return the longest first interval to look for: a ball cannot rebound higher than it fell.

    A fall from h gives at most ``T1 = 2 sqrt(2 h / g)``; half as much again leaves room for stations with a deeper
    drop than the one stated.
    """
    if run.drop_height_mm is None:
        return _LONGEST_FIRST_S
    whole = 2.0 * math.sqrt(2.0 * run.drop_height_mm / 1000.0 / G_MPS2)
    return min(_LONGEST_FIRST_S, max(_LEAST_FIRST_S, 1.5 * whole))


def with_drops(impacts: Impacts, run: Run, rig: Rig) -> Impacts:
    """Return the impacts of one run with their ``drop`` and ``rebound``.

    A faint rebound may be too faint to be placed; it still belongs to the train at the microphone that heard it best.
    """
    stations = {m.channel: m.station for m in rig.microphones if m.station}
    names = {name: code for code, name in enumerate(dict.fromkeys(stations.values()))}
    own = np.array([names.get(stations.get(int(c)) or "", -1) for c in impacts["channel"]], np.int64)
    named = {name: names.setdefault(name, len(names)) for name in impacts.names["station"] if name}
    lookup = np.array([named.get(name, -1) for name in impacts.names["station"]], np.int64)
    codes = lookup[impacts.data["station"]] if len(impacts) else own
    codes = np.where(codes < 0, own, codes)
    drop, rebound = find_drops(
        impacts["time_s"],
        impacts["lae_db"],
        np.zeros_like(codes) if (codes < 0).all() else codes,
        longest_first_s=_longest_first_s(run),
        faint=impacts.flagged(Flag.BOUND | Flag.MACHINE),
    )
    if named:
        drop, rebound = begun_where_placed(drop, rebound, impacts["station"] != "", impacts["lae_db"])
    return impacts.with_columns(drop=drop, rebound=rebound)


def drops_of(impacts: Impacts) -> Drops:
    """Return what the intervals of each drop of one run tell: restitution, height heard."""
    return describe_drops(impacts["time_s"], impacts["drop"], impacts["rebound"], _codes(impacts))


def _codes(impacts: Impacts) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return station codes with -1 for unplaced (code 0 of the table), unless nothing is placed at all."""
    codes = impacts.data["station"].astype(np.int64)
    return np.where(codes == 0, -1, codes) if codes.any() else codes


def route_of(rig: Rig) -> Route:
    """Return the balls' way as the rig file tells it.

    Raises:
        InputError: no station leads to another, so there is no way to follow.
    """
    names = rig.route
    if not names:
        raise InputError(
            'rig.toml: no [[station]] has next = "..." and [feed] names no station: say the order in which a ball '
            "meets the stations, and balls can be followed"
        )
    windows = [rig.station(n).transit_s for n in names[:-1]]
    return Route(names, tuple(None if w is None else (w[0], w[1]) for w in windows))


def _feed(rig: Rig, run: Run) -> FeedPlan:
    return FeedPlan(rig.feed.period_s, run.balls_fed if run.balls_fed is not None else rig.feed.balls)


def _settings(rig: Rig) -> LedgerSettings:
    owned = {m.station for m in rig.microphones if m.station}
    # In a finished recording nothing is urgent: a ball is only called stuck where that is the likelier of the two.
    return LedgerSettings(shared_microphone=len(owned) < len(rig.route), claim_last_odds=1.0)


def _given(
    impacts: Impacts, run: Run, rig: Rig, seconds: float, gaps_s: Sequence[tuple[float, float]], odds: Evidence | None
) -> dict[str, Any]:
    """Return what the ledger of a run is told beside its impacts and the balls' way."""
    return {
        "end_s": seconds,
        "feed": _feed(rig, run),
        "settings": _settings(rig),
        "gaps_s": gaps_s,
        "odds": None if odds is None else odds.where(~impacts.flagged(Flag.REFERENCE)),
    }


def follow_run(
    impacts: Impacts,
    run: Run,
    rig: Rig,
    *,
    seconds: float,
    gaps_s: Sequence[tuple[float, float]] = (),
    odds: Evidence | None = None,
) -> Ledger:
    """Return the ledger of one run: every ball accounted for; ``odds`` of placing go row by row with the impacts.

    Raises:
        InputError: the rig file does not say the balls' way.
    """
    given = _given(impacts, run, rig, seconds, gaps_s, odds)
    return follow_balls(machine_impacts(impacts), route_of(rig), run=run.name, **given)


def challenge_run(
    impacts: Impacts,
    run: Run,
    rig: Rig,
    *,
    seconds: float,
    gaps_s: Sequence[tuple[float, float]] = (),
    odds: Evidence | None = None,
    seed: int = 1,
) -> Challenge:
    """Return how many known failures the ledger of this run would have named."""
    given = _given(impacts, run, rig, seconds, gaps_s, odds)
    return challenge(machine_impacts(impacts), route_of(rig), seed=seed, **given)


def pooled_rate(
    ledgers: Iterable[Ledger], rig: Rig, *, heard: HeardShare | None = None, confidence: float = 0.95
) -> FailureRate:
    """Return the failure rate over runs, against the strictest failure-rate requirement of the rig file."""
    limits = [r.limit for r in rig.requirements if r.measure == "failures_per_million"]
    return failure_rate(list(ledgers), heard=heard, limit_per_million=min(limits, default=None), confidence=confidence)


def drop_height(impacts: Impacts, run: Run, rig: Rig) -> tuple[str, HeightHeard] | None:
    """Return the station whose drop height the run sheet states and the height its rebounds tell, if they tell one.

    The stated height is that of the run's station, else of the first one the balls meet.
    """
    own = machine_impacts(impacts)
    drops, names = drops_of(own), own.names["station"]
    station = run.station or (rig.route[0] if rig.route else "")
    if station and station not in names:
        return None
    heard = height_heard(drops, drops.station == names.index(station)) if station else height_heard(drops)
    return None if heard is None else (station, heard)


def height_note(impacts: Impacts, run: Run, rig: Rig) -> str:
    """Return the sentence that says a run's stated drop height is not the one heard; empty where they agree."""
    if run.drop_height_mm is None:
        return ""
    found = drop_height(impacts, run, rig)
    stated = run.drop_height_mm / 1000.0
    if found is None or found[1].agrees(stated):
        return ""
    return found[1].sentence(stated, run=run.name, station=found[0])
