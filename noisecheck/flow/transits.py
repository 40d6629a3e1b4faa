"""How long balls take from station to station, learnt from when contacts are heard."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import robust_sd
from noisecheck.flow.route import Route

__all__ = ["Contacts", "Fit", "learn_transits"]

Times = NDArray[np.float64]

_LONG: Final = 2.5
"""Nats against each ball that is under way at once: tracks are short (common practice, no source)."""
_UNEVEN: Final = 0.15
"""Usual spread of transits, over their mean (common practice, no source)."""
_QUIET: Final = 1.5
"""Times the usual time between balls in which nothing is heard where they are not yet, or no longer, fed."""
_TOLD: Final = 6.0
"""Nats by which the likeliest lag must lead for the others to be out of the question: 400 : 1, of which the half is
taken for the model's, since what is unheard or misplaced is not as independent as it has it."""
_LEAST: Final = 0.5
"""Share of the departures that must have an arrival."""
_HALF_HEARD: Final = 8, 0.67, 0.5
"""Arrivals, the share of them that must have a departure, and the share of a feed period that they may then be spread
over, where fewer departures have an arrival: the contacts of a station may sound like no station as often as not."""
_FIRST: Final = 300
"""Departures among which lags are looked for, and whose transits are the fit: it may drift later."""
_HEARD: Final = (9.0, 1.0)
"""Balls heard and not, taken as seen before any is (beta prior)."""
_FEW: Final = 60
"""Of more the median of deviations tells the spread to within 15 % (its efficiency is 37 %)."""
_HANDFUL: Final = 24
"""Of more the pairs tell it to within 15 %, too (82 %)."""
_WIDER: Final = 1.0, 1.5, 2.2
"""What the spread of no more than those may be in truth, over what their pairs tell."""
_ODD: Final = 0.02
"""Share of transits of any length within reach."""
_REACH: Final = 4.0
_TURNS: Final = 4
"""Feed periods by which the likeliest lag may be wrong."""
_FOREIGN: Final = 2.3
"""Nats against each arrival that no ball can have made, as many as were fed: foreign sounds are ten times rarer at a
station than balls unheard at the one before (common practice, no source)."""
_DENIED: Final = 12.0
"""Nats by which a run must tell another lag than runs together do, to be left to itself: twice as many as tell a lag,
since here either may be taken for the other (then one short run in a thousand of the same machine is left so)."""
_THERE: Final = 1.5
"""Standard deviations within which lags are the same: the middle of a dozen transits is known to 0.4."""


class Fit(NamedTuple):
    """Transit times of one link, s; all 0 where not known."""

    mean: float
    sd: float
    rivals: tuple[tuple[float, float], ...] = ()
    """(mean, standard deviation) of others that explain what is heard nearly as well, the likeliest first."""


class Contacts(NamedTuple):
    """First contacts of one run: s and station index on a route or -1, (n,), and what was listened to.

    ``deaf_s``: for each station, spans in which it was not heard.
    """

    times: Times
    stations: NDArray[np.int64]
    start_s: float
    end_s: float
    deaf_s: Sequence[Sequence[tuple[float, float]]] = ()
    fed: float = math.inf
    """Balls fed, as stated; infinite where nobody says."""


class _Link(NamedTuple):
    """What runs tell of one link, put one after another on one axis of time.

    Departures heard; with those missing (``real``: heard, ``until_s``: end of what was listened to, ``blur_s``: how
    well they are known where missing), each (n,); arrivals (``since_s``: begin, ``run``: its number), each (m,).
    """

    leave: Times
    slots: Times
    real: NDArray[np.bool_]
    until_s: Times
    blur_s: Times
    reach: Times
    since_s: Times
    run: NDArray[np.int64]
    span_s: Times
    """How long each run's arrivals last."""
    period_s: Times
    """The usual time between the departures of each run."""
    spare: Times
    """Balls of each run that no departure was heard of, at most: those fed less those heard."""


class _Scored(NamedTuple):
    """A lag: log likelihood of the arrivals given the departures, mean and standard deviation of the transits."""

    score: float
    mean: float
    sd: float


_NONE: Final = _Scored(-math.inf, 0.0, 0.0)


def learn_transits(
    times: Times,
    stations: NDArray[np.int64],
    route: Route,
    longest_s: float,
    *,
    start_s: float,
    end_s: float,
    deaf_s: Sequence[Sequence[tuple[float, float]]] = (),
    beside: Sequence[Contacts] = (),
    fed: float = math.inf,
) -> list[Fit]:
    """Return the transit times of each link of a run listened to from start to end.

    Every lag at which many arrivals follow departures is a candidate. An even feed fits at every period more or less:
    what tells then is where the feed begins and ends (every arrival needs a departure, every departure an arrival),
    whether balls not fed are missing at both places, and how well each wait between balls comes back in the arrivals.
    What was heard at one of two stations while the other was deaf (``deaf_s``, spans of each station) tells nothing.
    Other runs of the same machine (``beside``, stations as on the route) tell as much as this one, but for links where
    this one clearly tells another lag: they differ in what the run sheet does not say, or not where. Where it is stated
    how many balls were ``fed``, arrivals that would need more of them are foreign sounds.
    """
    found: list[Fit] = []
    for link in range(len(route.stations) - 1):
        runs = (Contacts(times, stations, start_s, end_s, deaf_s, fed), *beside)
        own, *others = (_heard(run, link) for run in runs)
        parts = [h for h in (own, *others) if h is not None]
        if not parts:
            found.append(Fit(0.0, 0.0))
            continue
        heard = parts[0] if len(parts) == 1 else _together(parts, 3.0 * longest_s)
        tried = _tried(heard, longest_s)
        if own is not None and len(parts) > 1:
            alone = _tried(own, longest_s)
            if _denied(own, alone, max(tried, default=_NONE)):
                tried = alone
        kept: list[_Scored] = []
        for one in sorted(tried, reverse=True):
            apart = all(abs(one.mean - k.mean) > 3.0 * max(one.sd, k.sd) for k in kept)
            if apart and one.score > max(tried).score - _TOLD:
                kept.append(one)
        found.append(Fit(*kept[0][1:], tuple((k.mean, k.sd) for k in kept[1:])) if kept else Fit(0.0, 0.0))
    return found


def _tried(heard: _Link, longest_s: float) -> list[_Scored]:
    """Return the lags that may explain what is heard, each with how well it does."""
    period = float(heard.period_s[0])
    tried = [_score(heard, *c) for c in _candidates(heard, longest_s)]
    best = max(tried, default=_NONE)
    if best.score > -math.inf:  # what fits an even feed fits it a period off
        for turns in range(-_TURNS, _TURNS + 1):
            lag, half = best.mean + turns * period, min(2.0 * _REACH * best.sd, 0.5 * period)
            if turns and 0.0 < lag < longest_s:
                tried.append(_score(heard, lag, half))
    return tried


def _denied(own: _Link, alone: Sequence[_Scored], best: _Scored) -> bool:
    """Return whether a run alone denies the best lag of runs together: then it differs from them in something."""
    mine = max(alone, default=_NONE)
    there = [*alone, _score(own, best.mean, 2.0 * _REACH * best.sd)]
    near = max((s for s in there if abs(s.mean - best.mean) <= _THERE * max(s.sd, best.sd)), default=_NONE)
    if mine.score <= 0.0:  # it tells hardly any lag
        return False
    if near.score > -math.inf:
        return mine.score - near.score > _DENIED
    leave, reach = own.slots[own.real], own.reach  # half heard, those of 2 standard deviations may be a quarter
    came = np.abs(reach[_nearest(reach, leave + best.mean)] - leave - best.mean) <= 2.0 * best.sd
    return int(came.sum()) < 0.5 * _LEAST * min(len(leave), len(reach))


def _heard(run: Contacts, link: int) -> _Link | None:
    """Return what a run tells of one link, None where that is too little."""
    times, stations, start_s, end_s, deaf_s, fed = run
    spans = [s for at in deaf_s[link : link + 2] for s in at]
    since_s = max((to for a, to in spans if a <= start_s < to < end_s), default=start_s)
    until_s = min((a for a, to in spans if since_s < a < end_s <= to), default=end_s)
    known = (times >= since_s) & (times <= until_s)
    for a, to in spans:
        known &= (times <= a) | (times >= to)
    leave, reach = times[known & (stations == link)], times[known & (stations == link + 1)]
    if min(len(leave), len(reach)) < 3:
        return None
    slots, real = _slots(leave)
    since = -math.inf if _begins(leave, reach, since_s) else since_s
    until = math.inf if _begins(-reach[::-1], -leave[::-1], -until_s) else until_s
    period = float(np.median(np.diff(slots)))
    return _Link(
        leave[:_FIRST],
        slots,
        real,
        np.full(len(slots), until),
        np.full(len(slots), 0.05 * period),
        reach,
        np.full(len(reach), since),
        np.zeros(len(reach), np.int64),
        np.array([reach[-1] - reach[0]]),
        np.array([period]),
        np.array([max(fed - len(leave), 0.0)]),
    )


def _together(parts: Sequence[_Link], apart_s: float) -> _Link:
    """Return what several runs tell of a link as if heard one after another, so far apart that none meets the next."""
    put, at = [], 0.0
    for number, one in enumerate(parts):
        moved = {n: getattr(one, n) + at for n in ("leave", "slots", "until_s", "reach", "since_s")}
        put.append(one._replace(**moved, run=one.run + number))
        at += max(one.slots[-1], one.reach[-1]) - min(parts[(number + 1) % len(parts)].slots[0], 0.0) + apart_s
    return _Link(*(np.concatenate(columns) for columns in zip(*put, strict=True)))


def _candidates(heard: _Link, longest_s: float) -> list[tuple[float, float]]:
    """Return (lag, half width) of where lags from departures to arrivals heap up."""
    reach = heard.reach
    lags = np.sort(np.concatenate([reach[(reach > t) & (reach < t + longest_s)] - t for t in heard.leave]))
    found = []
    for half in (0.02, 0.06, 0.2, 0.5, 1.0):
        left = np.searchsorted(lags, lags + half, "right") - np.searchsorted(lags, lags - half)
        for _ in range(12):
            peak = int(np.argmax(left)) if len(left) else 0
            if not len(left) or left[peak] < 3:
                break
            found.append((float(np.median(lags[np.abs(lags - lags[peak]) <= half])), half))
            left[np.abs(lags - lags[peak]) <= 2.0 * half] = 0
    return found


def _begins(first: Times, then: Times, start_s: float) -> bool:
    """Return whether a feed began while listening: nothing was heard for longer than balls are apart, then in order."""
    quiet = (float(first[0]) - start_s) / float(np.median(np.diff(first)))
    # One foreign sound may come before.
    return bool(quiet > _QUIET and then[0] > first[0]) or bool(quiet > 1.0 + _QUIET and then[1] > first[0])


def _slots(leave: Times) -> tuple[Times, NDArray[np.bool_]]:
    """Return (departures with those that the pace says are missing, whether each was heard)."""
    gaps = np.diff(leave)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(gaps, 4, mode="edge"), 9)
    turns = gaps / np.median(near, axis=1)
    whole = np.rint(turns).astype(int)
    holes = np.flatnonzero((whole >= 2) & (whole <= 8) & (np.abs(turns - whole) < 0.25))
    extra = [leave[i] + gaps[i] * np.arange(1, whole[i]) / whole[i] for i in holes]
    slots = np.concatenate([leave, *extra])
    order = np.argsort(slots, kind="stable")
    return slots[order], order < len(leave)


def _score(heard: _Link, lag: float, half: float) -> _Scored:
    """Return how well a lag explains the arrivals, and the transits it gives."""
    slots, real, reach = heard.slots, heard.real, heard.reach
    nearest = _nearest(reach, slots + lag)
    off = reach[nearest] - slots - lag
    near = (np.abs(off) <= half) & real
    if near.sum() < 3:
        return _NONE
    middle, sd = _fit(off[near])
    # Spread over the whole band (0.74 of its half width if evenly) it is no lag, but chance.
    if sd > 0.6 * half or lag + middle <= 0.0:
        return _NONE
    for _ in range(2):
        lag += middle
        nearest = _nearest(reach, slots + lag)
        off = reach[nearest] - slots - lag
        mutual = _nearest(slots, reach - lag)[nearest] == np.arange(len(slots))
        mutual &= reach[nearest] > slots
        near = mutual & real & (np.abs(off) <= _REACH * sd)
        if near.sum() < 3:
            return _NONE
        middle, sd = _fit_few(off[near])
    if near.sum() > _HANDFUL:
        return _told(heard, lag, sd, nearest, off, mutual)
    # The spread of a few is known to a factor only: a lag is judged by what explains them all best.
    return max(_told(heard, lag, k * sd, nearest, off, mutual) for k in _WIDER)


def _told(
    heard: _Link, lag: float, sd: float, nearest: NDArray[np.int64], off: Times, mutual: NDArray[np.bool_]
) -> _Scored:
    """Return how well a lag of that spread explains the arrivals, and the transits it gives.

    ``nearest`` arrival of each departure, by how much it is ``off`` the lag, and whether they are each other's: (n,).
    """
    slots, real, reach = heard.slots, heard.real, heard.reach
    wide = np.where(real, sd, np.hypot(sd, heard.blur_s))
    fits = mutual & (np.abs(off) <= _REACH * wide)
    due = fits | (slots + lag + _REACH * sd < heard.until_s)
    owed = reach - lag - _REACH * sd > heard.since_s
    owed[nearest[fits]] = True
    came, gone = int(np.sum(fits & real)), int(np.sum(due & ~fits & real))
    empty, unheard = int(np.sum(due & ~fits & ~real)), int(np.sum(fits & ~real))
    least, share, most = _HALF_HEARD
    half_heard = came >= max(least, share * int(owed.sum())) and 2.0 * _REACH * sd < most * heard.period_s[0]
    if came < 3 or not (half_heard or came >= _LEAST * (came + gone)):
        return _NONE
    z = off[fits] / wide[fits]
    score = float(
        np.sum(np.log((1.0 - _ODD) * np.exp(-0.5 * z * z) / 2.5066 + _ODD / (2.0 * _REACH)) - np.log(wide[fits]))
    )
    score += _log_beta(came + _HEARD[0], gone + _HEARD[1]) - _log_beta(*_HEARD)
    # Where no departure was heard one was missed, or none was: then the arrival is missing, too.
    share = (came + _HEARD[0]) / (came + gone + sum(_HEARD))
    as_others = unheard * math.log(share) + empty * math.log(1.0 - share)
    score += float(np.logaddexp(as_others, _log_beta(unheard + 1.0, empty + 1.0))) - math.log(2.0)
    owed[nearest[fits]] = False
    loose_in = np.bincount(heard.run[owed], minlength=len(heard.span_s)).tolist()
    for loose, span_s, period_s, spare in zip(loose_in, heard.span_s, heard.period_s, heard.spare, strict=True):
        spare_s = 10.0 * period_s
        score += math.lgamma(loose + 1.0) - (loose + 1.0) * math.log(span_s + spare_s) + math.log(spare_s)
        score -= _FOREIGN * max(loose - spare, 0.0)
    # What a long lag leaves out at the ends is no more in order than the rest.
    score *= len(reach) / max(int(owed.sum()) + came + unheard, 1)
    mean, sd = _fit_few((reach[nearest] - slots)[fits & real][:_FIRST])
    score -= _LONG * lag / heard.period_s[0] + sd / (mean * _UNEVEN)
    return _Scored(float(score), mean, sd)


def _nearest(among: Times, of: Times) -> NDArray[np.int64]:
    """Return for each time the place of the nearest among others, at least two, in order."""
    after = np.clip(np.searchsorted(among, of), 1, len(among) - 1)
    return after - (of - among[after - 1] < among[after] - of)


def _fit(transits: Times) -> tuple[float, float]:
    """Return (median, standard deviation in the robust sense) of transit times."""
    middle = float(np.median(transits))
    return middle, max(robust_sd(transits, middle), 0.004)


def _fit_few(transits: Times) -> tuple[float, float]:
    """Return the same, with a spread of few transits no less than their pairs tell.

    The deviations of a dozen values may lie close together by chance: one in twenty has half the true spread by their
    median, 0.8 by the quartile of all differences (Q_n of Rousseeuw and Croux, J. Am. Stat. Assoc. 88 (1993) 1273).
    """
    middle, sd = _fit(transits)
    n = len(transits)
    if n > _FEW:
        return middle, sd
    i, j = np.triu_indices(n, 1)
    half = n // 2 + 1
    quartile = half * (half - 1) // 2 - 1
    return middle, max(sd, 2.2219 * float(np.partition(np.abs(transits[i] - transits[j]), quartile)[quartile]))


def _log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
