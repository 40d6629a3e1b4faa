"""Reference drops found by themselves: the same ball dropped the same way at the start and end of takes.

Nothing in the run sheet is needed. At the ends of a take, impacts set apart by silence are candidates; they are
reference drops where several of them sound alike and unlike the machine's own impacts, so that no ball of the machine
is ever taken for one. The first and last half second, where a button is pressed, never count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.table import Impacts
from noisecheck.flow.trains import find_drops

__all__ = ["TakeEnds", "find_reference_drops", "shape_distance"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_EDGE_S: Final = 0.5
_SILENCE_S: Final = 2.0
_SILENCE_GAPS: Final = 3.0
_LONGEST_S: Final = 15.0
_MOST_IMPACTS: Final = 60
_AUDIBLE_DB: Final = 20.0  # fainter impacts than this below a take's usual ones do not break a silence
_REBOUND_S: Final = 0.7  # a fall of half a metre rebounds for no longer; drops by hand are further apart
_CORE_DB: Final = 3.0
_PAIR_LEVEL_DB: Final = 3.0
_MOVED_DB: Final = 8.0  # with the microphone moved in between, a reference drop still sounds more like one than this
_OWN_SHARE: Final = 0.6
_OWN_DB: Final = 2.0
_LEAST_OWN: Final = 8
_LEAST_BANDS: Final = 6
_LOUD_BANDS_DB: Final = 25.0


@dataclass(frozen=True)
class TakeEnds:
    """Rows of a take's impact table that belong to reference drops, rebounds too; empty where there are none."""

    start: Rows
    end: Rows
    start_drops: Rows
    """First contacts among ``start``."""
    end_drops: Rows

    @property
    def rows(self) -> Rows:
        """All rows, in order."""
        return np.concatenate([self.start, self.end])


_NONE: Final = np.empty(0, np.int64)


@dataclass
class _Cluster:
    take: int
    end: bool
    rows: Rows
    drops: Rows
    shapes: Floats
    level_db: float
    own: Floats
    """Shapes of the machine's impacts in the same take."""


def shape_distance(a: Floats, b: Floats) -> Floats:
    """Return how unlike two spectra (..., bands) in dB are but for their level: RMS over bands, shape (...,)."""
    d = a - b
    return np.sqrt(np.mean((d - d.mean(axis=-1, keepdims=True)) ** 2, axis=-1))


def find_reference_drops(takes: Sequence[Impacts], seconds: Sequence[float]) -> tuple[TakeEnds, ...]:
    """Return the reference drops at the ends of each take.

    Args:
        takes: measured impacts of each take, in order of time.
        seconds: length of each take.

    Three ends must agree within 3 dB of band shape (RMS), or the two ends of one take in level too, with at least two
    drops each; other ends join them if they are nearer to these than the take's own impacts are by a good part.
    """
    nothing = tuple(TakeEnds(_NONE, _NONE, _NONE, _NONE) for _ in takes)
    clusters = _with_drops([c for i, t in enumerate(takes) for c in _ends(i, t, seconds[i])], takes)
    if len(clusters) < 2:
        return nothing
    bands = _common_bands(clusters, takes)
    if bands.sum() < _LEAST_BANDS:
        return nothing
    for cluster in clusters:
        table = takes[cluster.take].data["bands"].astype(np.float64)
        cluster.shapes = table[cluster.drops][:, bands]
        own = np.setdiff1d(np.arange(len(table)), np.concatenate([c.rows for c in clusters if c.take == cluster.take]))
        own = own[_clear(takes[cluster.take])[own]]
        shapes = table[own][:, bands]
        cluster.own = shapes[np.isfinite(shapes).all(axis=1)]
    clusters = [c for c in clusters if _of_one_sound(c) and len(c.own) >= _LEAST_OWN]
    template = _template(clusters)
    if template is None:
        return nothing
    found = list(nothing)
    for cluster in clusters:
        if _belongs(cluster, template):
            old = found[cluster.take]
            found[cluster.take] = (
                TakeEnds(old.start, cluster.rows, old.start_drops, cluster.drops)
                if cluster.end
                else TakeEnds(cluster.rows, old.end, cluster.drops, old.end_drops)
            )
    return tuple(found)


def _clear(table: Impacts) -> NDArray[np.bool_]:
    return np.asarray(~(table.data["margin_db"] < 6.0))


def _ends(number: int, table: Impacts, seconds: float) -> list[_Cluster]:
    """Return the impacts at either end of a take that silence sets apart from the rest."""
    t, level = table["time_s"], table["lae_db"]
    inside = (t > _EDGE_S) & (t < seconds - _EDGE_S) & np.isfinite(level)
    if inside.sum() < 4:
        return []
    rows = np.flatnonzero(inside & (level > np.percentile(level[inside], 75) - _AUDIBLE_DB))
    gaps = np.diff(t[rows])
    if len(rows) < 4:
        return []
    silences = np.flatnonzero(gaps > max(_SILENCE_S, _SILENCE_GAPS * float(np.median(gaps))))
    found = []
    if not len(silences):
        return []
    # Drops by hand may be further apart than the silence asked for: the end reaches to the longest pause near it.
    for end in (False, True):
        inner = [int(k) for k in silences if (2 * (k + 1) >= len(rows) if end else 2 * (k + 1) <= len(rows))]
        near = [k for k in inner if _span(t[rows], k, end) <= _LONGEST_S]
        if not near:
            continue
        cut = max(near, key=lambda k: float(gaps[k]))
        part = rows[cut + 1 :] if end else rows[: cut + 1]
        if len(part) <= _MOST_IMPACTS:
            found.append(_Cluster(number, end, part, part, np.empty((0, 0)), np.nan, np.empty((0, 0))))
    ends = sum(len(c.rows) for c in found)
    return found if len(rows) - ends >= _LEAST_OWN else []


def _span(t: Floats, k: int, end: bool) -> float:
    return float(t[-1] - t[k + 1]) if end else float(t[k] - t[0])


def _with_drops(clusters: list[_Cluster], takes: Sequence[Impacts]) -> list[_Cluster]:
    """Tell first contacts from rebounds, all ends together, since each has few."""
    if not clusters:
        return []
    times = np.concatenate(
        [takes[c.take]["time_s"][c.rows] - takes[c.take]["time_s"][c.rows[0]] + 100.0 * i
         for i, c in enumerate(clusters)]
    )  # fmt: skip
    levels = np.concatenate([takes[c.take]["lae_db"][c.rows] for c in clusters])
    _, rebound = find_drops(times, levels, np.zeros(len(times), np.int64), longest_first_s=_REBOUND_S)
    at = 0
    for cluster in clusters:
        first = rebound[at : at + len(cluster.rows)] == 0
        loud = levels[at : at + len(cluster.rows)]
        # A rebound whose train was not understood is fainter than a drop from the same height can be.
        first &= loud > loud.max() - 6.0
        cluster.drops, cluster.level_db = cluster.rows[first], float(np.median(loud[first]))
        at += len(cluster.rows)
    return clusters


def _common_bands(clusters: Sequence[_Cluster], takes: Sequence[Impacts]) -> NDArray[np.bool_]:
    bands = np.vstack([takes[c.take].data["bands"][c.drops] for c in clusters]).astype(np.float64)
    known = np.isfinite(bands).mean(axis=0) > 0.8
    middle = np.where(known, np.median(np.where(np.isfinite(bands), bands, -200.0), axis=0), -np.inf)
    return np.asarray(known & (middle > middle.max() - _LOUD_BANDS_DB))


def _of_one_sound(cluster: _Cluster) -> bool:
    """Return whether most drops of an end sound alike: balls of the machine that pass several stations do not."""
    whole = cluster.shapes[np.isfinite(cluster.shapes).all(axis=1)]
    if len(whole) < 2:
        return len(whole) == 1
    pairs = np.triu_indices(len(whole), 1)
    return bool(np.median(shape_distance(whole[:, None], whole[None])[pairs]) < _CORE_DB)


def _middle(cluster: _Cluster) -> Floats:
    whole = cluster.shapes[np.isfinite(cluster.shapes).all(axis=1)]
    return np.asarray(np.median(whole - whole.mean(axis=1, keepdims=True), axis=0))


def _template(clusters: Sequence[_Cluster]) -> Floats | None:
    """Return the band shape on which enough ends agree."""
    if len(clusters) < 2:
        return None
    middles = np.array([_middle(c) for c in clusters])
    apart = shape_distance(middles[:, None], middles[None])
    near = apart < _CORE_DB
    order = sorted(range(len(clusters)), key=lambda i: (-int(near[i].sum()), float(apart[i].sum())))
    for i in order:
        core: list[int] = np.flatnonzero(near[i]).tolist()
        shape = np.asarray(np.median(middles[core], axis=0))
        owned = [j for j in core if _belongs(clusters[j], shape)]
        if len(owned) >= 3 and len({clusters[j].take for j in owned}) >= 2:
            return np.asarray(np.median(middles[owned], axis=0))
        if len(owned) >= 2:
            a, b = (clusters[j] for j in owned[:2])
            alike = apart[owned[0], owned[1]] < _CORE_DB and abs(a.level_db - b.level_db) < _PAIR_LEVEL_DB
            if a.take == b.take and alike and min(len(a.drops), len(b.drops)) >= 2:
                return np.asarray(np.median(middles[owned[:2]], axis=0))
    return None


def _belongs(cluster: _Cluster, template: Floats) -> bool:
    own = float(np.partition(shape_distance(cluster.own, template), 1)[1])  # one may be a drop gone astray
    apart = float(shape_distance(_middle(cluster), template))
    return own > _OWN_DB and apart < min(_OWN_SHARE * own, _MOVED_DB)
