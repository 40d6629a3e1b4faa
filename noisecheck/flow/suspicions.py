"""What may still be settled otherwise, said at once: balls that are late, and impacts that seem to be no ball's."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.explanations import unexplained
from noisecheck.flow.findings import Finding, say_odds
from noisecheck.flow.histories import Ball, Decision, History, Overdue, decision_on, shortened, weights_of
from noisecheck.flow.odds import combine_odds
from noisecheck.flow.stillness import standing

__all__ = ["Suspicions"]

_AGAIN_S: Final = 0.1
_SAME_S: Final = 0.0005
"""An impact found again is the same to within this."""
_WITHIN_S: Final = 0.75
"""A late ball is suspected so long after it was due at the latest; with what live detection takes that is a second. A
ball whose odds are too low is looked at again this often, and for this long."""
_MANY: Final = 1000
"""Decisions kept before those settled are let go."""
_NOW_S: Final = 1e-6
"""Times this near are the same but for rounding."""
_WORTH: Final = 0.01
"""A probability so high that a suspicion proves groundless meanwhile is worth the wait until then."""
_SURELY: Final = 100.0
"""Odds from which a suspicion is closed before that is settled: a ball closed so is not looked for any longer."""
_MAYBE: Final = 0.05
"""Odds from which an impact may yet be suspected a stray, so that it is asked again until it is settled."""


class Suspicions:
    """Suspects late balls and strays of a run.

    Args:
        book: of the run; it keeps the suspicions and says them.
        beliefs: of the run.
    """

    def __init__(self, book: Book, beliefs: Beliefs) -> None:
        self._book, self._beliefs = book, beliefs
        self._checked: dict[int, int] = {}
        """Up to which station late balls were looked at, by their last impact."""
        self._again: dict[int, float] = {}
        """When to look again at those whose odds were too low."""
        self._still: dict[int, float] = {}
        """What was last heard when balls were late that may have stopped with the machine, by their last impact."""
        self._known: dict[int, Decision] = {}
        """Decisions of the best history that were looked at, by identity; kept so that none takes another's place."""
        self._ends: tuple[Decision | None, Decision | None, list[Decision]] = None, None, []
        """Balls off the track that a history has after what is settled: its last decision, that one, theirs."""
        self._doubtful: set[int] = set()
        """Impacts that may be strays, by odds too low to suspect them."""

    def next_late(self, best: History, root: Decision | None) -> tuple[float, Ball, int] | None:
        """Return (when, which ball, at which station) the next one will be late in the best history."""
        found, b = None, self._beliefs
        for ball in (*best.track, *self._fallen(best, root)):
            if ball.last in self._book.suspected:
                continue
            q = self._checked.get(ball.last, ball.station) + 1
            if q >= b.count:
                continue
            due = ball.time_s + b.pass_latest[ball.station][q]
            if q > ball.station + 1:  # late already: what this station tells comes bit by bit
                due = ball.time_s + b.pass_mean[ball.station][q] + b.pass_sd[ball.station][q]
            elif b.laws[q].known:  # a contact that was hidden shows by its rebound
                due += min(b.laws[q].first_s[0] * 1.2 + b.settings.mask_s, 0.3)
            due = max(due, self._again.get(ball.last, due), self._moving_s(ball))
            if found is None or due < found[0]:
                found = (due, ball, q)
        return found

    def _moving_s(self, ball: Ball) -> float:
        """Return when a ball that may have stopped with the machine is late again: only once more is heard."""
        last_s = self._still.get(ball.last)
        if last_s is None:
            return -math.inf
        heard = self._beliefs.heard
        if heard[-1] == last_s:
            return math.inf
        return heard[bisect_right(heard, last_s)] + self._beliefs.latest[ball.station] + _WITHIN_S

    def _fallen(self, history: History, root: Decision | None) -> list[Ball]:
        """Return the balls that a history has off the track since what is settled, as they were last heard."""
        past, settled, ends = self._ends
        if past is not history.past or settled is not root:
            ends = [d for d in _unsettled(history, root) if d.kind == "end" and d.fell]
            self._ends = history.past, root, ends
        return [Ball(d.impact, d.station, self._book.when(d.impact), d.floor) for d in ends]

    def forget_settled(self, histories: list[History], root: Decision) -> tuple[list[History], Decision]:
        """Let go of what was settled long ago, now and then; return the histories, and the last settled decision."""
        if not self._book.forget(self._beliefs.settled_s):
            return histories, root
        histories, root, self._known = shortened(histories, root, self._known)
        return histories, root

    def stands(self, suspicion: Finding, best: History, root: Decision | None) -> bool:
        """Return whether a suspicion is not settled, and borne out by the best history still."""
        key = self._key(suspicion)
        if key is None:
            return False
        if key < 0:
            at = decision_on(best.past, self._book.impacts[-2 - key])
            return at is not None and at.kind == "none"
        ended = any(d.kind == "end" and d.impact == key for d in _unsettled(best, root))
        return ended or any(ball.last == key for ball in best.track)

    def forget(self, suspicion: Finding) -> None:
        """Suspect it anew where it is borne out again."""
        if (key := self._key(suspicion)) is not None:
            del self._book.suspected[key]
            self._checked.pop(key, None)

    def take_over(self, suspicion: Finding, best: History, root: Decision | None) -> bool:
        """Take over a suspicion said before the run was followed anew; return whether it is open here, too."""
        heard = self._beliefs.heard
        number = bisect_left(heard, suspicion.time_s - _SAME_S)
        if number == len(heard) or heard[number] > suspicion.time_s + _SAME_S:
            return False
        concerned = any(number in (d.impact, d.ball) for d in _unsettled(best, root))
        if not concerned and not any(ball.last == number for ball in best.track):
            return False
        self._book.suspected.setdefault(-2 - number if suspicion.kind == "stray" else number, suspicion)
        return True

    def _key(self, suspicion: Finding) -> int | None:
        return next((k for k, f in self._book.suspected.items() if f is suspicion), None)

    def late(self, ball: Ball, q: int, now_s: float, histories: Sequence[History], root: Decision | None) -> None:
        """Suspect a ball that is late at station ``q``, if the odds bear it out, once no wait can tell more in time."""
        b, a = self._beliefs, ball.station
        stuck = (q - a) * b.p_stuck + b.still_held(a, q, now_s - ball.time_s)
        unheard = 1.0
        for k in range(a + 1, b.count):
            ahead = self._ahead(ball, k, now_s)
            missed = b.miss(k, ball.time_s + b.pass_mean[a][k], b.pass_sd[a][k])
            unheard *= missed + (1.0 - missed) * ahead
        weights = weights_of(histories, Overdue(now_s, b))
        waiting = sum(
            w
            for w, h in zip(weights, histories, strict=True)
            if ball in h.track or any(t.last == ball.last for t in h.track) or _has_fallen(h, root, ball)
        )
        stopped = standing(b, histories[0], now_s).get(ball, 0.0)
        odds = combine_odds(waiting, sum(weights) - waiting, stuck, unheard + stopped)
        until_s = ball.time_s + b.pass_latest[a][a + 1] + _WITHIN_S
        least = b.settings.suspect_odds
        if q == b.count - 1 or stopped > unheard or now_s >= until_s - _NOW_S:
            # No station behind it will tell more, or not in time, or not before all goes on: what will be claimed in
            # the end is said.
            least = min(least, self._book.least_stuck(a))
        if odds < least and stopped > unheard:
            self._still[ball.last] = b.heard[-1]
            return
        if odds < least:
            # What was hidden may show yet, or the next station tell.
            until_s = ball.time_s + b.pass_latest[a][q] + _WITHIN_S
            more = now_s < until_s - _NOW_S
        else:
            following = min(q + 1, b.count - 1)
            told = self._ahead(ball, following, now_s) - self._ahead(ball, following, until_s)
            more = now_s < until_s - _NOW_S and told > _WORTH * (1.0 + odds)
        self._again[ball.last] = min(now_s + _AGAIN_S, until_s) if more else now_s
        if more:
            return
        self._checked[ball.last] = q
        if odds < least:
            return
        names = self._book.route.stations
        further = f", nor at {names[q]} when due" if q > a + 1 else ""
        why = (
            f"last heard at {names[a]}, not heard at {names[a + 1]} within "
            f"{b.latest[a]:.2f} s{further}: stuck or held up rather than unheard, {say_odds(odds)}"
        )
        number = self._book.ball_of.get(ball.last, -1)
        finding = Finding("stuck", ball.time_s, names[a], odds, why, number, "suspected", now_s)
        self._book.suspected[ball.last] = finding
        self._book.news.append(finding)

    def _ahead(self, ball: Ball, station: int, now_s: float) -> float:
        """Return the probability that a ball that is not held up is yet to come to a station."""
        took, b, a = now_s - ball.time_s, self._beliefs, ball.station
        if took >= b.pass_latest[a][station] - _NOW_S:
            return 0.0
        return 0.5 * math.erfc((took - b.pass_mean[a][station]) / (math.sqrt(2.0) * b.pass_sd[a][station]))

    def after(self, now_s: float, histories: Sequence[History], root: Decision | None) -> None:
        """Suspect strays, and close what proves groundless, by what the best history says anew of impacts."""
        fresh, open_at = [], self._book.suspected
        for at in _unsettled(histories[0], root):
            if id(at) in self._known:  # so is all before it
                break
            fresh.append(at)
        settled_s = self._beliefs.settled_s
        if len(self._known) > _MANY:
            self._known = {k: d for k, d in self._known.items() if d.time_s > settled_s}
        self._known.update((id(at), at) for at in fresh)
        for at in fresh:
            if at.kind == "none" and -2 - at.impact not in open_at:
                self.stray(at, now_s, histories)
            elif at.kind == "pass" and at.ball in open_at and not at.late:
                self._came(at, now_s, histories)
        for number in sorted(self._doubtful - {at.impact for at in fresh}):
            again = decision_on(histories[0].past, self._book.impacts[number])
            if again is None or self._book.impacts[number].time_s <= settled_s:
                self._doubtful.discard(number)
            elif again.kind == "none" and -2 - number not in open_at:
                self.stray(again, now_s, histories)

    def _came(self, d: Decision, now_s: float, histories: Sequence[History]) -> None:
        """Close the suspicion of a ball that came in time to a later station, as the best history has it, if sure."""
        impact, weights = self._book.impacts[d.impact], weights_of(histories, Overdue(now_s, self._beliefs))
        agreed = 0.0
        for w, h in zip(weights, histories, strict=True):
            at = decision_on(h.past, impact)
            agreed += w * (at is not None and at.key == d.key)
        if combine_odds(agreed, sum(weights) - agreed) >= _SURELY:
            self._book.close(d.ball, f"it was heard at {self._book.route.stations[d.station]} after all", now_s)

    def stray(self, d: Decision, now_s: float, histories: Sequence[History]) -> None:
        """Suspect an impact that the best history has no ball for, if the odds bear it out."""
        impact, weights = self._book.impacts[d.impact], weights_of(histories, Overdue(now_s, self._beliefs))
        alone = 0.0
        for w, h in zip(weights, histories, strict=True):
            at = decision_on(h.past, impact)
            alone += w * (at is not None and at.kind == "none")
        stray, chance = unexplained(self._beliefs, impact)
        odds = combine_odds(alone, sum(weights) - alone, stray, chance + self._book.lone.rebound_density(d))
        if odds >= self._beliefs.settings.suspect_odds:
            finding = replace(self._book.stray(impact, odds, now_s), state="suspected")
            self._book.suspected[-2 - impact.number] = finding
            self._book.news.append(finding)
        if _MAYBE < odds < self._beliefs.settings.suspect_odds:
            self._doubtful.add(d.impact)
        else:
            self._doubtful.discard(d.impact)


def _has_fallen(history: History, root: Decision | None, ball: Ball) -> bool:
    """Return whether a history has a ball off the track, by what is not settled."""
    at = history.past
    while at is not None and at is not root:
        if at.impact == ball.last:
            return at.kind == "end" and at.fell
        at = at.before
    return False


def _unsettled(history: History, root: Decision | None) -> Iterator[Decision]:
    """Yield the decisions of a history since what is settled, the last one first."""
    at = history.past
    while at is not None and at is not root:
        yield at
        at = at.before
