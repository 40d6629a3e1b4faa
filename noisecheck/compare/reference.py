"""Reference drops found by themselves: the same ball dropped the same way at the start and end of takes.

Nothing in the run sheet is needed. At the ends of a take, impacts set apart by silence are candidates; they are
reference drops where those of several ends sound alike, by what they scatter from drop to drop, and unlike every impact
of the machine in the same take, so that no ball of the machine is taken for one. The first and last half second, where
a button is pressed, never count. Where ends stand apart and it stays open what they are, that is told, too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
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
_LONGEST_S: Final = 15.0
_MOST_IMPACTS: Final = 60
_AUDIBLE_DB: Final = 20.0  # fainter impacts than this below a take's usual ones do not break a silence
_REBOUND_S: Final = 0.7  # a fall of half a metre rebounds for no longer; drops by hand are further apart
_TAIL_S: Final = 0.5
_SOFT_DB: Final = 6.0
_LEAST_OWN: Final = 6
_LEAST_BANDS: Final = 6
_FLOOR_DB: Final = 25.0  # below its loudest band; what lies deeper is noise more than the blow
_LEAST_SD_DB: Final = 0.7
_PRIOR_DROPS: Final = 4.0
_TEMPER: Final = 0.5
_LONGER: Final = 1.15
_SURE: Final = 4.6  # natural logarithm of odds, 100 : 1
_JOINING: Final = 1.0
_SHARE: Final = 0.6
_ROUNDS: Final = 3
_MOST_OWN: Final = 400
_ALIKE: Final = 1.5
_MOST_SEEDS: Final = 40
_MOST_ODDS: Final = 12.0
_USUAL_SD_DB: Final = 1.5
_PAIR_LEVEL_DB: Final = 3.0


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
class _End:
    """What may be reference drops at one end of a take: first contacts from the end inwards."""

    take: int
    end: bool
    drops: Rows
    """First contacts, the outermost first."""
    cuts: list[tuple[int, int, int]]
    """What of it may be reference drops: so many of the outermost first contacts, from this row to that."""
    levels: Floats
    shapes: Floats = field(default_factory=lambda: np.empty((0, 0)))
    own: Floats = field(default_factory=lambda: np.empty((0, 0)))
    """Shapes of the machine's impacts in the same take."""
    known: bool = True
    """Whether the machine is heard in this take; else its sounds are those of all takes, and the end may only join."""
    count: int = 0
    """Drops that are reference drops."""


def shape_distance(a: Floats, b: Floats) -> Floats:
    """Return how unlike two spectra (..., bands) in dB are but for their level: RMS over bands, shape (...,)."""
    d = a - b
    return np.sqrt(np.mean((d - d.mean(axis=-1, keepdims=True)) ** 2, axis=-1))


def find_reference_drops(takes: Sequence[Impacts], seconds: Sequence[float]) -> tuple[TakeEnds, ...]:
    """Return the reference drops at the ends of each take.

    Args:
        takes: measured impacts of each take, in order of time.
        seconds: length of each take.

    Three ends of two takes must agree, or the two ends of one take with at least two drops each; an end agrees where
    its drops are likelier made by what the other ends have in common than by anything the machine does in its take.
    """
    found = [TakeEnds(_NONE, _NONE, _NONE, _NONE) for _ in takes]
    for end in _agreed(_prepared(takes, seconds)):
        table = takes[end.take]
        drops = np.sort(end.drops[: end.count])
        # What a train left over is fainter than a drop from the same height can be.
        drops = drops[table["lae_db"][drops] > np.median(table["lae_db"][drops]) - _SOFT_DB]
        rows = _between(table, end)
        old = found[end.take]
        found[end.take] = (
            TakeEnds(old.start, rows, old.start_drops, drops)
            if end.end
            else TakeEnds(rows, old.end, drops, old.end_drops)
        )
    return tuple(found)


def _between(table: Impacts, end: _End) -> Rows:
    """Return all rows of the drops taken, the faint ones that follow them too."""
    first, last = next((a, b) for count, a, b in end.cuts if count == end.count)
    t = table["time_s"]
    return np.flatnonzero((t >= t[first]) & (t <= t[last] + _TAIL_S))


def _prepared(takes: Sequence[Impacts], seconds: Sequence[float]) -> list[_End]:
    """Return the candidates of all takes with their shapes over bands that are loud in them or in the machine."""
    parts = [part for i, t in enumerate(takes) for part in _parts(i, t, seconds[i])]
    ends = _with_drops(parts, takes)
    own: dict[int, Rows] = {}
    for take, _, rows in parts:
        t = takes[take]["time_s"]
        clear = own.get(take, np.flatnonzero(~(takes[take].data["margin_db"] < 6.0)))
        own[take] = clear[(t[clear] < t[rows[0]]) | (t[clear] > t[rows[-1]] + _TAIL_S)]
    tables = {take: _floored(takes[take].data["bands"].astype(np.float64)) for take in own}
    if not ends or not sum(map(len, own.values())):
        return []
    hit = np.vstack([tables[e.take][e.drops] for e in ends])
    machine = np.vstack([tables[take][rows] for take, rows in own.items()])
    known = (np.isfinite(hit).mean(axis=0) > 0.8) & (np.isfinite(machine).mean(axis=0) > 0.8)
    loud = np.zeros(known.shape, bool)
    for part in (hit, machine):
        loud |= np.nan_to_num(np.where(known, part, -_FLOOR_DB), nan=-_FLOOR_DB).mean(axis=0) > 0.8 * -_FLOOR_DB
    bands = known & loud
    if bands.sum() < _LEAST_BANDS:
        return []
    shapes = {take: _whole(_shapes(tables[take][rows][:, bands])) for take, rows in own.items()}
    anywhere = np.vstack(list(shapes.values()))
    if len(anywhere) < _LEAST_OWN:
        return []
    for end in ends:
        end.shapes = _shapes(tables[end.take][end.drops][:, bands])
        # A machine that is hardly heard in a take is known from the others.
        end.known = len(shapes[end.take]) >= _LEAST_OWN
        end.own = shapes[end.take] if end.known else anywhere
    return ends


def _floored(bands: Floats) -> Floats:
    """Return bands re the loudest one of each row, not deeper than the floor."""
    top = np.max(np.where(np.isfinite(bands), bands, -np.inf), axis=1, initial=-np.inf, keepdims=True)
    return np.asarray(np.maximum(bands - np.where(np.isfinite(top), top, 0.0), -_FLOOR_DB))


def _shapes(bands: Floats) -> Floats:
    return np.asarray(bands - bands.mean(axis=1, keepdims=True))


def _parts(number: int, table: Impacts, seconds: float) -> list[tuple[int, bool, Rows]]:
    """Return the impacts at either end of a take that the longest silence near it sets apart from the rest."""
    t, level = table["time_s"], table["lae_db"]
    inside = (t > _EDGE_S) & (t < seconds - _EDGE_S) & np.isfinite(level)
    if inside.sum() < 4:
        return []
    middle = inside & (np.abs(t - seconds / 2) < seconds / 4)
    usual = min(float(np.percentile(level[m], 75)) for m in (inside, middle) if m.any())
    rows = np.flatnonzero(inside & (level > usual - _AUDIBLE_DB))
    gaps = np.diff(t[rows])
    found: list[tuple[int, bool, Rows]] = []
    silences = np.flatnonzero(gaps > _SILENCE_S)
    for end in (False, True):
        inner = [int(k) for k in silences if (2 * (k + 1) >= len(rows) if end else 2 * (k + 1) <= len(rows))]
        near = [k for k in inner if (t[rows[-1]] - t[rows[k + 1]] if end else t[rows[k]] - t[rows[0]]) <= _LONGEST_S]
        if not near:
            continue
        cut = max(near, key=lambda k: float(gaps[k]))
        part = rows[cut + 1 :] if end else rows[: cut + 1]
        if len(part) <= _MOST_IMPACTS:
            found.append((number, end, part))
    return found


def _with_drops(parts: Sequence[tuple[int, bool, Rows]], takes: Sequence[Impacts]) -> list[_End]:
    """Tell first contacts from rebounds, all ends together, since each has few, and where drops may end."""
    if not parts:
        return []
    times = [takes[i]["time_s"][rows] for i, _, rows in parts]
    levels = [takes[i]["lae_db"][rows] for i, _, rows in parts]
    laid = np.concatenate([t - t[0] + 100.0 * k for k, t in enumerate(times)])
    _, rebound = find_drops(
        laid, np.concatenate(levels), np.zeros(len(laid), np.int64), longest_first_s=_REBOUND_S
    )  # fmt: skip
    ends, at = [], 0
    for (take, end, rows), t, level in zip(parts, times, levels, strict=True):
        first = _apart(t, level, rebound[at : at + len(rows)] == 0)
        at += len(rows)
        # One drop alone must be further from the next than the machine's balls are from one another.
        every = np.diff(takes[take]["time_s"])
        usual = float(np.median(every[every > _REBOUND_S])) if np.any(every > _REBOUND_S) else 0.0
        silent = np.flatnonzero(np.diff(t) > _SILENCE_S).tolist()
        spans = [(k + 1, len(rows) - 1) for k in (*silent[::-1], -1)] if end else [(0, k) for k in (*silent, -1)]
        cuts = []
        for a, b in ((a, b % len(rows)) for a, b in spans):
            count = int(first[a : b + 1].sum())
            whole = b - a + 1 == len(rows)
            pause = 0.0 if whole else float(t[a] - t[a - 1] if end else t[b + 1] - t[b])
            if count > 1 or (count and (whole or pause > _LONGER * usual)):
                cuts.append((count, int(rows[a]), int(rows[b])))
        drops = rows[first][::-1] if end else rows[first]
        ends.append(_End(take, end, drops, cuts, takes[take]["lae_db"][drops]))
    return [e for e in ends if e.cuts]


def _apart(t: Floats, level: Floats, first: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the first contacts that no other one is too near to: drops by hand are further apart than rebounds."""
    kept: list[int] = []
    for row in np.flatnonzero(first).tolist():
        if not kept or t[row] - t[kept[-1]] > _REBOUND_S:
            kept.append(row)
        elif level[row] > level[kept[-1]] + _SOFT_DB:
            kept[-1] = row
    return np.isin(np.arange(len(t)), kept)


def _agreed(ends: list[_End]) -> list[_End]:
    """Return the ends that agree on one sound unlike the machine's, with how many of their drops have it."""
    if len(ends) < 2:
        return []
    within = _first_spread(ends)
    body = [_to_machine(e, within) for e in ends]
    best: list[tuple[int, int]] = []
    most = 0.0
    for i in range(0, len(ends), -(-len(ends) // _MOST_SEEDS)):
        for count in {c[0] for c in (ends[i].cuts[0], ends[i].cuts[-1])}:
            group = _whole(ends[i].shapes[:count])
            if not len(group):
                continue
            taken = [
                _taken(e, b, group.mean(axis=0), within * (1 + 1 / len(group))) for e, b in zip(ends, body, strict=True)
            ]
            others = sum(odds for k, (_, odds) in enumerate(taken) if k != i)
            if others > most:
                best, most = [(k, n) for k, (n, _) in enumerate(taken) if n], others
    for number in range(_ROUNDS):
        if not _enough([ends[k] for k, _ in best], [n for _, n in best]):
            return []
        members = {k: _whole(ends[k].shapes[:n]) for k, n in best}
        within, between = _spreads(list(members.values()))
        again = []
        for k, end in enumerate(ends):
            # An end is judged by what the others have in common.
            rest = [g for j, g in members.items() if j != k and len(g)]
            middle = np.mean([g.mean(axis=0) for g in rest], axis=0)
            spread = within * (1 + 1 / sum(map(len, rest))) + between * (1 + 1 / len(rest))
            count, _ = _taken(end, _to_machine(end, within), middle, spread, surely=number == 0)
            if count:
                again.append((k, count))
        if number and again == best:
            break
        best = again
    for k, count in best:
        ends[k].count = count
    return [ends[k] for k, _ in best]


def _enough(ends: Sequence[_End], counts: Sequence[int]) -> bool:
    """Return whether so many drops of these ends, alike, are enough to call them reference drops."""
    counts = [n for e, n in zip(ends, counts, strict=True) if e.known]
    ends = [e for e in ends if e.known]
    if len(ends) == 2 and ends[0].take == ends[1].take and min(counts) >= 2:
        a, b = (float(np.median(e.levels[:n])) for e, n in zip(ends, counts, strict=True))
        return abs(a - b) < _PAIR_LEVEL_DB
    return len(ends) >= 3 and len({e.take for e in ends}) >= 2


def _whole(shapes: Floats) -> Floats:
    return shapes[np.isfinite(shapes).all(axis=1)]


def _smoothed(variance: Floats, free: float) -> Floats:
    """Return a variance by band that leans on all bands, the more the fewer drops there are."""
    return np.asarray(
        np.maximum((variance * free + _PRIOR_DROPS * variance.mean()) / (free + _PRIOR_DROPS), _LEAST_SD_DB**2)
    )


def _first_spread(ends: Sequence[_End]) -> Floats:
    """Return by how much drops scatter within an end (variance by band), before it is known which ends agree."""
    found = []
    for end in ends:
        groups = [_whole(end.shapes[:count]) for count, _, _ in end.cuts]
        spread = [g.var(axis=0, ddof=1) for g in groups if len(g) > 1]
        if spread:
            found.append(min(spread, key=lambda v: float(v.mean())))
    bands = ends[0].shapes.shape[1]
    return _smoothed(np.median(found, axis=0) if found else np.full(bands, _USUAL_SD_DB**2), float(len(found)))


def _spreads(groups: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Return the variance by band of drops within an end, and of ends among themselves beyond that."""
    groups = [g for g in groups if len(g)]
    free = sum(len(g) - 1 for g in groups)
    square = np.sum([((g - g.mean(axis=0)) ** 2).sum(axis=0) for g in groups], axis=0)
    within = _smoothed(square / free if free else np.full(square.shape, _USUAL_SD_DB**2), float(free))
    middles = np.array([g.mean(axis=0) for g in groups])
    apart = _smoothed(middles.var(axis=0, ddof=1), float(len(groups) - 1)) if len(groups) > 1 else within
    return within, np.maximum(apart - within * np.mean([1 / len(g) for g in groups]), 0.0)


def _to_machine(end: _End, within: Floats) -> Floats:
    """Return how far each drop is from what the machine does: the sounds of its impacts, each the mean of its like."""
    own = end.own[np.unique(np.linspace(0, len(end.own) - 1, _MOST_OWN).astype(np.int64))] / np.sqrt(within)
    square = np.sum(own**2, axis=1)
    like = square[:, None] + square - 2.0 * own @ own.T < 2.0 * _ALIKE * own.shape[1]
    count = like.sum(axis=1)
    sound = like @ own / count[:, None]
    drops = end.shapes / np.sqrt(within)
    apart = np.sum((drops[:, None] - sound[None]) ** 2, axis=2) / (1.0 + 1.0 / count)
    # The second nearest: one impact of the machine may be a reference drop gone astray.
    return np.asarray(np.partition(apart, 1, axis=1)[:, 1])


def _taken(end: _End, body: Floats, middle: Floats, spread: Floats, *, surely: bool = True) -> tuple[int, float]:
    """Return (drops of an end that are reference drops, log odds): none, or as many of the cuts as is likeliest."""
    apart = np.sum((end.shapes - middle) ** 2 / spread, axis=1)
    odds = np.nan_to_num(np.clip(0.5 * _TEMPER * (body - apart), -_MOST_ODDS, _MOST_ODDS))
    best, most = 0, (_SURE if surely else _JOINING) + math.log(len(end.cuts))
    for count, _, _ in end.cuts:
        total = float(odds[:count].sum())
        near = np.nanmean(apart[:count]) < (_SHARE if surely else 1.0) * np.nanmean(body[:count])
        if total > most and near:
            best, most = count, total
    return best, most if best else 0.0
