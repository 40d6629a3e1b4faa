"""The turns of the feed as they were settled: its pace, and those in which no ball was heard."""

from __future__ import annotations

import math
from typing import Final

from noisecheck.flow.arrivals import next_period
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.findings import MOST_ODDS, Finding, say_odds
from noisecheck.flow.route import FeedPlan, LedgerSettings
from noisecheck.flow.stillness import went_on

__all__ = ["Turns"]

_STEADY: Final = 0.2
"""Relative scatter of the feed's intervals up to which the pace tells turns (cranked at +/- 30 % it is 0.13)."""


class Turns:
    """What is settled of the feed of one run."""

    def __init__(self, beliefs: Beliefs, feed: FeedPlan) -> None:
        self._beliefs, self._stated = beliefs, feed
        self.longer = 1
        """What the period of the feed is to be multiplied with where it was taken too short."""
        self._last: tuple[float, float] | None = None
        """When the last ball was fed, and the period then."""
        self._empty: list[tuple[float, float]] = []

    def fed(self, came_s: float) -> None:
        """Learn the pace from a ball fed then."""
        if self._last is None:
            self._last = came_s, self._stated.period_s or 0.0
            return
        b, (since, period) = self._beliefs, self._last
        waited = came_s - since
        if waited > 0 and not b.unlistened(since, came_s) and math.isnan(went_on(b, since)):
            slots = max(1, round(waited / period)) if b.paced and period > 0 else 1
            longer = b.learn_feed(waited, period, slots)
            each = waited / slots
            period = (next_period(period, each) if period > 0 else each) * longer
            self.longer *= longer
        self._last = came_s, period

    def empty(self, time_s: float, odds: float) -> None:
        """Note a turn in which no ball was heard, with the odds of that."""
        self._empty.append((time_s, odds))

    def findings(self, station: str, balls: int, settings: LedgerSettings, end_s: float) -> list[Finding]:
        """Return the balls fed in such turns and stuck before the first station, if all turns carry balls.

        So many ``balls`` were followed until the run ended.
        """
        empty, b, stated = self._empty, self._beliefs, self._stated.balls
        if not empty or b.pace_sd > _STEADY:  # where the pace wavers, a long wait is no empty turn
            return []
        # Balls stated but not followed may also come after the end, unless the feed had clearly stopped by then.
        stopped = self._last is not None and end_s - self._last[0] > 3.0 * max(self._last[1], b.period_s)
        if stated is not None and stopped:
            lost = stated - balls
            against = max(len(empty) - lost, 0) / lost if lost > 0 else math.inf
        else:
            against = 1.0 / _all_carry_balls(len(empty), balls + len(empty)) if b.pace_given else math.inf
        least = settings.claim_odds if b.count > 1 else settings.claim_last_odds
        found = []
        for time_s, odds in empty:
            unheard = 1.0
            for q in range(b.count):
                unheard *= b.miss(q, time_s + b.pass_mean[0][q], math.hypot(b.pass_sd[0][q], b.pace_sd * b.period_s))
            total = min(1.0 / (1.0 / odds + against + unheard / b.p_stuck), MOST_ODDS)
            why = f"fed at its turn, as the pace has it, but heard nowhere, {say_odds(total)}"
            if total >= least:
                found.append(Finding("stuck", time_s, station, total, why, said_s=end_s))
        return found


def _all_carry_balls(empty: int, turns: int) -> float:
    """Return the odds that each turn of a feed of given period carries a ball, ``empty`` of so many turns unheard.

    Beta-binomial: shares of lost balls as Beta(1, 300), shares of empty turns as Beta(1, 4); 9 : 1 beforehand.
    """

    def log_beta(a: float, b: float) -> float:
        return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)

    def log_p(b: float) -> float:
        return log_beta(empty + 1.0, turns - empty + b) - log_beta(1.0, b)

    return 9.0 * math.exp(max(-50.0, min(50.0, log_p(300.0) - log_p(4.0))))
