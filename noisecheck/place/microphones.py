"""Placing by microphone: each station has its own, and hears its own impacts first and loudest.

How much quieter and later the other microphones hear each station is learnt from the run itself. An impact that
fits no station's pattern belongs to none of them; one that shows two stations' own levels at once is two impacts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.detect.channels import Onsets
from noisecheck.place.evidence import UNKNOWN, Evidence

__all__ = ["CrossTalk", "learn_cross_talk", "microphone_evidence", "split_simultaneous", "station_channels"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STATION_CAP: Final = 12.0
UNPLACED_CAP: Final = 8.0
_ROUNDS: Final = 3
_LEAST_SPREAD_DB: Final = 2.0
_LEAST_SPREAD_S: Final = 0.0005
_PRIOR_DB: Final = (-12.0, 6.0)
"""Cross-talk and its spread where the run says nothing (own microphone ten times nearer would be -20 dB)."""
_PRIOR_S: Final = (0.0015, 0.003)
_PRIOR_COUNT: Final = 1.0
_RANGE_DB: Final = 40.0  # a foreign sound may show any difference of levels within this...
_RANGE_S: Final = 0.020  # ... and any difference of arrival within this
_TAIL: Final = 0.003  # share of odd readings: a late onset, a level pulled up by a ring
_MASKED: Final = 0.05  # share of impacts a microphone misses under another sound
_HIDES_S: Final = 0.020  # another impact heard this close at a microphone hides a quieter one there
_SILENT_DB: Final = 6.0  # spread of the level at which a channel begins to hear
_OWN_MARGIN_DB: Final = 3.0
_FAINT_DB: Final = 0.0  # readings this close to the least a microphone hears may be its own background
_BELOW_DB: Final = 3.0  # ... and go down to so far below it
_NEPER: Final = float(np.log(10.0)) / 10.0
_TWO: Final = 3.0  # log odds against two impacts within one detection
_ALIKE: Final = (0.0005, 3.0)  # s, dB: coincidences have no habit; the same pattern again and again is one place


@dataclass(frozen=True)
class CrossTalk:
    """How each station is heard by the microphone of each other one; arrays are (stations, stations)."""

    stations: tuple[str, ...]
    channels: tuple[int, ...]
    """The microphone of each station."""
    level_db: Floats
    """Level at the microphone of column ``t`` minus that at the own one, for impacts at station ``s`` (row)."""
    level_spread_db: Floats
    delay_s: Floats
    """Arrival at ``t`` minus arrival at ``s``."""
    delay_spread_s: Floats
    count: Ints
    """Impacts of each station that it was learnt from, (stations,)."""
    least_db: Floats
    """Level from which each microphone hears anything in this run, (stations,)."""
    own_db: Floats
    """5th and 95th percentile of each station's level at its own microphone, (stations, 2)."""


def station_channels(rig: Rig, channels: int) -> dict[str, int]:
    """Return the channel of each station that has a microphone of its own, in the order of the stations.

    Raises:
        InputError: a microphone on a channel the recording does not have.
    """
    own: dict[str, int] = {}
    for m in rig.microphones:
        if m.station is None:
            continue
        if m.channel >= channels:
            raise InputError(
                f"the microphone of station '{m.station}' is on channel {m.channel}, but the recording has "
                f"{channels}: channels count from 0"
            )
        own.setdefault(m.station, m.channel)
    return {s: own[s] for s in rig.station_names if s in own}


def learn_cross_talk(onsets: Onsets, own: dict[str, int], rate: float, *, hidden: bool = False) -> CrossTalk:
    """Return what a run shows of how stations are heard by each other's microphones.

    Impacts are first given to the microphone that heard them loudest (and not clearly late), those that stand out
    most first; then all are weighed anew with what these showed, three times. Medians throughout, so foreign sounds
    and merged impacts do little.

    Args:
        onsets: impacts of one run.
        own: channel of each station, from :func:`station_channels`; at least two.
        rate: frames a second.
        hidden: whether there are stations without a microphone, whose impacts must not pass for the nearest one's.
    """
    stations, channels = tuple(own), tuple(own.values())
    level, arrival = _heard(onsets, channels, rate)
    n, count = level.shape
    start = _blank(stations, channels, level)
    if not n or count < 2:
        return start
    lead = np.sort(np.nan_to_num(level, nan=-np.inf), axis=1)
    contrast = np.where(np.isfinite(lead[:, -2]), lead[:, -1] - lead[:, -2], _RANGE_DB)
    first = np.nan_to_num(level, nan=-np.inf).argmax(axis=1)
    late = arrival[np.arange(n), first] - np.nanmin(np.where(np.isfinite(arrival), arrival, np.inf), axis=1)
    sure = (late < 2 * _LEAST_SPREAD_S) & np.isfinite(lead[:, -1])
    given = np.full(n, -1)
    for s in range(count):
        mine = np.flatnonzero(sure & (first == s))
        if len(mine):
            given[mine[contrast[mine] >= np.median(contrast[mine])]] = s
    talk = _learnt(start, level, arrival, given, hidden=hidden)
    for _ in range(_ROUNDS):
        likelihood, none = _likelihood(talk, level, arrival)
        best = likelihood.argmax(axis=1)
        given = np.where(likelihood[np.arange(n), best] > none, best, -1)
        talk = _learnt(start, level, arrival, given, hidden=hidden)
    return talk


def microphone_evidence(onsets: Onsets, rig: Rig, rate: float, *, talk: CrossTalk | None = None) -> Evidence:
    """Return what levels and arrivals at the stations' own microphones say.

    Says nothing where fewer than two stations have a microphone; a note names stations without one, whose impacts
    are left to the other ways of placing and otherwise come out unplaced.

    Args:
        onsets: impacts of one run.
        rig: stations and microphones.
        rate: frames a second.
        talk: what was learnt of the cross-talk (None: from these impacts).
    """
    names = rig.station_names
    own = station_channels(rig, onsets.arrival.shape[1])
    if len(own) < 2:
        return Evidence.none(names, len(onsets))
    talk = talk or learn_cross_talk(onsets, own, rate, hidden=len(own) < len(rig.stations))
    level, arrival = _heard(onsets, talk.channels, rate)
    mine, none = _likelihood(talk, level, arrival)
    likelihood = np.repeat(none[:, None] + UNKNOWN, len(names), axis=1)
    for s, station in enumerate(talk.stations):
        likelihood[:, names.index(station)] = mine[:, s]
    deaf = ~np.isfinite(level).any(axis=1)
    likelihood[deaf], none[deaf] = 0.0, 0.0
    without = [s for s in names if s not in own]
    notes = []
    if without:
        notes.append(f"no microphone of its own: {', '.join(without)}; microphones alone leave these impacts unplaced")
    notes += [
        f"the microphone of '{s}' (channel {c}) was the first and loudest for none of {len(onsets)} impacts"
        for s, c, k in zip(talk.stations, talk.channels, talk.count.tolist(), strict=True)
        if not k and len(onsets) >= 20
    ]
    return Evidence(names, likelihood, none, tuple(notes)).capped(stations=STATION_CAP, unplaced=UNPLACED_CAP)


def split_simultaneous(onsets: Onsets, rig: Rig, rate: float, *, talk: CrossTalk | None = None) -> Onsets:
    """Return the impacts with those split that are two at two stations within one detection.

    A detection is split where the microphones of two stations show levels usual for own impacts there, neither
    explained by the other's cross-talk, and both together explain it better than any one station. Every other
    channel goes to the impact that explains it better; for the other it is hidden (no arrival, level -inf). Also
    drops a row that is only the late cross-talk of the row before it.

    Args:
        onsets: impacts of one run.
        rig: stations and microphones.
        rate: frames a second.
        talk: what was learnt of the cross-talk (None: from these impacts).
    """
    own = station_channels(rig, onsets.arrival.shape[1])
    if len(own) < 2 or not len(onsets):
        return onsets
    talk = talk or learn_cross_talk(onsets, own, rate, hidden=len(own) < len(rig.stations))
    onsets = onsets.where(~_echoes(talk, onsets, rate))
    level, arrival = _heard(onsets, talk.channels, rate)
    pairs = _pairs(talk, level, arrival)
    rows = np.flatnonzero(pairs[:, 0] >= 0)
    if not len(rows):
        return onsets
    parts = [_part(talk, onsets, rows, pairs[rows], which) for which in (0, 1)]
    kept = np.ones(len(onsets), bool)
    kept[rows] = False
    whole = [onsets.where(kept), *parts]
    joined = Onsets(*(np.concatenate([getattr(p, f) for p in whole]) for f in Onsets.__dataclass_fields__))
    return joined.where(np.argsort(joined.frame, kind="stable"))


def _heard(onsets: Onsets, channels: tuple[int, ...], rate: float) -> tuple[Floats, Floats]:
    """Return (level dB, arrival s after the first) at each station's microphone, (n, stations), NaN where unheard.

    Where another impact at nearly the same moment hid it, the arrival is inf: not hearing it there tells nothing.
    """
    at = onsets.arrival[:, list(channels)]
    heard = at >= 0
    level = np.where(heard, onsets.level_db[:, list(channels)], np.nan)
    hidden = ~heard & (np.isneginf(onsets.level_db[:, list(channels)]) | _crowded(at, onsets.frame, rate))
    return level, np.where(heard, (at - onsets.frame[:, None]) / rate, np.where(hidden, np.inf, np.nan))


def _crowded(arrival: Ints, frame: Ints, rate: float) -> NDArray[np.bool_]:
    """Return where a microphone heard some impact within :data:`_HIDES_S` of a row's first arrival, (n, stations)."""
    near = np.zeros(arrival.shape, bool)
    for t in range(arrival.shape[1]):
        edges = np.concatenate(([-(10**15)], np.sort(arrival[arrival[:, t] >= 0, t]), [10**15]))
        after = np.searchsorted(edges, frame)
        near[:, t] = np.minimum(frame - edges[after - 1], edges[after] - frame) < _HIDES_S * rate
    return near


def _blank(stations: tuple[str, ...], channels: tuple[int, ...], level: Floats) -> CrossTalk:
    count = len(stations)
    other = 1.0 - np.eye(count)
    least, loud = np.full(count, -np.inf), np.full((count, 2), [-np.inf, np.inf])
    for t in range(count):
        heard = level[np.isfinite(level[:, t]), t]
        if len(heard):
            least[t] = np.percentile(heard, 2.0)
    return CrossTalk(
        stations, channels, _PRIOR_DB[0] * other, np.full((count, count), _PRIOR_DB[1]), _PRIOR_S[0] * other,
        np.full((count, count), _PRIOR_S[1]), np.zeros(count, np.int64), least, loud,
    )  # fmt: skip


def _learnt(start: CrossTalk, level: Floats, arrival: Floats, given: Ints, *, hidden: bool) -> CrossTalk:
    """Return the cross-talk seen in impacts given to stations: medians and their spread, drawn to the start by few."""
    count = len(start.stations)
    db, db_sd = start.level_db.copy(), start.level_spread_db.copy()
    late, late_sd = start.delay_s.copy(), start.delay_spread_s.copy()
    own = start.own_db.copy()
    for s in range(count):
        rows = given == s
        if np.isfinite(level[rows, s]).sum() >= 2:
            own[s] = np.nanpercentile(level[rows, s], [5.0, 95.0])
        if rows.sum() > 6 and np.isfinite(level[rows, s]).any():
            # The louder half: what others hear of a faint impact is their own background.
            with np.errstate(invalid="ignore"):
                rows &= level[:, s] >= np.nanmedian(level[rows, s])
        if hidden:
            rows[rows] = _clearest(level[rows], s)
        mine = level[rows, s]
        for t in range(count):
            if t == s:
                continue
            step = (level[rows, t] - mine)[np.isfinite(level[rows, t] - mine)]
            lag = (arrival[rows, t] - arrival[rows, s])[np.isfinite(arrival[rows, t] - arrival[rows, s])]
            db[s, t], db_sd[s, t] = _middle(step, start.level_db[s, t], start.level_spread_db[s, t], _LEAST_SPREAD_DB)
            late[s, t], late_sd[s, t] = _middle(lag, start.delay_s[s, t], start.delay_spread_s[s, t], _LEAST_SPREAD_S)
    counted = np.bincount(given[given >= 0], minlength=count).astype(np.int64)
    return replace(
        start, level_db=db, level_spread_db=db_sd, delay_s=late, delay_spread_s=late_sd, own_db=own, count=counted
    )


def _clearest(level: Floats, own: int) -> NDArray[np.bool_]:
    """Return which impacts to learn from: of two clearly different patterns, the one that stands out more is its own.

    The other is a place without a microphone, which this one happens to be nearest to. Two patterns are clearly
    different where the best cut of the contrast (Otsu's: least spread within) leaves means four spreads apart.
    """
    rest = np.where(np.isfinite(level), level, -np.inf)
    rest[:, own] = -np.inf
    other = rest.max(axis=1, initial=-np.inf)
    contrast = level[:, own] - other
    good = np.isfinite(contrast)
    keep = np.ones(len(level), bool)
    values = np.sort(contrast[good])
    n = len(values)
    if n < 10:
        return keep
    at = np.arange(2, n - 1)
    total, squares = np.cumsum(values), np.cumsum(values**2)
    low, high = total[at - 1] / at, (total[-1] - total[at - 1]) / (n - at)
    within = squares[-1] - at * low**2 - (n - at) * high**2
    cut = int(within.argmin())
    spread = float(np.sqrt(max(within[cut] / n, 0.25)))
    share = (n - at[cut]) / n
    if high[cut] - low[cut] > 4.0 * spread and share > 0.1:
        keep = ~good | (contrast >= values[at[cut]])
    return keep


def _middle(values: Floats, prior: float, prior_spread: float, least: float) -> tuple[float, float]:
    if not len(values):
        return prior, prior_spread
    weight = len(values) / (len(values) + _PRIOR_COUNT)
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    mixed = weight * max(spread, least) ** 2 + (1.0 - weight) * prior_spread**2
    return weight * middle + (1.0 - weight) * prior, float(np.sqrt(mixed))


def _normal(off: Floats, spread: Floats, span: float) -> Floats:
    """Return the log density of a reading that is usually normal and rarely anywhere within ``span``."""
    usual = np.exp(-0.5 * np.minimum((off / spread) ** 2, 1400.0)) / (spread * np.sqrt(2.0 * np.pi))
    return np.log((1.0 - _TAIL) * usual + _TAIL / span)


def _above(expected: Floats, least: Floats) -> Floats:
    """Return the level a microphone reads where ``least`` is the lowest it ever reads."""
    return np.logaddexp(expected * _NEPER, least * _NEPER) / _NEPER


def _readings(
    talk: CrossTalk, level: Floats, expected: Floats, spread: Floats, lag: Floats, lag_spread: Floats
) -> Floats:
    """Return the log density of levels and lags at microphones, 0 information in what only its background explains."""
    faint = 1.0 / (1.0 + np.exp(np.clip((level - talk.least_db - _FAINT_DB) / 1.5, -30.0, 30.0)))
    due_faint = 1.0 / (1.0 + np.exp(np.clip((expected - talk.least_db - _FAINT_DB) / 1.5, -30.0, 30.0)))
    loud = _normal(level - _above(expected, talk.least_db - _BELOW_DB), np.hypot(spread, 3.0 * due_faint), _RANGE_DB)
    usual = np.exp(_normal(lag, lag_spread, _RANGE_S))
    when = np.log((1.0 - faint) * usual + faint / _RANGE_S)
    return loud + np.where(np.isfinite(lag), when, -np.log(_RANGE_S))


def _silence(expected: Floats, least: Floats) -> Floats:
    """Return the log probability that a microphone heard nothing although this level was due."""
    quiet = -np.logaddexp(0.0, (expected - least) / (_SILENT_DB / 2.0))
    return np.asarray(np.logaddexp(np.log(_MASKED), quiet + np.log1p(-_MASKED)), np.float64)


def _likelihood(talk: CrossTalk, level: Floats, arrival: Floats) -> tuple[Floats, Floats]:
    """Return log likelihoods of the readings at all other microphones given the own one, and of a foreign sound."""
    n, count = level.shape
    out = np.empty((n, count))
    heard, hidden = np.isfinite(level), np.isposinf(arrival)
    known = np.where(hidden, np.nan, arrival)
    loudest = np.where(heard.any(axis=1), np.max(np.where(heard, level, -np.inf), axis=1), 0.0)
    reference = np.where(heard, level, np.maximum(loudest[:, None], talk.least_db))
    for s in range(count):
        expected = reference[:, s, None] + talk.level_db[s]
        lag = known - known[:, s, None] - talk.delay_s[s]
        off = _readings(talk, level, expected, talk.level_spread_db[s], lag, talk.delay_spread_s[s])
        off = np.where(heard, off, np.where(hidden, 0.0, _silence(expected, talk.least_db)))
        off[:, s] = np.where(heard[:, s], 0.0, -_TWO + _silence(reference[:, s], talk.least_db[s]))
        out[:, s] = off.sum(axis=1)
    # A foreign sound: any levels, any arrivals; the loudest microphone is its reference.
    each = np.where(heard, -np.log(_RANGE_DB) - np.log(_RANGE_S), np.where(hidden, 0.0, np.log(0.5)))
    none = each.sum(axis=1) + np.where(heard.any(axis=1), np.log(_RANGE_DB) + np.log(_RANGE_S), 0.0)
    return out, none


def _pairs(talk: CrossTalk, level: Floats, arrival: Floats) -> Ints:
    """Return the two stations that sounded at once, (n, 2), -1 where one explains the detection well enough."""
    n, count = level.shape
    single, none = _likelihood(talk, level, arrival)
    alone = np.maximum(single.max(axis=1), none)
    best, found = np.full(n, -np.inf), np.full((n, 2), -1, np.int64)
    habit = np.zeros(n, bool)
    heard = np.isfinite(level)
    for a in range(count):
        for b in range(a + 1, count):
            fits = heard[:, a] & heard[:, b]
            with np.errstate(invalid="ignore"):
                for s in (a, b):
                    low, high = talk.own_db[s]
                    fits &= (level[:, s] > low - _OWN_MARGIN_DB) & (level[:, s] < high + _OWN_MARGIN_DB)
                step = level[:, b] - level[:, a]
                fits &= step - talk.level_db[a, b] > 2.0 * talk.level_spread_db[a, b]
                fits &= -step - talk.level_db[b, a] > 2.0 * talk.level_spread_db[b, a]
            rows = np.flatnonzero(fits)
            if not len(rows):
                continue
            # Each other microphone heard the one or the other, whichever its level and arrival speak for.
            made = [level[rows, s, None] + talk.level_db[s] for s in (a, b)]
            heard_of = [
                _readings(
                    talk, level[rows], made[i], talk.level_spread_db[s],
                    arrival[rows] - arrival[rows, s, None] - talk.delay_s[s], talk.delay_spread_s[s],
                )
                for i, s in enumerate((a, b))
            ]  # fmt: skip
            off = np.logaddexp(*(np.nan_to_num(h) for h in heard_of)) - np.log(2.0)
            off = np.where(heard[rows], off, _silence(np.maximum(made[0], made[1]), talk.least_db))
            off[:, [a, b]] = 0.0
            # Of the second impact level and arrival are free, within what is usual there and within one detection.
            low, high = talk.own_db[b]
            total = off.sum(axis=1) - np.log(max(high - low, _OWN_MARGIN_DB) * _RANGE_S) - _TWO
            better = total > np.maximum(best[rows], alone[rows])
            rows, total = rows[better], total[better]
            lag = arrival[rows, b] - arrival[rows, a]
            alike = np.abs(lag[:, None] - lag) < _ALIKE[0]
            alike &= np.abs(step[rows, None] - step[rows]) < _ALIKE[1]
            again = alike.sum(axis=1) - 1
            habit[rows] |= again > 4.0 + 3.0 * len(rows) * 2.0 * _ALIKE[0] / _RANGE_S
            best[rows] = total
            found[rows] = (a, b)
    found[habit] = -1
    return found


def _part(talk: CrossTalk, onsets: Onsets, rows: Ints, pairs: Ints, which: int) -> Onsets:
    """Return one of the two impacts of each row: its own channel, and the others it explains better."""
    part = onsets.where(rows)
    channels = np.array(talk.channels)
    mine, other = pairs[:, which], pairs[:, 1 - which]
    at = np.arange(len(rows))
    gain_mine = part.level_db[at, channels[mine]][:, None] + talk.level_db[mine]
    gain_other = part.level_db[at, channels[other]][:, None] + talk.level_db[other]
    keep = np.zeros(part.arrival.shape, bool)
    keep[:, channels] = gain_mine > gain_other
    keep[at, channels[mine]], keep[at, channels[other]] = True, False
    arrival = np.where(keep, part.arrival, -1)
    frame = part.arrival[at, channels[mine]]
    return replace(
        part, frame=frame, channel=channels[mine].astype(np.int64), arrival=arrival,
        level_db=np.where(keep, part.level_db, np.where(part.arrival >= 0, -np.inf, np.nan)),
    )  # fmt: skip


def _echoes(talk: CrossTalk, onsets: Onsets, rate: float) -> NDArray[np.bool_]:
    """Return which rows are only late cross-talk: heard by others only, as loud and as late as the row before says."""
    level, arrival = _heard(onsets, talk.channels, rate)
    echo = np.zeros(len(onsets), bool)
    likelihood, _ = _likelihood(talk, level, arrival)
    station = likelihood.argmax(axis=1)
    for i in range(1, len(onsets)):
        h = i - 1
        while h > 0 and echo[h]:
            h -= 1
        s = int(station[h])
        others = np.isfinite(level[i])
        if not np.isfinite(arrival[h, s]):
            continue
        lag = np.where(others, (onsets.frame[i] - onsets.frame[h]) / rate + arrival[i] - arrival[h, s], np.inf)
        if lag[others].min(initial=np.inf) > _RANGE_S or not others.any() or others[s] or np.isnan(level[h, s]):
            continue
        late = np.abs(lag - talk.delay_s[s]) < np.maximum(4.0 * talk.delay_spread_s[s], 0.004)
        quiet = level[i] < level[h, s] + talk.level_db[s] + 3.0 * talk.level_spread_db[s]
        unheard = np.isnan(level[h])
        echo[i] = bool(np.all((late & quiet & unheard)[others]))
    return echo
