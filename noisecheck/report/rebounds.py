"""How lively a place is, from the impact table alone: rebounds a drop, and restitution from their intervals.

A ball that leaves with speed v flies for 2 v / g, so that successive intervals T1, T2 of one drop give the coefficient
of restitution e = T2 / T1 (g is the same for both). A dead place has few rebounds: quiet, but it may hold balls up.
"""

from __future__ import annotations

import numpy as np

from noisecheck.core.table import Impacts
from noisecheck.report.context import GroupColumn

__all__ = ["rebound_columns", "rebounds_a_drop", "restitution"]


def _of(impacts: Impacts, runs: tuple[str, ...], station: str | None) -> Impacts:
    keep = np.isin(impacts["run"].astype(str), runs) & (impacts.data["drop"] >= 0) & (impacts.data["rebound"] >= 0)
    return impacts.where(keep & impacts.is_text("station", station) if station else keep)


def rebounds_a_drop(impacts: Impacts, runs: tuple[str, ...], station: str | None = None) -> float | None:
    """Return the mean number of rebounds heard a drop; None where no drop is known."""
    part = _of(impacts, runs, station)
    drops = int((part.data["rebound"] == 0).sum())
    return float((part.data["rebound"] > 0).sum() / drops) if drops else None


def restitution(impacts: Impacts, runs: tuple[str, ...], station: str | None = None) -> float | None:
    """Return the median over drops of T2 / T1; None where no drop has two intervals."""
    part = _of(impacts, runs, station)
    order = np.lexsort((part.data["rebound"], part.data["drop"], part.data["run"]))
    drop, run, rebound = (part.data[k][order] for k in ("drop", "run", "rebound"))
    time = part.data["time_s"][order]
    if len(time) < 3:
        return None
    one = (drop[2:] == drop[:-2]) & (run[2:] == run[:-2]) & (rebound[:-2] == 0) & (rebound[2:] == 2)
    first, second = time[1:-1] - time[:-2], time[2:] - time[1:-1]
    ratio = second[one & (first > 0)] / first[one & (first > 0)]
    return float(np.median(ratio)) if ratio.size else None


def rebound_columns(impacts: Impacts) -> tuple[GroupColumn, ...]:
    """Return the columns that stand beside the noise of each group; none where rebounds are not known."""
    if not np.any(impacts.data["rebound"] > 0):
        return ()
    return (
        GroupColumn(
            "rebounds", "rebounds a drop", "", lambda runs, station: rebounds_a_drop(impacts, runs, station), 1
        ),
        GroupColumn("restitution", "restitution e", "", lambda runs, station: restitution(impacts, runs, station), 2),
    )
