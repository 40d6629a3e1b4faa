"""Sentences on the whole of a run that go with its ledger."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from noisecheck.core.units import many
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.findings import OpenBall
from noisecheck.flow.route import FeedPlan, Route

__all__ = ["run_notes"]

_TOLD: Final = 5
"""Balls from which a transit time is learnt well enough to go by."""
_NAMED: Final = 5
"""Open balls that are named."""


def run_notes(
    route: Route, feed: FeedPlan, beliefs: Beliefs, balls: int, open_balls: Sequence[OpenBall], *, stopped: int = 0
) -> tuple[str, ...]:
    """Return what is to be said of a run in which ``balls`` were followed, some of them open at its end.

    ``stopped`` of them were on their way when everything fell silent.
    """
    notes = []
    if feed.balls is not None and feed.balls != balls:
        notes.append(_miscounted(feed.balls, balls, route.stations[0]))
    if open_balls:
        named = "; ".join(b.sentence for b in open_balls[:_NAMED])
        more = f"; and {len(open_balls) - _NAMED} more" if len(open_balls) > _NAMED else ""
        notes.append(f"{len(open_balls)} not heard again, but the odds do not allow to call them stuck: {named}{more}")
    if stopped:
        notes.append(
            f"{many(stopped, 'ball')} late when nothing more was heard from {beliefs.heard[-1]:.1f} s on, of the feed "
            "and of others, either: taken to have stopped with the machine, and counted as under way"
        )
    if len(route.stations) == 1 and feed.period_s is None and feed.balls is None:
        notes.append("one station and no known feed: a ball that never comes cannot be noticed")
    for name, given, seen in zip(route.stations, beliefs.given, beliefs.seen, strict=False):
        if not given and seen < _TOLD:
            notes.append(
                f"how long a ball takes from {name} on is not stated (transit_s in rig.toml), and {seen:.0f} balls "
                "are too few to learn it: what is said of balls there is a guess"
            )
    return tuple(notes)


def _miscounted(stated: int, balls: int, first: str) -> str:
    """Return the sentence on balls fed as stated and followed that differ."""
    fed, followed = ("was" if n == 1 else "were" for n in (stated, balls))
    said = f"{many(stated, 'ball')} {fed} fed as stated, {balls} {followed} followed"
    if balls > stated:
        return f"{said}: is balls_fed right, or do balls come round again? Every round counts as a ball here"
    return f"{said}: the others were lost before {first}, not heard, or miscounted"
