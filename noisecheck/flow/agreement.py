"""Where histories agree with the best one: what each decided since the last settled step, and which balls it lost."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from noisecheck.flow.histories import Decision, History, moment

__all__ = ["Best", "Story", "holding_key", "lost_instead"]

Key = tuple[str, int, int]
Lost = frozenset[tuple[int, int]]


class Story(NamedTuple):
    """What one history has decided."""

    weight: float
    shared: int
    """Number of the best history's decisions that it goes through itself: the first ones."""
    own: frozenset[Key]
    """What it has decided after them; both together are what it agrees on."""
    lost: Lost
    """(station, last impact) of the balls it does not expect to be heard again."""


class Best:
    """The best history's decisions since the last settled one, as a yardstick for the others.

    Args:
        history: the best one.
        root: the last settled decision.
    """

    def __init__(self, history: History, root: Decision | None) -> None:
        self._history, self._root = history, root
        self.decisions: list[Decision] = []
        """In order."""
        at = history.past
        while at is not None and at is not root:
            self.decisions.append(at)
            at = at.before
        self.decisions.reverse()
        self._known = {id(d): n for n, d in enumerate(self.decisions, start=1)}
        """Number of its decisions up to each, or that each decision of others goes through, by identity."""
        self._lost = [(n, (d.station, d.impact)) for n, d in enumerate(self.decisions) if d.kind == "end"]

    def shared(self, history: History) -> int:
        """Return the number of the first of its decisions that a history goes through itself."""
        at, root, known, number, passed = history.past, self._root, self._known, 0, []
        while at is not None and at is not root:
            found = known.get(id(at))
            if found is not None:
                number = found
                break
            passed.append(id(at))
            at = at.before
        for one in passed:  # of others that go through these it is known, too
            known[one] = number
        return number

    def story(self, history: History, weight: float, settled: int, lost: bool) -> Story:
        """Return what a history has decided.

        Args:
            history: it.
            weight: of it.
            settled: number of the first decisions now settled: of one that goes through them all nothing else matters,
            lost: unless it is asked which balls it lost.
        """
        shared = self.shared(history)
        if shared >= settled and not lost and history is not self._history:
            return Story(weight, shared, frozenset(), frozenset())
        own: set[Key] = set()
        gone = {(ball.station, ball.last) for ball in history.track if ball.floor > ball.station}
        at, end = history.past, self.decisions[shared - 1] if shared else self._root
        while at is not None and at is not end:
            own.add(at.key)
            own.update(at.late_keys)
            if not math.isnan(at.came_s):
                own.add(holding_key(at.came_s))
            if at.kind == "end":
                gone.add((at.station, at.impact))
            at = at.before
        gone.update(ball for n, ball in self._lost if n < shared)
        return Story(weight, shared, frozenset(own), frozenset(gone))


def holding_key(time_s: float) -> Key:
    """Return what a history has decided in which the impact of that time hid a ball's contact."""
    return ("holds", moment(time_s), -1)


def lost_instead(best: Story, others: Sequence[Story], station: int, last: int) -> dict[int, float]:
    """Return, by last impact, weights of histories that lost another ball at a station where the best lost this one."""
    found: dict[int, float] = {}
    for story in others:
        if (station, last) in story.lost:
            continue
        other = max((k for q, k in story.lost - best.lost if q == station), default=None)
        if other is not None:
            found[other] = found.get(other, 0.0) + story.weight
    return found
