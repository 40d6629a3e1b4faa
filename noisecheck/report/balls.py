"""How balls ran in each group, beside its noise: a quiet place that holds balls up is no improvement."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from noisecheck.compare.flowing import LINK, RunFlow
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.flowing import drops_of
from noisecheck.pipeline.references import machine_impacts
from noisecheck.report.context import Context, GroupColumn

__all__ = ["flow_columns"]


def flow_columns(context: Context) -> tuple[GroupColumn, ...]:
    """Return the flow figures of groups of runs that this campaign knows; none where no drop has a rebound.

    Restitution is T2 / T1, a mean over the drops of each run and then over runs. Balls held up, per thousand that
    arrived or stuck, and stuck ones are those of the whole way: what a pad does to a ball may show stations later. The
    spread of transit times is that from the station to the next, half the span of the middle 68 %, as a mean over runs.
    """
    result = context.result
    columns: list[GroupColumn] = []
    if np.any(result.impacts.data["rebound"] > 0):
        columns += [
            GroupColumn("rebounds_a_drop", "rebounds a drop", "", _rebounds(result), 1),
            GroupColumn("restitution", "restitution", "", _restitution(result), 2),
        ]
    if context.ledgers:
        flows = context.flows
        columns += [
            GroupColumn("transit_spread_ms", "transit time spread", "ms", _spread(flows), 1),
            GroupColumn("held_up_per_thousand", "held up per 1000 balls", "", _share(flows, "held_up"), 1),
            GroupColumn("stuck", "stuck balls", "", _stuck(flows), 0),
        ]
    return tuple(columns)


Figure = Callable[[tuple[str, ...], str | None], float | None]


def _rebounds(result: CampaignResult) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        first = later = 0
        for run in result.runs:
            if run.run.name in runs:
                own = machine_impacts(run.impacts)
                rebound = own.data["rebound"]
                here = own.is_text("station", station) if station else np.ones(len(rebound), bool)
                first += int(np.sum(here & (rebound == 0)))
                later += int(np.sum(here & (rebound > 0)))
        return later / first if first else None

    return value


def _restitution(result: CampaignResult) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        found = []
        for run in result.runs:
            if run.run.name in runs:
                own = machine_impacts(run.impacts)
                part = own.where(own.is_text("station", station)) if station else own
                known = drops_of(part).restitution
                found += [float(np.mean(known[np.isfinite(known)]))] if np.isfinite(known).any() else []
        return float(np.mean(found)) if found else None

    return value


def _chosen(flows: Sequence[RunFlow], runs: Sequence[str]) -> list[RunFlow]:
    return [f for f in flows if f.run.name in runs and f.balls]


def _share(flows: Sequence[RunFlow], count: str) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        chosen = _chosen(flows, runs)
        return 1000 * sum(getattr(f, count) for f in chosen) / sum(f.balls for f in chosen) if chosen else None

    return value


def _stuck(flows: Sequence[RunFlow]) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        chosen = _chosen(flows, runs)
        return float(sum(f.stuck for f in chosen)) if chosen else None

    return value


def _spread(flows: Sequence[RunFlow]) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        found = [
            1000 * s for f in _chosen(flows, runs) for link, s in f.transit_spread_s.items()
            if station and link.startswith(f"{station}{LINK}")
        ]  # fmt: skip
        return float(np.mean(found)) if found else None

    return value
