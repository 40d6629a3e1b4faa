"""By revision, in the rig file's order: levels, flow and requirements, and what changed from one to the next."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.differences import Difference
from noisecheck.compare.doubts import doubts_of
from noisecheck.compare.effects import compare
from noisecheck.compare.flowing import GroupFlow, RunFlow, group_flow
from noisecheck.compare.joint import JointVerdict, flow_between, flow_margin, join
from noisecheck.compare.linear import FALSE_DISCOVERY, benjamini_hochberg
from noisecheck.compare.scorecard import Card, judge_revision, pace_of
from noisecheck.compare.standing import QUANTITIES_SHOWN, Figure, Scale, Standing, standing
from noisecheck.compare.summary import QUANTITIES, RunSummary, excluded_of, index_of, one_station
from noisecheck.compare.tradeoff import Tradeoff, trade_off
from noisecheck.core.errors import InputError
from noisecheck.core.records import record

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig
    from noisecheck.flow.failures import HeardShare

__all__ = ["ALL", "Change", "RevisionTrend", "Trend", "machine_stations", "total_rows", "trend"]

ALL: Final = "total"
"""Name under which the exposure of one ball over all stations stands among the stations."""
_UNCHANGED_DB: Final = 3.0  # a change within this is not noticed in practice (see compare.hearing)


@record
class RevisionTrend:
    """One revision: levels by station and in total, flow, requirements."""

    revision: str
    runs: int
    impacts: int
    treatments: tuple[str, ...]
    sessions: tuple[str, ...]
    levels: dict[str, dict[str, Figure]]
    total: Figure | None
    """L_AE of one ball over all stations: energy sum of the stations' energy means of first contacts."""
    flow: GroupFlow
    run_flows: tuple[RunFlow, ...]
    card: Card

    def to_dict(self) -> dict[str, Any]:
        """Return the revision as plain values."""
        return {
            "revision": self.revision,
            "runs": self.runs,
            "impacts": self.impacts,
            "treatments": list(self.treatments),
            "sessions": list(self.sessions),
            "levels": {s: {q: f.to_dict() for q, f in figures.items()} for s, figures in self.levels.items()},
            "total_lae_db": self.total.to_dict() if self.total else None,
            "flow": self.flow.to_dict(),
            **self.card.to_dict(),
        }


@record
class Change:
    """What changed from one revision to the next; ``shown`` names the stations where it is more than chance."""

    before: str
    after: str
    differences: dict[str, Difference]
    """L_AE by station, and in :data:`ALL` where there are several."""
    shown: tuple[str, ...]
    joint: JointVerdict | None
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Return the change as plain values."""
        keys = ("difference_db", "ci_db", "p", "verdict", "warnings")
        return {
            "before": self.before,
            "after": self.after,
            "differences": {s: {k: d.to_dict()[k] for k in keys} for s, d in self.differences.items()},
            "shown": list(self.shown),
            "joint": self.joint.to_dict() if self.joint else None,
            "sentence": self.sentence,
        }


@record
class Trend:
    """The whole answer of ``trend``."""

    revisions: tuple[RevisionTrend, ...]
    changes: tuple[Change, ...]
    tradeoff: Tradeoff
    scales: tuple[Scale, ...]
    confidence: float
    notes: tuple[str, ...] = ()

    @property
    def newest(self) -> RevisionTrend:
        """The last revision, in the order of the rig file, that has runs."""
        return self.revisions[-1]

    @property
    def verdict(self) -> str:
        """How the newest revision stands against the strict requirements."""
        return self.newest.card.verdict

    def of(self, revision: str) -> RevisionTrend:
        """Return one revision; raises ``KeyError``."""
        return {r.revision: r for r in self.revisions}[revision]

    def to_dict(self) -> dict[str, Any]:
        """Return the document that ``trend --json`` prints."""
        return {
            "newest": self.newest.revision,
            "verdict": self.verdict,
            "confidence": self.confidence,
            "revisions": [r.to_dict() for r in self.revisions],
            "changes": [c.to_dict() for c in self.changes],
            "tradeoff": self.tradeoff.to_dict(),
            "scales": [s.to_dict() for s in self.scales],
            "notes": list(self.notes),
        }


def machine_stations(summaries: Sequence[RunSummary], rig: Rig) -> list[str]:
    """Return the stations that test runs heard, in the rig's order.

    Where balls follow a way, a place beside it that the run sheet names for reference drops is none of the machine's: a
    contact that sounds like it would leave every run without one there without a total.
    """
    heard = {s.station for s in of_role(summaries, "test") if s.impacts and s.station}
    route = rig.route
    if len(route) > 1:
        heard -= {s.run.station for s in of_role(summaries, "reference")} - set(route)
    return [n for n in dict.fromkeys([*route, *rig.station_names, *sorted(heard)]) if n in heard]


def total_rows(summaries: Sequence[RunSummary], stations: Sequence[str], *, rig: Rig) -> tuple[RunSummary, ...]:
    """Return one summary a run whose ``lae_db`` is the exposure of one ball over the given stations.

    Runs in which a station was not measured stay, without a value; so do those that contact pickups and air microphones
    heard, whose levels do not add.
    """
    blank, i = np.full(len(QUANTITIES), np.nan), index_of("lae_db")
    by_run: dict[str, list[RunSummary]] = {}
    for s in summaries:
        by_run.setdefault(s.run.name, []).append(s)
    found = []
    for rows in by_run.values():
        here = {s.station: s for s in rows if s.used and math.isfinite(s.energy[i])}
        mean, sd = blank.copy(), blank.copy()
        whole = bool(stations) and all(name in here for name in stations)
        there = [s for s in rows if s.used and s.station in stations]
        unlike = len({rig.microphone(c).kind for s in there for c in s.channels}) > 1
        whole = whole and not unlike
        if whole:
            power = np.array([10 ** (here[name].energy[i] / 10) for name in stations])
            error = np.array([np.nan_to_num(here[n].sd[i]) / math.sqrt(max(here[n].n[i], 1)) for n in stations])
            mean[i] = 10 * math.log10(power.sum())
            sd[i] = math.sqrt(float(np.sum((power / power.sum() * error) ** 2)))
        used = [here[name] for name in stations if name in here]
        found.append(
            replace(
                rows[0],
                station="",
                impacts=sum(s.impacts for s in rows),
                used=sum(s.used for s in used) if whole else 0,
                excluded={"by contact pickups and air microphones together": sum(s.used for s in there)}
                if unlike
                else {},
                db_re=tuple(sorted({v for s in used for v in s.db_re})),
                channels=tuple(sorted({c for s in used for c in s.channels})),
                mean=mean,
                energy=mean,
                sd=sd,
                n=np.where(np.isfinite(mean), 1, 0),
                warnings=(),
                **doubts_of(used),
            )
        )
    return tuple(found)


def trend(
    summaries: Sequence[RunSummary],
    flows: Sequence[RunFlow],
    *,
    rig: Rig,
    confidence: float = 0.95,
    heard: Mapping[str, HeardShare] | None = None,
) -> Trend:
    """Return levels, flow and requirement verdicts by revision.

    Args:
        summaries: of all runs, from :func:`noisecheck.compare.summary.summarise`.
        flows: of the test runs, from :func:`noisecheck.compare.flowing.run_flow`.
        rig: order of revisions, requirements, stations, feed.
        heard: for each revision, the share of failures that listening shows.

    Raises:
        InputError: no test run names a revision.
    """
    tests = [s for s in of_role(summaries, "test") if s.run.revision]
    if not tests:
        raise InputError("runs.csv: no test run names a revision: fill in the column 'revision'")
    references = one_station(of_role(summaries, "reference"), None)
    there = list(dict.fromkeys(s.run.revision for s in tests))
    order = [r for r in rig.revisions.order if r in there] or there
    stations = machine_stations(summaries, rig)
    levels = {name: _at(tests, references, name, rig, confidence) for name in stations}
    if not stations or any(r.station is None and r.measure in QUANTITIES for r in rig.requirements):
        levels[""] = _at(tests, references, None, rig, confidence)
    totals = total_rows(tests, stations or [""], rig=rig)
    total_ties = total_rows(of_role(summaries, "reference"), sorted({s.station for s in references}), rig=rig)
    total = standing(totals, total_ties, by="revision", quantities=("lae_db",), confidence=confidence)
    by_revision = {r: [f for f in of_role(flows, "test") if f.run.revision == r] for r in order}
    pace = pace_of(rig, [f for members in by_revision.values() for f in members])
    found = []
    for revision in order:
        share = (heard or {}).get(revision)
        mine = [s for s in tests if s.run.revision == revision]
        card = judge_revision(
            rig.requirements, revision, levels=levels, total=total, flows=by_revision[revision], pace=pace, heard=share
        )
        shown = {name: dict(place.figures.get(revision, {})) for name, place in levels.items()}
        found.append(
            RevisionTrend(
                revision=revision,
                runs=len({s.run.name for s in mine}),
                impacts=sum(s.used for s in mine),
                treatments=tuple(dict.fromkeys(s.run.treatment for s in mine if s.run.treatment)),
                sessions=tuple(dict.fromkeys(s.run.session for s in mine if s.run.session)),
                levels={
                    n: {q: f for q, f in figures.items() if math.isfinite(f.value)} for n, figures in shown.items()
                },
                total=total.of(revision),
                flow=group_flow(revision, by_revision[revision], heard=share, confidence=confidence),
                run_flows=tuple(by_revision[revision]),
                card=card,
            )
        )
    places = [total, *levels.values()]
    return Trend(
        revisions=tuple(found),
        changes=_changes(summaries, stations, total_ties, totals, found, rig, confidence),
        tradeoff=trade_off(totals, total_ties, flows, confidence=confidence),
        scales=total.scales,
        confidence=confidence,
        notes=(*_notes(places, order), *(n for r in order for n in _without_level(r, tests)), *_doubts(tests, order)),
    )


def _at(
    tests: Sequence[RunSummary], references: Sequence[RunSummary], name: str | None, rig: Rig, confidence: float
) -> Standing:
    wanted = [r.measure for r in rig.requirements if r.measure in QUANTITIES and (r.station or None) == name]
    quantities = tuple(dict.fromkeys([*QUANTITIES_SHOWN, *wanted]))
    return standing(one_station(tests, name), references, by="revision", quantities=quantities, confidence=confidence)


def _notes(places: Sequence[Standing], order: Sequence[str]) -> tuple[str, ...]:
    notes = list(dict.fromkeys(n for p in places for n in p.notes))
    scales = places[0].scales
    if len(scales) > 1:
        parts = []
        for number, scale in enumerate(scales):
            members = [r for r in order if places[0].scale_of.get(r) == number]
            sessions = ", ".join(s or "(none)" for s in scale.sessions)
            parts.append(f"{', '.join(members) or 'nothing'} (session {sessions})")
        notes.append(
            "levels cannot be compared between " + " and ".join(parts) + ": no calibration, no reference drop and no "
            "common run ties these sessions"
        )
    for scale in scales:
        if scale.tied_by in ("reference drops", "the same runs in each"):
            sessions = ", ".join(scale.sessions)
            notes.append(
                f"sessions {sessions} are tied by {scale.tied_by}; levels are as of session {scale.sessions[0]}"
            )
    return tuple(notes)


def _without_level(revision: str, tests: Sequence[RunSummary]) -> list[str]:
    """Say why a revision has no level at all, though it sounds."""
    gone = excluded_of(s for s in tests if s.run.revision == revision)
    if not gone or any(s.used for s in tests if s.run.revision == revision):
        return []
    return [f"revision {revision}: no impact has a level to compare: {', '.join(f'{n} {w}' for w, n in gone.items())}"]


def _doubts(tests: Sequence[RunSummary], order: Sequence[str]) -> list[str]:
    """Say which means are too low or too high: a verdict in that direction is none."""
    rows = [s for s in tests if s.run.revision in order]
    return list(dict.fromkeys(text for s in rows for text in (s.too_low, s.too_high) if text))


def _changes(
    summaries: Sequence[RunSummary],
    stations: Sequence[str],
    total_ties: Sequence[RunSummary],
    totals: Sequence[RunSummary],
    found: Sequence[RevisionTrend],
    rig: Rig,
    confidence: float,
) -> tuple[Change, ...]:
    names = list(stations) if len(stations) > 1 else []
    pairs = list(itertools.pairwise(found))
    everywhere: list[dict[str, Difference]] = []
    for a, b in pairs:
        both = (a.revision, b.revision)
        rows = [s for s in summaries if s.run.role == "reference" or s.run.revision in both]
        differences = {}
        for name in names or stations[:1] or [ALL]:
            found_here = _difference(rows, both, name if names else None, rig, confidence)
            if found_here is not None:
                differences[name] = found_here
        if names:
            part = [*(s for s in totals if s.run.revision in both), *total_ties]
            whole_change = _difference(part, both, None, rig, confidence)
            if whole_change is not None:
                differences[ALL] = whole_change
        everywhere.append(differences)
    p = [d.p for ds in everywhere for s, d in ds.items() if s != ALL or len(ds) == 1]
    q = iter(benjamini_hochberg(np.array(p, np.float64)))
    changes = []
    for (a, b), differences in zip(pairs, everywhere, strict=True):
        shown = [s for s, d in differences.items() if (s != ALL or len(differences) == 1)
                 and next(q) <= FALSE_DISCOVERY and d.verdict in ("quieter", "louder")]  # fmt: skip
        whole = differences.get(ALL) or next(iter(differences.values()), None)
        flow = flow_between(a.run_flows, b.run_flows, by="revision", margin=flow_margin(rig))
        joint = None if whole is None else join(whole, flow)
        if flow.verdict in ("worse", "better"):
            shown.append("flow")
        sentence = _sentence(a, b, differences, shown, flow.verdict)
        changes.append(Change(a.revision, b.revision, differences, tuple(shown), joint, sentence))
    return tuple(changes)


def _difference(
    rows: Sequence[RunSummary], both: tuple[str, str], station: str | None, rig: Rig, confidence: float
) -> Difference | None:
    heard = {s.run.revision for s in of_role(rows, "test") if station in (None, s.station)}
    if not heard >= set(both):
        return None
    found = compare(rows, by="revision", baseline=both[0], station=station, rig=rig, confidence=confidence)
    return found.of(both[1])


def _sentence(
    a: RevisionTrend, b: RevisionTrend, differences: dict[str, Difference], shown: Sequence[str], flow: str
) -> str:
    parts = []
    for name, d in differences.items():
        if name == ALL and len(differences) > 1:
            continue
        low, high = d.ci_db
        if d.verdict == "not comparable":
            parts.append(f"{name} not comparable")
        elif d.indicative:
            parts.append(f"{name} {d.difference_db:+.1f} dB, indicative only")
        elif name in shown and d.at_least:
            parts.append(f"{name} {d.size}")
        elif name in shown:
            small, large = sorted((abs(low), abs(high)))
            parts.append(f"{name} {d.size} ({small:.1f} to {large:.1f})")
        elif max(abs(low), abs(high)) <= _UNCHANGED_DB:
            parts.append(f"{name} unchanged (within {max(abs(low), abs(high)):.1f} dB)")
        elif d.verdict != "no difference shown":
            parts.append(f"{name} perhaps {d.verdict} ({low:+.1f} to {high:+.1f} dB, chance over all comparisons)")
        elif d.lacking:
            parts.append(f"{name} not shown to change ({d.difference_db:+.1f} dB by what could be measured)")
        else:
            parts.append(f"{name} not shown to change ({low:+.1f} to {high:+.1f} dB)")
    before, after = a.flow.held_up, b.flow.held_up
    if before.balls and after.balls:
        said = {"worse": "shown to be worse", "better": "shown to be better", "no worse": "no worse as far as shown"}
        rate = f"{before.value:.3g}" if before.value == after.value else f"from {before.value:.3g} to {after.value:.3g}"
        parts.append(
            f"held up {rate} per thousand"
            + (" in both" if before.value == after.value else "")
            + (f", stuck from {a.flow.counts['stuck']} to {b.flow.counts['stuck']}" if _stuck(a, b) else "")
            + f" (flow {said.get(flow, 'not yet told apart')})"
        )
    return f"revision {b.revision}: " + ", ".join(parts or ["nothing to set it against"])


def _stuck(a: RevisionTrend, b: RevisionTrend) -> bool:
    return bool(a.flow.counts["stuck"] or b.flow.counts["stuck"])
