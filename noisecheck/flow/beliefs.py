"""What the run has taught so far: transit times, pace, and shares of misses and faults.

Learnt only from decisions already settled, in their order, so that a file and a live stream learn the same.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from noisecheck.flow.heard import Heard
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route

__all__ = ["FALL_S", "ONSET_S", "SMALL_DB", "WAITED_S", "Beliefs"]

_SQRT_2PI = math.sqrt(2.0 * math.pi)
_LEAST_SD_S = 0.003
SMALL_DB = 15.0
"""So much softer than the quietest contacts no ball is: a small sound (common practice, no source)."""
_SMALL_STEP_DB = 0.5
_PACE_BALLS = 12
_SILENCES = 50
_QUIET = 3.0  # feed periods in which nothing is heard while a machine moves, beside the longest way from place to place
_PACE_WAITS = 24
"""Waits between balls that tell how evenly they are fed."""
_PACE_WAITS_OWN = 8
"""Those of a run that takes the evenness from other runs: they tell its period, and that it is no less even."""
_FOLLOWED = 0.85
"""Spread of a wait round what those before it lead to expect, over the spread of the change from one to the next: 1.2
over 1.41 where each is independent, as the pace is followed."""
_ASTRAY = (0.1, 0.3, 0.5, 0.5)
"""Share of sounds unlike every station that tell nothing of their place, by how others change them."""
_ALIKE = 0.1  # share of strays that sound like a station, as far as one stray tells
_RATE_HOURS = 0.25  # the rate of strays differs between machines by orders of magnitude: a weak belief
ONSET_S = 0.003  # dull impacts are timed that late; what is later than usual by less is not late
WAITED_S = 2.0
"""What comes so much later than another did not wait behind it."""
_JAM_S = 0.15  # balls let go together follow one another this closely
_EARLY = 0.002  # what comes before its time: balls are held up more easily than hurried
FALL_S = (0.1, 1.5)  # after it a ball that left the track strikes something: free fall from 1.5 m takes 0.55 s


def _normal(x: float, sd: float) -> float:
    z = x / sd
    return math.exp(-0.5 * z * z) / (sd * _SQRT_2PI) if -38.0 < z < 38.0 else 0.0


def _added(of: Sequence[float]) -> list[list[float]]:
    """Return the sums of what is known of each link, from every station to every other; 0 where that lies before it."""
    return [[*(0.0,) * a, *accumulate(of[a:], initial=0.0)] for a in range(len(of) + 1)]


class Beliefs(Heard):
    """The probabilities every history is weighed with. Times in s, densities per s."""

    def __init__(
        self,
        route: Route,
        feed: FeedPlan,
        settings: LedgerSettings,
        gaps: Sequence[tuple[float, float]],
        start_s: float,
    ) -> None:
        super().__init__(len(route.stations), settings, start_s)
        self.route = route
        self.gaps = sorted(gaps)
        self.deaf: list[list[tuple[float, float]]] = [[] for _ in route.stations]
        self.start_s, self.end_s = start_s, math.inf
        links = self.count - 1
        windows = [w or (0.0, settings.longest_transit_s) for w in route.transit_s]
        self.given = [w is not None for w in route.transit_s]
        self.mean = [0.5 * (lo + hi) for lo, hi in windows]
        self.var = [max(_LEAST_SD_S, (hi - lo) / 5.0) ** 2 for lo, hi in windows]
        self.latest = [hi for _, hi in windows]
        self.seen = [0.0] * links
        self.held_ups = [0.0] * links
        self.overtakings, self.stuck_count, self.falls, self.passes = 0.0, 0.0, 0.0, 0.0
        self.misses = [0.0] * self.count
        self.tries = [0.0] * self.count
        self.log_odds: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)] * self.count
        self.rebounds, self.unplaced_rebounds, self.contacts, self.strays = 0.0, 0.0, 0.0, 0.0
        self.heads: dict[int, int] = {}
        """Station of each train whose rebounds are known, by the number of its first contact."""
        self.unplaced = [[0.0] * len(settings.unplaced_mixed) for _ in route.stations]
        self.placed = [[0.0] * len(settings.unplaced_mixed) for _ in route.stations]
        self.strange_rebounds = [[0.0] * len(settings.unplaced_mixed) for _ in route.stations]
        self.own_rebounds = [[0.0] * len(settings.unplaced_mixed) for _ in route.stations]
        self.lost_sounds = [0.0] * len(settings.unplaced_mixed)
        """Of those, sounds as like one station as another."""
        self._strays_like = [_ALIKE / self.count] * self.count + [1.0 - _ALIKE]
        """Strays that sound like each station and, last, like none."""
        self.hidden, self.among = 0.0, 0.0
        self.settled_s = start_s
        self._stood_most = 0.0
        """No ball that everything stood still for comes at a higher density."""
        self.slots, self.empty = 0.0, 0.0
        self.pace_given = feed.period_s is not None
        self.period_s = feed.period_s or 0.0
        self.pace_sd = 0.10 if self.pace_given else 0.5
        self.pace_seen = 0.0
        self._per_ball: deque[int] = deque(maxlen=_PACE_BALLS)
        self.overdue: dict[tuple[float, ...], float] = {}  # log probability of balls that are, as last heard
        self.silences: deque[tuple[float, float, float]] = deque(maxlen=_SILENCES)
        """The last spans (from, to) in which nothing was heard for longer than is usual, and how long that is."""
        self.tables()

    # -- derived tables ---------------------------------------------------------------------------------------------
    def tables(self) -> None:
        """Work out the tables for every pair of stations from what was learnt."""
        s = self.settings
        self.overdue.clear()
        self.p_hold = [(s.held_up * 500 + h) / (500 + n) for h, n in zip(self.held_ups, self.seen, strict=True)]
        self.overtaken = (s.overtaken * 20 + self.overtakings) / (20 + sum(self.held_ups))
        self.p_stuck = (s.stuck * 1000 + self.stuck_count) / (1000 + self.passes)
        self.fall_rate = (s.kicked_off * 1000 + self.falls) / (1000 + self.passes) / (FALL_S[1] - FALL_S[0])
        self.p_rebound = (s.rebound * 500 + self.rebounds) / (500 + self.contacts)
        self.p_unplaced_rebound = (2e-5 * 100 + self.unplaced_rebounds) / (100 + self.contacts)
        mixed = s.unplaced_mixed
        self.p_unplaced, self.p_strange_rebound = (
            [
                [
                    max((share * 50 + n) / (50 + n + own), 0.1 * s.unplaced)
                    for share, n, own in zip(mixed, *seen, strict=True)
                ]
                for seen in zip(*counts, strict=True)
            ]
            for counts in ((self.unplaced, self.placed), (self.strange_rebounds, self.own_rebounds))
        )
        self.take_strangest(max(shares[0] for shares in self.p_unplaced))
        strange = [sum(seen) for seen in zip(*self.unplaced, strict=True)]
        self.astray = [
            (share * 10 + lost) / (10 + n) for share, lost, n in zip(_ASTRAY, self.lost_sounds, strange, strict=True)
        ]
        self.masked = (s.masked * 4 + self.hidden) / (4 + self.hidden + self.among)
        hours = max(self.settled_s - self.start_s, 0.0) / 3600.0
        self.stray_sounds = tuple(n / sum(self._strays_like) for n in self._strays_like)
        self.stray_rate = (_RATE_HOURS * s.stray_per_hour + self.strays) / (_RATE_HOURS + hours) / 3600.0
        # What one station of a machine misses tells of the others, too. Nobody listens behind the last one.
        tries = sum(self.tries[:-1])
        self.missed_share = (s.miss * 500 + sum(self.misses[:-1])) / (500 + tries)
        self.p_miss = [
            max(min((self.missed_share * 500 + m) / (500 + n), 0.999), self._faint(q))
            for q, (m, n) in enumerate(zip(self.misses, self.tries, strict=True))
        ]
        if self.count > 1 and tries:
            # Nobody listens behind the last station: its misses are judged half by the others', half by the prior.
            self.p_miss[-1] = max(math.sqrt(s.miss * self.missed_share), self._faint(self.count - 1))
        self.p_gap = (0.01 * 50 + self.empty) / (50 + self.slots)
        self.pass_mean, var, self.pass_latest = (_added(of) for of in (self.mean, self.var, self.latest))
        self.pass_sd = [[math.sqrt(v) for v in row] for row in var]
        several = zip(self.pass_mean, self.pass_sd, strict=True)
        self.pass_soonest = [[m - 8.0 * sd for m, sd in zip(*row, strict=True)] for row in several]
        # Until a feed has shown how far apart its balls come, no wait is longer than is usual.
        self.quiet_s = max(self.latest, default=0.0) + _QUIET * self.period_s if self.period_s > 0.0 else math.inf
        # The highest density of a ball that is late, and of any:
        self.late_most = sum(self.p_hold) / s.held_up_s + 0.5 / _JAM_S + self._stood_most
        self.transit_most = [0.0, *(0.4 / math.sqrt(v) + self.late_most for v in self.var)]

    def hear(self, time_s: float, level_db: float, clear: bool, channel: int = 0, station: int = -1) -> None:
        """Take in that an impact was heard; see :meth:`Heard.hear`."""
        if self.heard and time_s - self.heard[-1] > self.quiet_s and not self.unlistened(self.heard[-1], time_s):
            self.silences.append((self.heard[-1], time_s, self.quiet_s))
            self._stood_most = max(self._stood_most, 1.0 / self.quiet_s)
            self.tables()
        super().hear(time_s, level_db, clear, channel, station)

    def take_windows(self, route: Route) -> None:
        """Take the transit times of a route where they differ from those stated so far."""
        for link, (old, new) in enumerate(zip(self.route.transit_s, route.transit_s, strict=True)):
            if new is not None and new != old:
                self.mean[link], self.latest[link] = 0.5 * (new[0] + new[1]), new[1]
                self.var[link] = max(_LEAST_SD_S, (new[1] - new[0]) / 5.0) ** 2
        self.route = route
        self.tables()

    def _faint(self, station: int) -> float:
        """Share of impacts expected under even odds, from the spread of the odds of those heard (normal in log)."""
        n, mean, var = self.log_odds[station]
        if n < 20:
            return 0.0
        return min(0.5, 0.5 * math.erfc(mean / math.sqrt(2.0 * max(var, 0.01))))

    @property
    def paced(self) -> bool:
        """Whether the feed keeps a pace that says when the next ball is due."""
        return self.pace_sd < 0.3 and (self.pace_given or self.pace_seen >= 12)

    @property
    def feed_rate(self) -> float:
        """Balls fed per second, roughly."""
        return 1.0 / self.period_s if self.period_s > 0 else 0.5

    # -- probabilities ----------------------------------------------------------------------------------------------
    def unlistened(self, low: float, high: float, station: int = -1) -> bool:
        """Return whether any of the span was not listened to (before start and after end too), or not there."""
        if low < self.start_s or high > self.end_s:
            return True
        for spans in (self.gaps, self.deaf[station]) if station >= 0 else (self.gaps,):
            for since_s, until_s in spans:
                if since_s < high and until_s > low:
                    return True
        return False

    def miss(self, station: int, time_s: float, sd: float) -> float:
        """Return the probability that a ball due at ``time_s`` passes unheard."""
        s = self.settings
        reach = 3.0 * sd
        if self.unlistened(time_s - reach, time_s + reach, station):
            return 1.0
        hidden = self.hidden_then(station, time_s, sd)
        p = self.p_miss[station] + (self.masked * hidden if hidden < 1.0 else self.masked)
        late = time_s - self.start_s
        if late < s.give_up_s:  # a ball under way at the start may have been held up then
            p += s.held_up / (1.0 + late / s.held_up_s)
        return p if p < 1.0 else 1.0

    def loud_as_a_ball(self, level_db: float) -> float:
        """Return the probability that an impact is loud enough for a ball, wherever it falls."""
        if level_db != level_db:  # not known
            return 1.0
        usual = self._quietest
        if usual is None:
            known = [middle for h in self.levels if not math.isnan(middle := h.usual_db[0])]
            usual = self._quietest = min(known, default=0.0)
        if not usual:
            return 1.0
        steps = (usual - SMALL_DB - level_db) / _SMALL_STEP_DB
        return 1.0 / (1.0 + math.exp(-50.0 if steps < -50.0 else 50.0 if steps > 50.0 else steps))

    def transit(self, a: int, b: int, took: float, behind: float) -> float:
        """Return the density of a transit of ``took`` s that ends ``behind`` s after the ball ahead."""
        mean, sd = self.pass_mean[a][b], self.pass_sd[a][b]
        z = took - mean
        p = 0.99 * _normal(z, sd) + (0.01 if z > 0 else _EARLY) * _normal(z, 3.0 * sd)
        p += self.held(a, b, took)
        if behind < WAITED_S and z - behind > -3.0 * sd:
            p += 0.5 / _JAM_S * math.exp(-behind / _JAM_S)
        return p

    def held(self, a: int, b: int, took: float) -> float:
        """Return the density of a transit of ``took`` s with a hold-up in it."""
        z, tau = took - self.pass_mean[a][b], self.settings.held_up_s
        return sum(self.p_hold[a:b]) / tau / (1.0 + z / tau) ** 2 if z > 0 else 0.0

    def still_held(self, a: int, b: int, took: float) -> float:
        """Return the probability of being held up longer than this."""
        late = max(0.0, took - self.pass_mean[a][b])
        return sum(self.p_hold[a:b]) / (1.0 + late / self.settings.held_up_s)

    def never(self, a: int, time_s: float, floor: int) -> tuple[float, float]:
        """Return (stuck, unheard to the end): why a ball last heard at station ``a`` is not heard again."""
        unheard, stuck = 1.0, 0.0
        for q in range(a + 1, self.count):
            stuck += unheard * self.p_stuck
            unheard *= self.miss(q, time_s + self.pass_mean[a][q], self.pass_sd[a][q])
        return stuck, unheard

    def due(self, waited: float, period: float, since: float, blur: float = 0.0) -> list[tuple[int, float]]:
        """Return (slot, density) for the next ball of a paced feed ``waited`` s, known to ``blur``, after ``since``."""
        near = max(1, round(waited / period))
        heard = not self.unlistened(since, since + waited)
        found = []
        for n in (near - 1, near, near + 1):
            if n < 1:
                continue
            sd = math.hypot(max(self.pace_sd, 0.01) * period * math.sqrt(n), blur)
            skipped = min(n, 40) - 1
            if skipped and not heard:
                skipped = sum(not self.unlistened(t, t) for t in (since + k * waited / n for k in range(1, min(n, 40))))
            found.append((n, self.p_gap**skipped * _normal(waited - n * period, sd)))
        return found

    # -- learning ---------------------------------------------------------------------------------------------------
    def learn_pass(self, a: int, b: int, came_s: float, took: float, log_odds: float) -> bool:
        """Learn from a ball heard at ``b``, ``took`` s after ``a``; returns whether it was late beyond the usual."""
        late = took > self.pass_latest[a][b] + ONSET_S
        for q in range(a + 1, b):
            self.learn_miss(q, came_s - took + self.pass_mean[a][q], self.pass_sd[a][q])
        self.tries[b] += 1
        self.passes += b - a
        if b == a + 1:
            self.seen[a] += 1
            self.held_ups[a] += late
            sd = math.sqrt(self.var[a])
            z = max(-3.0, min(3.0, (took - self.mean[a]) / sd))
            if not late:
                rate = max(1.0 / (self.seen[a] + 8.0), 0.01)
                self.mean[a] += rate * z * sd
                self.var[a] = max(_LEAST_SD_S**2, self.var[a] * (1.0 + rate * (z * z - 1.0)))
            if not self.given[a]:
                self.latest[a] = self.mean[a] + max(5.0 * math.sqrt(self.var[a]), 0.03)
        self.learn_odds(b, log_odds)
        return late

    def learn_miss(self, station: int, due_s: float, sd: float) -> None:
        """Learn from a ball that passed a station unheard: what was hidden, or not listened to, counts less."""
        own = min(1.0, self.p_miss[station] / self.miss(station, due_s, sd))
        self.hidden += 1.0 - own
        self.misses[station] += own
        self.tries[station] += own

    def learn_contact(
        self, station: int, foreign: tuple[float, float], time_s: float, level_db: float, mixed: int, drowned: bool
    ) -> None:
        """Learn from a ball's contact at a station, foreign as :meth:`Impact.foreign` has it, mixed or drowned."""
        self.contacts += 1
        self.unplaced[station][mixed] += foreign[0]
        self.placed[station][mixed] += 1.0 - foreign[0]
        self.lost_sounds[mixed] += foreign[1]
        self.levels[station].learn(level_db, drowned)
        self.forget_hiders(station)
        self.learn_answer(station, time_s)
        reach = self.settings.mask_s
        self.among += bisect_right(self.heard, time_s + reach) - bisect_left(self.heard, time_s - reach) > 1

    def learn_rebound(self, station: int, p: float, foreign: float, mixed: int) -> None:
        """Learn how a rebound sounds, likely one of a train at a station by ``p``, and foreign then."""
        self.strange_rebounds[station][mixed] += p * foreign
        self.own_rebounds[station][mixed] += p * (1.0 - foreign)

    def learn_stray(self, p: float, labels: Sequence[float]) -> None:
        """Learn from a stray, likely by ``p``: those of one machine have the same causes, and sound alike."""
        self.strays += p
        if labels:
            own = [share * label for share, label in zip(self.stray_sounds, labels, strict=True)]
            self._strays_like = [n + p * k / sum(own) for n, k in zip(self._strays_like, own, strict=True)]

    def learn_odds(self, station: int, log_odds: float) -> None:
        """Learn how clearly a station's impacts are heard."""
        if not math.isfinite(log_odds):
            return
        n, mean, var = self.log_odds[station]
        rate = max(1.0 / (n + 1.0), 0.005)
        off = log_odds - mean
        mean += rate * off
        var = (1.0 - rate) * (var + rate * off * off)
        self.log_odds[station] = (n + 1.0, mean, var)

    def learn_pace(self, fed_s: NDArray[np.float64], beside: Sequence[NDArray[np.float64]] = ()) -> bool:
        """Learn from contacts at the first station how evenly balls are fed; return whether they tell it.

        Args:
            fed_s: (n,) s, of the run; the pace is its own.
            beside: the same of other runs. Together they show how evenly balls are fed, where this one is short; no
                more so than it shows itself.
        """
        waits = np.diff(fed_s)
        if self.pace_given:
            return False
        many = [waits]
        if _PACE_WAITS_OWN <= len(waits) < _PACE_WAITS:
            many += [np.diff(other) for other in beside if len(other) > _PACE_WAITS_OWN]
        if sum(map(len, many)) < _PACE_WAITS:
            return False
        changes = []
        for some in many:
            near = np.abs(some / np.median(some) - 1.0) < 0.5
            changes.append(np.abs(some[1:] / some[:-1] - 1.0)[near[1:] & near[:-1]])
        if not len(changes[0]) or sum(map(len, changes)) < _PACE_WAITS // 2:
            return False
        spread = _FOLLOWED * 1.4826 * max(float(np.median(c)) for c in (changes[0], np.concatenate(changes)))
        self.period_s = float(np.median(waits))
        self.pace_sd, self.pace_seen = min(max(spread, 0.005), 0.6), 12.0
        return True

    def learn_feed(self, waited: float, period: float, slots: int) -> int:
        """Learn how steady the feed is from one interval that was expected to last ``slots * period``.

        Returns how many slots are in truth one: more than 1 where most balls came as if after empty slots.
        """
        self.slots += slots
        self.empty += slots - 1
        each = waited / slots
        if not self.period_s:
            self.period_s = each
        self.pace_seen += 1
        rate = max(1.0 / (self.pace_seen + 1.5), 0.02)
        if period > 0:
            off = min(abs(each / period - 1.0), 1.0)
            sd = math.sqrt(max(1e-6, self.pace_sd**2 + rate * (min(off * off, 9 * self.pace_sd**2) - self.pace_sd**2)))
            self.pace_sd = min(max(sd, 0.005), 0.6)
        self.period_s *= math.exp(0.1 * math.log(min(max(each / self.period_s, 0.3), 3.0)))
        self._per_ball.append(slots)
        usual = sorted(self._per_ball)[len(self._per_ball) // 3] if len(self._per_ball) == _PACE_BALLS else 1
        if usual > 1:
            self.period_s *= usual
            self.slots = self.empty = 0.0
            self._per_ball.clear()
            return usual
        return 1
