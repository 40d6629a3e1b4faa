"""Where histories agree: what each has decided since the last settled step, and which balls it has lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from noisecheck.flow.histories import Decision, History

__all__ = ["Story", "lost_instead", "story_of"]

Key = tuple[str, int, int]


@dataclass(frozen=True, slots=True)
class Story:
    """What one history has decided."""

    weight: float
    keys: frozenset[Key]
    lost: frozenset[tuple[int, int]]
    """(station, last impact) of the balls it does not expect to be heard again."""
    kept: bool
    """Whether it goes through the decision up to which all is settled."""


def story_of(history: History, weight: float, root: Decision | None, boundary: Decision) -> Story:
    """Return what a history has decided after ``root``; it is kept if it has made the decision ``boundary`` itself."""
    keys: set[Key] = set()
    lost = {(ball.station, ball.last) for ball in history.track if ball.floor > ball.station}
    at, kept = history.past, False
    while at is not None and at is not root:
        keys.add(at.key)
        if at.late:
            keys.add(("late", at.impact, -1))
        if at.kind == "end":
            lost.add((at.station, at.impact))
        kept = kept or at is boundary
        at = at.before
    return Story(weight, frozenset(keys), frozenset(lost), kept)


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
