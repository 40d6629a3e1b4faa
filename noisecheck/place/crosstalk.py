"""What the stations' own microphones hear of one another's impacts, and how likely that is for each station.

An impact comes to its own microphone first and loudest, and to the others later and quieter by nearly the same each
time. What is not like that of any station comes from elsewhere.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.detect.channels import Onsets

__all__ = [
    "LEVELS_DB", "LOWEST_DB", "RANGE_S", "TWO_ODDS", "CrossTalk", "Heard", "Pattern", "arrival_density", "heard_by",
    "level_density", "likelihoods", "own_density", "silence",
]  # fmt: skip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

RANGE_S: Final = 0.020
"""What is lost altogether may differ in arrival by anything within this."""
TWO_ODDS: Final = 3.0  # log odds against two impacts within one detection
_RANGE_DB: Final = 40.0  # the same of its level
LOWEST_DB: Final = -150.0
"""Level at which :attr:`CrossTalk.own_density` begins."""
LEVELS_DB: Final = 60.0  # a foreign sound may be as loud as anything within this...
_FOREIGN_DB: Final = 8.0  # ... is this much quieter at the others, on average: it is beside no microphone...
_FOREIGN_S: Final = 0.0005  # ... and comes to them within the way from microphone to microphone and so much
_FOREIGN_ODD: Final = 0.03  # share of its readings that are odd as any may be
_LOST: Final = 0.003  # share of arrivals that are lost altogether
_ROUGH_S: Final = 0.00035  # spread of odd arrivals, seven in ten...
_SLOW_S: Final = 0.002  # ... and of the rest, noticed late
_FAINT_ODD: Final = 0.5  # share of odd arrivals where little more than the background is heard...
_FAINT_DB: Final = 6.0  # ... within so much of it
_BUSY: Final = 0.3  # share of readings that another impact at the same microphone puts off
_WIDE: Final = np.array([-2.0, -1.0, 1.0, 2.0])  # where the own reading may be far off, in steps
_WIDE_DB: Final = (6.0, 3.0)  # steps and spread of own levels that are off
_WIDE_S: Final = (0.0005, 0.00025)
_MASKED: Final = 0.05  # share of impacts a microphone misses under another sound
_HIDES_S: Final = 0.020  # another impact heard this close at a microphone hides a quieter one there
_RINGS: Final = (0.150, -10.0, 330.0)  # detection's law of room reflections: for so long, from dB, falling dB/s
_RINGING: Final = 3  # impacts before that may still ring
_SILENT_DB: Final = 3.0  # width of the level at which a channel begins to hear
_BELOW_DB: Final = 3.0  # faint readings go down to so far below it
_NEPER: Final = float(np.log(10.0)) / 10.0
_CHUNK: Final = 4096


@record
class Heard(Rows):
    """What the stations' microphones heard of each impact, (n, stations) each."""

    level_db: Floats
    """NaN where unheard."""
    arrival_s: Floats
    """After the first; NaN where unheard, inf where another impact at nearly the same moment hid it."""
    masked_db: Floats
    """Level below which an impact before still hides a new one; -inf where none does."""
    busy: Bools
    """Whether the microphone heard another impact at nearly the same moment."""


@record
class Pattern:
    """How readings (levels dB, or arrivals s) at the microphones of columns differ from those at the row's own."""

    middle: Floats
    """(stations, stations)."""
    spread: Floats
    """Of each microphone's own, (stations, stations)."""
    odd: Floats
    """Share of readings that follow no pattern, (stations, stations)."""
    shift: Floats
    """What all have in common, because the own reading is off: equally likely values, (stations, values)."""
    wide: Floats
    """Share of impacts in which it is off by more than those, (stations,)."""


@record
class CrossTalk:
    """How each station is heard by the microphones of all; rows are stations."""

    stations: tuple[str, ...]
    channels: tuple[int, ...]
    """The microphone of each station."""
    level: Pattern
    delay: Pattern
    own_db: Floats
    """5th and 95th percentile of each station's level at its own microphone, (stations, 2)."""
    own_density: Floats
    """Density (1/dB) of that level in steps of 1 dB from :data:`LOWEST_DB`, (stations, levels)."""
    count: Ints
    """Impacts of each station that it was learnt from, (stations,)."""
    least_db: Floats
    """Level from which each microphone hears anything in this run, (stations,)."""


def heard_by(onsets: Onsets, channels: tuple[int, ...], rate: float) -> Heard:
    """Return what the microphones of the stations heard of each impact."""
    at = onsets.arrival[:, list(channels)]
    heard = at >= 0
    db = onsets.level_db[:, list(channels)]
    busy = _crowded(at, onsets.frame, rate)
    hidden = ~heard & (np.isneginf(db) | busy)
    level = np.where(heard, db, np.nan)
    arrival = np.where(heard, (at - onsets.frame[:, None]) / rate, np.where(hidden, np.inf, np.nan))
    return Heard(level, arrival, _masked(at, level, onsets.frame, rate), busy)


def _crowded(arrival: Ints, frame: Ints, rate: float) -> Bools:
    """Return where a microphone heard another impact within :data:`_HIDES_S` of a row's first arrival."""
    near = np.zeros(arrival.shape, bool)
    reach = int(_HIDES_S * rate)
    for t in range(arrival.shape[1]):
        heard = np.sort(arrival[arrival[:, t] >= 0, t])
        low, high = np.searchsorted(heard, frame - reach), np.searchsorted(heard, frame + reach)
        near[:, t] = high - low > (np.abs(arrival[:, t] - frame) < reach)
    return near


def _masked(at: Ints, level: Floats, frame: Ints, rate: float) -> Floats:
    out = np.full(at.shape, -np.inf)
    seconds, fall, slope = _RINGS
    for t in range(at.shape[1]):
        rows = np.flatnonzero((at[:, t] >= 0) & np.isfinite(level[:, t]))
        order = rows[np.argsort(at[rows, t], kind="stable")]
        if not len(order):
            continue
        times, db = at[order, t], level[order, t]
        last = np.searchsorted(times, frame - int(0.001 * rate))
        for back in range(1, _RINGING + 1):
            k = np.maximum(last - back, 0)
            lag = (frame - times[k]) / rate
            rings = np.where((last >= back) & (lag < seconds), db[k] + fall - slope * (lag - 0.005), -np.inf)
            out[:, t] = np.maximum(out[:, t], rings)
    return out


def level_density(
    least: Floats, level: Floats, expected: Floats, spread: Floats, odd: Floats, shift: Floats | float = 0.0
) -> Floats:
    """Return the log density (1/dB) of a level where another is expected and ``least`` is what is heard at all."""
    read = np.logaddexp(expected * _NEPER, (least - _BELOW_DB) * _NEPER) / _NEPER
    usual = _normal(level - read - shift, np.hypot(spread, 3.0 * _faint(expected - least)))
    return np.asarray(np.log((1.0 - odd) * usual + odd / _RANGE_DB))


def arrival_density(
    above_db: Floats, off_s: Floats, spread: Floats, odd: Floats, shift: Floats | float = 0.0
) -> Floats:
    """Return the log density (1/s) of an arrival so far off at a level so far above what is heard at all."""
    odd = odd + (1.0 - odd) * _FAINT_ODD * _faint(above_db - _FAINT_DB)
    lost = _LOST + (1.0 - _LOST) * _faint(above_db)
    rough = 0.7 * _normal(off_s, np.hypot(spread, _ROUGH_S)) + 0.3 * _normal(off_s, np.asarray(_SLOW_S))
    rare = (1.0 - lost) * odd * rough + lost / RANGE_S
    return np.asarray(np.log((1.0 - lost) * (1.0 - odd) * _normal(off_s - shift, spread) + rare))


def silence(expected: Floats, least: Floats) -> Floats:
    """Return the log probability that a microphone heard nothing although this level was due."""
    quiet = -np.logaddexp(0.0, (expected - least) / _SILENT_DB)
    return np.asarray(np.logaddexp(np.log(_MASKED), quiet + np.log1p(-_MASKED)), np.float64)


def own_density(talk: CrossTalk, station: int, level: Floats) -> Floats:
    """Return the log density (1/dB) of a station's level at its own microphone."""
    density = talk.own_density[station]
    at = np.clip(np.round(level - LOWEST_DB), 0, len(density) - 1).astype(np.int64)
    return np.asarray(np.log(density[at]))


def likelihoods(talk: CrossTalk, heard: Heard) -> tuple[Floats, Floats]:
    """Return log likelihoods of what was heard given each station (n, stations), and given a foreign sound (n,)."""
    n, count = heard.level_db.shape
    out, none = np.empty((n, count)), np.empty(n)
    for at in range(0, n, _CHUNK):
        part = slice(at, at + _CHUNK)
        some = heard.where(part)
        none[part] = _foreign(talk, some)
        for s in range(count):
            out[part, s] = _station(talk, some, s)
    return out, none


def _station(talk: CrossTalk, h: Heard, s: int) -> Floats:
    """Return the log likelihood of what was heard given one station, (n,)."""
    n, count = h.level_db.shape
    rows, heard = np.arange(n), np.isfinite(h.level_db)
    known = np.where(np.isfinite(h.arrival_s), h.arrival_s, np.nan)
    hidden = np.isposinf(h.arrival_s)[:, :, None]
    least = np.maximum(talk.least_db, h.masked_db)[:, :, None]
    # All is told from one reading: that of the own microphone or, unheard there, of the loudest.
    base = np.where(heard[:, s], s, np.where(heard, h.level_db, -np.inf).argmax(axis=1))
    own = np.where(heard.any(axis=1), h.level_db[rows, base] - talk.level.middle[s, base], talk.least_db[s])
    lag = (known - (known[rows, base] - talk.delay.middle[s, base])[:, None] - talk.delay.middle[s])[:, :, None]
    busy = _BUSY * h.busy[:, :, None]
    told = np.ones((n, count), bool)
    told[rows, base], told[:, s] = False, False

    expected = own[:, None, None] + talk.level.middle[s][:, None]
    quiet = np.where(hidden, 0.0, silence(expected, least))
    loud, above = h.level_db[:, :, None], h.level_db[:, :, None] - least

    def levels(shift: Floats, more: float) -> Floats:
        spread = np.hypot(talk.level.spread[s], more)[:, None]
        each = level_density(least, loud, expected, spread, talk.level.odd[s][:, None] + busy, shift)
        return _mean(np.where(told[:, :, None], np.where(heard[:, :, None], each, quiet), 0.0).sum(axis=1))

    def arrivals(shift: Floats, more: float) -> Floats:
        spread = np.hypot(talk.delay.spread[s], more)[:, None]
        each = arrival_density(above, lag, spread, talk.delay.odd[s][:, None] + busy, shift)
        return _mean(np.where(told[:, :, None] & np.isfinite(lag), each, 0.0).sum(axis=1))

    total = own_density(talk, s, own)
    for told_by, pattern, (step, more) in ((levels, talk.level, _WIDE_DB), (arrivals, talk.delay, _WIDE_S)):
        wide = pattern.wide[s]
        total += np.logaddexp(
            np.log1p(-wide) + told_by(pattern.shift[s], 0.0), np.log(wide) + told_by(step * _WIDE, more)
        )
    missed = np.where(np.isposinf(h.arrival_s[:, s]), 0.0, silence(own, least[:, s, 0]))
    return np.asarray(total + np.where(heard[:, s], 0.0, missed - TWO_ODDS))


def _foreign(talk: CrossTalk, h: Heard) -> Floats:
    """Return the log likelihood of what was heard given a sound from elsewhere, (n,)."""
    rows, heard = np.arange(len(h.level_db)), np.isfinite(h.level_db)
    level = np.where(heard, h.level_db, -np.inf)
    first = level.argmax(axis=1)
    below = np.subtract(level[rows, first, None], level, out=np.zeros(level.shape), where=heard)
    known = np.where(heard, h.arrival_s, 0.0)
    lag = np.abs(known - known[rows, first, None])
    # No source comes to two microphones further apart in time than one beside either of them.
    span = 2.0 * (talk.delay.middle[first] + _FOREIGN_S)
    when = (1.0 - _FOREIGN_ODD) * np.where(lag < 0.5 * span, 1.0 / span, 0.0) + _FOREIGN_ODD / RANGE_S
    loud = (1.0 - _FOREIGN_ODD) * np.exp(-below / _FOREIGN_DB) / _FOREIGN_DB + _FOREIGN_ODD / _RANGE_DB
    each = np.where(heard, np.log(when * loud), np.where(np.isposinf(h.arrival_s), 0.0, np.log(0.5)))
    each[rows, first] = 0.0
    return np.asarray(each.sum(axis=1) - np.log(LEVELS_DB))


def _normal(off: Floats, spread: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * np.minimum((off / spread) ** 2, 1400.0)) / (spread * np.sqrt(2.0 * np.pi)))


def _faint(above_db: Floats) -> Floats:
    """Return how much a reading so far above what a microphone hears at all is its own background's."""
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(above_db / 1.5, -30.0, 30.0))))


def _mean(logs: Floats) -> Floats:
    top = logs.max(axis=-1, keepdims=True)
    return np.asarray(top[..., 0] + np.log(np.exp(logs - top).mean(axis=-1)))
