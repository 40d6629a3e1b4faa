"""What of a table of impacts the ledger is made of: first contacts, their neighbours, and the rebounds known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.table import Impacts
from noisecheck.flow.route import Route

__all__ = ["crowded_impacts", "first_contacts", "rebounds_known"]

_CROWD_S = 0.03
_SAME_S = 0.002


def rebounds_known(impacts: Impacts, route: Route) -> list[tuple[NDArray[np.float64], int]]:
    """Return for each station of the route (s from first contact to each of its known rebounds, number of drops)."""
    drop, rebound, time_s = impacts["drop"], impacts["rebound"], impacts["time_s"]
    first = np.flatnonzero((rebound == 0) & (drop >= 0))
    begun = np.full(int(drop.max(initial=-1)) + 1, -1, np.int64)
    begun[drop[first]] = first
    rows = np.flatnonzero((rebound > 0) & (drop >= 0))
    rows = rows[begun[drop[rows]] >= 0]
    of = begun[drop[rows]]
    names = impacts["station"]
    after = time_s[rows] - time_s[of]
    return [(after[names[of] == n], int(np.sum(names[first] == n))) for n in route.stations]


def crowded_impacts(impacts: Impacts) -> NDArray[np.bool_]:
    """Return for each impact whether another (no second hearing of itself) is near enough to change its sound."""
    time_s = impacts["time_s"]
    order = np.argsort(time_s, kind="stable")
    t = time_s[order]
    crowded = np.zeros(len(t), bool)
    for low, high in ((-_CROWD_S, -_SAME_S), (_SAME_S, _CROWD_S)):
        crowded[order] |= np.searchsorted(t, t + high, "right") > np.searchsorted(t, t + low, "left")
    return crowded


def first_contacts(impacts: Impacts, route: Route) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (rows, station index on the route) of the impacts a ledger is made of, in order of time.

    Rebounds (``rebound`` above 0) and impacts surely placed at stations off the route are left out; unplaced are -1.
    """
    names = impacts.names["station"]
    index = np.array([route.stations.index(n) if n in route.stations else (-1 if not n else -2) for n in names], int)
    codes = index[impacts.data["station"]] if len(impacts) else np.empty(0, int)
    rows = np.flatnonzero((codes >= -1) & (impacts["rebound"] <= 0))
    rows = rows[np.argsort(impacts["time_s"][rows], kind="stable")]
    return rows.astype(np.int64), codes[rows].astype(np.int64)
