"""Reference drops of a campaign: found at the ends of takes, marked, and told together with those of the run sheet."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import Run, of_role
from noisecheck.compare.compression import Compression, compression_of
from noisecheck.compare.reference import OpenEnd, find_reference_drops
from noisecheck.compare.summary import RunSummary, one_station, summarise
from noisecheck.compare.ties import References, study_references
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.flags import Flag
from noisecheck.core.order import median
from noisecheck.core.records import record
from noisecheck.core.table import Impacts

if TYPE_CHECKING:
    from noisecheck.audio.health import Health

__all__ = [
    "Ends",
    "as_references_tell",
    "machine_impacts",
    "mark_references",
    "references_of",
    "stated_drops",
    "tied_summaries",
]

_COLUMN = "reference_drops"


@record
class Ends:
    """What the ends of a take leave to be said once its reference drops are marked."""

    open: tuple[OpenEnd, ...] = ()
    gain: Compression | None = None
    """That loud sound was turned down, where its reference drops (those of a reference run: all its drops) show it."""


Table = tuple[Run, Impacts, Ends]
"""A run, its marked impacts, and what its ends leave to be said."""


def mark_references(runs: Sequence[tuple[Run, Impacts, float]]) -> list[tuple[Impacts, Ends]]:
    """Return the impacts of each (run, impacts, seconds) with reference drops at the ends of test runs marked.

    They carry the flag ``reference`` and no station; first contacts have ``rebound`` 0, the rest 1. Where they show
    that loud sound was turned down, all impacts of the run carry the flag ``gain_riding``.
    """
    tests = [i for i, (run, impacts, _) in enumerate(runs) if run.role == "test" and len(impacts)]
    found = find_reference_drops(
        [runs[i][1] for i in tests],
        [runs[i][2] for i in tests],
        balls_fed=[runs[i][0].balls_fed for i in tests],
        stated=[stated_drops(runs[i][0]) for i in tests],
    )
    ends_of = dict(zip(tests, found, strict=True))
    marked = []
    for i, (run, table, _) in enumerate(runs):
        ends = ends_of.get(i)
        if ends is not None and len(ends.rows):
            columns = {name: table.data[name].copy() for name in ("flags", "rebound", "station", "station_confidence")}
            columns["flags"][ends.rows] = (columns["flags"][ends.rows] | Flag.REFERENCE) & ~np.uint32(Flag.UNPLACED)
            columns["rebound"][ends.rows] = 1
            columns["rebound"][np.concatenate([ends.start_drops, ends.end_drops])] = 0
            columns["station"][ends.rows] = 0
            columns["station_confidence"][ends.rows] = np.nan
            table = Impacts({**table.data, **columns}, table.names)
        gain = _compression(run, table)
        if gain is not None:
            table = table.with_columns(flags=table["flags"] | np.uint32(Flag.GAIN_RIDING))
        marked.append((table, Ends(() if ends is None else ends.open, gain)))
    return marked


def stated_drops(run: Run) -> tuple[int, int] | None:
    """Return how many reference drops the run sheet states at the start and end of a take; None where it says nothing.

    The column ``reference_drops`` holds their number at each end (3), or at the start and at the end (3+2), or 0.

    Raises:
        InputError: it holds something else.
    """
    text = run.extra.get(_COLUMN, "").replace(" ", "")
    if not text:
        return None
    numbers = re.fullmatch(r"(\d{1,2})(?:\+(\d{1,2}))?", text)
    if numbers is None:
        raise InputError(
            f"runs.csv, line {run.line}, column '{_COLUMN}': '{one_line(text)}' is no number of reference drops: write "
            "3 for three at each end of the take, 3+2 for three at its start and two at its end, or 0"
        )
    start, end = numbers.groups()
    return int(start), int(start if end is None else end)


def _said_open(tables: Sequence[Table]) -> tuple[str, ...]:
    """Return what to say of ends of takes that may be reference drops, and of stated ones that were not heard so."""
    said: list[str] = []
    may_be: list[tuple[str, str, str]] = []
    for run, impacts, ends in tables:
        if run.role != "test" or not len(impacts):
            continue
        sides = _sides(impacts)
        heard = [int((side & (impacts["rebound"] == 0)).sum()) for _, side in sides]
        stated = stated_drops(run)
        if stated is not None:
            said += [
                f"run {run.name}: {_COLUMN} states {n} at the {word}, but {h if h else 'none'} could be told there"
                for n, h, (word, _) in zip(stated, heard, sides, strict=True)
                if n != h
            ]
            said += [
                f"run {run.name}: {_COLUMN} states {stated[e.end]} at the {sides[e.end][0]}, but no silence stands "
                "between them and the rest: check the number"
                for e in ends.open
            ]
            continue
        own = [e for e in ends.open if not heard[e.end]]
        if own:
            word = " and the ".join(f"{'last' if e.end else 'first'} {e.drops}" for e in own)
            pause = min(e.pause_s for e in own)
            counts = {e.end: e.drops for e in own}
            one = f"{counts.get(False, heard[0])}+{counts.get(True, heard[1])}"
            may_be.append((run.name, f"the {word} drops stand {pause:.0f} s apart from the rest", one))
    if may_be:
        name, what, one = may_be[0]
        more = f" (and so in {len(may_be) - 1} more: {', '.join(n for n, *_ in may_be[1:4])}"
        more += f"{', ...' if len(may_be) > 4 else ''})" if len(may_be) > 1 else ""
        said.append(
            f"run {name}: {what} and may be reference drops{more if len(may_be) > 1 else ''}; they are counted as the "
            f"machine's: say in runs.csv, column {_COLUMN}, {one} (at the start + at the end) if they are, 0 if not"
        )
    return tuple(said)


def as_references_tell(health: Health, ends: Ends) -> Health:
    """Return a run's health with what its reference drops tell of the recorder's gain."""
    if ends.gain is None:
        return health
    why = ends.gain.sentence()
    return replace(health, levels=health.levels.and_so("not usable", why), bands=health.bands.and_so("not usable", why))


def _compression(run: Run, impacts: Impacts) -> Compression | None:
    """Return what the reference drops at the ends of a test run, or those of a reference run, tell of its gain."""
    if run.role == "test":
        parts = [impacts.where(side) for _, side in _sides(impacts) if side.any()]
        return compression_of(parts) if parts else None
    if run.role != "reference" or not len(impacts):
        return None
    placed = impacts.data["station"] != 0
    part = impacts.where(placed) if placed.any() else impacts
    return compression_of([part])


def _sides(impacts: Impacts) -> tuple[tuple[str, NDArray[np.bool_]], ...]:
    """Return which impacts are reference drops at the start and at the end of a take."""
    own = impacts.flagged(Flag.REFERENCE)
    machine = impacts["time_s"][~own]
    early = impacts["time_s"] < (median(machine) if len(machine) else np.inf)
    return ("start", own & early), ("end", own & ~early)


def machine_impacts(impacts: Impacts) -> Impacts:
    """Return the impacts without reference drops."""
    reference = impacts.flagged(Flag.REFERENCE)
    return impacts.where(~reference) if reference.any() else impacts


def _rows(tables: Sequence[Table], *, by_end: bool) -> tuple[list[RunSummary], dict[str, str]]:
    """Return a summary for each take's reference drops, or for each end of it, and the take behind each."""
    parts: list[Impacts] = []
    runs: list[Run] = []
    takes: dict[str, str] = {}
    for run, impacts, _ in tables:
        own = impacts.flagged(Flag.REFERENCE)
        if run.role != "test" or not own.any():
            continue
        for word, side in _sides(impacts) if by_end else (("reference drops", own),):
            if side.any():
                name = f"{run.name}, {word}"
                part = impacts.where(side)
                flags = part.data["flags"] & ~np.uint32(Flag.REFERENCE)
                parts.append(part.with_columns(run=name, flags=flags))
                runs.append(replace(run, name=name, role="reference", station="", drop_height_mm=None))
                takes[name] = f"run {run.name}"
    return list(summarise(Impacts.concat(parts), runs)) if parts else [], takes


def _by_sheet(own: Sequence[RunSummary], found: Sequence[RunSummary]) -> bool:
    """Whether the run sheet's reference recordings tie more sessions than what was found at the ends of takes."""
    return len({s.run.session for s in own}) >= len({s.run.session for s in found})


def tied_summaries(tables: Sequence[Table], summaries: Sequence[RunSummary]) -> tuple[RunSummary, ...]:
    """Return the summaries with the reference drops that tie most sessions: the run sheet's own, or those found."""
    own = [s for s in of_role(summaries, "reference") if s.used]
    found, _ = _rows(tables, by_end=False)
    if _by_sheet(own, found):
        return tuple(summaries)
    return (*(s for s in summaries if s.run.role != "reference"), *found)


def references_of(tables: Sequence[Table], summaries: Sequence[RunSummary]) -> References:
    """Return what all reference drops of a campaign tell.

    Args:
        tables: each run with its impacts and ends, as :func:`mark_references` returns them.
        summaries: of the runs, without those found at the ends of takes.
    """
    own = one_station((s for s in of_role(summaries, "reference") if s.used), None)
    ends, takes = _rows(tables, by_end=True)
    names = tuple(dict.fromkeys(takes.values()))
    ridden = tuple(f"run {run.name}: {ends.gain.sentence()}" for run, _, ends in tables if ends.gain is not None)
    doubts = _said_open(tables)
    found = study_references(ends, takes=takes, found_in=names)
    if ends and not _by_sheet(own, ends):
        return replace(found, ridden=ridden, doubts=doubts)
    told = study_references(own)
    drifts = (*told.drifts, *found.drifts)
    return replace(told, drifts=drifts, apart=found.apart, found_in=names, ridden=ridden, doubts=doubts)
