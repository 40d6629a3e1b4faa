"""Places told by the schedule: where the sound left an impact's station open, the ball that was due there tells it.

Only passages that nothing else explains speak: a ball heard at one station and, on time, at the next. What the sound
is sure of, a station or none, stands.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.summary import SURE_PLACE
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts

if TYPE_CHECKING:
    from noisecheck.flow.findings import Ledger, Passage

__all__ = ["left_open", "placed_by_schedule"]

_LEAST_ODDS: Final = 19.0
_SAME_S: Final = 1e-6


def left_open(impacts: Impacts) -> NDArray[np.bool_]:
    """Return which first contacts the sound did not place surely, neither at a station nor at none, (n,)."""
    with np.errstate(invalid="ignore"):
        sure = impacts["station_confidence"] >= SURE_PLACE
    return np.asarray(~sure & (impacts["rebound"] <= 0) & ~impacts.flagged(Flag.REFERENCE))


def placed_by_schedule(impacts: Impacts, ledger: Ledger) -> Impacts:
    """Return the impacts of a run with stations where the sound left them open and the ledger is sure.

    They carry the flag ``scheduled``, and the probability of the ledger's answer, which the sound is part of.

    Args:
        impacts: as the ledger was made from.
        ledger: of the same run.
    """
    rows = np.flatnonzero(left_open(impacts))
    known = _told(ledger)
    if not len(rows) or not known:
        return impacts
    times = np.array(sorted(known))
    time_s = impacts["time_s"][rows]
    after = np.clip(np.searchsorted(times, time_s), 1, max(len(times) - 1, 1))
    nearest = times[np.minimum(after, len(times) - 1)]
    before = times[after - 1]
    nearest = np.where(np.abs(before - time_s) < np.abs(nearest - time_s), before, nearest)
    told = np.abs(nearest - time_s) < _SAME_S
    if not told.any():
        return impacts
    there = ((row, known[at]) for row, at in zip(rows[told].tolist(), nearest[told].tolist(), strict=True))
    return impacts.at_stations({k: (name, odds / (1.0 + odds)) for k, (name, odds) in there}, flag=Flag.SCHEDULED)


def _told(ledger: Ledger) -> dict[float, tuple[str, float]]:
    """Return (station, odds) by time (s) of the impacts that only one ball at one station explains."""
    order = {name: k for k, name in enumerate(ledger.transit_s)}
    windows = list(ledger.transit_s.values())
    known: dict[float, tuple[str, float]] = {}
    for p in ledger.passages:
        at = order[p.origin]
        if order.get(p.station, len(order)) != at + 1 or not _on_time(p, windows[at : at + 2]):
            continue
        if p.odds < _LEAST_ODDS:
            continue
        known[p.time_s] = p.station, p.odds
        # Where it came from is told too: from no other station would it have been on time.
        known.setdefault(p.time_s - p.took_s, (p.origin, p.odds))
    return known


def _on_time(passage: Passage, windows: list[tuple[float, float]]) -> bool:
    """Return whether a ball took as long as usual, and not as long as to the station after the next."""
    low, high = windows[0]
    two_on = sum(w[0] for w in windows) if len(windows) > 1 else np.inf
    return not passage.late and low <= passage.took_s <= min(high, two_on)
