"""From placed impacts to drops, and from drops to the ledger of a run and the failure rate of a campaign."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.trains import begun_where_placed, find_drops
from noisecheck.pipeline.credible import credible, nothing_claimed
from noisecheck.pipeline.references import machine_impacts

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig
    from noisecheck.detect.channels import Onsets
    from noisecheck.flow.challenge import Challenge
    from noisecheck.flow.drops import Drops
    from noisecheck.flow.failures import FailureRate, HeardShare
    from noisecheck.flow.findings import Ledger
    from noisecheck.flow.heights import HeightHeard
    from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
    from noisecheck.pipeline.run import RunResult
    from noisecheck.place.evidence import Evidence
    from noisecheck.place.taught import TaughtSounds

__all__ = [
    "challenge_run",
    "drop_height",
    "drops_of",
    "follow_run",
    "heard_beside",
    "height_note",
    "kind_of",
    "ledger_settings",
    "listened_at",
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
    from noisecheck.flow.drops import G_MPS2

    whole = 2.0 * math.sqrt(2.0 * run.drop_height_mm / 1000.0 / G_MPS2)
    return min(_LONGEST_FIRST_S, max(_LEAST_FIRST_S, 1.5 * whole))


def kind_of(run: Run) -> tuple[object, ...]:
    """Return what runs share that show the same habits: role, station, pad, height and revision."""
    return run.role, run.station, run.treatment, run.drop_height_mm, run.revision


def with_drops(runs: Sequence[tuple[Run, Impacts]], rig: Rig) -> list[Impacts]:
    """Return the impacts of runs with their ``drop`` and ``rebound``; reference drops keep theirs.

    Runs on one pad, from one height, of one revision show their places' habits together: each alone may be short.
    Where no height is stated they may differ in it, and a run that shows more rebounds by itself is read by itself:
    habits of two heights or pads hide one another. A faint rebound may be too faint to be placed; it still belongs to
    the train at the microphone that heard it best.
    """
    found = [impacts for _, impacts in runs]
    groups: dict[tuple[object, ...], list[int]] = {}
    for number, (run, _) in enumerate(runs):
        groups.setdefault(kind_of(run), []).append(number)
    for members in groups.values():
        first = runs[members[0]][0]
        longest_s = _longest_first_s(first)
        told = _drops_together([found[m] for m in members], rig, longest_s)
        if len(members) > 1 and first.drop_height_mm is None:
            alone = [_drops_together([found[m]], rig, longest_s)[0] for m in members]
            told = [max(both, key=lambda d: int((d[1] > 0).sum())) for both in zip(told, alone, strict=True)]
        for m, (drop, rebound) in zip(members, told, strict=True):
            found[m] = _numbered(found[m], drop, rebound)
    return found


def _drops_together(
    tables: Sequence[Impacts], rig: Rig, longest_s: float
) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Return (drop, rebound) of each run's impacts, from the habits that the runs show together."""
    gap_s = longest_s + 1.0  # so that no train goes on in the next run
    length_s = [float(t["time_s"][-1] - t["time_s"][0]) + gap_s if len(t) else 0.0 for t in tables]
    begins = np.cumsum([0.0, *length_s[:-1]])
    times = [t["time_s"] - t["time_s"][:1] + at for t, at in zip(tables, begins, strict=True)]
    drop, rebound = find_drops(
        np.concatenate(times),
        np.concatenate([t["lae_db"] for t in tables]),
        np.concatenate(_place_codes(tables, rig)),
        longest_first_s=longest_s,
        faint=np.concatenate([t.flagged(Flag.BOUND | Flag.MACHINE) for t in tables]),
    )
    cuts = np.cumsum([len(t) for t in tables])[:-1]
    parts = zip(np.split(drop, cuts), np.split(rebound, cuts), strict=True)
    return [(own - own.min(initial=len(drop)), number) for own, number in parts]


def _place_codes(tables: Sequence[Impacts], rig: Rig) -> list[NDArray[np.int64]]:
    """Return for each impact of each run a code of the place whose train it may belong to, -1 where there is none."""
    stations = {m.channel: m.station for m in rig.microphones if m.station}
    number: dict[str, int] = {}
    codes = []
    for table in tables:
        own = [stations.get(int(c)) or "" for c in table["channel"]]
        names = [str(s) or o for s, o in zip(table["station"], own, strict=True)]
        if not any(names):
            names = ["anywhere"] * len(table)  # one place, as far as is known
        code = np.array([number.setdefault(n, len(number)) if n else -1 for n in names], np.int64)
        codes.append(np.where(table.flagged(Flag.REFERENCE), -1, code))
    return codes


def _numbered(table: Impacts, drop: NDArray[np.int64], rebound: NDArray[np.int64]) -> Impacts:
    """Return a run's impacts with what was found of its drops."""
    reference = table.flagged(Flag.REFERENCE)
    rebound = np.where(reference, table["rebound"], rebound)
    if (table["station"] != "").any():
        drop, rebound = begun_where_placed(drop, rebound, (table["station"] != "") | reference, table["lae_db"])
    return table.with_columns(drop=drop, rebound=rebound)


def drops_of(impacts: Impacts) -> Drops:
    """Return what the intervals of each drop of one run tell: restitution, height heard."""
    from noisecheck.flow.drops import describe_drops

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
    from noisecheck.flow.route import Route

    names = rig.route
    if not names:
        raise InputError(
            'rig.toml: no [[station]] has next = "..." and [feed] names no station: say the order in which a ball '
            "meets the stations, and balls can be followed"
        )
    windows = [rig.station(n).transit_s for n in names[:-1]]
    return Route(names, tuple(None if w is None else (w[0], w[1]) for w in windows))


def feed_of(rig: Rig, run: Run) -> FeedPlan:
    """Return what is known of the feed of a run."""
    from noisecheck.flow.route import FeedPlan

    return FeedPlan(rig.feed.period_s, run.balls_fed if run.balls_fed is not None else rig.feed.balls)


def ledger_settings(rig: Rig) -> LedgerSettings:
    """Return the beliefs about a recording of this rig, finished or not."""
    from noisecheck.flow.route import LedgerSettings

    owned = {m.station for m in rig.microphones if m.station}
    settings = LedgerSettings(shared_microphone=len(owned) < len(rig.route))
    return replace(settings, copied=0.0) if len(rig.microphones) == 1 else settings  # one cannot hear a sound twice


def heard_beside(onsets: Onsets, time_s: NDArray[np.float64], rig: Rig) -> dict[str, NDArray[np.float64]]:
    """Return for each station with a microphone of its own, among others, when that heard what is louder elsewhere.

    ``time_s`` are the times of the impacts, (n,), in s of the run.
    """
    own = {m.station: m.channel for m in rig.microphones if m.station and m.channel < onsets.arrival.shape[1]}
    if len(set(own.values())) < 2:
        return {}
    return {n: time_s[(onsets.arrival[:, c] >= 0) & (onsets.channel != c)] for n, c in own.items()}


def listened_at(rig: Rig, taught: TaughtSounds | None) -> tuple[str, ...]:
    """Return the stations known to be heard: with a microphone of their own among others, or whose sound was taught."""
    own = {m.station for m in rig.microphones if m.station}
    known = {*(own if len(own) > 1 else ()), *(() if taught is None else taught.stations)}
    return tuple(n for n in rig.station_names if n in known)


def _given(run: RunResult, rig: Rig) -> dict[str, Any]:
    """Return what the ledger of a run is told beside its impacts and the balls' way."""
    return {
        "end_s": run.seconds,
        "feed": feed_of(rig, run.run),
        "settings": ledger_settings(rig),
        "gaps_s": run.not_listened_s,
        "odds": None if run.odds is None else run.odds.where(~run.impacts.flagged(Flag.REFERENCE)),
        "siblings": run.siblings,
        "listened": run.listened,
        "alive_s": heard_beside(run.onsets, run.impacts["time_s"], rig),
    }


def follow_run(run: RunResult, rig: Rig) -> Ledger:
    """Return the ledger of one placed run: every ball accounted for.

    Raises:
        InputError: the rig file does not say the balls' way.
    """
    from noisecheck.flow.ledger import follow_balls

    given, name = _given(run, rig), run.run.name
    own, route = machine_impacts(run.impacts), route_of(rig)
    if len(own) and len(route.stations) > 1 and not _told_apart(own, given["odds"]):
        said = (
            "nothing tells at which station any of its impacts was made, so its balls are not followed and nothing is "
            "claimed of them (tap each station, or give each a microphone)"
        )
        none = own.where(np.zeros(len(own), bool))
        ledger = follow_balls(none, route, run=name, **{**given, "odds": None})
        return nothing_claimed(replace(ledger, notes=()), said)  # nor is anything said of what became of them
    return credible(follow_balls(own, route, run=name, **given))


def _told_apart(impacts: Impacts, odds: Evidence | None) -> bool:
    """Return whether any impact is put to a station, or sounds more like one than like another."""
    if np.any(impacts["station"] != ""):
        return True
    return odds is not None and bool(np.any(np.ptp(odds.log_likelihood, axis=1) > 0.0))


def challenge_run(run: RunResult, rig: Rig, ledger: Ledger) -> Challenge:
    """Return how many known failures the ledger of this run would have named; ``ledger`` is what it says as it is.

    Raises:
        InputError: too few balls were followed to the end, or nothing is claimed of them.
    """
    from noisecheck.flow.challenge import challenge

    if not ledger.arrived:
        raise InputError("no ball was followed to the end, or nothing is claimed of them")
    return challenge(machine_impacts(run.impacts), route_of(rig), **_given(run, rig))


def pooled_rate(
    ledgers: Iterable[Ledger], rig: Rig, *, heard: HeardShare | None = None, confidence: float | None = None
) -> FailureRate:
    """Return the failure rate over runs, against the strictest failure-rate requirement of the rig file.

    ``confidence`` is that of the bounds; None: what that requirement asks for, 0.95 where there is none.
    """
    from noisecheck.flow.failures import failure_rate

    limits = [(r.limit, -r.confidence) for r in rig.requirements if r.measure == "failures_per_million"]
    limit, asked = min(limits, default=(None, -0.95))
    return failure_rate(
        list(ledgers), heard=heard, limit_per_million=limit, confidence=-asked if confidence is None else confidence
    )


def drop_height(impacts: Impacts, run: Run, rig: Rig) -> tuple[str, HeightHeard] | None:
    """Return the station whose drop height the run sheet states and the height its rebounds tell, if they tell one.

    The stated height is that of the run's station, else of the first one the balls meet.
    """
    from noisecheck.flow.heights import height_heard

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
