"""The book of a run: settled decisions are written here in order, learnt from, and read out as findings."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import replace
from typing import Final

import numpy as np

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.beyond import without_foreign
from noisecheck.flow.dues import Trains
from noisecheck.flow.explanations import Impact
from noisecheck.flow.findings import MOST_ODDS, Finding, Ledger, OpenBall, Passages, ball_called, say_odds
from noisecheck.flow.histories import Decision, hider_of
from noisecheck.flow.lone import LoneImpacts
from noisecheck.flow.notes import run_notes
from noisecheck.flow.odds import combine_odds, ways_odds
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.silence import Silence
from noisecheck.flow.turns import Turns

__all__ = ["Book"]

_FORGET_S: Final = 120.0
"""So long after an impact was settled no train takes another in that it begins (:class:`Trains`), by far."""
_AT_ONCE: Final = 500
_FORGOTTEN: Final = Impact(-1, -math.inf, -1, 0.0, 1.0, math.nan)


class Book:
    """What is settled of one run. Balls are numbered in the order in which their first impact is settled."""

    def __init__(self, route: Route, feed: FeedPlan, settings: LedgerSettings, beliefs: Beliefs) -> None:
        self.route, self.feed, self.settings, self.beliefs = route, feed, settings, beliefs
        n = len(route.stations)
        self.impacts: list[Impact] = []
        """All impacts taken in, settled or not; those of long ago are forgotten."""
        self.trains = Trains(beliefs.laws)
        self._came: dict[int, float] = {}
        """When balls came whose contact was hidden, by the impact that is its rebound."""
        self.news: list[Finding] = []
        """What is new to say since it was last emptied."""
        self.suspected: dict[int, Finding] = {}
        """Open suspicions: by a late ball's last impact, or by -2 minus a stray's own."""
        self.ball_of: dict[int, int] = {}
        self.station_of: dict[int, int] = {}
        self.balls, self.arrived = 0, 0
        self._once: dict[int, float] = {}
        """Balls heard once so far, that have not arrived; of those lost, the odds that it was a ball."""
        self._at_last = self._before = 0
        """Balls heard at the last station only, and those that may have been under way when the run began."""
        self.open_balls: list[OpenBall] = []
        self.standing: dict[int, float] = {}
        """How likely balls, by their last impact, stood still with everything when the run ended."""
        self.stopped = 0
        """Balls that are taken to have."""
        self.not_followed = 0
        """Balls whose way led through time not listened to."""
        self.lone = LoneImpacts(beliefs, self.impacts, self.trains)
        self.silences: list[Silence] = []
        """Stations that fell silent."""
        self._findings: list[Finding] = []
        self._passages = Passages(route.stations)
        self._passed = np.zeros(n, np.int64)
        self._missed = np.zeros(n, np.int64)
        self._forgotten = 0
        """Number of impacts that are."""
        self.turns = Turns(beliefs, feed)

    def stray(self, impact: Impact, odds: float, said_s: float) -> Finding:
        """Return the finding that an impact is no ball's, said when ``said_s`` seconds had been heard."""
        place = self.route.stations[impact.station] if impact.station >= 0 else ""
        where = f"placed at {place}, but" if place else "like no station;"
        why = f"an impact {where} no ball was due that could have made it, {say_odds(odds)}"
        return Finding("stray", impact.time_s, place, odds, why, -1, "settled", said_s)

    def write(
        self,
        d: Decision,
        share: float,
        rest: float,
        late_odds: float,
        said_s: float,
        instead: tuple[int, float] | None = None,
    ) -> None:
        """Settle one decision.

        Args:
            d: the decision, next in the order of the history it belongs to.
            share, rest: weights of the histories that agree with it and of those that do not.
            late_odds: for a late ball, odds that this impact came late, whichever ball made it.
            said_s: time of the run at which this is settled.
            instead: for a ball that is not heard again, (last impact, weight of the histories) of another one last
                heard at the same station that may have been it.
        """
        if d.kind in ("pass", "born") and -2 - d.impact in self.suspected:
            self.close(-2 - d.impact, "a ball made it", said_s)
        if d.kind == "none" and d.impact in self.suspected:
            self.close(d.impact, "what was heard then was no ball", said_s)
        if d.kind == "pass":
            self._write_pass(d, combine_odds(share, rest), late_odds, said_s)
        elif d.kind == "born":
            self._write_born(d, combine_odds(share, rest), late_odds, said_s)
        elif d.kind == "none":
            odds = self.lone.settle(d, share, rest, said_s)
            if self.claim(self.stray(self.impacts[d.impact], odds, said_s), -2 - d.impact):
                self.lone.said(d, odds)
        elif d.kind == "end":
            self._write_end(d, share, rest, said_s, instead)
        else:
            self.turns.empty(d.time_s, combine_odds(share, rest))

    def _write_pass(self, d: Decision, odds: float, late_odds: float, said_s: float) -> None:
        b, names = self.beliefs, self.route.stations
        ball, a = self.ball_of.pop(d.ball), self.station_of.pop(d.ball)
        came_s, hidden = self._contact_s(d)
        left_s = self.when(d.ball)
        took = came_s - left_s
        self._once.pop(ball, None)
        longest = b.pass_latest[a][d.station]
        impact = self.impacts[d.impact]
        late = b.learn_pass(a, d.station, came_s, took, math.log10(impact.odds))
        b.overtakings += d.floor > 0
        if not hidden:
            self._learn_contact(d.station, impact)
        self._passed[d.station] += 1
        self._passages.add(ball, a, d.station, came_s, took, late, odds)
        self._unheard(ball, a, left_s, d.station, came_s, odds, said_s)
        self._reached(d, ball)
        if late:
            odds = max(odds, late_odds)
            why = f"{took:.2f} s from {names[a]}, usually at most {longest:.2f} s, {say_odds(odds)}"
            held = Finding("held_up", came_s, names[d.station], odds, why, ball, "settled", said_s)
            self.claim(held, d.ball)
        elif d.ball in self.suspected:
            self.close(d.ball, f"{ball_called(ball)} was heard at {names[d.station]} after all", said_s)

    def _reached(self, d: Decision, ball: int) -> None:
        """Note where a ball is now; one that has arrived needs no place any more."""
        if d.station == self.beliefs.count - 1:
            self.arrived += 1
        else:
            self.ball_of[d.impact], self.station_of[d.impact] = ball, d.station

    def _contact_s(self, d: Decision) -> tuple[float, bool]:
        """Return (when a ball came, whether only its rebound was heard), and remember it."""
        if math.isnan(d.came_s):
            return d.time_s, False
        self._came[d.impact] = d.came_s
        b = self.beliefs
        if hider_of(b.heard, d.came_s) >= 0:
            b.hidden += 1.0
            b.learn_hider(d.came_s)
        else:
            b.learn_miss(d.station, d.came_s, 0.0)
        return d.came_s, True

    def when(self, number: int) -> float:
        """Return when the ball came that an impact is of."""
        return self._came.get(number, self.beliefs.heard[number])

    def _learn_contact(self, station: int, impact: Impact) -> None:
        b = self.beliefs
        blend = 3 if impact.time_s in self.lone.holding else impact.blend()
        foreign = impact.foreign(station, b.p_unplaced[station][blend], b.astray[blend])
        b.learn_contact(station, foreign, impact.time_s, impact.own_db, blend, impact.drowned)

    def _write_born(self, d: Decision, odds: float, late_odds: float, said_s: float) -> None:
        ball = self.balls
        self.balls += 1
        b = self.beliefs
        came_s, hidden = self._contact_s(d)
        if d.station < b.count - 1:
            self._once[ball] = MOST_ODDS
        else:
            self._at_last += 1
        if d.station:
            fed_s = came_s - b.pass_mean[0][d.station]
            self._before += fed_s < b.start_s + 3.0 * b.pass_sd[0][d.station]
        if not hidden:
            self._learn_contact(d.station, self.impacts[d.impact])
        self._passed[d.station] += 1
        self._reached(d, ball)
        b.learn_odds(d.station, math.log10(self.impacts[d.impact].odds))
        b.tries[d.station] += 1
        for k in range(d.station):
            b.learn_miss(k, came_s - b.pass_mean[k][d.station], b.pass_sd[k][d.station])
        if d.station == 0 and not d.between:
            self.turns.fed(came_s)
        elif d.station:
            self._unheard(ball, -1, d.fed_s, d.station, came_s, odds, said_s)
            if d.late:
                name = self.route.stations[d.station]
                odds, took = max(odds, late_odds), came_s - d.fed_s
                why = f"fed {took:.2f} s before by the pace, but unheard until here, {say_odds(odds)}"
                self.claim(Finding("held_up", came_s, name, odds, why, ball, "settled", said_s), None)

    def _unheard(self, ball: int, a: int, left_s: float, q: int, time_s: float, odds: float, said_s: float) -> None:
        """Claim that a ball passed the stations between ``a`` and ``q`` unheard, where they were listened to.

        It left ``a`` (-1: was fed) at ``left_s``, and was heard at ``q`` at ``time_s``.
        """
        b, names = self.beliefs, self.route.stations
        for k in range(a + 1, q):
            if a >= 0:  # share the time in proportion to the usual transit times
                due = left_s + (time_s - left_s) * b.pass_mean[a][k] / max(b.pass_mean[a][q], 1e-9)
            else:
                due = left_s if k == 0 else time_s - b.pass_mean[k][q]
                if b.unlistened(due - 3 * b.pass_sd[k][q], due, k) or due - b.start_s < b.pass_sd[k][q] * 3:
                    continue
            blur = 2.0 * (b.pass_sd[a][k] if a >= 0 else b.pass_sd[k][q])
            if b.unlistened(due - blur, due + blur, k):
                continue
            self._missed[k] += 1
            why = f"heard at {names[q]} after it, but not at {names[k]} when due, {say_odds(odds)}"
            self.claim(Finding("unheard", due, names[k], odds, why, ball, "settled", said_s), None)

    def _write_end(
        self, d: Decision, share: float, rest: float, said_s: float, instead: tuple[int, float] | None
    ) -> None:
        b, names = self.beliefs, self.route.stations
        last_s = self.when(d.ball)
        stuck, unheard = b.never(d.station, last_s, d.floor)
        held = stood = 0.0
        if unheard > 0.5:  # its way led through time not listened to: nothing is known of it
            self.not_followed += 1
            if d.ball in self.suspected:
                self.close(d.ball, "it may have passed while nobody listened", said_s)
            return
        passed = "balls behind it came" if d.floor > d.station else "nothing came"
        due_s = last_s + b.mean[d.station]
        amid = (s for s in self.silences if d.floor <= d.station and s.may_have_stopped(d.station + 1, due_s))
        silence = next(amid, None)
        first = silence is None or due_s < silence.deaf_from_s
        if d.before is not None and d.fell:
            b.falls += 1.0
            # What was heard is its fall, or something else, and then the ball was lost as others are.
            fall, other = self.lone.fall_or_else(d.before)
            if silence is not None:
                deaf = self._deaf(d, last_s, silence)
                stuck, unheard = 1.0 / (1.0 + deaf), deaf / (1.0 + deaf)  # what happened to all did to this one
            stuck, unheard = fall + stuck * other, unheard * other
            passed = f"a stray {d.time_s - last_s:.2f} s after it"
        elif d.floor <= d.station:
            held = b.still_held(d.station, d.station + 1, d.time_s - last_s)
            stood = self.standing.get(d.ball, 0.0)
            if silence is not None:
                unheard = stuck * (self._deaf(d, last_s, silence) + unheard)
                since_s = max(d.time_s - last_s, d.time_s - silence.deaf_from_s + b.mean[d.station])
                held = b.still_held(d.station, d.station + 1, since_s)
        alone = combine_odds(share, rest, stuck, unheard + held + stood)
        ball, after = self.ball_of.pop(d.ball), names[d.station + 1]
        if ball in self._once:
            self._once[ball] = combine_odds(share, rest)
        odds, or_s, which = alone, math.nan, ""
        if instead is not None and instead[1] > 0.05 * share:
            # Balls sound alike: that one of two stuck may be sure, and only which of them not.
            odds = combine_odds(share + instead[1], rest - instead[1], stuck, unheard + held + stood)
            or_s = self.when(instead[0])
            which = f"; rather than the ball heard there at {or_s:.2f} s, {say_odds(share / instead[1])}"
        why = f"last heard at {names[d.station]}, never at {after} or later though {passed}, {say_odds(odds)}{which}"
        finding = Finding("stuck", last_s, names[d.station], odds, why, ball, "settled", said_s, or_s=or_s)
        # Where the microphone may be dead, no ball need be lost at all.
        dead = silence is not None and not silence.lives
        claimed = self.claim(finding, d.ball, self._claim_odds if dead else self.least_stuck(d.station))
        b.stuck_count += first * odds / (1.0 + odds)  # those behind a blocked way are one cause
        if not claimed:
            ways = {"stuck": stuck, "held up still": held, "passed unheard": unheard, "stopped with the machine": stood}
            readings = ways_odds(share, rest, ways)
            self.open_balls.append(OpenBall(ball, names[d.station], last_s, readings, or_s))

    def _deaf(self, d: Decision, last_s: float, silence: Silence) -> float:
        """Return how likely a ball lost before a station that fell silent went on unheard, over a blocked way.

        That many are not heard there has one cause: the way is blocked, and this ball was held or passed unheard just
        before, or nothing is heard there any more, nor of this ball at the stations behind it.
        """
        b, a = self.beliefs, d.station
        deaf = silence.doubt
        never = {s.station for s in self.silences if s.lasts and s.from_s <= b.start_s}
        for k in (k for k in range(a + 2, b.count) if k not in never):
            deaf *= b.miss(k, last_s + b.pass_mean[a][k], b.pass_sd[a][k])
        return deaf

    def claim(self, finding: Finding, suspicion: int | None, least: float | None = None) -> bool:
        """Keep a finding if its odds allow; the suspicion it settles is closed."""
        claimed = finding.odds >= (self._claim_odds if least is None else least)
        if claimed:
            if suspicion in self.suspected:
                finding = replace(finding, closes_s=self.suspected[suspicion].time_s)
            self._findings.append(finding)
            self.news.append(finding)
        if suspicion is not None and suspicion in self.suspected:
            if claimed:
                del self.suspected[suspicion]
            else:
                self.close(suspicion, "the odds no longer bear it out", finding.said_s)
        return claimed

    def least_stuck(self, station: int) -> float:
        """Return the odds from which a ball that nothing was heard of beyond a station is claimed stuck there.

        No later station settles whether it passed unheard; that is told from a miss by its odds alone.
        """
        least = self.settings.claim_last_odds
        if station == self.beliefs.count - 2:
            return least
        # A ball missed at two stations running looks stuck: where twice as much is missed, four times as often.
        return max(least, self.settings.claim_stuck_odds * max(1.0, self.beliefs.missed_share / 0.01) ** 2)

    @property
    def _claim_odds(self) -> float:
        """Odds from which a finding is claimed: where much is missed, coincidences pile up and more is asked."""
        return self.settings.claim_odds * max(1.0, self.beliefs.missed_share / 0.01)

    def close(self, suspicion: int, why: str, said_s: float) -> None:
        """Close a suspicion that nothing bears out any longer."""
        old = self.suspected.pop(suspicion)
        self.news.append(replace(old, state="closed", why=why, said_s=said_s))

    def forget(self, settled_s: float) -> bool:
        """Let go of impacts long settled but of when they were heard, where there are many; return whether it did.

        Nothing asks for them any more, and a watch goes on for days.
        """
        since, until = self._forgotten, bisect_left(self.beliefs.heard, settled_s - _FORGET_S)
        if until < since + _AT_ONCE:
            return False
        for number in range(since, until):
            self.impacts[number] = _FORGOTTEN
            self.beliefs.heads.pop(number, None)
        self.lone.rebounds.difference_update(range(since, until))
        self._forgotten = until
        return True

    # -- out --------------------------------------------------------------------------------------------------------
    @property
    def _beyond(self) -> int:
        """How many more balls were followed from the feed on than were fed, as stated; 0 where nobody says."""
        return 0 if self.feed.balls is None else self.balls - self._before - self.feed.balls

    @property
    def miscounted(self) -> bool:
        """Whether the stated number is wrong, or balls come round: more than it says were heard twice and more."""
        return self._beyond > len(self._once) + self._at_last

    def strays(self) -> list[Finding]:
        """Return the strays settled so far, by all that the run has taught."""
        return [self.stray(*judged) for judged in self.lone.judged_again() if judged[1] >= self._claim_odds]

    def ledger(self, run: str, end_s: float, under_way: int) -> Ledger:
        """Return the ledger of the run, ended at ``end_s`` with so many balls on their way and not late."""
        b, names = self.beliefs, self.route.stations
        strays = self.strays()
        others = [f for f in self._findings if f.kind != "stray"]
        never_heard = self.turns.findings(names[0], self.balls, self.settings, end_s)
        beyond = 0 if self.miscounted else self._beyond
        others, open_balls, foreign = without_foreign(others, self.open_balls, self._once, beyond, self.settings)
        findings = sorted([*others, *strays, *never_heard], key=lambda f: (f.time_s, f.kind))
        followed = self.balls - foreign + len(never_heard)
        stated = followed if self.feed.balls is None else self.feed.balls
        passes = self._passed[:-1] + self._missed[:-1]
        share = {n: (float(p / t) if t else math.nan) for n, p, t in zip(names, self._passed, passes, strict=False)}
        gaps = sum(max(0.0, min(z, end_s) - max(a, b.start_s)) for a, z in b.gaps)
        windows = {
            name: (w if w is not None else (max(m - (late - m), 0.0), late))
            for name, w, m, late in zip(names, self.route.transit_s, b.mean, b.latest, strict=False)
        }
        return Ledger(
            run=run,
            fed=stated,
            arrived=self.arrived,
            findings=tuple(findings),
            passages=self._passages.all(),
            under_way=under_way,
            undecided=len(open_balls),
            not_followed=self.not_followed + max(stated - followed, 0),
            open_balls=tuple(open_balls),
            listened_s=max(0.0, end_s - b.start_s - gaps),
            transit_s=windows,
            heard_share=share,
            notes=run_notes(self.route, self.feed, b, self.balls - foreign, open_balls, stopped=self.stopped),
        )
