"""What may still be settled otherwise, said at once: balls that are late, and impacts that seem to be no ball's."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.explanations import unexplained
from noisecheck.flow.findings import Finding, say_odds
from noisecheck.flow.histories import Ball, Decision, History, Overdue, decision_on, weights_of
from noisecheck.flow.odds import combine_odds

__all__ = ["Suspicions"]

_AGAIN_S: Final = 0.1
_SAME_S: Final = 0.0005
"""An impact found again is the same to within this."""
_STILL_S: Final = 0.8
"""A late ball whose odds are too low to suspect it is looked at again this often, and for this long."""


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
            if b.laws[q].known:  # a contact that was hidden shows by its rebound
                due += min(b.laws[q].first_s[0] * 1.2 + b.settings.mask_s, 0.3)
            due = max(due, self._again.get(ball.last, due))
            if found is None or due < found[0]:
                found = (due, ball, q)
        return found

    def _fallen(self, history: History, root: Decision | None) -> list[Ball]:
        """Return the balls that a history has off the track since what is settled, as they were last heard."""
        ends = (d for d in _unsettled(history, root) if d.kind == "end" and d.fell)
        return [Ball(d.impact, d.station, self._book.when(d.impact), d.floor) for d in ends]

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
        """Suspect a ball that is late at station ``q``, if the odds bear it out."""
        b = self._beliefs
        stuck = (q - ball.station) * b.p_stuck + b.still_held(ball.station, q, now_s - ball.time_s)
        unheard = 1.0
        for k in range(ball.station + 1, q + 1):
            unheard *= b.miss(k, ball.time_s + b.pass_mean[ball.station][k], b.pass_sd[ball.station][k])
        weights = weights_of(histories, Overdue(now_s, b))
        waiting = sum(
            w
            for w, h in zip(weights, histories, strict=True)
            if any(t.last == ball.last for t in h.track) or any(t.last == ball.last for t in self._fallen(h, root))
        )
        odds = combine_odds(waiting, sum(weights) - waiting, stuck, unheard)
        if odds < b.settings.suspect_odds and now_s < ball.time_s + b.pass_latest[ball.station][q] + _STILL_S:
            self._again[ball.last] = now_s + _AGAIN_S  # what was hidden may show yet
            return
        self._checked[ball.last] = q
        if odds < b.settings.suspect_odds:
            return
        names = self._book.route.stations
        why = (
            f"last heard at {names[ball.station]}, not heard at {names[ball.station + 1]} within "
            f"{b.latest[ball.station]:.2f} s: stuck or held up rather than unheard, {say_odds(odds)}"
        )
        number = self._book.ball_of.get(ball.last, -1)
        finding = Finding("stuck", ball.time_s, names[ball.station], odds, why, number, "suspected", now_s)
        self._book.suspected[ball.last] = finding
        self._book.news.append(finding)

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


def _unsettled(history: History, root: Decision | None) -> Iterator[Decision]:
    """Yield the decisions of a history since what is settled, the last one first."""
    at = history.past
    while at is not None and at is not root:
        yield at
        at = at.before
