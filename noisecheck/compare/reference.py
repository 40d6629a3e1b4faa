"""Reference drops found by themselves: the same ball dropped the same way at the start and end of takes.

Nothing in the run sheet is needed. At the ends of a take, impacts set apart by silence are candidates; they are
reference drops where those of several ends sound alike and unlike the machine (:mod:`noisecheck.compare.agreement`).
The first and last half second, where a button is pressed, never count. What the user states stands; what stays open is
told, so that nobody averages drops on a tile with the machine's own unknowing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.agreement import Candidate, agree, whole
from noisecheck.core.flags import Flag
from noisecheck.core.order import quantile
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.flow.trains import find_drops

__all__ = ["OpenEnd", "TakeEnds", "find_reference_drops"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Stated = tuple[int, int] | None
"""Drops at the start and at the end, as the user says; None where nothing is said."""

_NO_BALLS: Final = Flag.BOUND | Flag.MACHINE | Flag.CODEC_NOISE
_EDGE_S: Final = 0.5
_SILENCE_S: Final = 2.0
_LONGEST_S: Final = 15.0
_MOST_IMPACTS: Final = 60
_AUDIBLE_DB: Final = 20.0  # fainter impacts than this below a take's usual ones do not break a silence
_REBOUND_S: Final = 0.7  # a fall of half a metre rebounds for no longer; drops by hand are further apart
_TAIL_S: Final = 0.5
_SOFT_DB: Final = 6.0
_LONGER: Final = 1.15
_SET_APART: Final = 1.5
_FEW: Final = range(2, 7)
_LEAST_OWN: Final = 6
_MOST_OWN: Final = 400
_LEAST_BANDS: Final = 6
_FLOOR_DB: Final = 25.0  # below its loudest band; what lies deeper is noise more than the blow


@record
class OpenEnd:
    """Impacts at one end of a take of which it stays open if they are reference drops."""

    end: bool
    drops: int
    pause_s: float


@record
class TakeEnds:
    """Rows of a take's impact table that belong to reference drops, rebounds too; empty where there are none."""

    start: Rows
    end: Rows
    start_drops: Rows
    """First contacts among ``start``."""
    end_drops: Rows
    open: tuple[OpenEnd, ...] = ()
    """Ends that were not taken for reference drops and may be some all the same; stated ones that no silence ends."""

    @property
    def rows(self) -> Rows:
        """All rows, in order."""
        return np.concatenate([self.start, self.end])


_NONE: Final = np.empty(0, np.int64)


@record
class _Part:
    """Impacts at one end of a take, set apart from the rest."""

    take: int
    end: bool
    rows: Rows
    pause_s: float
    drops: int | None = None
    """How many drops the user says they are."""


def find_reference_drops(
    takes: Sequence[Impacts],
    seconds: Sequence[float],
    *,
    balls_fed: Sequence[int | None] | None = None,
    stated: Sequence[Stated] | None = None,
) -> tuple[TakeEnds, ...]:
    """Return the reference drops at the ends of each take.

    Args:
        takes: measured impacts of each take, in order of time.
        seconds: length of each take.
        balls_fed: how many balls the machine was fed in each, where known; tells what stays open, no more.
        stated: how many drops each has at its start and end, where the user says so: (0, 0) for none.
    """
    fed = balls_fed or [None] * len(takes)
    said = stated or [None] * len(takes)
    found = [TakeEnds(_NONE, _NONE, _NONE, _NONE) for _ in takes]
    parts = [part for i, t in enumerate(takes) for part in _parts(i, t, seconds[i], said[i])]
    ends = _with_drops(parts, takes)
    agree(_with_shapes(ends, takes))
    for end in ends:
        if end.stated or end.count:
            end.count = end.count or len(end.drops)
            found[end.take] = _with_end(found[end.take], end, takes[end.take])
    for take, table in enumerate(takes):
        mine = [e for e in ends if e.take == take]
        own = [e for e in mine if not e.count]
        odd = tuple(OpenEnd(e.end, len(e.drops), e.pause_s) for e in mine if e.stated and e.pause_s < _SILENCE_S)
        if own or odd:
            found[take] = replace(found[take], open=odd + (_open(own, table, fed[take]) if own else ()))
    return tuple(found)


def _with_end(found: TakeEnds, end: Candidate, table: Impacts) -> TakeEnds:
    """Return what was found in a take with the drops of one end, and the faint impacts that follow them."""
    first, last = next((a, b) for count, a, b in end.cuts if count == end.count)
    t, drops = table["time_s"], np.sort(end.drops[: end.count])
    rows = np.flatnonzero((t >= t[first]) & (t <= t[last] + _TAIL_S))
    # What a train left over is fainter than a drop from the same height can be.
    drops = drops[table["lae_db"][drops] > np.median(table["lae_db"][drops]) - _SOFT_DB]
    return replace(found, end=rows, end_drops=drops) if end.end else replace(found, start=rows, start_drops=drops)


def _open(ends: Sequence[Candidate], table: Impacts, fed: int | None) -> tuple[OpenEnd, ...]:
    """Return the ends of a take that may be reference drops: by their sound, their number, or the balls fed."""
    usual = _usual_gap(table)
    apart = [e for e in ends if e.pause_s > _SET_APART * usual and len(e.drops) <= _FEW[-1]]
    alike = len(apart) == 2 and len(apart[0].drops) == len(apart[1].drops) in _FEW
    t, own = table["time_s"], (table.data["rebound"] <= 0) & ~table.flagged(_NO_BALLS)
    for end in ends:
        _, first, last = end.cuts[-1]
        own &= (t < t[first]) | (t > t[last])
    middle = int(own.sum())
    extra = fed is not None and abs(middle - fed) <= 1 + 0.1 * fed
    none = fed is not None and middle + sum(len(e.drops) for e in ends) <= fed
    return tuple(
        OpenEnd(e.end, len(e.drops), e.pause_s)
        for e in apart
        if not none and (e.open or alike or (extra and len(e.drops) > 1))
    )


def _usual_gap(table: Impacts) -> float:
    """Return how far apart a take's drops are, rebounds aside."""
    gaps = np.diff(table["time_s"])
    return float(np.median(gaps[gaps > _REBOUND_S])) if np.any(gaps > _REBOUND_S) else 0.0


def _with_shapes(ends: Sequence[Candidate], takes: Sequence[Impacts]) -> list[Candidate]:
    """Return the ends that can be held against the machine, with shapes over bands that are loud in either."""
    own: dict[int, Rows] = {}
    for end in ends:
        t = takes[end.take]["time_s"]
        clear = own.get(end.take, np.flatnonzero(~(takes[end.take].data["margin_db"] < 6.0)))
        own[end.take] = clear[(t[clear] < t[end.cuts[-1][1]]) | (t[clear] > t[end.cuts[-1][2]] + _TAIL_S)]
    own = {take: _some(rows) for take, rows in own.items()}
    if not sum(map(len, own.values())):
        return []
    hits = [_floored(takes[e.take].data["bands"][e.drops]) for e in ends]
    machine = {take: _floored(takes[take].data["bands"][rows]) for take, rows in own.items()}
    both = np.vstack(hits), np.vstack(list(machine.values()))
    known = np.logical_and.reduce([np.isfinite(b).mean(axis=0) > 0.8 for b in both])
    loud = [np.where(np.isfinite(b), b, -_FLOOR_DB).mean(axis=0) > -0.8 * _FLOOR_DB for b in both]
    bands = known & (loud[0] | loud[1])
    shapes = {take: whole(_shapes(rows[:, bands])) for take, rows in machine.items()}
    anywhere = np.vstack(list(shapes.values()))
    anywhere = anywhere[_some(np.arange(len(anywhere)))]
    if bands.sum() < _LEAST_BANDS or len(anywhere) < _LEAST_OWN:
        return []
    for end, hit in zip(ends, hits, strict=True):
        end.shapes = _shapes(hit[:, bands])
        # A machine that is hardly heard in a take is known from the others.
        end.known = len(shapes[end.take]) >= _LEAST_OWN
        end.own = shapes[end.take] if end.known else anywhere
    return [e for e in ends if len(whole(e.shapes))]


def _some(rows: Rows) -> Rows:
    """Return so many rows, evenly spread, as tell what a machine sounds like."""
    return rows[np.unique(np.linspace(0, len(rows) - 1, _MOST_OWN).astype(np.int64))] if len(rows) > _MOST_OWN else rows


def _floored(bands: NDArray[np.floating]) -> Floats:
    """Return bands re the loudest one of each row, not deeper than the floor."""
    levels = np.asarray(bands, np.float64)
    top = np.max(np.where(np.isfinite(levels), levels, -np.inf), axis=1, initial=-np.inf, keepdims=True)
    return np.asarray(np.maximum(levels - np.where(np.isfinite(top), top, 0.0), -_FLOOR_DB))


def _shapes(bands: Floats) -> Floats:
    return np.asarray(bands - bands.mean(axis=1, keepdims=True)) if bands.size else bands


def _parts(number: int, table: Impacts, seconds: float, stated: Stated) -> list[_Part]:
    """Return the impacts at either end of a take that the longest silence near it sets apart, or so many as stated."""
    t, level = table["time_s"], table["lae_db"]
    inside = (t > _EDGE_S) & (t < seconds - _EDGE_S) & np.isfinite(level) & ~table.flagged(_NO_BALLS)
    if inside.sum() < 4:
        return []
    middle = inside & (np.abs(t - seconds / 2) < seconds / 4)
    usual = min(quantile(level[m], 0.75) for m in (inside, middle) if m.any())
    rows = np.flatnonzero(inside & (level > usual - _AUDIBLE_DB))
    gaps = np.diff(t[rows])
    found = []
    for end in (False, True):
        count = None if stated is None else stated[end]
        if count is None:
            near = [k for k in np.flatnonzero(gaps > _SILENCE_S).tolist() if _near_end(t[rows], k, end=end)]
        elif count:
            near = _counted(t[rows], level[rows], count, end=end)
        else:
            near = []
        if near:
            cut = max(near, key=lambda k: float(gaps[k]))
            part = rows[cut + 1 :] if end else rows[: cut + 1]
            if len(part) <= _MOST_IMPACTS or count:
                found.append(_Part(number, end, part, float(gaps[cut]), count))
    return found


def _near_end(t: Floats, k: int, *, end: bool) -> bool:
    """Return whether the impacts on the outer side of the gap after impact k are few enough, and not more than half."""
    outer, inner = (len(t) - 1 - k, k + 1) if end else (k + 1, len(t) - 1 - k)
    long_s = float(t[-1] - t[k + 1] if end else t[k] - t[0])
    return long_s <= _LONGEST_S and (outer <= inner or long_s < (t[-1] - t[0]) / 3)


def _counted(t: Floats, level: Floats, count: int, *, end: bool) -> list[int]:
    """Return the gaps (after impact k) that cut off so many drops at one end, or as near to that as there is."""
    gaps = np.flatnonzero(np.diff(t) > _REBOUND_S)
    gaps = (gaps[::-1] if end else gaps)[: 4 * count + 4]
    found = []
    for k in gaps.tolist():
        part = slice(k + 1, None) if end else slice(0, k + 1)
        _, rebound = find_drops(t[part], level[part], np.zeros(len(t[part]), np.int64), longest_first_s=_REBOUND_S)
        found.append((abs(int(_apart(t[part], level[part], rebound == 0).sum()) - count), k))
    return [k for off, k in found if off == min(found)[0]]


def _with_drops(parts: Sequence[_Part], takes: Sequence[Impacts]) -> list[Candidate]:
    """Tell first contacts from rebounds, all ends together, since each has few, and where drops may end."""
    if not parts:
        return []
    times = [takes[p.take]["time_s"][p.rows] for p in parts]
    levels = [takes[p.take]["lae_db"][p.rows] for p in parts]
    begins = np.cumsum([0, *(t[-1] - t[0] + 100.0 for t in times)])
    laid = np.concatenate([t - t[0] + b for t, b in zip(times, begins, strict=False)])
    _, rebound = find_drops(laid, np.concatenate(levels), np.zeros(len(laid), np.int64), longest_first_s=_REBOUND_S)
    ends, at = [], 0
    for part, t, level in zip(parts, times, levels, strict=True):
        rows, end = part.rows, part.end
        first = _apart(t, level, rebound[at : at + len(rows)] == 0)
        at += len(rows)
        usual = _usual_gap(takes[part.take])
        silent = [] if part.drops else np.flatnonzero(np.diff(t) > _SILENCE_S).tolist()
        spans = [(k + 1, len(rows) - 1) for k in silent[::-1]] if end else [(0, k) for k in silent]
        cuts = []
        for a, b in [*spans, (0, len(rows) - 1)]:
            count = int(first[a : b + 1].sum())
            whole_part = b - a + 1 == len(rows)
            pause = part.pause_s if whole_part else float(t[a] - t[a - 1] if end else t[b + 1] - t[b])
            # One drop alone must be further from the next than the machine's balls are from one another.
            if count > 1 or whole_part or (count and pause > _LONGER * usual):
                cuts.append((count, int(rows[a]), int(rows[b])))
        drops = rows[first][::-1] if end else rows[first]
        ends.append(
            Candidate(part.take, end, drops, cuts, takes[part.take]["lae_db"][drops], part.pause_s, bool(part.drops))
        )
    return ends


def _apart(t: Floats, level: Floats, first: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the first contacts that no other one is too near to: drops by hand are further apart than rebounds."""
    kept: list[int] = []
    for row in np.flatnonzero(first).tolist():
        if not kept or t[row] - t[kept[-1]] > _REBOUND_S:
            kept.append(row)
        elif level[row] > level[kept[-1]] + _SOFT_DB:
            kept[-1] = row
    return np.isin(np.arange(len(t)), kept)
