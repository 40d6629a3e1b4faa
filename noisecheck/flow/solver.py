"""The solver of the ledger: it takes impacts as they come, in a file and live by the same steps.

What is settled depends on the impacts and their times only, not on how they were cut into blocks.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.flow.agreement import Best
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.contacts import rebounds_told, scaled_labels, under_louder
from noisecheck.flow.ends import end_history, retire
from noisecheck.flow.explanations import Impact
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.histories import History, Overdue
from noisecheck.flow.rivals import Rivals
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.settling import Settler
from noisecheck.flow.siblings import Sibling, levels_shown, surely_placed, trains_known
from noisecheck.flow.sorting import CLEARLY_PLACED, Sorter
from noisecheck.flow.steps import extend, with_copies, with_train, without_train
from noisecheck.flow.suspicions import Suspicions
from noisecheck.flow.transits import Fit, learn_transits

__all__ = ["LedgerSolver"]

_AGO = 20  # impacts of late among which a louder one may be
_SURE_ODDS = 1e5  # of an impact whose odds nobody stated
_ASK_S = 0.1  # what is not heard tells, too


class LedgerSolver:
    """Follow the balls of one run as their impacts are heard.

    Args:
        route: stations the balls pass (without those nobody listens to, see :meth:`Route.heard_only`).
        feed: what is known of the feed.
        settings: beliefs before listening, and the odds a claim needs.
        start_s: when listening began, in seconds of the run.
        gaps_s: spans (from, to) not listened to, as far as known; more may come with :meth:`update`.
        run: name for the ledger.
        at_once: say what may be a stray before it is settled, too. A finished recording has no use for it.
        fits: transit times of all links where they are known already; else those not stated are learnt on the way.
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
        at_once: bool = True,
        fits: Sequence[Fit] = (),
    ) -> None:
        self.route, self.feed, self.settings, self.run = route, feed or FeedPlan(), settings or LedgerSettings(), run
        self.beliefs = Beliefs(route, self.feed, self.settings, gaps_s, start_s)
        self.book = Book(route, self.feed, self.settings, self.beliefs)
        self._sorter = Sorter(self.beliefs, self.book)
        empty = (-1,) * len(route.stations)
        self._histories = [History(0.0, (), empty, math.nan, self.feed.period_s or 0.0, (), None)]
        self._settler = Settler(self.book)
        self._suspicions, self._at_once = Suspicions(self.book, self.beliefs), at_once
        self._rebounding = False
        """Whether it is known of any station how balls rebound there."""
        self._waiting: list[Impact] | None = [] if None in route.transit_s and not fits else None
        self._awaited: deque[tuple[float, int, int]] = deque()
        """(when it is known, impact, station) of rebounds to come if those impacts were contacts there."""
        self._take_fits(fits)
        self._now = self._next_ask = start_s
        self._next_settle = start_s + 1.0

    def _take_fits(self, fits: Sequence[Fit]) -> None:
        b = self.beliefs
        for link, fit in enumerate(fits):
            if not b.given[link] and fit.sd > 0:
                b.mean[link], b.var[link] = fit.mean, fit.sd**2
                b.latest[link] = fit.mean + max(5.0 * fit.sd, 0.03)
        b.tables()
        self._lag = self._settling_time()

    def _settling_time(self) -> float:
        return min(max(1.2 * sum(self.beliefs.latest) + 3.0, 4.0), 60.0)

    @property
    def learning(self) -> bool:
        """Whether transit times are learnt still, and no ball is followed until they are."""
        return self._waiting is not None

    def learn_habits(self, impacts: Impacts, siblings: Sequence[Sibling] = ()) -> None:
        """Learn from impacts placed and told apart how loud balls are at each station and when they rebound there.

        When they rebound, and how evenly balls are fed, is learnt from ``siblings``, too.
        """
        b = self.beliefs
        for level, levels in zip(b.levels, levels_shown(impacts, self.route), strict=True):
            level.prime(levels)
        told = rebounds_told(impacts, self.route)
        for law, trains in zip(b.laws, trains_known(told, b.levels, self.route, siblings), strict=True):
            law.learn(trains)
        self._rebounding = any(law.known for law in b.laws)
        first = surely_placed(impacts) & (impacts["station"] == self.route.stations[0])
        beside = [s.fed_s for s in siblings if s.stations[0] == self.route.stations[0]]
        if b.learn_pace(impacts["time_s"][first], beside):
            self._histories = [h._replace(period_s=b.period_s) for h in self._histories]
        b.forget_hiders()
        b.tables()

    # -- in ---------------------------------------------------------------------------------------------------------
    def take_windows(self, route: Route) -> None:
        """Take other transit times from here on: of a route with the same stations."""
        self.beliefs.take_windows(route)
        self.route = self.book.route = route
        self._lag = max(self._lag, self._settling_time())

    def update(
        self,
        time_s: ArrayLike,
        station: ArrayLike,
        *,
        now_s: float,
        confidence: ArrayLike = 1.0,
        odds: ArrayLike = math.nan,
        level_db: ArrayLike = math.nan,
        at_most: ArrayLike = False,
        followed: ArrayLike = 0,
        drop: ArrayLike = -1,
        rebound: ArrayLike = 0,
        channel: ArrayLike = 0,
        faint: ArrayLike = 1.0,
        labels: NDArray[np.float64] | None = None,
        gaps_s: Sequence[tuple[float, float]] = (),
    ) -> list[Finding]:
        """Take impacts not given before, all at or before ``now_s``, and return what is new to say.

        Args:
            time_s: (n,) seconds of the run, not before the last ``now_s``, ascending.
            station: (n,) index on the route, -1 for unplaced.
            now_s: all impacts up to this time are now known.
            confidence: (n,) or one probability that the station is right.
            odds: (n,) or one value, odds that the impact is real; NaN counts as sure.
            level_db: (n,) or one value, any level; NaN unknown. Tells what is too soft or too loud for a contact.
            at_most: (n,) or one value, whether that level is an upper bound only.
            followed: (n,) or one value, how soon others follow, see :func:`followed_impacts`.
            drop, rebound: (n,) or one value, as in the impact table. Rebounds that fit their train are no balls'
                contacts; first contacts may be given alone.
            channel: (n,) or one value, of the microphone that the level is from.
            faint: (n,) or one value, how much likelier its margin is for what is hardly there, see :func:`faintness`.
            labels: (n, stations + 1) likelihoods of how each impact sounds, at each station of the route and, last,
                at none of them, up to a constant a row; instead of ``confidence``.
            gaps_s: new spans (from, to) that were not listened to.

        Raises:
            InputError: impacts out of order or later than ``now_s``, or a station that is not on the route.
        """
        times = np.atleast_1d(np.asarray(time_s, np.float64))
        codes = np.atleast_1d(np.asarray(station, np.int64))
        if codes.shape != times.shape:
            raise InputError(f"{len(times)} times but {len(codes)} stations: one of each for every impact")
        columns = [
            np.broadcast_to(np.asarray(v, np.float64), times.shape).tolist()
            for v in (confidence, odds, level_db, at_most, followed, drop, rebound, channel, faint)
        ]
        sounds: list[tuple[float, ...]] = [()] * len(times)
        if labels is not None:
            if labels.shape != (len(times), len(self.route.stations) + 1):
                raise InputError(f"labels of shape {labels.shape}: a row for each of {len(times)} impacts is needed")
            sounds = [tuple(row) for row in scaled_labels(labels).tolist()]
        if times.size and not (np.all(np.diff(times) >= 0) and times[0] >= self._now - 1e-9 and times[-1] <= now_s):
            raise InputError(
                f"impacts must come in order of time, between {self._now:.3f} and {now_s:.3f} s, "
                f"not {times.min():.3f} to {times.max():.3f} s: were they given twice or unsorted?"
            )
        if codes.size and not (codes.min() >= -1 and codes.max() < len(self.route.stations)):
            raise InputError(f"station index {codes.max()} is not on a route of {len(self.route.stations)} stations")
        if gaps_s:
            self.beliefs.gaps = sorted([*self.beliefs.gaps, *gaps_s])
        self.book.news = []
        for t, q, sound, under, sure, real, level, bound, after, fall, number, heard_by, hardly in zip(
            times.tolist(), codes.tolist(), sounds, self._under_louder(times, columns[2]), *columns, strict=True
        ):
            real = _SURE_ODDS if math.isnan(real) else max(real, 1e-3)
            sure = 1.0 if math.isnan(sure) else sure
            mixed, drowned = 2 if under else min(int(after), 2), under or after > 2.0
            told = sound, (), int(fall), int(number)
            impact = Impact(
                len(self.book.impacts), t, q, sure, real, level, mixed, drowned, *told,
                at_most=bound > 0.5, channel=int(heard_by), faint=hardly,
            )  # fmt: skip
            self.book.impacts.append(impact)
            if self._waiting is None:
                self._take(impact)
            else:
                self._waiting.append(impact)
                self._learn(t)
        self._learn(now_s)
        if self._waiting is None:
            self._run_to(now_s)
            if now_s >= self._next_ask:
                self._ask(now_s, Overdue(now_s, self.beliefs).ranked(self._histories))
        self._now = max(self._now, now_s)
        return self.book.news

    def stands(self, suspicion: Finding) -> bool:
        """Return whether a suspicion of :meth:`update` is not settled, and borne out by the likeliest history still."""
        return self._suspicions.stands(suspicion, self._histories[0], self._settler.root)

    def forget(self, suspicion: Finding) -> None:
        """Forget a suspicion that nobody was told: it is one again where it is borne out again."""
        self._suspicions.forget(suspicion)

    def take_over(self, suspicion: Finding) -> bool:
        """Take over a suspicion said before the run was followed anew; return whether it is open here, too."""
        return self._suspicions.take_over(suspicion, self._histories[0], self._settler.root)

    def finish(self, end_s: float) -> Ledger:
        """Return the ledger of the run that ended at ``end_s``; balls still under way then are no faults."""
        self.book.news = []
        self._now = max(self._now, end_s)
        self._learn(math.inf)
        self._run_to(self._now)
        b = self.beliefs
        b.end_s = self._now
        fed = self.book.balls + sum(d.kind == "born" for d in Best(self._histories[0], self._settler.root).decisions)
        over = self.feed.balls is not None and fed >= self.feed.balls
        ended = [end_history(h, self._now, b, self.book.standing, over) for h in self._histories]
        self._histories = sorted(ended, key=lambda h: -h.log_p)
        under_way = len(self._histories[0].track)
        self.book.stopped = sum(self._now > ball.time_s + b.latest[ball.station] for ball in self._histories[0].track)
        self._settle(math.inf, Overdue(self._next_settle, b))
        return self.book.ledger(self.run, self._now, under_way)

    def _under_louder(self, time_s: NDArray[np.float64], level_db: list[float]) -> list[bool]:
        """Return for each of more impacts whether it comes while a louder one still rings."""
        lead = [i for i in self.book.impacts[-_AGO:] if i.time_s > self._now - 1.0]
        times, levels = [*(i.time_s for i in lead), *time_s.tolist()], [*(i.level_db for i in lead), *level_db]
        return under_louder(np.array(times), np.array(levels)).tolist()[len(lead) :]

    # -- stepping ---------------------------------------------------------------------------------------------------
    def _learn(self, now_s: float) -> None:
        """Learn transit times from the start of the run, then go on from there."""
        if self._waiting is None:
            return
        begun = self._waiting[0].time_s if self._waiting else math.inf
        if now_s < begun + self.settings.learn_s:
            return
        waiting, self._waiting = self._waiting, None
        early = [i for i in waiting if i.time_s <= begun + self.settings.learn_s and i.rebound <= 0]
        found = learn_transits(
            np.array([i.time_s for i in early]),
            np.array([i.station for i in early]),
            self.route,
            self.settings.longest_transit_s,
            start_s=self.beliefs.start_s,
            end_s=min(begun + self.settings.learn_s, self._now if math.isinf(now_s) else now_s),
            deaf_s=self.beliefs.deaf,
        )
        self._take_fits(found)
        for impact in waiting:
            self._take(impact)

    def _take(self, impact: Impact) -> None:
        self._run_to(impact.time_s)
        clear = impact.station >= 0 and impact.confidence >= CLEARLY_PLACED
        at = impact.station if clear else -1
        self.beliefs.hear(impact.time_s, impact.level_db, clear, impact.channel, at)
        self._histories = with_copies(self._histories, impact, self.beliefs, self.book.impacts)
        impact, rebound = self._sorter.among_trains(impact)
        if rebound:
            self.book.lone.rebounds.add(impact.number)
            contact = self.book.trains.contact_of(impact.drop)
            if contact in self.beliefs.heads:
                rivals = Rivals(self.beliefs, impact, self.book.impacts)
                self._histories = rivals.without(self._histories, (self.beliefs.heads[contact], contact))
            if contact >= 0 and impact.rebound == 1:
                head, less = self.book.impacts[contact], self._sorter.if_short(impact)
                self._histories = with_train(self._histories, head, impact.time_s, self.beliefs, less)
            self._ask(impact.time_s, self._histories)
            return
        self._histories = extend(self._histories, impact, self.beliefs, self.book.impacts)
        if self._rebounding:
            contact = impact.number
            made = {h.contacts[0][0] for h in self._histories if h.contacts and h.contacts[0][1] == contact}
            for q in sorted(made):
                if self.beliefs.laws[q].known:
                    self._awaited.append((self.beliefs.answer_s(q, impact.time_s)[1], contact, q))
        self._ask(impact.time_s, self._histories)

    def _ask(self, now_s: float, histories: Sequence[History]) -> None:
        """Ask what may be a stray: what seemed a ball's may turn out to be one when that is heard, or is not."""
        if self._at_once:
            self._next_ask = now_s + _ASK_S
            self._suspicions.after(now_s, histories, self._settler.root)

    def _run_to(self, now_s: float) -> None:
        """Let time pass: late balls are suspected, hopeless ones given up, old decisions settled."""
        while True:
            late = self._suspicions.next_late(self._histories[0], self._settler.root)
            step = min(late[0] if late else math.inf, self._next_settle)
            if step > now_s:
                break
            self.beliefs.now_s = step
            self._await(step)
            if late and late[0] <= self._next_settle:
                self._suspicions.late(late[1], late[2], late[0], self._histories, self._settler.root)
            else:
                self._histories = retire(self._histories, step, self.beliefs)
                overdue = Overdue(step, self.beliefs)
                self._histories = overdue.ranked(self._histories)
                self._settle(step - self._lag, overdue)
                self._next_settle += 1.0
        self._await(now_s)

    def _await(self, now_s: float) -> None:
        """Hold it against contacts that nothing was heard when their rebounds were due."""
        while self._awaited and self._awaited[0][0] <= now_s:
            due_s, number, station = self._awaited.popleft()
            before, contact, heard = self._histories, self.book.impacts[number], self.beliefs.heard
            low, high = self.beliefs.answer_s(station, contact.time_s)
            answers = self.book.impacts[bisect_left(heard, low) : bisect_right(heard, high)]
            if not any(a.number in self.book.lone.rebounds for a in answers):
                self._histories = without_train(self._histories, contact, station, answers, now_s, self.beliefs)
            if self._histories is not before:
                self._ask(due_s, self._histories)

    def _settle(self, before_s: float, overdue: Overdue) -> None:
        """Settle what was decided before a time, and drop histories that disagree."""
        settler, ended = self._settler, math.isinf(before_s)
        said_s, root = self._now if ended else before_s + self._lag, settler.root
        self._histories = settler.settle(self._histories, before_s, overdue, said_s)
        if settler.root is root or settler.root is None:
            return
        self.beliefs.settled_s = self._now if ended else before_s
        self._histories, settler.root = self._suspicions.forget_settled(self._histories, settler.root)
        self.beliefs.tables()
