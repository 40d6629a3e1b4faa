"""The ledger: every ball accounted for, in a file and live by the same steps.

:class:`LedgerSolver` takes impacts as they come; :func:`follow_balls` feeds it a whole run. What is settled depends
on the impacts and their times only, not on how they were cut into blocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs, learn_transits
from noisecheck.flow.findings import MOST_ODDS, Finding, Ledger, Passage, say_odds
from noisecheck.flow.histories import REBOUND_S, Ball, Decision, History, Impact, extend, none_share, retire
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route

__all__ = ["LedgerSolver", "follow_balls", "first_contacts"]

_SURE_ODDS = 1e5  # of an impact whose odds nobody stated


class LedgerSolver:
    """Follow the balls of one run as their impacts are heard.

    Args:
        route: stations the balls pass (without those nobody listens to, see :meth:`Route.heard_only`).
        feed: what is known of the feed.
        settings: beliefs before listening, and the odds a claim needs.
        start_s: when listening began, in seconds of the run.
        gaps_s: spans (from, to) not listened to, as far as known; more may come with :meth:`update`.
        run: name for the ledger.
    """

    def __init__(
        self,
        route: Route,
        *,
        feed: FeedPlan | None = None,
        settings: LedgerSettings | None = None,
        start_s: float = 0.0,
        gaps_s: Sequence[tuple[float, float]] = (),
        run: str = "",
    ) -> None:
        self.route, self.feed, self.settings, self.run = route, feed or FeedPlan(), settings or LedgerSettings(), run
        self.beliefs = Beliefs(route, self.feed, self.settings, gaps_s, start_s)
        n = len(route.stations)
        self._histories = [History(0.0, (), (-1,) * n, math.nan, self.feed.period_s or 0.0, (), None)]
        self._root: Decision | None = None
        self._impacts: list[Impact] = []
        self._times: list[float] = self.beliefs.heard
        self._levels: list[float] = []
        self._ball_of: dict[int, int] = {}
        self._station_of: dict[int, int] = {}
        self._balls, self._arrived, self._under_way, self._undecided = 0, 0, 0, 0
        self._findings: list[Finding] = []
        self._passages: list[Passage] = []
        self._passed = np.zeros(n, np.int64)
        self._missed = np.zeros(n, np.int64)
        self._empty_slots: list[tuple[float, float]] = []
        self._last_fed: tuple[float, float] | None = None
        self._suspected: dict[int, Finding] = {}
        self._checked: dict[int, int] = {}
        self._late_odds = 1.0
        self._against: dict[tuple[str, int, int], float] = {}
        self._waiting: list[Impact] | None = [] if any(w is None for w in route.transit_s) else None
        self._now = start_s
        self._news: list[Finding] = []
        self._lag = self._settling_time()
        self._next_settle = start_s + 1.0

    def _settling_time(self) -> float:
        return min(max(1.2 * sum(self.beliefs.latest) + 3.0, 4.0), 60.0)

    # -- in ---------------------------------------------------------------------------------------------------------
    def update(
        self,
        time_s: ArrayLike,
        station: ArrayLike,
        *,
        now_s: float,
        confidence: ArrayLike = 1.0,
        odds: ArrayLike = math.nan,
        level_db: ArrayLike = math.nan,
        gaps_s: Sequence[tuple[float, float]] = (),
    ) -> list[Finding]:
        """Take first contacts not given before, all at or before ``now_s``, and return what is new to say.

        Args:
            time_s: (n,) seconds of the run, not before the last ``now_s``, ascending.
            station: (n,) index on the route, -1 for unplaced.
            now_s: all impacts up to this time are now known.
            confidence: (n,) or one probability that the station is right.
            odds: (n,) or one value, odds that the impact is real; NaN counts as sure.
            level_db: (n,) or one value, any level; NaN unknown. Tells a leftover rebound, which is softer.
            gaps_s: new spans (from, to) that were not listened to.

        Raises:
            InputError: impacts out of order or later than ``now_s``, or a station that is not on the route.
        """
        times = np.atleast_1d(np.asarray(time_s, np.float64))
        codes = np.atleast_1d(np.asarray(station, np.int64))
        if codes.shape != times.shape:
            raise InputError(f"{len(times)} times but {len(codes)} stations: one of each for every impact")
        columns = [
            np.broadcast_to(np.asarray(v, np.float64), times.shape).tolist() for v in (confidence, odds, level_db)
        ]
        if times.size and not (np.all(np.diff(times) >= 0) and times[0] >= self._now - 1e-9 and times[-1] <= now_s):
            raise InputError(
                f"impacts must come in order of time, between {self._now:.3f} and {now_s:.3f} s, "
                f"not {times.min():.3f} to {times.max():.3f} s: were they given twice or unsorted?"
            )
        if codes.size and not (codes.min() >= -1 and codes.max() < len(self.route.stations)):
            raise InputError(f"station index {codes.max()} is not on a route of {len(self.route.stations)} stations")
        if gaps_s:
            self.beliefs.gaps = sorted([*self.beliefs.gaps, *gaps_s])
        self._news = []
        for t, q, sure, real, level in zip(times.tolist(), codes.tolist(), *columns, strict=True):
            real = _SURE_ODDS if math.isnan(real) else max(real, 1e-3)
            sure = 1.0 if math.isnan(sure) else sure
            impact = Impact(len(self._impacts), t, q, sure, real, level)
            self._impacts.append(impact)
            self._levels.append(level)
            if self._waiting is None:
                self._take(impact)
            else:
                self._waiting.append(impact)
                self._learn(t)
        self._learn(now_s)
        if self._waiting is None:
            self._run_to(now_s)
        self._now = max(self._now, now_s)
        return self._news

    def finish(self, end_s: float) -> Ledger:
        """Return the ledger of the run that ended at ``end_s``; balls still under way then are no faults."""
        self._news = []
        self._now = max(self._now, end_s)
        self._learn(math.inf)
        self._run_to(self._now)
        b = self.beliefs
        b.end_s = self._now
        done = []
        for h in self._histories:
            past, log_p = h.past, h.log_p
            for ball in h.track:
                if self._now <= ball.time_s + b.pass_latest[ball.station][max(ball.station, ball.floor - 1) + 1]:
                    continue
                stuck, unheard = b.never(ball.station, ball.time_s, ball.floor)
                log_p += math.log(stuck + unheard + b.still_held(ball.station, ball.station + 1, self._now - ball.time_s))
                past = Decision(past, "end", ball.last, ball.last, ball.station, self._now, ball.floor)
            for slot in h.slots:
                past = Decision(past, "slot", -1, -1, 0, slot)
            done.append(h._replace(past=past, log_p=log_p))
        self._histories = sorted(done, key=lambda h: -h.log_p)
        self._under_way = sum(
            self._now <= ball.time_s + b.pass_latest[ball.station][max(ball.station, ball.floor - 1) + 1]
            for ball in self._histories[0].track
        )
        self._settle(math.inf)
        return self._ledger()

    # -- stepping ---------------------------------------------------------------------------------------------------
    def _learn(self, now_s: float) -> None:
        """Learn transit times from the start of the run, then go on from there."""
        if self._waiting is None:
            return
        begun = self._waiting[0].time_s if self._waiting else math.inf
        if now_s < begun + self.settings.learn_s:
            return
        waiting, self._waiting = self._waiting, None
        early = [i for i in waiting if i.time_s <= begun + self.settings.learn_s]
        b = self.beliefs
        found = learn_transits(
            np.array([i.time_s for i in early]),
            np.array([i.station for i in early]),
            self.route,
            self.settings.longest_transit_s,
            start_s=b.start_s,
            end_s=min(begun + self.settings.learn_s, self._now if math.isinf(now_s) else now_s),
        )
        for link, (mean, sd) in enumerate(found):
            if not b.given[link] and sd > 0:
                b.mean[link], b.var[link], b.latest[link] = mean, sd * sd, mean + max(5.0 * sd, 0.03)
        b.tables()
        self._lag = self._settling_time()
        for impact in waiting:
            self._take(impact)

    def _take(self, impact: Impact) -> None:
        self._run_to(impact.time_s)
        self._times.append(impact.time_s)
        self._histories = extend(self._histories, impact, self.beliefs, self._times, self._levels)
        at = self._histories[0].past
        for _ in range(8):  # what seemed a ball's may turn out to be a stray when the ball itself is heard
            if at is None or at is self._root or at.time_s < impact.time_s - 2.0:
                break
            if at.kind == "none" and -2 - at.impact not in self._suspected:
                self._suspect_stray(at, impact.time_s)
            at = at.before

    def _run_to(self, now_s: float) -> None:
        """Let time pass: late balls are suspected, hopeless ones given up, old decisions settled."""
        while True:
            late = self._next_late()
            step = min(late[0] if late else math.inf, self._next_settle)
            if step > now_s:
                break
            if late and late[0] <= self._next_settle:
                self._suspect_late(late[1], late[2], late[0])
            else:
                self._histories = [retire(h, step, self.beliefs) for h in self._histories]
                self._histories.sort(key=lambda h: -h.standing(step, self.beliefs))
                self._settle(step - self._lag)
                self._next_settle += 1.0

    # -- suspicions (live) ------------------------------------------------------------------------------------------
    def _next_late(self) -> tuple[float, Ball, int] | None:
        found = None
        for ball in self._histories[0].track:
            if ball.last in self._suspected:
                continue
            q = max(ball.station, self._checked.get(ball.last, -1)) + 1
            if q >= self.beliefs.count:
                continue
            due = ball.time_s + self.beliefs.pass_latest[ball.station][q]
            if found is None or due < found[0]:
                found = (due, ball, q)
        return found

    def _suspect_late(self, ball: Ball, q: int, now_s: float) -> None:
        self._checked[ball.last] = q
        b = self.beliefs
        stuck = sum(b.p_stuck for _ in range(ball.station, q)) + b.still_held(ball.station, q, now_s - ball.time_s)
        unheard = 1.0
        for k in range(ball.station + 1, q + 1):
            unheard *= b.miss(k, ball.time_s + b.pass_mean[ball.station][k], b.pass_sd[ball.station][k])
        weights = self._weights(now_s)
        waiting = sum(
            w for w, h in zip(weights, self._histories, strict=True) if any(t.last == ball.last for t in h.track)
        )
        odds = _combine(waiting, sum(weights) - waiting, stuck, unheard)
        if odds < self.settings.suspect_odds:
            return
        names = self.route.stations
        why = (
            f"last heard at {names[ball.station]}, not heard at {names[ball.station + 1]} within "
            f"{b.pass_latest[ball.station][ball.station + 1]:.2f} s: stuck or held up rather than unheard, {say_odds(odds)}"
        )
        number = self._ball_of.get(ball.last, -1)
        finding = Finding("stuck", ball.time_s, names[ball.station], odds, why, number, "suspected", now_s)
        self._suspected[ball.last] = finding
        self._news.append(finding)

    def _suspect_stray(self, d: Decision, now_s: float) -> None:
        impact, weights = self._impacts[d.impact], self._weights(now_s)
        alone = 0.0
        for w, h in zip(weights, self._histories, strict=True):
            at = h.past
            while at is not None and at.time_s >= impact.time_s and at.impact != impact.index:
                at = at.before
            if at is not None and at.impact == impact.index and at.kind == "none":
                alone += w
        stray, chance, _ = none_share(self.beliefs, self._histories[0], impact, self._times, self._levels)
        odds = _combine(alone, sum(weights) - alone, stray, chance + self._rebound_density(d))
        if odds >= self.settings.suspect_odds:
            finding = replace(self._stray(impact, odds, now_s), state="suspected")
            self._suspected[-2 - impact.index] = finding
            self._news.append(finding)

    def _stray(self, impact: Impact, odds: float, said_s: float) -> Finding:
        place = self.route.stations[impact.station] if impact.station >= 0 else ""
        where = f"placed at {place}, but" if place else "like no station;"
        why = f"an impact {where} no ball was due that could have made it, {say_odds(odds)}"
        return Finding("stray", impact.time_s, place, odds, why, -1, "settled", said_s)

    def _weights(self, now_s: float) -> list[float]:
        standing = [h.standing(now_s, self.beliefs) for h in self._histories]
        top = max(standing)
        return [math.exp(s - top) for s in standing]

    # -- settling ---------------------------------------------------------------------------------------------------
    def _settle(self, before_s: float) -> None:
        """Settle the decisions of the best history taken before a time, and drop histories that disagree."""
        best = self._histories[0]
        fresh: list[Decision] = []
        at = best.past
        while at is not None and at is not self._root:
            fresh.append(at)
            at = at.before
        fresh.reverse()
        count = 0
        while count < len(fresh) and (fresh[count].time_s <= before_s):
            count += 1
        if not count:
            return
        weights = self._weights(self._next_settle)
        keys: list[set[tuple[str, int, int]]] = []
        agree: list[int] = []
        boundary = fresh[count - 1]
        for number, h in enumerate(self._histories):
            mine: set[tuple[str, int, int]] = set()
            at, kept = h.past, False
            while at is not None and at is not self._root:
                mine.add(at.key)
                if at.late:
                    mine.add(("late", at.impact, -1))
                kept = kept or at is boundary
                at = at.before
            keys.append(mine)
            if kept:
                agree.append(number)
        total = sum(weights)
        for decision in fresh[:count]:
            share = sum(w for w, mine in zip(weights, keys, strict=True) if decision.key in mine)
            earlier = self._against.pop(decision.key, 0.0)
            if decision.late:  # that an impact came late may be agreed on, and only which ball it was not
                late = ("late", decision.impact, -1)
                late_share = sum(w for w, mine in zip(weights, keys, strict=True) if late in mine)
                self._late_odds = _combine(late_share, total - late_share + self._against.pop(late, 0.0) * late_share, 1.0, 0.0)
            if decision.kind in ("pass", "end"):
                earlier += self._against.pop(("ball", decision.ball, -1), 0.0)
            self._write(decision, share, total - share + earlier * share, before_s + self._lag)
        # Histories dropped here still count against what the best one has yet to settle.
        kept = sum(weights[i] for i in agree)
        for number, (w, mine, h) in enumerate(zip(weights, keys, self._histories, strict=True)):
            if number in agree:
                continue
            theirs = {ball.last for ball in h.track}
            against = [d.key for d in fresh[count:] if d.key not in mine]
            against += [k for d in fresh[count:] if d.late and (k := ("late", d.impact, -1)) not in mine]
            against += [("ball", ball.last, -1) for ball in best.track if ball.last not in theirs]
            for key in against:
                self._against[key] = self._against.get(key, 0.0) + w / kept
        self._root = boundary
        self._histories = [self._histories[i] for i in agree]
        self.beliefs.tables()

    def _write(self, d: Decision, share: float, rest: float, said_s: float) -> None:
        said_s = min(said_s, self._now) if math.isinf(said_s) else said_s
        if d.kind == "pass":
            self._write_pass(d, share, rest, said_s)
        elif d.kind == "born":
            self._write_born(d, share, rest, said_s)
        elif d.kind == "none":
            impact = self._impacts[d.impact]
            stray, chance, rebound = none_share(self.beliefs, self._histories[0], impact, self._times, self._levels)
            # The balls' last impacts have moved on since: a rebound is judged by the impact before this one.
            rebound = self._rebound_density(d)
            odds = _combine(share, rest, stray, chance + rebound)
            self.beliefs.rebounds += rebound / (stray + chance + rebound)
            self._claim(self._stray(impact, odds, said_s), -2 - d.impact)
        elif d.kind == "end":
            self._write_end(d, share, rest, said_s)
        else:
            self._empty_slots.append((d.time_s, _combine(share, rest, 1.0, 0.0)))

    def _rebound_density(self, d: Decision) -> float:
        """Return the density of a leftover rebound, by the ball heard at the same place before this decision."""
        impact, at = self._impacts[d.impact], d.before
        for _ in range(40):
            if at is None or impact.station < 0:
                break
            if at.kind in ("pass", "born") and at.station == impact.station:
                since = impact.time_s - at.time_s
                if since > 1.5 or impact.level_db > self._levels[at.impact] - 1.0:
                    break
                real = impact.odds / (1.0 + impact.odds)
                return self.beliefs.p_rebound / REBOUND_S * math.exp(-since / REBOUND_S) * real
            at = at.before
        return 0.0

    def _write_pass(self, d: Decision, share: float, rest: float, said_s: float) -> None:
        b, names = self.beliefs, self.route.stations
        ball, a = self._ball_of[d.ball], self._station_of[d.ball]
        took = d.time_s - self._impacts[d.ball].time_s
        self._ball_of[d.impact], self._station_of[d.impact] = ball, d.station
        usual, longest = b.pass_mean[a][d.station], b.pass_latest[a][d.station]
        impact = self._impacts[d.impact]
        late = b.learn_pass(a, d.station, d.time_s, took, math.log10(impact.odds))
        b.contacts += 1
        self._passed[d.station] += 1
        odds = _combine(share, rest, 1.0, 0.0)
        self._passages.append(Passage(ball, names[a], names[d.station], d.time_s, took, late, odds))
        self._unheard(ball, a, d.station, d.time_s, odds, said_s)
        if d.station == b.count - 1:
            self._arrived += 1
        if late:
            odds = max(odds, self._late_odds)
            why = f"{took:.2f} s from {names[a]}, usually at most {longest:.2f} s, {say_odds(odds)} against another history"
            held = Finding("held_up", d.time_s, names[d.station], odds, why, ball, "settled", said_s, took - usual)
            self._claim(held, d.ball)
        elif d.ball in self._suspected:
            self._close(d.ball, f"ball {ball} was heard at {names[d.station]} after all", said_s)

    def _write_born(self, d: Decision, share: float, rest: float, said_s: float) -> None:
        ball = self._balls
        self._balls += 1
        self._ball_of[d.impact], self._station_of[d.impact] = ball, d.station
        b = self.beliefs
        b.contacts += 1
        self._passed[d.station] += 1
        if d.station == b.count - 1:
            self._arrived += 1
        b.learn_odds(d.station, math.log10(self._impacts[d.impact].odds))
        if d.station == 0:
            if self._last_fed is not None:
                since, period = self._last_fed
                waited = d.time_s - since
                if waited > 0 and not b.unlistened(since, d.time_s):
                    slots = max(1, round(waited / period)) if b.paced and period > 0 else 1
                    b.learn_feed(waited, period, slots)
                    each = waited / slots
                    period = period + 0.6 * (each - period) if period > 0 else each
                self._last_fed = (d.time_s, period)
            else:
                self._last_fed = (d.time_s, self.feed.period_s or 0.0)
        else:
            odds = _combine(share, rest, 1.0, 0.0)
            self._unheard(ball, -1, d.station, d.time_s, odds, said_s, d.fed_s)
            if d.late:
                name = self.route.stations[d.station]
                odds, took = max(odds, self._late_odds), d.time_s - d.fed_s
                late_s = took - b.pass_mean[0][d.station]
                why = f"fed {took:.2f} s before by the pace, but unheard until here, {say_odds(odds)} against another history"
                self._claim(Finding("held_up", d.time_s, name, odds, why, ball, "settled", said_s, late_s), None)

    def _unheard(
        self, ball: int, a: int, q: int, time_s: float, odds: float, said_s: float, fed_s: float = math.nan
    ) -> None:
        """Claim that a ball passed the stations between ``a`` and ``q`` unheard, where they were listened to."""
        b, names = self.beliefs, self.route.stations
        for k in range(a + 1, q):
            if a >= 0:  # share the time in proportion to the usual transit times
                came = self._heard_at_station(ball, a)
                due = came + (time_s - came) * b.pass_mean[a][k] / max(b.pass_mean[a][q], 1e-9)
            else:
                due = fed_s if k == 0 else time_s - b.pass_mean[k][q]
                if b.unlistened(due - 3 * b.pass_sd[k][q], due) or due - b.start_s < b.pass_sd[k][q] * 3:
                    continue
            if b.unlistened(due, due):
                continue
            self._missed[k] += 1
            why = f"heard at {names[q]} after it, but not at {names[k]} when due, {say_odds(odds)}"
            self._claim(Finding("unheard", due, names[k], odds, why, ball, "settled", said_s), None)

    def _heard_at_station(self, ball: int, a: int) -> float:
        for p in reversed(self._passages[:-1]):
            if p.ball == ball and p.station == self.route.stations[a]:
                return p.time_s
        return self._passages[-1].time_s - self._passages[-1].took_s

    def _write_end(self, d: Decision, share: float, rest: float, said_s: float) -> None:
        b, names = self.beliefs, self.route.stations
        last = self._impacts[d.ball]
        stuck, unheard = b.never(d.station, last.time_s, d.floor)
        held = 0.0
        if d.floor <= d.station:
            held = b.still_held(d.station, d.station + 1, d.time_s - last.time_s)
        odds = _combine(share, rest, stuck, unheard + held)
        ball = self._ball_of[d.ball]
        after = names[d.station + 1]
        passed = "balls behind it came" if d.floor > d.station else "nothing came"
        why = f"last heard at {names[d.station]}, never at {after} or later though {passed}, {say_odds(odds)}"
        finding = Finding("stuck", last.time_s, names[d.station], odds, why, ball, "settled", said_s)
        least = self.settings.claim_last_odds if d.station == b.count - 2 else self.settings.claim_odds
        claimed = self._claim(finding, d.ball, least)
        b.stuck_count += odds / (1.0 + odds)
        if not claimed:
            self._undecided += 1

    def _claim(self, finding: Finding, suspicion: int | None, least: float | None = None) -> bool:
        """Keep a finding if its odds allow; the suspicion it settles is closed."""
        claimed = finding.odds >= (self.settings.claim_odds if least is None else least)
        if claimed:
            self._findings.append(finding)
            self._news.append(finding)
        if suspicion is not None and suspicion in self._suspected:
            if claimed:
                del self._suspected[suspicion]
            else:
                self._close(suspicion, "the odds no longer bear it out", finding.said_s)
        return claimed

    def _close(self, suspicion: int, why: str, said_s: float) -> None:
        old = self._suspected.pop(suspicion)
        self._news.append(replace(old, state="closed", why=why, said_s=said_s))

    # -- out --------------------------------------------------------------------------------------------------------
    def _slot_findings(self) -> list[Finding]:
        """Feed slots in which no ball was ever heard: stuck before the first station, if slots carry balls."""
        slots, b = self._empty_slots, self.beliefs
        if not slots:
            return []
        stuck, unheard = b.p_stuck, 1.0
        for q in range(b.count):
            unheard *= b.p_miss[q]
        if self.feed.balls is not None:
            lost = self.feed.balls - self._balls
            against = max(len(slots) - lost, 0) / lost if lost > 0 else math.inf
        else:
            against = 1.0 / _no_empty_slots(len(slots), self._balls + len(slots)) if b.pace_given else math.inf
        least = self.settings.claim_odds if b.count > 1 else self.settings.claim_last_odds
        found = []
        for time_s, odds in slots:
            total = min(1.0 / (1.0 / odds + against + unheard / stuck), MOST_ODDS)
            why = f"fed at its turn, as the pace has it, but heard nowhere, {say_odds(total)}"
            if total >= least:
                found.append(Finding("stuck", time_s, self.route.stations[0], total, why, said_s=self._now))
        return found

    def _ledger(self) -> Ledger:
        b, names = self.beliefs, self.route.stations
        findings = sorted([*self._findings, *self._slot_findings()], key=lambda f: (f.time_s, f.kind))
        passes = self._passed[:-1] + self._missed[:-1]
        share = {n: (float(p / t) if t else math.nan) for n, p, t in zip(names, self._passed, passes, strict=False)}
        gaps = sum(max(0.0, min(z, self._now) - max(a, b.start_s)) for a, z in b.gaps)
        windows = {
            name: (w if w is not None else (m - (late - m), late))
            for name, w, m, late in zip(names, self.route.transit_s, b.mean, b.latest, strict=False)
        }
        return Ledger(
            run=self.run,
            fed=self.feed.balls if self.feed.balls is not None else self._balls,
            arrived=self._arrived,
            findings=tuple(findings),
            passages=tuple(self._passages),
            under_way=self._under_way,
            undecided=self._undecided,
            listened_s=max(0.0, self._now - b.start_s - gaps),
            transit_s=windows,
            heard_share=share,
            notes=self._notes(),
        )

    def _notes(self) -> tuple[str, ...]:
        notes = []
        if self.feed.balls is not None and self.feed.balls != self._balls:
            notes.append(f"{self.feed.balls} balls were fed as stated, {self._balls} were followed")
        if self._undecided:
            notes.append(f"{self._undecided} not heard again, but the odds do not allow to call them stuck")
        if len(self.route.stations) == 1 and self.feed.period_s is None:
            notes.append("one station and no known feed: a ball that never comes cannot be noticed")
        return tuple(notes)


def _combine(share: float, rest: float, this: float, other: float) -> float:
    """Return the odds of a finding from those between histories and those within one, at most a million."""
    against = max(rest, 0.0) / max(share, 1e-300) + other / max(this, 1e-300)
    return min(1.0 / max(against, 1e-300), MOST_ODDS)


def _no_empty_slots(empty: int, slots: int) -> float:
    """Return the odds that a feed of given period leaves no slot empty, having seen ``empty`` of ``slots`` unheard.

    Beta-binomial: shares of lost balls as Beta(1, 300), shares of empty slots as Beta(1, 4); 9 : 1 beforehand.
    """

    def log_beta(a: float, b: float) -> float:
        return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)

    def log_p(b: float) -> float:
        return log_beta(empty + 1.0, slots - empty + b) - log_beta(1.0, b)

    return 9.0 * math.exp(max(-50.0, min(50.0, log_p(300.0) - log_p(4.0))))


def first_contacts(impacts: Impacts, route: Route) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (rows, station index on the route) of the impacts a ledger is made of, in order of time.

    Rebounds (``rebound`` above 0) and impacts surely placed at stations off the route are left out; unplaced are -1.
    """
    names = impacts.names["station"]
    index = np.array([route.stations.index(n) if n in route.stations else (-1 if not n else -2) for n in names], int)
    codes = index[impacts.data["station"]] if len(impacts) else np.empty(0, int)
    rows = np.flatnonzero((codes >= -1) & (impacts["rebound"] <= 0))
    rows = rows[np.argsort(impacts["time_s"][rows], kind="stable")]
    return rows.astype(np.int64), codes[rows].astype(np.int64)


def follow_balls(
    impacts: Impacts,
    route: Route,
    *,
    end_s: float,
    feed: FeedPlan | None = None,
    settings: LedgerSettings | None = None,
    start_s: float = 0.0,
    gaps_s: Sequence[tuple[float, float]] = (),
    silent: Sequence[str] = (),
    run: str = "",
) -> Ledger:
    """Return the ledger of one measured run.

    Args:
        impacts: impacts of this run; ``time_s``, ``station``, ``station_confidence``, ``odds``, ``rebound`` and
            ``lae_db`` are used, and may be blank but for ``time_s``.
        route: the balls' way; stations without a single impact are left out as not listened to.
        end_s, start_s: span listened to, seconds of the run.
        gaps_s: spans within it not listened to.
        silent: stations known to have no microphone near.

    Raises:
        InputError: times outside the span (were frames given for seconds?), or ``end_s`` before ``start_s``.
    """
    if end_s < start_s:
        raise InputError(f"the run ends at {end_s:g} s, before it starts at {start_s:g} s")
    rows, codes = first_contacts(impacts, route)
    times = impacts["time_s"][rows]
    if len(times) and not (times[0] >= start_s and times[-1] <= end_s):
        raise InputError(
            f"impacts from {times[0]:.3f} to {times[-1]:.3f} s lie outside the run ({start_s:g} to {end_s:g} s): "
            "are the times in seconds of this run?"
        )
    unheard = [n for i, n in enumerate(route.stations) if not np.any(codes == i)]
    heard = route.heard_only([*silent, *unheard])
    translate = np.array([heard.stations.index(n) if n in heard.stations else -1 for n in route.stations] + [-1], int)
    solver = LedgerSolver(heard, feed=feed, settings=settings, start_s=start_s, gaps_s=gaps_s, run=run)
    solver.update(
        times,
        translate[codes],
        now_s=end_s,
        confidence=impacts["station_confidence"][rows],
        odds=impacts["odds"][rows],
        level_db=impacts["lae_db"][rows],
    )
    ledger = solver.finish(end_s)
    left_out = [n for n in route.stations if n not in heard.stations]
    if left_out:
        notes = (f"not listened to: {', '.join(left_out)}", *ledger.notes)
        ledger = replace(ledger, notes=notes)
    return ledger
