"""Placing by microphone: each station has its own, and hears its own impacts first and loudest.

How much quieter and later the other microphones hear each station is learnt from the run itself. An impact that
fits no station's pattern belongs to none of them; one that shows two stations' own levels at once is two impacts.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.units import many
from noisecheck.detect.channels import Onsets
from noisecheck.place.crosstalk import (
    RANGE_S,
    TWO_ODDS,
    CrossTalk,
    Heard,
    arrival_density,
    heard_by,
    level_density,
    likelihoods,
    own_density,
    silence,
)
from noisecheck.place.evidence import PRIOR_UNPLACED, UNKNOWN, Evidence
from noisecheck.place.learning import learn_cross_talk

__all__ = ["cross_talk_of", "microphone_evidence", "split_simultaneous", "station_channels"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STATION_CAP: Final = 12.0
UNPLACED_CAP: Final = 8.0
_OWN_MARGIN_DB: Final = 3.0
_TOO_LOUD_DB: Final = 10.0
_CHUNK: Final = 1000
_ECHO_S: Final = 0.004
_ECHO_DB: Final = 6.0
_ALIKE: Final = (0.0005, 3.0)  # s, dB: coincidences have no habit; the same pattern again and again is one place


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
                f"has {many(channels, 'channel')}, but rig.toml puts the microphone of station "
                f"'{one_line(m.station)}' on channel {m.channel}: channels count from 0"
            )
        own.setdefault(m.station, m.channel)
    return {s: own[s] for s in rig.station_names if s in own}


def cross_talk_of(onsets: Onsets, rig: Rig, rate: float) -> CrossTalk | None:
    """Return what impacts show of how the microphones hear one another's stations; None with fewer than two of these.

    Args:
        onsets: impacts of one run.
        rig: stations and microphones.
        rate: frames a second.
    """
    own = station_channels(rig, onsets.arrival.shape[1])
    return learn_cross_talk(onsets, own, rate, hidden=len(own) < len(rig.stations)) if len(own) >= 2 else None


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
    talk = talk or cross_talk_of(onsets, rig, rate)
    if talk is None:
        return Evidence.none(names, len(onsets))
    heard = heard_by(onsets, talk.channels, rate)
    level = heard.level_db
    mine, none = likelihoods(talk, heard)
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


def split_simultaneous(onsets: Onsets, rig: Rig, rate: float) -> Onsets:
    """Return the impacts with those split that are two at two stations within one detection.

    A detection is split where the microphones of two stations show levels usual for own impacts there, neither
    explained by the other's cross-talk, and both together explain it better than any one station. Every other
    channel goes to the impact that explains it better; for the other it is hidden (no arrival, level -inf). Also
    drops a row that is only the late cross-talk of the row before it.

    Args:
        onsets: impacts of one run.
        rig: stations and microphones.
        rate: frames a second.
    """
    own = station_channels(rig, onsets.arrival.shape[1])
    talk = cross_talk_of(onsets, rig, rate)
    if talk is None or not len(onsets):
        return onsets
    onsets = onsets.where(~_echoes(talk, onsets, rate))
    seen = heard_by(onsets, talk.channels, rate)
    pairs = _pairs(talk, seen)
    rows = np.flatnonzero(pairs[:, 0] >= 0)
    if not len(rows):
        return onsets
    sent = np.stack([_sent(talk, seen.where(rows), s) for s in range(len(own))])
    parts = [_part(talk, onsets, rows, pairs[rows], which, sent) for which in (0, 1)]
    kept = np.ones(len(onsets), bool)
    kept[rows] = False
    whole = [onsets.where(kept), *parts]
    joined = Onsets.concat(whole)
    return joined.where(np.argsort(joined.frame, kind="stable"))


def _pairs(talk: CrossTalk, seen: Heard) -> Ints:
    """Return the two stations that sounded at once, (n, 2), -1 where one explains the detection well enough."""
    level, arrival = seen.level_db, seen.arrival_s
    n, count = level.shape
    single, none = likelihoods(talk, seen)
    rare = np.log(PRIOR_UNPLACED) - np.log((1.0 - PRIOR_UNPLACED) / count)
    # Cross-talk may be softer than it should for many reasons; much louder only for another sound, as rare as a second.
    single = single - np.where(_too_loud(talk, level), TWO_ODDS, 0.0)
    alone = np.maximum(single.max(axis=1), none + rare)
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
                fits &= step - talk.level.middle[a, b] > 2.0 * talk.level.spread[a, b]
                fits &= -step - talk.level.middle[b, a] > 2.0 * talk.level.spread[b, a]
            rows = np.flatnonzero(fits)
            if not len(rows):
                continue
            # Each other microphone heard the one or the other, whichever its level and arrival speak for.
            here = seen.where(rows)
            off = np.logaddexp(_sent(talk, here, a), _sent(talk, here, b)) - np.log(2.0)
            made = np.maximum(*(level[rows, s, None] + talk.level.middle[s] for s in (a, b)))
            off = np.where(heard[rows], off, silence(made, talk.least_db))
            off[:, [a, b]] = 0.0
            # The second impact comes at any moment of the detection, or its microphone had heard the first before it.
            lag = arrival[rows, b] - arrival[rows, a]
            above = level[rows, b] - talk.least_db[b]
            when = arrival_density(above, lag - talk.delay.middle[a, b], talk.delay.spread[a, b], talk.delay.odd[a, b])
            when = np.logaddexp(-np.log(RANGE_S), when) - np.log(2.0)
            usual = own_density(talk, a, level[rows, a]) + own_density(talk, b, level[rows, b])
            total = off.sum(axis=1) + usual + when - TWO_ODDS
            better = total > np.maximum(best[rows], alone[rows])
            rows, total, lag = rows[better], total[better], lag[better]
            # Cross-talk of one that came before the other does come alike.
            sent = np.minimum(np.abs(lag - talk.delay.middle[a, b]), np.abs(lag + talk.delay.middle[b, a])) < _ALIKE[0]
            again = np.where(sent, 0, _alike(lag, step[rows]))
            habit[rows] |= again > 4.0 + 3.0 * len(rows) * 2.0 * _ALIKE[0] / RANGE_S
            best[rows] = total
            found[rows] = (a, b)
    found[habit] = -1
    return found


def _too_loud(talk: CrossTalk, level: Floats) -> NDArray[np.bool_]:
    """Return whether another station's microphone reads far more than a station's cross-talk gives, (n, stations)."""
    with np.errstate(invalid="ignore"):
        more = level[:, None, :] - level[:, :, None] - talk.level.middle > _TOO_LOUD_DB
    own = np.eye(level.shape[1], dtype=bool)
    return np.asarray((more & ~own).any(axis=2))


def _alike(lag: Floats, step: Floats) -> Ints:
    """Return how many others come with nearly the same lag and step, (n,)."""
    count = np.empty(len(lag), np.int64)
    for at in range(0, len(lag), _CHUNK):
        part = slice(at, at + _CHUNK)
        near = np.abs(lag[part, None] - lag) < _ALIKE[0]
        count[part] = (near & (np.abs(step[part, None] - step) < _ALIKE[1])).sum(axis=1) - 1
    return count


def _sent(talk: CrossTalk, heard: Heard, s: int) -> Floats:
    """Return the log density of what the microphones read if it came from a station they heard at its own, (n, m)."""
    level, odd = np.nan_to_num(heard.level_db), talk.delay.odd[s]
    expected = level[:, s, None] + talk.level.middle[s]
    spread = np.hypot(talk.level.spread[s], talk.level.shift[s].std())
    with np.errstate(invalid="ignore"):  # unheard is infinitely late
        lag = heard.arrival_s - heard.arrival_s[:, s, None] - talk.delay.middle[s]
    known = np.isfinite(lag)
    late = np.hypot(talk.delay.spread[s], talk.delay.shift[s].std())
    when = arrival_density(level - talk.least_db, np.where(known, lag, 0.0), late, odd)
    return level_density(talk.least_db, level, expected, spread, talk.level.odd[s]) + np.where(known, when, 0.0)


def _part(talk: CrossTalk, onsets: Onsets, rows: Ints, pairs: Ints, which: int, sent: Floats) -> Onsets:
    """Return one of the two impacts of each row: its own channel, and the others it explains better."""
    part = onsets.where(rows)
    channels = np.array(talk.channels)
    mine, other = pairs[:, which], pairs[:, 1 - which]
    at = np.arange(len(rows))
    keep = np.zeros(part.arrival.shape, bool)
    keep[:, channels] = sent[mine, at] > sent[other, at]
    keep[at, channels[mine]], keep[at, channels[other]] = True, False
    arrival = np.where(keep, part.arrival, -1)
    frame = part.arrival[at, channels[mine]]
    return replace(
        part, frame=frame, channel=channels[mine].astype(np.int64), arrival=arrival,
        level_db=np.where(keep, part.level_db, np.where(part.arrival >= 0, -np.inf, np.nan)),
    )  # fmt: skip


def _echoes(talk: CrossTalk, onsets: Onsets, rate: float) -> NDArray[np.bool_]:
    """Return which rows are only late cross-talk: heard by others only, as loud and as late as the row before says."""
    seen = heard_by(onsets, talk.channels, rate)
    level, arrival = seen.level_db, seen.arrival_s
    echo = np.zeros(len(onsets), bool)
    likelihood, _ = likelihoods(talk, seen)
    station = likelihood.argmax(axis=1)
    for i in (np.flatnonzero(np.diff(onsets.frame) < 2.0 * RANGE_S * rate) + 1).tolist():
        h = i - 1
        while h > 0 and echo[h]:
            h -= 1
        s = int(station[h])
        others = np.isfinite(level[i])
        if not np.isfinite(arrival[h, s]):
            continue
        lag = np.where(others, (onsets.frame[i] - onsets.frame[h]) / rate + arrival[i] - arrival[h, s], np.inf)
        if lag[others].min(initial=np.inf) > RANGE_S or not others.any() or others[s] or np.isnan(level[h, s]):
            continue
        late = np.abs(lag - talk.delay.middle[s]) < _ECHO_S
        quiet = level[i] < level[h, s] + talk.level.middle[s] + np.maximum(3.0 * talk.level.spread[s], _ECHO_DB)
        unheard = np.isnan(level[h])
        echo[i] = bool(np.all((late & quiet & unheard)[others]))
    return echo
