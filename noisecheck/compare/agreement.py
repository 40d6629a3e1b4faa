"""Whether the ends of takes agree on one sound unlike the machine's: what tells reference drops from its balls.

Shapes are spectra in dB re their own mean, (impacts, bands). How drops scatter from one to the next, and ends among
themselves, is learnt from the ends; what the machine does in a take is the mean of each kind of sound it makes there,
and an end is held against that by the same scatter. So drops on other spots of a tile may differ by several dB a band,
as long as they differ less than from the machine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Candidate", "agree", "whole"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_LEAST_SD_DB: Final = 0.7
_USUAL_SD_DB: Final = 1.5
_PRIOR_DROPS: Final = 4.0
_TEMPER: Final = 0.5  # neighbouring bands share their sound, so that they count for half
_SURE: Final = 4.6  # natural logarithm of odds, 100 : 1
_SURE_OF_ALL: Final = 25.0  # all ends of a campaign together: nothing is lost by asking for more than any chance gives
_JOINING: Final = 1.0
_BEYOND: Final = 1.2
_OPEN: Final = -3.0
_MOST_ODDS: Final = 12.0
_SHARE: Final = 0.6
_UNLIKE: Final = 1.6
_PAIR_LEVEL_DB: Final = 3.0
_ROUNDS: Final = 3
_MOST_SEEDS: Final = 40
_ALIKE: Final = 1.5


@dataclass
class Candidate:
    """What may be reference drops at one end of a take: first contacts from the end inwards."""

    take: int
    end: bool
    drops: Rows
    """First contacts, the outermost first."""
    cuts: list[tuple[int, int, int]]
    """What of it may be reference drops: so many of the outermost first contacts, from this row to that."""
    levels: Floats
    pause_s: float
    """Silence between it and the rest of the take."""
    stated: bool = False
    """The user says that these are reference drops."""
    shapes: Floats = field(default_factory=lambda: np.empty((0, 0)))
    own: Floats = field(default_factory=lambda: np.empty((0, 0)))
    """Shapes of the machine's impacts in the same take."""
    known: bool = True
    """Whether the machine is heard in this take; else its sounds are those of all takes, and the end may only join."""
    count: int = 0
    """Drops that are reference drops."""
    open: bool = False
    """Whether it stays open, by the sound, if they are reference drops."""


def agree(ends: Sequence[Candidate]) -> None:
    """Set of each candidate how many of its drops are reference drops, and whether that stays open.

    Three ends of two takes must agree, or the two ends of one take with at least two drops each and levels within
    3 dB; an end agrees where its drops are likelier (100 : 1) made by what the other ends have in common than by
    anything the machine does in its take. Once so many do, others join that are likelier to than not.
    """
    best = _most_alike(ends)
    for number in range(_ROUNDS):
        if not _enough([(ends[k], n) for k, n in best]):
            _leave_open(ends)
            return
        members = {k: whole(ends[k].shapes[:n]) for k, n in best}
        within, between = _spreads(list(members.values()))
        again, total = [], 0.0
        for k, end in enumerate(ends):
            # An end is judged by what the others have in common.
            rest = [g for j, g in members.items() if j != k and len(g)]
            if end.stated or not rest:
                again += [(k, len(end.drops))] * end.stated
                continue
            middle = np.mean([g.mean(axis=0) for g in rest], axis=0)
            spread = within * (1 + 1 / sum(map(len, rest))) + between * (1 + 1 / len(rest))
            count, odds = _taken(end, _to_machine(end, within), middle, spread, surely=number == 0)
            end.open = not count and odds > _OPEN
            if count:
                again.append((k, count))
                total += odds
        if total < _SURE_OF_ALL and not any(e.stated for e in ends):
            again = []
        if number and again == best:
            break
        best = again
    for k, count in best:
        ends[k].count = count


def _most_alike(ends: Sequence[Candidate]) -> list[tuple[int, int]]:
    """Return the ends, with how many of their drops, that have most in common with one of them."""
    stated = [(k, len(e.drops)) for k, e in enumerate(ends) if e.stated]
    if stated or len(ends) < 2:
        return stated
    within = _first_spread(ends)
    body = [_to_machine(e, within) for e in ends]
    best: list[tuple[int, int]] = []
    most = 0.0
    for i in range(0, len(ends), -(-len(ends) // _MOST_SEEDS)):
        for count in {c[0] for c in (ends[i].cuts[0], ends[i].cuts[-1])}:
            group = whole(ends[i].shapes[:count])
            if not len(group):
                continue
            taken = [
                _taken(e, b, group.mean(axis=0), within * (1 + 1 / len(group))) for e, b in zip(ends, body, strict=True)
            ]
            others = sum(odds for k, (n, odds) in enumerate(taken) if n and k != i)
            if others > most:
                best, most = [(k, n) for k, (n, _) in enumerate(taken) if n], others
    return best


def _enough(taken: Sequence[tuple[Candidate, int]]) -> bool:
    """Return whether so many drops of these ends, alike, are enough to call them reference drops."""
    if any(e.stated for e, _ in taken):
        return True
    taken = [(e, n) for e, n in taken if e.known]
    takes = {e.take for e, _ in taken}
    if len(taken) == 2 and len(takes) == 1 and min(n for _, n in taken) >= 2:
        a, b = (float(np.median(e.levels[:n])) for e, n in taken)
        return abs(a - b) < _PAIR_LEVEL_DB
    return len(taken) >= 3 and len(takes) >= 2


def _leave_open(ends: Sequence[Candidate]) -> None:
    """Mark the ends whose drops are alike and unlike the machine, though too few ends agree."""
    if not ends:
        return
    within = _first_spread(ends)
    for end in ends:
        drops = whole(end.shapes)
        if len(drops) > 1:
            apart = float(np.sum(drops.var(axis=0, ddof=1) / within)) / len(within)
            body, usual = _to_machine(end, within)
            end.open = apart < _UNLIKE < float(np.nanmean(body)) / len(within) / usual


def whole(shapes: Floats) -> Floats:
    """Return the rows (impacts, bands) whose bands are all known."""
    return shapes[np.isfinite(shapes).all(axis=1)]


def _smoothed(variance: Floats, free: float) -> Floats:
    """Return a variance by band that leans on all bands, the more the fewer drops there are."""
    return np.asarray(
        np.maximum((variance * free + _PRIOR_DROPS * variance.mean()) / (free + _PRIOR_DROPS), _LEAST_SD_DB**2)
    )


def _first_spread(ends: Sequence[Candidate]) -> Floats:
    """Return by how much drops scatter within an end (variance by band), before it is known which ends agree."""
    found = []
    for end in ends:
        groups = [whole(end.shapes[:count]) for count, _, _ in end.cuts]
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


def _to_machine(end: Candidate, within: Floats) -> tuple[Floats, float]:
    """Return (how far each drop is from what the machine does, how far its own impacts usually are, a band).

    What it does are the sounds of its impacts, each the mean of its like. The second nearest counts: one impact of the
    machine may be a reference drop gone astray.
    """
    own, drops = end.own / np.sqrt(within), end.shapes / np.sqrt(within)
    apart = _square_distances(own, own)
    like = apart < 2.0 * _ALIKE * own.shape[1]
    count = like.sum(axis=1)
    sound = like @ own / count[:, None]
    body = _square_distances(drops, sound) / (1.0 + 1.0 / count)
    # An impact of the machine against the sounds of the others: those it is part of, without it.
    left = np.maximum(count - like, 0)
    alone = _square_distances(own, sound) * np.where(like, (count / np.maximum(left, 1)) ** 2, 1.0)
    alone = np.where(left > 0, alone / (1.0 + 1.0 / np.maximum(left, 1)), np.inf)
    usual = float(np.median(np.partition(alone, 1, axis=1)[:, 1])) / own.shape[1]
    return np.asarray(np.partition(body, 1, axis=1)[:, 1]), max(usual, 1.0) if math.isfinite(usual) else 1.0


def _square_distances(a: Floats, b: Floats) -> Floats:
    """Return the squared distance of each row of (n, bands) from each of (m, bands), shape (n, m)."""
    return np.asarray(np.maximum(np.sum(a**2, axis=1)[:, None] + np.sum(b**2, axis=1) - 2.0 * a @ b.T, 0.0))


def _taken(
    end: Candidate, machine: tuple[Floats, float], middle: Floats, spread: Floats, *, surely: bool = True
) -> tuple[int, float]:
    """Return (drops of an end that are reference drops, log odds): none, or as many as is likeliest."""
    apart = np.sum((end.shapes - middle) ** 2 / spread, axis=1)
    # Where the machine's own impacts scatter more than the drops do, it takes more to be unlike it.
    body, usual = machine
    odds = np.nan_to_num(np.clip(0.5 * _TEMPER * (body - apart) / usual, -_MOST_ODDS, _MOST_ODDS))
    best, most, likeliest = 0, (_SURE if surely else _JOINING) + math.log(len(end.cuts)), -math.inf
    for count, _, _ in end.cuts:
        total = float(odds[:count].sum())
        likeliest = max(likeliest, total)
        known = np.isfinite(apart[:count])
        own, other = apart[:count][known], body[:count][known]
        near = own.sum() < (_SHARE if surely else 1.0) * other.sum()
        if surely:
            # Most drops, not one that fell oddly, must be unlike the machine: by more than its own hits scatter.
            near = (
                near
                and len(own)
                and np.median(other) > max(float(np.median(own)) / _SHARE, _BEYOND * usual * end.shapes.shape[1])
            )
        if total > most and near:
            best, most = count, total
    return best, most if best else likeliest
