"""What of a table of impacts the ledger is made of: first contacts, their neighbours, and the rebounds known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.table import Impacts
from noisecheck.flow.rebounds import Member
from noisecheck.flow.route import Route
from noisecheck.place.evidence import PRIOR_UNPLACED, Evidence

__all__ = ["crowded_impacts", "first_contacts", "labels_of", "rebounds_known", "scaled_labels"]

_CROWD_S = 0.03
_SAME_S = 0.002


def rebounds_known(impacts: Impacts, route: Route) -> list[list[list[Member]]]:
    """Return for each station of the route the trains told apart there: first contacts with their rebounds."""
    drop, rebound, time_s = impacts["drop"], impacts["rebound"], impacts["time_s"]
    first = np.flatnonzero((rebound == 0) & (drop >= 0))
    begun = np.full(int(drop.max(initial=-1)) + 1, -1, np.int64)
    begun[drop[first]] = first
    rows = np.flatnonzero((rebound > 0) & (drop >= 0))
    rows = rows[begun[drop[rows]] >= 0]
    level = impacts["lae_db"]
    trains = {int(drop[i]): [Member(0, float(time_s[i]), float(level[i]))] for i in first}
    for i in rows[np.lexsort((rebound[rows], drop[rows]))].tolist():
        trains[int(drop[i])].append(Member(int(rebound[i]), float(time_s[i]), float(level[i])))
    names = impacts["station"]
    return [[trains[int(drop[i])] for i in first[names[first] == n]] for n in route.stations]


def crowded_impacts(impacts: Impacts) -> NDArray[np.bool_]:
    """Return for each impact whether another (no second hearing of itself) is near enough to change its sound."""
    time_s = impacts["time_s"]
    order = np.argsort(time_s, kind="stable")
    t = time_s[order]
    crowded = np.zeros(len(t), bool)
    for low, high in ((-_CROWD_S, -_SAME_S), (_SAME_S, _CROWD_S)):
        crowded[order] |= np.searchsorted(t, t + high, "right") > np.searchsorted(t, t + low, "left")
    return crowded


def first_contacts(
    impacts: Impacts, route: Route, *, rebounds: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (rows, station index on the route) of the impacts a ledger is made of, in order of time.

    Impacts surely placed at stations off the route are left out, and rebounds (``rebound`` above 0) where not asked
    for; unplaced are -1.
    """
    names = impacts.names["station"]
    index = np.array([route.stations.index(n) if n in route.stations else (-1 if not n else -2) for n in names], int)
    codes = index[impacts.data["station"]] if len(impacts) else np.empty(0, int)
    rows = np.flatnonzero((codes >= -1) & (rebounds | (impacts["rebound"] <= 0)))
    rows = rows[np.argsort(impacts["time_s"][rows], kind="stable")]
    return rows.astype(np.int64), codes[rows].astype(np.int64)


def labels_of(odds: Evidence, route: Route) -> NDArray[np.float64]:
    """Return likelihoods of how impacts sound: at each station of the route and, last, at none, (n, stations + 1).

    A station the evidence does not know counts with none, as do those off the route, whichever is likelier.
    """
    place = {name: k for k, name in enumerate(odds.stations)}
    off = [odds.unplaced, *(odds.log_likelihood[:, k] for name, k in place.items() if name not in route.stations)]
    none = np.max(off, axis=0)
    logs = [odds.log_likelihood[:, place[n]] if n in place else odds.unplaced for n in route.stations]
    both = np.column_stack([*logs, none])
    return np.exp(both - both.max(axis=1, keepdims=True)) if len(both) else both


def scaled_labels(labels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return likelihoods, as of :func:`labels_of`, over that of any impact's sound."""
    usual = (1.0 - PRIOR_UNPLACED) * labels[:, :-1].mean(axis=1) + PRIOR_UNPLACED * labels[:, -1]
    return np.asarray(labels / np.maximum(usual, 1e-300)[:, None], np.float64)
