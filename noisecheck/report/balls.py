"""How balls ran in each group, beside its noise: a quiet place that holds balls up is no improvement."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from noisecheck.flow.findings import Ledger
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.flowing import drops_of
from noisecheck.report.context import Context, GroupColumn

__all__ = ["flow_columns"]


def flow_columns(context: Context) -> tuple[GroupColumn, ...]:
    """Return the flow figures of groups of runs that this campaign knows; none where no drop has a rebound.

    Restitution is the median over drops of T2 / T1. Balls held up are counted per thousand that arrived or stuck.
    """
    result, ledgers = context.result, context.ledgers
    columns: list[GroupColumn] = []
    if np.any(result.impacts.data["rebound"] > 0):
        columns += [
            GroupColumn("rebounds_a_drop", "rebounds a drop", "", _rebounds(result), 1),
            GroupColumn("restitution", "restitution", "", _restitution(result), 2),
        ]
    if ledgers:
        columns += [
            GroupColumn("held_up_per_thousand", "held up per 1000 balls", "", _rate(ledgers, "held_up"), 1),
            GroupColumn("stuck", "stuck balls", "", _count(ledgers, "stuck"), 0),
        ]
    return tuple(columns)


Figure = Callable[[tuple[str, ...], str | None], float | None]


def _rebounds(result: CampaignResult) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        first = later = 0
        for run in result.runs:
            if run.run.name in runs:
                rebound = run.impacts.data["rebound"]
                here = run.impacts.is_text("station", station) if station else np.ones(len(rebound), bool)
                first += int(np.sum(here & (rebound == 0)))
                later += int(np.sum(here & (rebound > 0)))
        return later / first if first else None

    return value


def _restitution(result: CampaignResult) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        found = []
        for run in result.runs:
            if run.run.name in runs:
                part = run.impacts.where(run.impacts.is_text("station", station)) if station else run.impacts
                found.append(drops_of(part).restitution)
        known = np.concatenate(found) if found else np.empty(0)
        known = known[np.isfinite(known)]
        return float(np.median(known)) if known.size else None

    return value


def _of(ledgers: dict[str, Ledger], runs: Sequence[str], station: str | None, kind: str) -> tuple[int, int]:
    """Return how many findings of a kind there are at a station (None: anywhere), and the balls followed."""
    chosen = [ledgers[name] for name in runs if name in ledgers]
    events = sum(f.kind == kind and (station is None or f.station == station) for x in chosen for f in x.findings)
    return events, sum(x.balls for x in chosen)


def _rate(ledgers: dict[str, Ledger], kind: str) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        events, balls = _of(ledgers, runs, station, kind)
        return 1000 * events / balls if balls else None

    return value


def _count(ledgers: dict[str, Ledger], kind: str) -> Figure:
    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        events, balls = _of(ledgers, runs, station, kind)
        return float(events) if balls else None

    return value
