"""Learning from the run itself how each station is heard by the microphones of the others.

Foreign sounds are among the impacts, and a place that sounds often would pass for a second habit of the station it is
nearest to. So arrivals are learnt from one place alone: of places that sound about as often the one that comes
latest to the others, because nothing comes later to them than what is beside the own microphone.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import median, robust_sd
from noisecheck.core.records import record
from noisecheck.detect.channels import Onsets
from noisecheck.place.crosstalk import LEVELS_DB, LOWEST_DB, CrossTalk, Heard, Pattern, heard_by, likelihoods

__all__ = ["learn_cross_talk"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_ROUNDS: Final = 2
_MOST_ROWS: Final = 1000
_FIRST_S: Final = 0.001  # an impact comes to its own microphone first, or so little later
_CONTRAST_DB: Final = 40.0  # by which it stands out where nobody else heard it
_FEW: Final = 12
"""Impacts from which loud ones alone, and what all readings have in common, are told apart."""
_TRIED: Final = 120  # impacts among which places are looked for
_PLACE_S: Final = 0.0002  # arrivals of one place, 70 mm of way
_OFTEN: Final = 0.5  # of the place that sounds most often: others that sound less are not the station
_HOLDS: Final = 0.2  # a place must hold so many of the impacts
_OWN_SPREAD_DB: Final = 3.0
_LEVELS: Final = 240  # dB
_UNUSUAL: Final = (2.0, 0.02)  # impacts, and at least a share of them, of any level: a quiet drop is still one
_FREE: Final = 3.0  # spread that few impacts leave open, in least spreads
_ODD_RANGE: Final = (0.003, 0.15)  # foreign sounds among the impacts must not make all readings odd
_MOST_WIDE: Final = 0.03
_WIDE_COUNT: Final = (0.03, 20.0)  # own readings far off, and impacts, before any is seen
_NODES: Final = np.array([-1.282, -0.524, 0.0, 0.524, 1.282])
"""Middles of five equal shares of a normal distribution."""


@record
class _Kind:
    """Beliefs about one kind of reading."""

    prior: tuple[float, float]
    """Difference and its spread where the run says nothing (own microphone ten times nearer would be -20 dB)."""
    least: float
    """No spread is smaller."""
    odd: float
    """Share of odd ones before any is seen."""
    far: float
    """An own reading further off than this, and than twice what is usual, is far off."""


_LEVEL: Final = _Kind((-12.0, 6.0), 1.5, 0.03, 3.0)
_DELAY: Final = _Kind((0.0015, 0.003), 0.00006, 0.04, 0.00025)


def learn_cross_talk(onsets: Onsets, own: dict[str, int], rate: float, *, hidden: bool = False) -> CrossTalk:
    """Return what a run shows of how stations are heard by each other's microphones.

    Impacts are first given to the microphone that heard them loudest (and not clearly late), those that stand out
    most first; then all are weighed anew with what these showed, twice.

    Args:
        onsets: impacts of one run; of many, 1,000 spread over it are learnt from.
        own: channel of each station, from :func:`~noisecheck.place.microphones.station_channels`; at least two.
        rate: frames a second.
        hidden: whether there are stations without a microphone, whose impacts must not pass for the nearest one's.
    """
    stations, channels = tuple(own), tuple(own.values())
    heard = heard_by(onsets, channels, rate)
    n, count = heard.level_db.shape
    if n > _MOST_ROWS:
        heard = heard.where(np.linspace(0, n - 1, _MOST_ROWS).astype(np.int64))
        n = _MOST_ROWS
    talk = _blank(stations, channels, heard.level_db)
    if not n or count < 2:
        return talk
    given = _loudest(heard)
    for again in range(_ROUNDS + 1):
        if again:
            likelihood, none = likelihoods(talk, heard)
            best = likelihood.argmax(axis=1)
            given = np.where(likelihood[np.arange(n), best] > none, best, -1)
        talk = _learnt(stations, channels, heard, given, hidden=hidden)
    return talk


def _loudest(heard: Heard) -> Ints:
    """Return the station whose microphone heard each impact loudest and first, (n,); -1 for what stands out less."""
    level, arrival = np.nan_to_num(heard.level_db, nan=-np.inf), heard.arrival_s
    rows, lead, first = np.arange(len(level)), np.sort(level, axis=1), level.argmax(axis=1)
    contrast = np.where(np.isfinite(lead[:, -2]), lead[:, -1] - np.maximum(lead[:, -2], -1e9), _CONTRAST_DB)
    late = arrival[rows, first] - np.where(np.isfinite(arrival), arrival, np.inf).min(axis=1)
    sure = np.isfinite(lead[:, -1]) & (late < _FIRST_S)
    given = np.full(len(level), -1)
    for s in range(level.shape[1]):
        mine = np.flatnonzero(sure & (first == s))
        if len(mine):
            given[mine[contrast[mine] >= np.median(contrast[mine])]] = s
    return given


def _blank(stations: tuple[str, ...], channels: tuple[int, ...], level: Floats) -> CrossTalk:
    count = len(stations)
    least = np.full(count, -np.inf)
    for t in range(count):
        heard = level[np.isfinite(level[:, t]), t]
        if len(heard):
            least[t] = np.percentile(heard, 2.0)

    def pattern(kind: _Kind) -> Pattern:
        square = np.ones((count, count))
        return Pattern(
            kind.prior[0] * (square - np.eye(count)), kind.prior[1] * square, kind.odd * square,
            np.zeros((count, len(_NODES))), np.full(count, _MOST_WIDE),
        )  # fmt: skip

    return CrossTalk(
        stations, channels, pattern(_LEVEL), pattern(_DELAY), np.tile([-np.inf, np.inf], (count, 1)),
        np.full((count, _LEVELS), 1.0 / LEVELS_DB), np.zeros(count, np.int64), least,
    )  # fmt: skip


def _learnt(
    stations: tuple[str, ...], channels: tuple[int, ...], heard: Heard, given: Ints, *, hidden: bool
) -> CrossTalk:
    """Return the cross-talk seen in impacts given to stations, drawn to the prior by few."""
    talk = _blank(stations, channels, heard.level_db)
    for s in range(len(stations)):
        rows = np.flatnonzero(given == s)
        level = heard.level_db[rows]
        own = level[np.isfinite(level[:, s]), s]
        talk.count[s] = len(rows)
        if len(own) >= 2:
            talk.own_db[s] = np.percentile(own, [5.0, 95.0])
            talk.own_density[s] = _levels(own)
        if hidden:
            keep = _clearest(level, s)
            rows, level = rows[keep], level[keep]
        if not len(rows):
            continue
        late = np.where(np.isfinite(heard.arrival_s[rows]), heard.arrival_s[rows], np.nan)
        late -= late[:, s, None]
        here = _same_place(np.delete(late, s, axis=1))
        loud = _louder(level[:, s], here)
        _pattern(talk.delay, _DELAY, s, late, here, loud)
        _pattern(talk.level, _LEVEL, s, (level - level[:, s, None])[here], here[here], loud[here])
    return talk


def _levels(own: Floats) -> Floats:
    """Return the density (1/dB) of levels at the own microphone on the grid of :func:`own_density`."""
    at = np.clip(np.round(own - LOWEST_DB), 0, _LEVELS - 1).astype(np.int64)
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / _OWN_SPREAD_DB) ** 2)
    smooth = np.convolve(np.bincount(at, minlength=_LEVELS), kernel / kernel.sum(), mode="same")
    any_level = max(_UNUSUAL[0], _UNUSUAL[1] * len(own))
    return np.asarray((smooth + any_level / LEVELS_DB) / (len(own) + any_level))


def _same_place(late: Floats) -> Bools:
    """Return which impacts came to the other microphones as those of one place do, (n,): all where none is shown."""
    n, others = late.shape
    everyone, needed = np.ones(n, bool), min(2, others)
    full = np.flatnonzero(np.isfinite(late).sum(axis=1) >= needed)
    if len(full) < 6:
        return everyone
    x = late[full[np.linspace(0, len(full) - 1, min(len(full), _TRIED)).astype(np.int64)]]
    off = np.abs(x[:, None] - x[None])
    both = np.isfinite(off)
    near = (both.sum(axis=2) >= needed) & np.where(both, off < _PLACE_S, True).all(axis=2)
    often = near.sum(axis=1)
    if often.max() < _HOLDS * len(x):
        return everyone
    seen = near @ np.isfinite(x)
    mean = np.where(seen > 0, near @ np.nan_to_num(x) / np.maximum(seen, 1), np.nan)
    usual = _medians(x)
    lead = np.where(seen > 0, mean - usual, 0.0).sum(axis=1) / np.maximum((seen > 0).sum(axis=1), 1)
    chosen = int(np.where(often >= _OFTEN * often.max(), lead, -np.inf).argmax())
    away = np.abs(late - _medians(x[near[chosen]]))
    return np.asarray(np.where(np.isfinite(away), away < _PLACE_S, True).all(axis=1))


def _louder(level: Floats, rows: Bools) -> Bools:
    """Return the louder half of the rows, where there are enough: of a faint impact others hear their background."""
    if rows.sum() < _FEW or not np.isfinite(level[rows]).any():
        return rows
    with np.errstate(invalid="ignore"):
        return rows & (level >= np.nanmedian(level[rows]))


def _pattern(pattern: Pattern, kind: _Kind, s: int, values: Floats, here: Bools, loud: Bools) -> None:
    """Learn one row of a pattern from readings re the own microphone, (n, stations)."""
    others = np.array([t for t in range(values.shape[1]) if t != s])
    for t in others:
        seen = values[loud & np.isfinite(values[:, t]), t]
        if len(seen):
            weight = len(seen) / (len(seen) + 1.0)
            middle, spread = _median(seen)
            pattern.middle[s, t] = weight * middle + (1.0 - weight) * kind.prior[0]
            free = _FREE * kind.least
            pattern.spread[s, t] = np.sqrt(weight * max(spread, kind.least) ** 2 + (1.0 - weight) * free**2)
    off = (values - pattern.middle[s])[:, others]
    known = np.isfinite(off)
    full = known.all(axis=1) & here
    common, far = np.zeros(len(off)), 0
    if len(others) > 1 and full.sum() >= _FEW:
        common = np.where(known.sum(axis=1) > 1, _medians(off.T), 0.0)
        middle, spread = _median(common[full])
        pattern.shift[s] = middle + spread * _NODES
        two = off[full & loud] if (full & loud).sum() >= _FEW else off[full]
        for k, t in enumerate(others):
            # From the mean of the others: its variance is m / (m - 1) times that of each.
            apart = (two[:, k] - np.delete(two, k, axis=1).mean(axis=1)) * np.sqrt((len(others) - 1) / len(others))
            pattern.spread[s, t] = min(max(_median(apart)[1], kind.least), pattern.spread[s, t])
        far = int((np.abs(common - np.median(common)) > kind.far + 2.0 * pattern.shift[s].std()).sum())
    odd = (np.abs(off - common[:, None]) > 4.0 * pattern.spread[s, others]).sum(axis=0)
    pattern.odd[s, others] = np.clip((odd + 2.0 * kind.odd) / (known.sum(axis=0) + 2.0), *_ODD_RANGE)
    pattern.wide[s] = min((far + _WIDE_COUNT[0]) / (len(common) + _WIDE_COUNT[1]), _MOST_WIDE)


def _clearest(level: Floats, own: int) -> Bools:
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


def _median(values: Floats) -> tuple[float, float]:
    """Return median and spread (1.48 times the median deviation)."""
    middle = median(values)
    return middle, robust_sd(values, middle)


def _medians(values: Floats) -> Floats:
    """Return the median of each column, 0 where all are NaN."""
    count = np.isfinite(values).sum(axis=0)
    ordered = np.sort(values, axis=0)
    column = np.arange(values.shape[1])
    both = ordered[np.maximum(count - 1, 0) // 2, column] + ordered[np.minimum(count // 2, len(values) - 1), column]
    return np.where(count > 0, 0.5 * both, 0.0)
