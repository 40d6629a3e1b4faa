"""Silences in which nothing at all is heard: the machine stands still, or its feed rests. Times in s, densities per s.

What lies on the way goes on when the machine does: such a silence says nothing of it.
"""

from __future__ import annotations

import math
from typing import Final

from noisecheck.flow.beliefs import ONSET_S, Beliefs
from noisecheck.flow.histories import Ball, History

__all__ = ["RESTS", "fed_anyhow", "goes_on", "standing", "stood_between", "stood_density", "went_on"]

_ALL: Final = 0.5
"""Share of long silences in which balls under way stood still, too, and not the feed alone (nothing tells which)."""
_STOPS_PER_S: Final = 0.1 / 3600.0
"""How often a machine is stopped (common practice, no source)."""
RESTS: Final = 0.003
"""Share of balls of a feed after which it rests, or ends."""
_JAMMED: Final = 0.1
"""Share of stuck balls behind which nothing more is fed: they block the feed, too (common practice, no source)."""
_TURNS: Final = 8
_LONG: Final = 10.0
"""Turns that a rest takes typically; longer ones fall off slowly (common practice, no source)."""


def went_on(beliefs: Beliefs, fed_s: float) -> float:
    """Return when a feed went on after a long silence since a ball was fed; NaN where there was none."""
    known = beliefs.silences and beliefs.silences[-1][0] >= fed_s - ONSET_S
    return beliefs.silences[-1][1] if known else math.nan


def goes_on(beliefs: Beliefs, time_s: float) -> float:
    """Return the most that the density of a sound of the machine can be: of the first one after a long silence.

    That lasts about as long again as it has already, as far as is known.
    """
    if beliefs.silences and beliefs.silences[-1][1] == time_s:
        return 1.0 / (time_s - beliefs.silences[-1][0])
    return math.inf


def fed_anyhow(beliefs: Beliefs, waited_s: float, rests: float = 1.0) -> float:
    """Return the density of the next ball of a feed without a pace, of whose waits that share are rests."""
    turns = max(waited_s, 0.0) * beliefs.feed_rate
    return beliefs.feed_rate * max(math.exp(-min(turns, 50.0)), rests / _LONG / (1.0 + turns / _LONG) ** 2)


def stood_between(beliefs: Beliefs, from_s: float, to_s: float) -> tuple[float, float]:
    """Return (seconds of long silences in a span, how much of that the machine may have moved for)."""
    total = moved = 0.0
    for since_s, until_s, usual_s in reversed(beliefs.silences):
        if since_s < from_s - ONSET_S:
            break
        if until_s <= to_s + ONSET_S:
            total += until_s - since_s
            moved += usual_s
    return total, moved


def stood_density(beliefs: Beliefs, a: int, b: int, left_s: float, came_s: float) -> float:
    """Return the density of a transit in which everything stood still: the ball was not late before, nor after.

    When in the silence the machine stopped and went on is not known, so that it may be as much later as it is silent
    at the most while it moves.
    """
    stood, moved = stood_between(beliefs, left_s, came_s)
    if not moved:
        return 0.0
    late, reach = came_s - left_s - stood - beliefs.pass_mean[a][b], 3.0 * beliefs.pass_sd[a][b]
    if not -moved - reach < late < reach:
        return 0.0
    return min(_ALL / moved, goes_on(beliefs, came_s))


def standing(beliefs: Beliefs, history: History, now_s: float, *, fed_all: bool = False) -> dict[Ball, float]:
    """Return how likely balls are late because everything has stood still since a ball was last heard.

    In place of what else may have become of each: that nothing is heard of the feed and of the other balls, either,
    speaks for it (``fed_all``: none is to come). Only balls that were in time then can have been stopped so.
    """
    b = beliefs
    last_s = max((b.heard[last] for last in history.last_at if last >= 0), default=now_s)
    if b.unlistened(last_s, now_s):
        return {}
    blocked, first_s = -1, math.inf
    found: dict[Ball, float] = {}
    log_run, jammed = 0.0, 0.0
    for ball in history.track:
        q = ball.station
        if ball.floor > q:
            continue
        due_s = ball.time_s + b.latest[q] + stood_between(b, ball.time_s, last_s)[0]
        if not last_s < due_s < now_s or b.unlistened(last_s, now_s, q + 1):
            continue
        found[ball] = 0.0
        if q != blocked:  # those behind it wait with it
            blocked, first_s = q, min(first_s, due_s)
            stuck, unheard = b.never(q, ball.time_s, ball.floor)
            own = stuck + unheard + b.still_held(q, q + 1, now_s - ball.time_s)
            jammed = max(jammed, _JAMMED * stuck / own)
            found[ball] = math.log(own)
            log_run += found[ball]
    if not found:
        return {}
    stops = _STOPS_PER_S * (first_s - last_s)
    if not (fed_all or math.isnan(history.fed_s) or b.unlistened(last_s, now_s, 0)):
        silent, before = (_not_fed(b, t - history.fed_s, history.period_s) for t in (now_s, last_s))
        log_run += math.log(max(silent / before, jammed))
    return {ball: stops * math.exp(min(own - log_run, 50.0)) for ball, own in found.items()}


def _not_fed(beliefs: Beliefs, waited_s: float, period_s: float) -> float:
    """Return the probability that nothing is heard of a feed so long after its last ball."""
    if not beliefs.period_s:
        return 1.0  # nobody knows when the next one is due
    if not beliefs.paced or period_s <= 0.0:
        return max(math.exp(-min(waited_s * beliefs.feed_rate, 50.0)), RESTS)
    missed, share = beliefs.p_gap + beliefs.p_miss[0], 1.0
    for turn in range(1, _TURNS + 1):
        sd = max(beliefs.pace_sd, 0.01) * period_s * math.sqrt(turn)
        later = 0.5 * math.erfc((waited_s - turn * period_s) / (1.4142 * sd))
        share *= later + (1.0 - later) * min(missed, 1.0)
        if later > 0.999 or share < RESTS:
            break
    return max(share, RESTS)
