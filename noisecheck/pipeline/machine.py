"""What the machine makes without balls: impacts no louder than that are no drops, unless their place is heard."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np

from noisecheck.bench.runsheet import Run
from noisecheck.core.flags import Flag
from noisecheck.core.records import record
from noisecheck.core.table import Impacts

__all__ = ["OwnTicks", "own_ticks"]

_LEAST: Final = 10
_LEAST_A_MINUTE: Final = 5.0
_SECOND: Final = 2  # the loudest alone may be a door, or a step
_COMMON_PERCENT, _RARE_DB = 95.0, 10.0
"""Few and far louder than nearly all, they are speech or a door, and not the machine's."""
_LOUDER_DB: Final = 1.0


@record
class OwnTicks:
    """How loud the machine's own impacts are, by session; nothing where it was not recorded alone, or is silent."""

    up_to_db: dict[str, tuple[float, str]]
    """Highest L_AE of the machine's own impacts, and the run that shows it, by session."""

    def marked(self, impacts: Impacts, run: Run) -> tuple[Impacts, tuple[str, ...]]:
        """Return a run's impacts with those no louder than the machine's own flagged, and what there is to say."""
        limit_db, shown_by = self.up_to_db.get(run.session, (-math.inf, ""))
        with np.errstate(invalid="ignore"):
            own = impacts["lae_db"] <= limit_db
        if not own.any():
            return impacts, ()
        flags = np.where(own, impacts["flags"] | np.uint32(Flag.MACHINE), impacts["flags"])
        note = (
            f"{own.sum()} of {len(own)} impacts are no louder than what the machine makes without balls (run "
            f"{shown_by}: L_AE up to {limit_db:.1f} dB): they count as no drops"
        )
        return impacts.with_columns(flags=flags), (note,)


def own_ticks(runs: Iterable[tuple[Run, Impacts]]) -> OwnTicks:
    """Return how loud the machine's own impacts are, from the runs of role ``background`` among these.

    Sessions stand apart, for gains may differ. A few odd sounds in such a run (a door, a voice) do not count.

    Args:
        runs: (run, its impacts measured, with times in s).
    """
    found: dict[str, tuple[float, str]] = {}
    for run, impacts in runs:
        levels = np.sort(impacts["lae_db"][np.isfinite(impacts["lae_db"])])[::-1]
        if run.role != "background" or len(levels) < _LEAST:
            continue
        minutes = float(np.ptp(impacts["time_s"])) / 60.0
        if len(levels) < _LEAST_A_MINUTE * minutes:
            continue
        usual = float(np.percentile(levels, _COMMON_PERCENT))
        limit = min(float(levels[_SECOND - 1]), usual + _RARE_DB) + _LOUDER_DB
        if limit > found.get(run.session, (-math.inf, ""))[0]:
            found[run.session] = limit, run.name
    return OwnTicks(found)
