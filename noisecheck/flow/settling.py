"""What the likeliest history decided long enough ago is settled: written into the book with its odds, for good."""

from __future__ import annotations

import math

from noisecheck.flow.agreement import Best, holding_key, lost_instead
from noisecheck.flow.book import Book
from noisecheck.flow.histories import Decision, History, Overdue, weights_of
from noisecheck.flow.odds import combine_odds

__all__ = ["Settler"]


class Settler:
    """Settles a run's decisions in order; what spoke against them before is remembered."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.root: Decision | None = None
        """The last settled decision."""
        self._against: dict[tuple[str, int, int], float] = {}
        self._instead: dict[int, dict[int, float]] = {}
        """Of balls lost, by their last impact: those that may have been lost there instead, and how likely."""

    def settle(self, histories: list[History], before_s: float, overdue: Overdue, said_s: float) -> list[History]:
        """Settle the decisions of the best history taken before a time, and return the histories that agree.

        Args:
            histories: the likeliest first.
            before_s: that time.
            overdue: of balls, as they are now.
            said_s: time of the run at which this is said.
        """
        best = Best(histories[0], self.root)
        fresh = best.decisions
        self.book.lone.alone = {d.impact for d in fresh if d.kind == "none"}
        self.book.lone.holding = {d.came_s for d in fresh if not math.isnan(d.came_s)}
        count = 0
        while count < len(fresh) and (fresh[count].time_s <= before_s):
            count += 1
        if not count:
            return histories
        weights = weights_of(histories, overdue)
        ends = any(d.kind == "end" for d in fresh[:count])
        stories = [best.story(h, w, count, ends) for w, h in zip(weights, histories, strict=True)]
        total = sum(s.weight for s in stories)
        for number, decision in enumerate(fresh[:count]):
            key = decision.key
            # One that has lost a ball agrees that it is not heard again.
            gone = (decision.station, decision.impact) if decision.kind == "end" else None
            share = sum(s.weight for s in stories if number < s.shared or key in s.own or gone in s.lost)
            earlier = self._against.pop(key, 0.0)
            if decision.kind == "none":  # what hid a ball's contact is no stray, or as likely none
                holding = holding_key(decision.time_s)
                share -= 0.5 * sum(
                    s.weight for s in stories if holding in s.own and (number < s.shared or key in s.own)
                )
            late_odds = 1.0
            if decision.late:  # that an impact came late may be agreed on, and only which ball it was not
                late = decision.late_keys
                agreed = sum(s.weight for s in stories if number < s.shared or not s.own.isdisjoint(late))
                late_odds = combine_odds(agreed, total - agreed + self._against.pop(late[0], 0.0) * agreed)
            if decision.kind in ("pass", "end"):
                earlier += self._against.pop(("ball", decision.ball, -1), 0.0)
                earlier += self._against.pop(("gone", decision.ball, -1), 0.0) * (decision.kind == "pass")
            instead: dict[int, float] = {}
            if decision.kind == "end":
                instead = lost_instead(stories[0], stories, decision.station, decision.impact)
                for last, w in self._instead.pop(decision.impact, {}).items():
                    instead[last] = instead.get(last, 0.0) + w * share
            other = max(instead.items(), key=lambda i: i[1], default=None)
            self.book.write(decision, share, total - share + earlier * share, late_odds, said_s, other)
        # Histories dropped here still count against what the best one has yet to settle.
        remaining = sum(s.weight for s in stories if s.shared >= count)
        dropped = [(s, h) for s, h in zip(stories, histories, strict=True) if s.shared < count]
        for story, h in dropped:
            theirs = {ball.last for ball in h.track}
            against = [k for d in fresh[count:] if (k := d.key) not in story.own]
            against += [ks[0] for d in fresh[count:] if (ks := d.late_keys) and story.own.isdisjoint(ks)]
            lost = {last for _, last in story.lost}
            track = histories[0].track
            against += [("gone" if b.last in lost else "ball", b.last, -1) for b in track if b.last not in theirs]
            for key in against:
                self._against[key] = self._against.get(key, 0.0) + story.weight / remaining
        for station, last in stories[0].lost:
            for other_last, w in lost_instead(stories[0], [s for s, _ in dropped], station, last).items():
                swapped = self._instead.setdefault(last, {})
                swapped[other_last] = swapped.get(other_last, 0.0) + w / remaining
        self.root = fresh[count - 1]
        left = [h for s, h in zip(stories, histories, strict=True) if s.shared >= count]
        if self.book.turns.longer > 1:
            left = [h._replace(period_s=h.period_s * self.book.turns.longer) for h in left]
            self.book.turns.longer = 1
        return left
