"""What of a table of impacts the ledger is made of: first contacts, their neighbours, and the rebounds known."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.rebounds import SPAN_DB, Member
from noisecheck.flow.route import Route
from noisecheck.place.evidence import PRIOR_UNPLACED, Evidence

__all__ = [
    "Told",
    "faintness",
    "first_contacts",
    "followed_impacts",
    "labels_of",
    "levels_of",
    "of_one_sound",
    "real_odds",
    "rebounds_told",
    "scaled_labels",
    "under_louder",
]

_SAME_S = 0.002
_BOUND_DB = 10.0 * math.log10(2.0)
"""Below 3 dB of margin L_AE is given as half of what was measured, ISO 3746:2010 clause 8.3.3: an upper bound."""
_UNNOTICED = 0.07
"""Share of what was measured that may be an impact's unnoticed: backgrounds vary by 0.3 dB (chosen here, no source)."""
_FOLLOWED_S = (0.06, 0.03)
"""What comes this soon after an impact changes what it sounds like: somewhat, and often (simulation: one in ten and one
in three sound like no station; of those before a longer rest one in 300)."""
_ADDED_S = 0.025
"""What comes this soon after an impact counts in its level."""
_LOUDER_SOON = 2
_OWN_PEAK_DB = 6.0  # three quarters of what is heard are the impact's
_USUAL_FROM = 12
"""Impacts from which the usual distance of level and peak is known."""
_USUAL_SHARE, _MORE_DB = 0.99, 3.0
"""What lies that much further above its peak than this share of impacts has another sound in it (chosen here)."""
_FOUND_DB = 6.0
"""Margin from which an impact is found, but for some in a hundred (detection's own benchmarks)."""
_FAINTEST = 0.05
"""Share of impacts whose peaks are hardly more than the background's, where nothing else tells it (chosen here)."""
_CHANCE_DB = 2.0
"""Scatter of the margin of chance: a window of 50 ms and a few third octaves hold some 20 to 50 independent values of a
noise, 0.6 to 1 dB of L_AE; doubled, since a motor's noise swings more."""
_CHANCE_ODD = 0.01
"""Share of chance of any level (common practice, no source)."""
_RINGS = ((0.03, 2.0), (0.06, 6.0))
"""(s, dB): an impact this long after another that is so much louder may be read too high (simulation: by 3 dB and more
one in four; what rings on is that much softer than its beginning)."""


class Told(NamedTuple):
    """What was told of the falls of one run: trains at each station of a route, first contacts with their rebounds."""

    trains: list[list[list[Member]]]
    nowhere: list[list[Member]]
    """Impacts that are put to no station and belong to no train."""
    span_s: float


def rebounds_told(impacts: Impacts, route: Route) -> Told:
    """Return the trains told apart at each station of the route."""
    drop, rebound, time_s = impacts["drop"], impacts["rebound"], impacts["time_s"]
    first = np.flatnonzero((rebound == 0) & (drop >= 0) & ~impacts.flagged(Flag.MACHINE))
    begun = np.full(int(drop.max(initial=-1)) + 1, -1, np.int64)
    begun[drop[first]] = first
    rows = np.flatnonzero((rebound > 0) & (drop >= 0))
    rows = rows[begun[drop[rows]] >= 0]
    level, at_most = levels_of(impacts)
    level[at_most] = np.nan
    order = np.argsort(time_s, kind="stable")
    drowned = followed_impacts(impacts) > _LOUDER_SOON
    drowned[order] |= under_louder(time_s[order], level[order])
    channel = impacts["channel"]
    trains: dict[int, list[Member]] = {int(drop[i]): [] for i in first}
    for i in [*first.tolist(), *rows[np.lexsort((rebound[rows], drop[rows]))].tolist()]:
        trains[int(drop[i])].append(
            Member(
                int(rebound[i]), float(time_s[i]), float(level[i]), drowned=bool(drowned[i]), channel=int(channel[i])
            )
        )
    names, span_s = impacts["station"], float(np.ptp(time_s)) if len(time_s) else 0.0
    found = [[trains[int(drop[i])] for i in first[names[first] == name]] for name in (*route.stations, "")]
    return Told(found[:-1], [t for t in found[-1] if len(t) == 1], span_s)


def levels_of(impacts: Impacts) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return (how loud each impact was itself in dB, whether that is an upper bound only), each (n,).

    Where ``lae_db`` is but a bound the margin tells more: measured over as long as a contact sounds, a faint rebound
    is bounded by a contact's level, and yet is none.
    """
    level, bound = np.array(impacts["lae_db"], np.float64), impacts.flagged(Flag.BOUND)
    with np.errstate(invalid="ignore"):
        own = 1.0 - 10.0 ** (-0.1 * impacts["margin_db"])
        overlapped = impacts.flagged(Flag.OVERLAPPED) | np.isnan(own)
        at_most = bound & (overlapped | (own < 2.0 * _UNNOTICED))
    told = bound & ~overlapped
    share = np.maximum(own[told], 0.0) + np.where(at_most[told], _UNNOTICED, 0.0)
    level[told] += _BOUND_DB + 10.0 * np.log10(share)
    level = _whole(impacts, level, bound)
    alone_db, more = _alone(impacts)
    level[more] = alone_db[more]
    return level, at_most | more


def _whole(impacts: Impacts, level: NDArray[np.float64], bound: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the levels with those of impacts cut short raised to what their peaks tell.

    L_AE ends where the next impact begins: 5 ms of a contact hold a fifth of it. How far it lies above the peak show
    the impacts of the same station, heard by the same microphone, that were not cut; it differs between stations by
    5 dB and more. The peak of a faint one is the background's. A bound amid the ring of another
    is raised likewise: what rang just before is taken for the background, and the bound is too low.
    """
    order = np.argsort(impacts["time_s"], kind="stable")
    time_s = impacts["time_s"][order]
    short = np.zeros(len(level), bool)
    short[order[:-1]] = np.diff(time_s) <= _ADDED_S
    overlapped = impacts.flagged(Flag.OVERLAPPED)
    above = level - impacts["lzpeak_db"]
    short &= overlapped & (impacts["margin_db"] >= _OWN_PEAK_DB) & np.isfinite(above)
    whole = ~overlapped & ~bound & np.isfinite(above)
    channel, station, names = impacts["channel"], impacts.data["station"], impacts.names["station"]
    amid = np.zeros(len(level), bool)
    amid[order[1:]] = np.diff(time_s) <= _ADDED_S
    amid &= bound & overlapped & np.isfinite(above)
    for value in np.unique(channel[short | amid]):
        here = whole & (channel == value)
        usual = {p: _usual(above[here & (station == p)]) for p in np.unique(station[here]).tolist() if names[p]}
        told = [u for u in usual.values() if not math.isnan(u)] or [_usual(above[here])]
        for row in np.flatnonzero((short | amid) & (channel == value)).tolist():
            # Where its own station is not known an impact is at least as loud as it would be at any.
            own = usual.get(int(station[row]), math.nan)
            level[row] = max(level[row], impacts["lzpeak_db"][row] + (min(told) if math.isnan(own) else own))
    return level


def _usual(above: NDArray[np.float64]) -> float:
    """Return the usual distance of level and peak, (n,) dB; NaN where it is not known."""
    return float(np.median(above)) if len(above) >= _USUAL_FROM else math.nan


def of_one_sound(
    impacts: Impacts, codes: NDArray[np.int64], labels: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return station index, (n,), and labels, (n, stations + 1), telling nothing where more than the impact was heard.

    What sounds so is then another sound that was measured with it.
    """
    _, more = _alone(impacts)
    return np.where(more, -1, codes), np.where(more[:, None], 1.0, labels)


def _alone(impacts: Impacts) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return (how loud each impact is by its peak, whether another sound than its own was measured with it), each (n,).

    Peaks are looked for at the beginning; L_AE goes on to the next impact found, and takes in what was not found. Then
    it lies further above the peak than that of the impacts with nothing near, at the same microphone. But what stands
    out of the background is found: then it is the impact itself that rings longer than others do. Where the background
    is not known it is in every level, and what stands out by its peak of the run's faintest is told from it.
    """
    level, peak, code = np.asarray(impacts["lae_db"], np.float64), impacts["lzpeak_db"], impacts["channel"]
    overlapped, unknown = impacts.flagged(Flag.OVERLAPPED), impacts.flagged(Flag.NO_BACKGROUND)
    with np.errstate(invalid="ignore"):
        above, found = level - peak, impacts["margin_db"] >= _FOUND_DB
    whole = ~overlapped & ~impacts.flagged(Flag.BOUND) & np.isfinite(above)
    by_peak, more = np.full(len(level), np.nan), np.zeros(len(level), bool)
    for value in np.unique(code[overlapped | unknown]):
        here = code == value
        if np.any(dark := here & unknown & np.isfinite(peak)):
            found[dark] = peak[dark] >= np.quantile(peak[dark], _FAINTEST) + _FOUND_DB
        usual = above[here & whole & (found | ~unknown)]
        if len(usual) >= _USUAL_FROM:
            rows = here & (overlapped | unknown)
            by_peak[rows] = peak[rows] + np.median(usual)
            more[rows] = above[rows] > np.quantile(usual, _USUAL_SHARE) + _MORE_DB
    return by_peak, more & ~found


def followed_impacts(impacts: Impacts) -> NDArray[np.int64]:
    """Return for each impact how soon another (no second hearing of itself) follows, which changes its sound.

    0: not soon; 1: after 30 to 60 ms; 2: sooner; 3: sooner, and louder, so that its level is too high as well.
    """
    order = np.argsort(impacts["time_s"], kind="stable")
    t, level = impacts["time_s"][order], levels_of(impacts)[0][order]
    found = np.zeros(len(t), np.int64)
    step = 1
    while step < len(t) and np.any(t[step:] - t[:-step] <= _FOLLOWED_S[0]):
        since = t[step:] - t[:-step]
        apart = since > _SAME_S
        here = apart * (np.int64(1) * (since <= _FOLLOWED_S[0]) + (since <= _FOLLOWED_S[1]))
        here += apart & (since <= _ADDED_S) & (level[step:] > level[:-step])
        found[:-step] = np.maximum(found[:-step], here)
        step += 1
    return found[np.argsort(order, kind="stable")]


def under_louder(time_s: NDArray[np.float64], level_db: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return for each of ``n`` impacts in order of time whether it comes while a louder one before it still rings."""
    found = np.zeros(len(time_s), bool)
    step = 1
    while step < len(time_s) and np.any((since := time_s[step:] - time_s[:-step]) <= _RINGS[-1][0]):
        for reach_s, louder_db in _RINGS:
            near = (since > _SAME_S) & (since <= reach_s)
            found[step:] |= near & (level_db[:-step] >= level_db[step:] + louder_db)
        step += 1
    return found


def real_odds(impacts: Impacts) -> NDArray[np.float64]:
    """Return the odds that each of ``n`` impacts in order of time is real, by how far it stands above the background.

    Chance is the background's, and no louder. Detection weighs shapes, and says of what stands 10 dB above it and was
    clearly heard only that it is some hundreds to one; that tells no rare stray from chance. What comes while something
    louder rings may be a part of that, and stays as doubtful as it was; so does what is unlikely to begin with.
    """
    odds, margin = np.array(impacts["odds"], np.float64), np.asarray(impacts["margin_db"], np.float64)
    level, _ = levels_of(impacts)
    ratio = faintness(impacts)
    with np.errstate(invalid="ignore"):
        sure = (margin > 0.0) & (ratio < 1.0) & (odds > 1.0) & ~under_louder(impacts["time_s"], level)
    odds[sure] /= ratio[sure]
    return odds


def faintness(impacts: Impacts) -> NDArray[np.float64]:
    """Return for each of ``n`` impacts how much likelier its margin is for what is hardly there than for any impact.

    Chance, and a sound heard once more by another microphone, lie at the background's level. 1 where it is not known.
    """
    margin = np.maximum(np.asarray(impacts["margin_db"], np.float64), 0.0)
    chance = np.exp(-0.5 * (margin / _CHANCE_DB) ** 2) / (_CHANCE_DB * math.sqrt(2.0 * math.pi))
    return np.where(np.isnan(margin), 1.0, _CHANCE_ODD + (1.0 - _CHANCE_ODD) * SPAN_DB * chance)


def first_contacts(
    impacts: Impacts, route: Route, *, rebounds: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (rows, station index on the route) of the impacts a ledger is made of, in order of time.

    Impacts surely placed at stations off the route are left out, the machine's own, and rebounds (``rebound`` above 0)
    where not asked for; unplaced are -1.
    """
    names = impacts.names["station"]
    index = np.array([route.stations.index(n) if n in route.stations else (-1 if not n else -2) for n in names], int)
    codes = index[impacts.data["station"]] if len(impacts) else np.empty(0, int)
    rows = np.flatnonzero((codes >= -1) & (rebounds | (impacts["rebound"] <= 0)) & ~impacts.flagged(Flag.MACHINE))
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
