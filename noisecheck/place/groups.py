"""Grouping alone: when nothing was taught, impacts that sound alike are found and named A, B, C...

The groups are those of a Gaussian mixture over the main directions in which the band shapes differ, as many as the
Bayesian information criterion asks for. A group that no impact clearly belongs to is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.core.units import from_power_db, power_db
from noisecheck.place.sound import own_bands
from noisecheck.place.spectra import BANDS, sounds_of
from noisecheck.place.taught import Lesson

__all__ = ["Group", "Groups", "find_groups"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MOST_GROUPS: Final = 12
_LEAST: Final = 5
_DIRECTIONS: Final = 6
_DEPTH_DB: Final = 30.0  # bands further below the loudest say little but noise
_FITTED: Final = 4000
_OUTSIDE: Final = 13.8  # squared distance over the median beyond which an impact is in no group, in units of spread
_OVERLAP: Final = 0.02
_OWN_BANDS: Final = 4.0


@record
class Group:
    """Impacts that sound alike."""

    name: str
    count: int
    example: int
    """Row of the impact nearest to the middle of the group, well above the background: for a clip."""
    spectrum_db: Floats
    """Mean band levels re the group's own total, (30,); NaN where a band isn't carried."""
    centroid_hz: float
    decay_ms: float


@record
class Groups:
    """The groups of a run, the largest first, and where each impact belongs."""

    groups: tuple[Group, ...]
    member: Ints
    """Index of the group of each impact, -1 for none, (n,)."""
    confidence: Floats
    """Probability of that group against the others, (n,)."""
    notes: tuple[str, ...] = ()

    def lessons(self, impacts: Impacts, stations: Mapping[str, str]) -> list[Lesson]:
        """Return what teaches the stations once the user has named groups, ``{"A": "landing", ...}``.

        Several groups may be one station (a place that sounds in two ways). Raises ``InputError`` for a group that
        was not found.
        """
        known = {g.name: k for k, g in enumerate(self.groups)}
        for name in stations:
            if name not in known:
                raise InputError(f"there is no group '{name}': the groups found are {', '.join(known) or 'none'}")
        found = []
        for station in dict.fromkeys(stations.values()):
            mine = [known[group] for group, name in stations.items() if name == station]
            found.append(Lesson(station, impacts.where(np.isin(self.member, mine))))
        return found


def find_groups(impacts: Impacts) -> Groups:
    """Return the groups found among the impacts of one run (named in order of size: A is the largest)."""
    n = len(impacts)
    sounds = sounds_of(impacts)
    clear = own_bands(sounds) > _OWN_BANDS
    none = Groups((), np.full(n, -1, np.int64), np.zeros(n))
    if clear.sum() < 2 * _LEAST:
        return Groups((), none.member, none.confidence, (f"{int(clear.sum())} clear impacts are too few to group",))
    shape = _shapes(sounds.level_db, sounds.share)
    rows = np.flatnonzero(clear)
    rows = rows[np.linspace(0, len(rows) - 1, min(len(rows), _FITTED)).astype(np.int64)]
    middle = shape[rows].mean(axis=0)
    _, size, directions = np.linalg.svd(shape[rows] - middle, full_matrices=False)
    kept = max(1, min(_DIRECTIONS, int((size > 0.05 * size[0]).sum())))
    point = (shape - middle) @ directions[:kept].T
    model = _mixture(point[rows])
    chance = model.predict_proba(point)
    squared = _squared(model, point, chance.argmax(axis=1).astype(np.int64))
    together = _merged(model)
    chance = np.stack([chance[:, together == g].sum(axis=1) for g in range(int(together.max()) + 1)], axis=1)
    member = chance.argmax(axis=1).astype(np.int64)
    usual = float(np.median(squared[rows]))
    limit = max(usual, 0.5 * kept) * _OUTSIDE
    member[(squared > limit) | ~clear] = -1
    order = [int(k) for k in np.argsort(-np.bincount(member[member >= 0], minlength=chance.shape[1]), kind="stable")]
    groups: list[Group] = []
    place = np.full(chance.shape[1], -1, np.int64)
    for k in order:
        mine = np.flatnonzero(member == k)
        if len(mine) >= _LEAST:
            place[k] = len(groups)
            groups.append(_group(chr(ord("A") + len(groups)), impacts, mine, squared))
    moved = np.where(member >= 0, place[np.maximum(member, 0)], -1)
    return Groups(tuple(groups), moved, np.where(moved >= 0, chance.max(axis=1), 0.0))


def _shapes(level_db: Floats, share: Floats) -> Floats:
    """Return band levels re the loudest band, no deeper than 30 dB, faded to that depth where the background rules."""
    level = np.where(np.isfinite(level_db), level_db + power_db(np.maximum(share, 1e-3)), -np.inf)
    top = level.max(axis=1, keepdims=True)
    below = np.where(np.isfinite(level), level - np.where(np.isfinite(top), top, 0.0), -np.inf)
    depth = from_power_db(-_DEPTH_DB)
    shape = power_db(from_power_db(np.maximum(below, -200.0)) + depth)
    return np.asarray(shape - shape.mean(axis=1, keepdims=True), np.float64)


def _mixture(point: Floats):  # type: ignore[no-untyped-def]
    from sklearn.mixture import GaussianMixture

    best, lowest = None, np.inf
    spread = max(float(point.var(axis=0).sum()) / point.shape[1], 1e-6)
    worse = 0
    for k in range(1, min(_MOST_GROUPS, len(point) // _LEAST) + 1):
        model = GaussianMixture(
            k, covariance_type="full", reg_covar=max(0.5, 1e-3 * spread), n_init=3, random_state=0, max_iter=300,
            tol=1e-2,
        ).fit(point)  # fmt: skip
        score = float(model.bic(point))
        worse = 0 if score < lowest else worse + 1
        if score < lowest:
            best, lowest = model, score
        if worse == 3:
            break
    return best


def _merged(model) -> Ints:  # type: ignore[no-untyped-def]
    """Return the group of each component: components that overlap are one, by the Bhattacharyya coefficient.

    Hennig, Adv. Data Anal. Classif. 4 (2010) 3: a mixture takes several components for one group that is not normal.
    """
    k = len(model.means_)
    group = np.arange(k)
    logs = np.linalg.slogdet(model.covariances_)[1]
    for a in range(k):
        for b in range(a + 1, k):
            both = 0.5 * (model.covariances_[a] + model.covariances_[b])
            off = model.means_[a] - model.means_[b]
            apart = 0.125 * off @ np.linalg.solve(both, off)
            apart += 0.5 * (np.linalg.slogdet(both)[1] - 0.5 * (logs[a] + logs[b]))
            if np.exp(-apart) > _OVERLAP:
                group[group == group[b]] = group[a]
    return np.unique(group, return_inverse=True)[1].astype(np.int64)


def _squared(model, point: Floats, member: Ints) -> Floats:  # type: ignore[no-untyped-def]
    """Return squared Mahalanobis distances to the own group, (n,)."""
    out = np.empty(len(point))
    for k in range(len(model.means_)):
        off = point[member == k] - model.means_[k]
        out[member == k] = ((off @ model.precisions_cholesky_[k]) ** 2).sum(axis=1)
    return out


def _group(name: str, impacts: Impacts, mine: Ints, squared: Floats) -> Group:
    bands = np.array(impacts["bands"], np.float64)[mine].reshape(-1, BANDS)
    power = np.where(np.isfinite(bands), from_power_db(np.where(np.isfinite(bands), bands, 0.0)), 0.0)
    relative = power / np.maximum(power.sum(axis=1, keepdims=True), 1e-300)
    carried = np.isfinite(bands).any(axis=0)
    margin = np.nan_to_num(impacts["margin_db"][mine], nan=0.0, posinf=60.0)
    middling = squared[mine] <= np.median(squared[mine])
    example = mine[int(np.argmax(np.where(middling, margin, -np.inf)))]
    centroid, decay = impacts["centroid_hz"][mine], impacts["decay_ms"][mine]
    return Group(
        name, len(mine), int(example), np.where(carried, power_db(relative.mean(axis=0)), np.nan),
        float(np.median(centroid[np.isfinite(centroid)])) if np.isfinite(centroid).any() else float("nan"),
        float(np.median(decay[np.isfinite(decay)])) if np.isfinite(decay).any() else float("nan"),
    )  # fmt: skip
