"""Trains of rebounds: which impacts of one place are one fall, told by shrinking intervals and falling levels."""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.order import distinct, median, robust_sd
from noisecheck.flow.fewer import E_LOW, LEAST_REBOUNDS, faint_rebounds, few_rebounds
from noisecheck.flow.rebounds import FALL_DB

__all__ = ["begun_where_placed", "find_drops"]

_E_LEAST_GROWN = 0.8  # growing intervals, up to the inverse of this, show what an even feed votes by chance
_EVEN = math.log(0.996)  # the longest train published has a restitution of 0.9935
_SOFTER_DB = 2.0  # a rebound is softer than its contact by 26 lg(1 / e): 1.2 dB at e = 0.9, 4 dB at 0.7
_LOUDER_DB = 4.0  # rebounds of one train scatter by less; the next ball is louder than the last rebound by more
_TOLERANCE = 0.06
"""Relative scatter expected of an interval about its prediction."""
_SPREAD_DB = 3.0
"""Scatter expected of a rebound's level."""
_LEAST_SPREAD_DB = 2.0
_WIDER = 1.5  # than the middle half shows: levels have tails
_HABIT_IMPACTS = 5000
_PAIRS = np.indices((5, 5)).reshape(2, -1, 1) + 1  # impacts from the first of three to the next, and on to the last
_MAX_OPEN = 6  # trains open at one place; more balls bouncing at once cannot be told apart


def find_drops(
    time_s: ArrayLike,
    level_db: ArrayLike,
    station: ArrayLike,
    *,
    longest_first_s: float = 1.2,
    faint: ArrayLike | None = None,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (drop, rebound) of every impact, both (n,): trains of shrinking intervals and falling levels.

    Args:
        time_s: (n,) ascending, in s.
        level_db: (n,) any level that falls with the speed of the contact (L_AE); NaN where unknown.
        station: (n,) codes; trains never cross stations; unplaced (-1) impacts are drops of their own.
        longest_first_s: longest interval between first contact and first rebound.
        faint: (n,) bool, impacts as faint as the background (flag ``bound``): they may be rebounds, but
            show no habits and begin no train, for what a lift ticks is as faint; None: none of them.

    Each place first shows its habits (restitution and first interval, from runs of three intervals that shrink by
    equal ratios; then, from the trains so found, by how much first rebounds are softer). Then each impact is given to
    the open train that foresees it best, if that is likelier than a new ball; so balls bouncing at one place at the
    same time are told apart. Linear in the number of impacts.

    Raises:
        InputError: arrays of different lengths, or times that are not ascending.
    """
    t, level = np.asarray(time_s, np.float64), np.asarray(level_db, np.float64)
    codes = np.asarray(station, np.int64)
    if not t.shape == level.shape == codes.shape:
        raise InputError(f"times {t.shape}, levels {level.shape} and stations {codes.shape} must be equally long")
    if t.size and not np.all(np.diff(t) >= 0):
        raise InputError("times must ascend: sort the impacts by time first")
    dim = np.zeros(t.size, bool) if faint is None else np.asarray(faint, bool)
    train = np.full(t.size, -1, np.int64)
    rebound = np.zeros(t.size, np.int64)
    alone = codes < 0
    train[alone] = np.flatnonzero(alone)
    for code in distinct(codes[~alone]):
        rows = np.flatnonzero(codes == code)
        clear = rows[~dim[rows]]
        habits = _habits(t[clear], level[clear], longest_first_s)
        if math.isnan(habits[2]):
            habits = faint_rebounds(t[rows], level[rows], dim[rows], longest_first_s) or habits
        here = t[rows], level[rows], dim[rows], habits, longest_first_s
        owner, number = _trains(*here)
        first_fall = _first_fall(level[rows], owner, number)
        if first_fall is not None:
            owner, number = _trains(*here, first_fall)
        train[rows], rebound[rows] = rows[owner], number
    # Number the drops in order of their first contact.
    drop = np.cumsum(train == np.arange(t.size)) - 1
    return drop[train] if t.size else train, rebound


def _first_fall(
    level: NDArray[np.float64], owner: NDArray[np.int64], number: NDArray[np.int64]
) -> tuple[float, float] | None:
    """Return by how much (dB) first rebounds of one place are softer than their contacts, and its scatter."""
    rows = np.flatnonzero(number == 1)
    fall = level[owner[rows]] - level[rows]
    fall = fall[np.isfinite(fall)]
    if len(fall) < LEAST_REBOUNDS:
        return None
    middle = median(fall)
    return middle, max(_WIDER * 1.4826 * median(np.abs(fall - middle)), _LEAST_SPREAD_DB)


def begun_where_placed(
    drop: NDArray[np.int64], rebound: NDArray[np.int64], placed: NDArray[np.bool_], level_db: ArrayLike
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (drop, rebound) with drops that begin with an unplaced impact begun anew at their first placed one.

    All (n,), in order of time. What sounds like no station may be a faint rebound of a drop; that a drop which sounds
    like its station began with something else is less likely than that something else came just before it, unless
    that was clearly the louder of the two, as a first contact is: another sound at the same time may have hidden its
    place.
    """
    drop, rebound, level = drop.copy(), rebound.copy(), np.asarray(level_db, np.float64)
    first = np.full(int(drop.max(initial=-1)) + 1, -1, np.int64)
    begins = (rebound == 0) & (drop >= 0)
    first[drop[begins]] = np.flatnonzero(begins)
    rows = np.flatnonzero((rebound > 0) & (drop >= 0))
    doubtful = rows[(first[drop[rows]] >= 0) & ~placed[first[drop[rows]]]]
    new: dict[int, tuple[int, int]] = {}
    number = len(first)
    for row in doubtful.tolist():
        old = int(drop[row])
        if old not in new:
            if not placed[row] or level[first[old]] > level[row] + _SOFTER_DB:
                continue
            new[old], number = (number, int(rebound[row])), number + 1
        drop[row], rebound[row] = new[old][0], rebound[row] - new[old][1]
    if not new:
        return drop, rebound
    # Numbered in order of their first contact, as before.
    _, place, code = np.unique(drop, return_index=True, return_inverse=True)
    order = np.argsort(np.argsort(place, kind="stable"), kind="stable")
    return order[code].astype(np.int64), rebound


def _habits(t: NDArray[np.float64], level: NDArray[np.float64], longest_s: float) -> tuple[float, float, float, float]:
    """Return (restitution, its scatter, first interval or NaN, level of first contacts) of one place.

    Votes: three impacts, not always neighbours, whose two intervals foresee a fourth. Chance votes are counted by
    foreseeing it at two wrong times, the fewer taken, since the rebounds of an even train are everywhere. Under an even
    feed a ball, a later one's rebound and the next one's seem to foresee a third ball: that one is louder.
    """
    t, level = t[:_HABIT_IMPACTS], level[:_HABIT_IMPACTS]
    nothing = few_rebounds(t, level, longest_s)
    loud = nothing[3]
    i = np.broadcast_to(np.arange(t.size), (len(_PAIRS[0]), t.size))
    then, end = i + _PAIRS[0], i + _PAIRS.sum(axis=0)
    i, then, end = (part[end < t.size] for part in (i, then, end))
    d1, d2 = t[then] - t[i], t[end] - t[then]
    good = (d1 < longest_s) & (d1 > 0.005) & (d2 > E_LOW * d1) & (d2 < d1 / _E_LEAST_GROWN)
    good &= ~(level[end] > level[i] + 1.0)
    i, end, d1, d2 = (part[good] for part in (i, end, d1, d2))
    # Two intervals taken for one show an impact where they meet.
    whole = ~_near(t, t[i] + d1 / (1.0 + np.sqrt(d2 / d1)), 0.02 * d1)
    # Neighbours vote twice: a train skipped through seems to shrink faster than it does.
    whole = np.repeat(np.flatnonzero(whole), 1 + (end - i == 2)[whole])
    i, end, d1, d2 = (part[whole] for part in (i, end, d1, d2))
    kept, *by_chance = (_foreseen(t, level, end, d2 * d2 / d1 * shift) for shift in (1.0, 1.16, 1.3))
    shrinks = np.log(d2 / d1)
    chances = [shrinks[wrong] for wrong in by_chance]
    log_e, first, row = shrinks[kept], d1[kept], i[kept]
    edges = np.arange(math.log(E_LOW), 0.04, 0.03)
    found, *false = (np.convolve(np.histogram(v, edges)[0], np.ones(3), "same") for v in (log_e, *chances))
    # An even feed votes for growing intervals as often as for shrinking ones.
    grown = np.convolve(np.histogram(-log_e[log_e > 0.0], edges)[0], np.ones(3), "same")
    least = np.minimum(*false) + grown
    excess = found - least - 4.0 * np.sqrt(least + 1.0)
    best = int(np.argmax(excess))
    if excess[best] < max(1.0, 0.02 * t.size):
        return nothing
    middle = 0.5 * (edges[best] + edges[best + 1])
    near = np.abs(log_e - middle) < 0.06
    if np.mean(log_e[near] > _EVEN) > 0.2:  # neither shrinking nor growing: an even feed, no rebounds
        return nothing
    middle = median(log_e[near])
    spread = robust_sd(log_e[near], middle)
    first, row = first[near], row[near]
    earlier = first / math.exp(middle)
    begins = ~_near(t, t[row] - earlier, 0.12 * earlier)
    usual = math.nan
    if begins.sum() >= 3:
        # First intervals are those with none before them: the rung of the ladder T1, e T1, e^2 T1 ... that begins most.
        rungs = np.arange(math.log(0.005), math.log(longest_s) + 0.1, 0.03)
        weight = np.histogram(np.log(first), rungs, weights=np.where(begins, 1.0, -0.7))[0]
        rung = int(np.argmax(np.convolve(weight, np.ones(5), "same")))
        alike = np.abs(np.log(first) - 0.5 * (rungs[rung] + rungs[rung + 1])) < 0.1
        if begins[alike].sum() > 0.4 * max(alike.sum(), 1):
            usual = median(first[alike & begins])
            tops = level[row[alike & begins]]
            loud = median(tops[np.isfinite(tops)])
    return math.exp(middle), max(spread, 0.02), usual, loud


def _foreseen(
    t: NDArray[np.float64], level: NDArray[np.float64], row: NDArray[np.int64], due: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return whether what may be the next rebound comes when due after each row, and is not the next ball, louder."""
    place = np.searchsorted(t, t[row] + 0.93 * due)
    there = np.append(t, np.inf)[place] < t[row] + 1.07 * due
    return np.asarray(there & ~(np.append(level, np.nan)[place] > level[row] + _LOUDER_DB))


def _near(t: NDArray[np.float64], when: NDArray[np.float64], within: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return whether an impact lies within a distance of each time."""
    next_one = np.searchsorted(t, when - within)
    return np.asarray(np.append(t, np.inf)[next_one] < when + within)


def _goes_on(times: list[float], now: float, interval: float, e: float) -> bool:
    """Return whether the next two rebounds that an interval foresees are there."""
    for _ in range(2):
        interval *= e
        place = bisect_left(times, now + interval * (1.0 - 2.0 * _TOLERANCE))
        if place >= len(times) or times[place] > now + interval * (1.0 + 2.0 * _TOLERANCE):
            return False
        interval, now = times[place] - now, times[place]
    return True


def _own_train(times: list[float], levels: list[float], row: int, first: float) -> bool:
    """Return whether an impact and the two after it shrink and fall like the rebounds of one at ``first``."""
    if row + 2 >= len(times):
        return False
    t0, t1, t2 = times[row] - first, times[row + 1] - times[row], times[row + 2] - times[row + 1]
    e = t1 / t0
    even = E_LOW < e < 0.99 and abs(t2 / t1 - e) < 2.0 * _TOLERANCE * e
    return even and not (levels[row + 1] > levels[row] or levels[row + 2] > levels[row + 1])


def _trains(
    t: NDArray[np.float64],
    level: NDArray[np.float64],
    faint: NDArray[np.bool_],
    habits: tuple[float, float, float, float],
    longest_s: float,
    first_fall: tuple[float, float] | None = None,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return for each impact of one place (row of its drop's first contact, rebound number).

    ``habits`` are those of :func:`_habits`; ``first_fall`` is by how much first rebounds are softer here, and its
    scatter, where that is known.
    """
    clear = ~faint
    e_usual, e_sd, first_usual, loud = habits
    trains_usual = e_sd < 0.2
    e_sd = max(e_sd, _TOLERANCE)
    span_s = max(float(t[-1] - t[0]), 1.0) if t.size else 1.0
    rates = [max(min(count / span_s, 20.0), 0.05) for count in (int(clear.sum()), int(faint.sum()))]
    known_first = not math.isnan(first_usual)
    fall_db = -FALL_DB * math.log10(min(e_usual, 0.98))
    owner, number = [0] * t.size, [0] * t.size
    # Open trains: [row of first contact, rebounds so far, last time, last interval, last level, restitution]
    trains: list[list[float]] = []
    times, levels, dim = t.tolist(), level.tolist(), faint.tolist()
    log_rates = [math.log(rate) for rate in rates]
    log_level_sd = math.log(_SPREAD_DB)
    usual_fall = fall_db, _SPREAD_DB, log_level_sd
    first_falls = usual_fall if first_fall is None else (*first_fall, math.log(first_fall[1]))
    for row, (now, loudness) in enumerate(zip(times, levels, strict=True)):
        best, best_score, best_skip, live, foreseen = None, -math.inf, 0, [], False
        # Against a first contact, as loud as they are here; what is faint is as loud as what ticks.
        fresh = 0.0 if dim[row] else loudness - loud
        as_fresh = 0.5 * min(abs(fresh / _SPREAD_DB), 4.0) ** 2 + log_level_sd
        for item in trains:
            _, rebounds, last, interval, before, e = item
            since = now - last
            reach = interval * 1.6 if rebounds else (2.2 * first_usual if known_first else longest_s)
            if since > reach:
                continue
            live.append(item)
            if rebounds:
                due, spread = interval * e, _TOLERANCE if rebounds > 1 else e_sd
            elif known_first:
                due, spread = first_usual, 2.0 * _TOLERANCE
            else:
                due, spread = math.nan, 0.0
            foretold = due == due
            sd = spread * due + 1e-3
            log_sd = math.log(sd) if foretold else math.nan
            for skip in (0, 1) if foretold else (0,):
                if foretold:
                    middle = due * (1.0 + e) if skip else due
                    z = (since - middle) / sd
                    score = -0.5 * z * z - log_sd - 0.919 - 3.0 * skip
                elif since < 0.01:
                    continue
                elif trains_usual and _goes_on(times, now, since, e_usual):
                    score = -math.log(2.0 * _TOLERANCE * since) - 0.919
                    foreseen = True
                elif (trains_usual or not known_first) and not _own_train(times, levels, row, last):
                    # Nothing says that balls rebound here: softer than the one before is no rebound yet.
                    continue
                else:
                    score, foreseen = -math.log(longest_s) - 0.7, False
                fall, fall_sd, log_fall_sd = usual_fall if rebounds or skip else first_falls
                off = loudness - before + fall * (1 + skip)
                if off == off:
                    score -= 0.5 * (off / fall_sd) ** 2 + log_fall_sd
                    score += as_fresh
                    if not rebounds and not known_first and not foreseen and loudness > before - 1.5:
                        continue
                elif not rebounds and not known_first and not foreseen:
                    continue
                if score > best_score:
                    best, best_score, best_skip = item, score, skip
        trains = live
        if best is not None and best_score > log_rates[dim[row]]:
            since = now - best[2]
            last = since if not best_skip else since * best[5] / (1.0 + best[5])
            if best[1] and not best_skip:
                ratio = min(max(since / best[3], E_LOW), 0.999)
                best[5] = ratio if best[1] == 1 else 0.7 * best[5] + 0.3 * ratio
            best[1] += 1 + best_skip
            best[2], best[3], best[4] = now, last, loudness
            owner[row], number[row] = int(best[0]), int(best[1])
        else:
            owner[row] = row
            if dim[row]:
                continue
            trains.append([row, 0, now, 0.0, loudness, e_usual])
            if len(trains) > _MAX_OPEN:
                trains.pop(0)
    return np.asarray(owner, np.int64), np.asarray(number, np.int64)
