"""How balls rebound at each station, by the number of the rebound.

Successive intervals of one fall shrink by about the restitution and its levels fall with the speed, so what comes
between two rebounds, or at another level, is not one of them. Learnt from the trains that are told apart.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from noisecheck.core.order import robust_sd

__all__ = ["FALL_DB", "LEAST", "MOST", "SHORTS", "Due", "Member", "ReboundLaw", "Spans"]

SPAN_DB: Final = 40.0
"""What is no ball's contact may have any level within this span (common practice, no source)."""
MOST: Final = 8
"""Highest number of a rebound that is told."""
_KEPT: Final = 1000
FALL_DB: Final = 26.0  # v^1.3: between exposure and peak pressure (rigid ball)
LEAST: Final = 4
"""Rebounds of one number from which their law is known; what is known from few is known less well."""
_MANY: Final = 50
"""Rebounds from which it is known that one more is rare."""
_LEAST_LOG_SD: Final = 0.02
_LEAST_LEVEL_SD_DB: Final = 0.5
_WIDER: Final = 4.0
"""Widening of what scatters more than usual."""
_FAR: Final = 4.0
"""Standard deviations beyond which a step counts as one of those; a normal one never does."""
_LEAST_ODD: Final = 0.01
_DROWNED_ODD: Final = 0.15
"""Share of rebounds of any level among louder impacts, which add to what is heard of them."""
_LOUDER: Final = 0.01
"""Share of the odd ones left for what is louder than the fall before it: no ball rises higher than it fell."""
_FORESEEN: Final = 0.05, 0.25, 0.1
"""What is only foreseen of the (log) step from one interval to the next: by how much it shrinks at least, its spread,
and the share that scatters more; restitution told by levels is right to a quarter (common practice, no source)."""
_ODD_WEIGHT: Final = 50.0
"""Rebounds that the share of odd levels believed at the start weighs as many as."""
_UNHEARD: Final = 0.05
_SOFTER_DB: Final = 2.0
"""Least by which a second rebound is softer than the first contact (restitution below 0.9)."""
_NOTHING: Final = 1e-25
"""Densities, per s, below which no level makes a rebound of an impact."""
_NONE: Final = 30.0
"""Standard deviations beyond which a density is none (a normal one: e^-450)."""
_NEAR: Final = 12.5
"""The same within which it is worth asking for: e^-78 of the highest, and far less than ``_NOTHING``."""


SHORTS: Final = 0, 1, 2
"""By how many the numbers of a train may be short."""
Spans = tuple[float, float, float, float]
_ANY: Final = -math.inf, -math.inf, math.inf, math.inf


class Member(NamedTuple):
    """One impact of a train: number of the rebound (0: first contact), time in s, level in dB, number of the impact.

    ``fit`` are the odds that it is the rebound it is numbered as; ``drowned``, whether louder ones beside it leave its
    level in doubt; ``channel`` is that of the microphone which heard it, as far as levels are compared.
    """

    rebound: int
    time_s: float
    level_db: float
    impact: int = -1
    fit: float = math.inf
    drowned: bool = False
    channel: int = 0


class Due(NamedTuple):
    """A rebound that an impact may be: of which station, whose first contact, and its density per s."""

    station: int
    contact: int
    density: float


def _wide(x: float, middle: float, sd: float, share: float) -> float:
    """Return a normal density, ``share`` of it with wider tails."""
    z = (x - middle) / sd
    core = math.exp(-0.5 * z * z) if -_NONE < z < _NONE else 0.0
    wide = z / _WIDER
    tail = math.exp(-0.5 * wide * wide) / _WIDER if -_NONE < wide < _NONE else 0.0
    return ((1.0 - share) * core + share * tail) / (sd * 2.5066)


def _spans_of(ways: Sequence[tuple[float, float]]) -> Spans:
    """Return (from, near from, near to, to) of what is due by (log, spread), one way or the other."""
    none, near = _NONE * _WIDER, _NEAR * _WIDER
    low, near_low = (min((m - k * sd for m, sd in ways), default=math.inf) for k in (none, near))
    near_high, high = (max((m + k * sd for m, sd in ways), default=-math.inf) for k in (near, none))
    a, b, c, d = (math.exp(min(log, 700.0)) for log in (low, near_low, near_high, high))  # no overflow
    return a, b, c, d


class ReboundLaw:
    """When and how loud balls rebound at one station, by the number of the rebound."""

    def __init__(self) -> None:
        self._steps: list[deque[tuple[float, float, bool]]] = [deque(maxlen=_KEPT) for _ in range(MOST + 1)]
        self._count = [0.0] * (MOST + 2)
        # (middle, standard deviation, share of those that scatter more) by number
        self._time = [(math.nan, math.nan, math.nan)] * (MOST + 1)
        self._level = [(math.nan, math.nan)] * (MOST + 1)
        self._odd = [(_LEAST_ODD, _LEAST_ODD)] * (MOST + 1)
        """Shares of odd levels, (softer, louder), by number, of rebounds that no louder impact drowned."""
        self.drops = 0
        self._derive()

    def _derive(self) -> None:
        """Work out what is asked for often from what was learnt."""
        middle, sd, _ = self._time[1]
        self.known = not math.isnan(middle)
        """Whether enough first rebounds were heard to know when they come."""
        self.most = max((k for k in range(1, MOST + 1) if not math.isnan(self._time[k][0])), default=0)
        """Highest number of a rebound of which that is known."""
        self.first_s = math.exp(middle), math.exp(middle) * sd
        """Usual time from first contact to first rebound and its spread, in s (NaN where unknown)."""
        self._factor = [math.exp(of[0]) for of in self._time]
        self._usual = [math.nan] + [math.exp(sum(of[0] for of in self._time[1 : k + 1])) for k in range(1, MOST + 1)]
        self._share = [0.0] + [(self._count[k] + 0.5) / (self._count[k - 1] + 1.0) for k in range(1, MOST + 1)]
        self._missed = [[self._without(k, missing) for k in range(MOST + 1)] for missing in range(3)]
        self.reach = [self._reach(k) for k in range(MOST + 1)]
        """Spans after the last impact of a train, by its number, over the interval before it; in s for number 0."""

    def _without(self, rebound: int, missing: int) -> tuple[float, float, float, float, float]:
        """Return (time over the first interval, fall in dB, scatter in dB, log spread, share) with some unheard."""
        first = max(rebound - missing, 1)
        part, whole, fall, scatter = 1.0, 1.0, 0.0, self._level[rebound][1] ** 2
        for number in range(first + 1, rebound + 1):
            part *= self._factor[number]
            whole += part
            fall += self._level[number - 1][0]
            scatter += self._level[number - 1][1] ** 2
        sd = 1.5 * max(spread for _, spread, _ in self._time[first : max(rebound, first) + 1])
        return whole, fall, math.sqrt(scatter), sd, _UNHEARD**missing * self._share[rebound]

    def _reach(self, last: int) -> Spans:
        """Return spans after an impact of that number in which any rebound may be due, as :attr:`reach` has them."""
        ways = []  # (log, spread) of each
        for short in SHORTS:
            number, step_s = last + short + 1, 1.0 if last else self.usual_s(short)
            if number > MOST:
                break
            if number > 1 and not step_s > 0.0:
                continue
            due = self._time[number][0] + (0.0 if number == 1 else math.log(step_s))
            ways.append((due, self._time[number][1]))
            for missing in range(1, min(3, MOST + 1 - number)):
                whole, _, _, sd, _ = self._missed[missing][number + missing]
                ways.append((due + math.log(whole), sd))
        return _spans_of([way for way in ways if not math.isnan(way[0])])

    def spans(self, train: Sequence[Member]) -> Spans:
        """Return (from, near from, near to, to) in s of the run: outside of them no next rebound of a train is due.

        Near is where one is at all likely, far less than ``_NOTHING`` outside.
        """
        last = train[-1]
        scale = self.last_s(train) if last.rebound else 1.0
        if not (0 <= last.rebound <= MOST and scale > 0.0):
            return _ANY
        a, b, c, d = self.reach[last.rebound]
        return last.time_s + a * scale, last.time_s + b * scale, last.time_s + c * scale, last.time_s + d * scale

    def knows(self, rebound: int) -> bool:
        """Return whether it is known how rebounds of this number come, or that they hardly do."""
        return rebound > MOST or not math.isnan(self._time[rebound][0]) or self._count[rebound - 1] >= _MANY

    @property
    def first_fall_db(self) -> tuple[float, float]:
        """Usual change of level from first contact to first rebound and its spread, in dB."""
        return self._level[1]

    def usual_s(self, rebound: int) -> float:
        """Return the usual interval before a rebound of this number, in s; NaN where unknown."""
        return self._usual[rebound] if 0 < rebound <= MOST else math.nan

    def last_s(self, train: Sequence[Member]) -> float:
        """Return the interval before the last of a train's impacts, in s, also where those before it were not heard.

        Then it is the usual part of the time since the last one heard. NaN for a first contact alone.
        """
        last = train[-1]
        before = train[-2] if len(train) > 1 else None
        if before is None or not before.rebound < last.rebound:
            return self.usual_s(last.rebound)
        whole = last.time_s - before.time_s
        if before.rebound == last.rebound - 1:
            return whole
        steps = [self.usual_s(k) for k in range(before.rebound + 1, last.rebound + 1)]
        return whole * steps[-1] / sum(steps)

    def due(self, train: Sequence[Member], time_s: float, within_s: float) -> bool:
        """Return whether the next rebound of a train is expected to within so much of a time."""
        number = train[-1].rebound + 1
        if number > self.most or math.isnan(self._time[number][0]):
            return False
        step = self._factor[number] * (1.0 if number == 1 else self.last_s(train))
        return abs(train[-1].time_s + step - time_s) < within_s + self._time[number][1] * step

    def share(self, rebound: int) -> float:
        """Return the share of drops with a rebound of this number among those with the one before it."""
        return self._share[rebound] if rebound <= MOST else 0.0

    def learn(self, trains: Sequence[Sequence[Member]]) -> None:
        """Learn from trains told apart, each in order of its numbers and begun with its first contact."""
        for train in trains:
            self.drops += 1
            self._count[0] += 1.0
            heard = {m.rebound: m for m in train}
            for number in range(1, MOST + 1):
                now, before = heard.get(number), heard.get(number - 1)
                if now is None or before is None:
                    continue
                self._count[number] += 1.0
                since = now.time_s - before.time_s
                step = math.log(since) if since > 0.0 else math.nan
                if number > 1:
                    earlier = heard.get(number - 2)
                    last = before.time_s - earlier.time_s if earlier is not None else math.nan
                    step = step - math.log(last) if last > 0.0 else math.nan
                change = now.level_db - before.level_db if now.channel == before.channel else math.nan
                self._steps[number].append((step, change, now.drowned or before.drowned))
        for number in range(1, MOST + 1):
            # That none was heard tells of many falls that they hardly come, and nothing of few.
            expected = len(self._steps[number]) > 0 or self._count[number - 1] < _MANY
            if len(self._steps[number]) >= LEAST:
                steps = np.array(self._steps[number])
                self._time[number] = _middle(steps[:, 0], _LEAST_LOG_SD)
                middle, sd, _ = _middle(steps[:, 1], _LEAST_LEVEL_SD_DB)
                if math.isnan(middle) and number > 1:  # as for what is only foreseen
                    middle, sd = self._level[number - 1][0], self._level[number - 1][1] + _LEAST_LEVEL_SD_DB
                self._level[number] = middle, sd
                off = (steps[steps[:, 2] == 0.0, 1] - middle) / sd
                known = _ODD_WEIGHT + int(np.isfinite(off).sum())
                odd = [(_ODD_WEIGHT * _LEAST_ODD + int(n)) / known for n in (np.sum(off < -_FAR), np.sum(off > _FAR))]
                self._odd[number] = odd[0], odd[1]
            elif number > 1 and expected and len(self._steps[number - 1]) >= LEAST:
                self._foresee(number)
        self._derive()

    def _foresee(self, number: int) -> None:
        """Take from the rebound before it how one comes that few balls make loud enough: it falls on the same place."""
        fall, scatter = self._level[number - 1]
        ratio = fall / FALL_DB * math.log(10.0) if number == 2 else self._time[number - 1][0]
        if not (math.isnan(ratio) or math.isnan(fall)):
            self._time[number] = min(ratio, -_FORESEEN[0]), _FORESEEN[1], _FORESEEN[2]
            self._level[number] = fall, scatter + _LEAST_LEVEL_SD_DB

    def density(self, rebound: int, since_s: float, last_s: float, change_db: float, drowned: bool) -> float:
        """Return the density, per s and re any level, of rebound ``rebound`` so long after the one before it.

        Args:
            rebound: its number, from 1.
            since_s: after the contact before it.
            last_s: interval before that (not used for the first).
            change_db: its level less that of the contact before it; NaN unknown.
            drowned: whether other impacts are so near that they change what is heard.
        """
        if rebound > MOST or since_s <= 0.0:
            return 0.0
        middle, sd, far = self._time[rebound]
        if middle != middle or (rebound > 1 and not last_s > 0.0):
            return 0.0
        log = math.log(since_s) - (math.log(last_s) if rebound > 1 else 0.0)
        fit = self._share[rebound] * _wide(log, middle, sd, far) / since_s
        return fit * self._loud(rebound, change_db, drowned) if fit > _NOTHING else fit

    def skipped(
        self, rebound: int, since_s: float, last_s: float, change_db: float, drowned: bool, missing: int = 1
    ) -> float:
        """Return the same where the last rebounds before this one, ``missing`` of them, were not heard."""
        first = rebound - missing
        if first < 1 or rebound > MOST or since_s <= 0.0:
            return 0.0
        middle, _, far = self._time[rebound]
        if middle != middle:
            return 0.0
        interval = self._factor[first] * (1.0 if first == 1 else last_s)
        if not interval > 0.0:
            return 0.0
        whole, fall, scatter, sd, share = self._missed[missing][rebound]
        fit = share * _wide(math.log(since_s / (interval * whole)), 0.0, sd, far) / since_s
        return fit * self._loud(rebound, change_db - fall, drowned, scatter) if fit > _NOTHING else fit

    def any_of(self, since_s: float, change_db: float, drowned: bool) -> float:
        """Return the density of any rebound so long after a first contact, whatever came between.

        Args:
            since_s: after the first contact.
            change_db: level less that of the first contact; NaN unknown.
            drowned: whether other impacts are so near that they change what is heard.
        """
        total, share, due, fall, interval = 0.0, 1.0, 0.0, 0.0, 1.0
        sd, scatter = 0.0, 0.0
        for number in range(1, MOST + 1):
            middle, spread, far = self._time[number]
            # Twice slower, a ball is clearly softer.
            if math.isnan(middle) or since_s <= 0.0 or (number > 1 and change_db > -_SOFTER_DB and not drowned):
                break
            interval *= math.exp(middle)
            due, share = due + interval, share * self.share(number)
            sd, scatter = math.hypot(sd, spread), math.hypot(scatter, self._level[number][1])
            fit = _wide(math.log(since_s / due), 0.0, sd, far) / since_s
            total += share * fit * self._loud(number, change_db - fall, drowned, scatter)
            fall += self._level[number][0]
        return total

    def hidden(self, since_s: float, blur_s: float) -> float:
        """Return the density of a first rebound ``since_s`` after a contact known to within ``blur_s`` only."""
        if not self.known:
            return 0.0
        usual, sd = self.first_s
        return self.share(1) * _wide(since_s, usual, math.hypot(sd, blur_s), self._time[1][2])

    def _loud(self, rebound: int, change_db: float, drowned: bool, scatter_db: float = 0.0) -> float:
        middle, sd = self._level[rebound]
        off = change_db - middle
        if off != off:  # one of them is not known
            return 1.0
        if scatter_db > sd:
            sd = scatter_db
        odd = _DROWNED_ODD if drowned else self._odd[rebound][off > 0.0]
        if not drowned and change_db > 0.0 and change_db > middle + _FAR * sd:
            odd *= _LOUDER
        z = off / sd
        core = math.exp(-0.5 * z * z) if -_NONE < z < _NONE else 0.0
        return odd + (1.0 - odd) * SPAN_DB * (core / (sd * 2.5066))


def _middle(values: np.ndarray[tuple[int], np.dtype[np.float64]], least: float) -> tuple[float, float, float]:
    values = values[np.isfinite(values)]
    if len(values) < LEAST:
        return math.nan, math.nan, math.nan
    middle = float(np.median(values))
    sd = max(robust_sd(values, middle), least) * (1.0 + 2.0 / len(values))
    far = (int(np.sum(np.abs(values - middle) > _FAR * sd)) + 0.5) / (len(values) + 1.0)
    return middle, sd, min(max(far, _LEAST_ODD), 0.5)
