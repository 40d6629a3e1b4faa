"""How each station is heard by the microphones of the others, learnt from the run itself.

How much quieter and later the other microphones hear each station, and how likely what they heard is given that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.channels import Onsets

__all__ = ["RANGE_S", "TWO_ODDS", "CrossTalk", "heard_by", "learn_cross_talk", "likelihoods", "readings", "silence"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ROUNDS: Final = 3
_LEAST_SPREAD_DB: Final = 2.0
_LEAST_SPREAD_S: Final = 0.0005
_PRIOR_DB: Final = (-12.0, 6.0)
"""Cross-talk and its spread where the run says nothing (own microphone ten times nearer would be -20 dB)."""
_PRIOR_S: Final = (0.0015, 0.003)
_PRIOR_COUNT: Final = 1.0
_RANGE_DB: Final = 40.0  # a foreign sound may show any difference of levels within this...
RANGE_S: Final = 0.020  # ... and any difference of arrival within this
_TAIL: Final = 0.003  # share of odd readings: a late onset, a level pulled up by a ring
_MASKED: Final = 0.05  # share of impacts a microphone misses under another sound
_HIDES_S: Final = 0.020  # another impact heard this close at a microphone hides a quieter one there
_SILENT_DB: Final = 6.0  # spread of the level at which a channel begins to hear
_FAINT_DB: Final = 0.0  # readings this close to the least a microphone hears may be its own background
_BELOW_DB: Final = 3.0  # ... and go down to so far below it
_NEPER: Final = float(np.log(10.0)) / 10.0
TWO_ODDS: Final = 3.0  # log odds against two impacts within one detection


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
    level, arrival = heard_by(onsets, channels, rate)
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
        likelihood, none = likelihoods(talk, level, arrival)
        best = likelihood.argmax(axis=1)
        given = np.where(likelihood[np.arange(n), best] > none, best, -1)
        talk = _learnt(start, level, arrival, given, hidden=hidden)
    return talk


def heard_by(onsets: Onsets, channels: tuple[int, ...], rate: float) -> tuple[Floats, Floats]:
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


def readings(
    talk: CrossTalk, level: Floats, expected: Floats, spread: Floats, lag: Floats, lag_spread: Floats
) -> Floats:
    """Return the log density of levels and lags at microphones, 0 information in what only its background explains."""
    faint = 1.0 / (1.0 + np.exp(np.clip((level - talk.least_db - _FAINT_DB) / 1.5, -30.0, 30.0)))
    due_faint = 1.0 / (1.0 + np.exp(np.clip((expected - talk.least_db - _FAINT_DB) / 1.5, -30.0, 30.0)))
    loud = _normal(level - _above(expected, talk.least_db - _BELOW_DB), np.hypot(spread, 3.0 * due_faint), _RANGE_DB)
    usual = np.exp(_normal(lag, lag_spread, RANGE_S))
    when = np.log((1.0 - faint) * usual + faint / RANGE_S)
    return loud + np.where(np.isfinite(lag), when, -np.log(RANGE_S))


def silence(expected: Floats, least: Floats) -> Floats:
    """Return the log probability that a microphone heard nothing although this level was due."""
    quiet = -np.logaddexp(0.0, (expected - least) / (_SILENT_DB / 2.0))
    return np.asarray(np.logaddexp(np.log(_MASKED), quiet + np.log1p(-_MASKED)), np.float64)


def likelihoods(talk: CrossTalk, level: Floats, arrival: Floats) -> tuple[Floats, Floats]:
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
        off = readings(talk, level, expected, talk.level_spread_db[s], lag, talk.delay_spread_s[s])
        off = np.where(heard, off, np.where(hidden, 0.0, silence(expected, talk.least_db)))
        off[:, s] = np.where(heard[:, s], 0.0, -TWO_ODDS + silence(reference[:, s], talk.least_db[s]))
        out[:, s] = off.sum(axis=1)
    # A foreign sound: any levels, any arrivals; the loudest microphone is its reference.
    each = np.where(heard, -np.log(_RANGE_DB) - np.log(RANGE_S), np.where(hidden, 0.0, np.log(0.5)))
    none = each.sum(axis=1) + np.where(heard.any(axis=1), np.log(_RANGE_DB) + np.log(RANGE_S), 0.0)
    return out, none
