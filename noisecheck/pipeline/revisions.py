"""A measured campaign by revision: trend, what changed, noise beside flow, and what would settle what is open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.changed import Changed, changed
from noisecheck.compare.differences import Comparison
from noisecheck.compare.effects import compare
from noisecheck.compare.flowing import GroupFlow, RunFlow, restitutions, run_flow
from noisecheck.compare.height import HeightStudy, fit_heights
from noisecheck.compare.joint import JointVerdict, join_flow
from noisecheck.compare.plan import EffectPlan, Spread, plan_effects
from noisecheck.compare.plan import spread_of as spread_of_runs
from noisecheck.compare.scorecard import Judged, Pace, pace_of
from noisecheck.compare.tradeoff import Tradeoff, trade_off
from noisecheck.compare.trend import Trend, machine_stations, total_rows, trend
from noisecheck.core.errors import InputError, listed, one_line
from noisecheck.core.records import record
from noisecheck.pipeline.campaign import CampaignResult, comparable_columns
from noisecheck.pipeline.flowing import drops_of
from noisecheck.pipeline.references import machine_impacts

__all__ = [
    "Plan",
    "Together",
    "changed_campaign",
    "flows_of",
    "plan_campaign",
    "together",
    "tradeoff_campaign",
    "trend_campaign",
    "unjudged_requirements",
]


def flows_of(result: CampaignResult) -> tuple[RunFlow, ...]:
    """Return the flow of each test run; only how balls bounce where the rig file does not say the balls' way."""
    ledgers = {ledger.run: ledger for ledger in result.ledgers}
    found = []
    for r in result.tests:
        own = machine_impacts(r.impacts)
        drops, stations = drops_of(own), own.names["station"]
        if r.run.name in ledgers:
            found.append(run_flow(r.run, ledgers[r.run.name], drops, stations))
        else:
            found.append(RunFlow(r.run, seconds=r.seconds, restitution=restitutions(drops, stations)))
    return tuple(found)


def trend_campaign(result: CampaignResult) -> Trend:
    """Return levels, flow and requirement verdicts by revision.

    The share of failures that listening shows is the lower of what copies put back and the stations' agreement tell, as
    in the ledger.

    Raises:
        InputError: no test run names a revision.
    """
    heard = {revision: share for revision, share in result.heard_shares.items() if share is not None}
    trended = trend(result.summaries, flows_of(result), rig=result.campaign.rig, heard=heard)
    told = [t for t in (*result.apart, *result.references.alarms) if t not in trended.notes]
    return replace(trended, notes=(*trended.notes, *told))


def tradeoff_campaign(result: CampaignResult) -> Tradeoff:
    """Return noise against flow by revision and treatment, also where the run sheet names no revisions."""
    tests, ties = of_role(result.summaries, "test"), of_role(result.summaries, "reference")
    rig = result.campaign.rig
    totals = total_rows(tests, machine_stations(result.summaries, rig) or [""], rig=rig)
    return trade_off(totals, total_rows(ties, sorted({s.station for s in ties}), rig=rig), flows_of(result))


def changed_campaign(result: CampaignResult, trended: Trend, *, before: str, after: str) -> Changed:
    """Return what changed from one revision to another; raises ``InputError`` for a revision without runs."""
    return changed(trended, result.summaries, rig=result.campaign.rig, before=before, after=after)


@record
class Together:
    """A comparison with the flow of every group, and noise and flow in one verdict for each value."""

    comparison: Comparison
    groups: tuple[GroupFlow, ...]
    verdicts: tuple[JointVerdict, ...]
    heights: HeightStudy | None = None
    """Slopes with drop height for each treatment, where drop heights are compared."""

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison's document with ``flow`` in every group and ``together`` in every L_AE difference."""
        document = self.comparison.to_dict()
        for group, flow in zip(document["groups"], self.groups, strict=True):
            group["flow"] = flow.to_dict()
        verdicts = {v.value: v.to_dict() for v in self.verdicts}
        for difference in document["differences"]:
            if difference["measure"] == "lae_db":
                difference["together"] = verdicts[difference["value"]]
        return document if self.heights is None else {**document, "heights": self.heights.to_dict()}


def together(result: CampaignResult, comparison: Comparison) -> Together:
    """Return a comparison of a campaign with its flow beside it."""
    groups, verdicts = join_flow(comparison, flows_of(result), rig=result.campaign.rig)
    heights = None
    if comparison.by == "drop_height_mm":
        heights = fit_heights(result.summaries, station=comparison.station or None)
    return Together(comparison, groups, verdicts, heights)


def unjudged_requirements(result: CampaignResult) -> str:
    """Return a sentence on requirements that nothing is held against; empty where a test run names a revision."""
    asked = result.campaign.rig.requirements
    if not asked or any(r.revision for r in result.campaign.of_role("test")):
        return ""
    names = listed([one_line(r.id) for r in asked])
    return f"{names} cannot be judged: no test run names a revision (column 'revision' of runs.csv)"


@record
class Plan:
    """What the present runs can show, what wanted differences take, and what would settle what is open."""

    by: str
    station: str | None
    spread: Spread | None
    effects: tuple[EffectPlan, ...]
    impacts_a_run: float
    flow: tuple[JointVerdict, ...]
    requirements: tuple[Judged, ...]
    """Those not yet shown, of the newest revision."""
    pace: Pace
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the document that ``plan --json`` prints."""
        effects = [e.to_dict() for e in self.effects]
        for effect in effects:
            for row in effect["runs_a_side"]:
                row["drops_a_side"] = {
                    k: None if row[k] is None else round(row[k] * self.impacts_a_run) for k in ("80%", "95%")
                }
        return {
            "by": self.by,
            "station": self.station,
            "spread": self.spread.to_dict() if self.spread else None,
            "differences": effects,
            "flow": [v.to_dict() for v in self.flow],
            "not_yet_shown": [j.to_dict() for j in self.requirements],
            "notes": list(self.notes),
        }


def plan_campaign(
    result: CampaignResult,
    *,
    by: str | None = None,
    station: str | None = None,
    wanted_db: Sequence[float] = (1.0, 3.0),
) -> Plan:
    """Return the plan of a campaign, by a column of the run sheet (default: the first by which test runs differ).

    Raises:
        InputError: a wanted difference that is not above 0, or a column or station the run sheet does not have.
    """
    for size in wanted_db:
        if not 0 < size < math.inf:
            raise InputError(f"wanted difference {size:g} dB: must be above 0 (quieter or louder does not matter)")
    columns = comparable_columns(result.campaign.runs)
    column = by or (columns[0] if columns else "treatment")
    flows, rig = flows_of(result), result.campaign.rig
    pace, notes = pace_of(rig, flows), list[str]()
    spread: Spread | None = None
    effects: tuple[EffectPlan, ...] = ()
    verdicts: tuple[JointVerdict, ...] = ()
    impacts = math.nan
    if by or columns:
        # Not by compare_campaign: a plan gives no reasons, so nothing need be heard again for them.
        comparison = compare(result.summaries, by=column, station=station, rig=rig)
        spread = spread_of_runs(result.summaries, by=column, station=station)
        effects = plan_effects(comparison, spread, wanted_db=wanted_db)
        impacts = spread.impacts_per_run
        verdicts = join_flow(comparison, flows, rig=rig)[1]
        refused = [d for d in comparison.differences if d.measure == "lae_db" and d.verdict == "not comparable"]
        notes += [f"{d.value}: {d.warnings[0]}" for d in refused if d.warnings]
    else:
        notes.append("the test runs do not differ in treatment, revision or drop height: there is nothing to compare")
    open_ones: tuple[Judged, ...] = ()
    if unjudged := unjudged_requirements(result):
        notes.append(unjudged)
    elif rig.requirements:
        newest = trend_campaign(result).newest
        open_ones = tuple(j for j in newest.card.judged if j.verdict.verdict == "not yet shown")
    return Plan(column, station, spread, effects, impacts, verdicts, open_ones, pace, tuple(notes))
