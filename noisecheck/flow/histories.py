"""Histories of a run kept side by side: each says which ball made every impact so far, and how likely that is.

A hidden-state search with a beam: the state is the row of balls under way, front first. Every impact is explained
by one of the balls under way, by a ball not heard before, or by none (stray, chance, leftover rebound). On a track
nobody overtakes, so giving an impact to a ball leaves those ahead of it never to be heard there.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.explanations import SAME_FALL_S, Impact

__all__ = [
    "Ball",
    "Contacts",
    "Decision",
    "History",
    "Overdue",
    "contacts_of",
    "decision_of",
    "decision_on",
    "hider_of",
    "moment",
    "of_late",
    "shortened",
    "weights_of",
    "without",
]


_REMEMBERED, _REMEMBERED_S = 100, 10.0
"""Settled decisions that are kept, and for how long: more than is ever looked back on."""


Contacts = tuple[tuple[int, int], ...]
"""(station, impact) of contacts."""


class Ball(NamedTuple):
    """A ball under way: the last impact it made, where and when, and the last station where it was overtaken."""

    last: int
    station: int
    time_s: float
    floor: int


class Decision(NamedTuple):
    """One step of a history; ``before`` leads back to the start of the run."""

    before: Decision | None
    kind: str
    """``pass``, ``born``, ``none``, ``end`` (a ball not heard again) or ``slot`` (a feed slot without a ball)."""
    impact: int
    """Impact explained; for ``end`` the ball's last one; for ``slot`` -1."""
    ball: int
    """Last impact of the ball before this one (-1: not heard before); for ``none`` of the ball whose fall it is."""
    station: int
    """Where the impact was; for ``end`` where the ball was last heard."""
    time_s: float
    """When the decision was taken; the slot's own time for ``slot``."""
    floor: int = 0
    late: bool = False
    """Whether the ball came later than usual."""
    fed_s: float = math.nan
    """When the ball was fed, as far as known (``born``)."""
    came_s: float = math.nan
    """When the ball came, where its contact was hidden in another impact, or not found, and this one is its rebound."""
    between: bool = False
    """Whether the ball was fed between two turns, which go on as before (``born``)."""
    foreign: float = 0.0
    """How likely the impact was a stray or the bounce of one (``none``)."""

    @property
    def key(self) -> tuple[str, int, int]:
        """What must be equal for two histories to agree."""
        if self.kind in ("none", "slot"):
            return (self.kind, self.impact if self.kind == "none" else round(self.time_s * 20), -1)
        return (self.kind, self.impact, self.ball)

    @property
    def late_keys(self) -> tuple[tuple[str, int, int], ...]:
        """What two histories share one of to agree that a ball came late: the impact that tells, or when it came."""
        if not self.late:
            return ()
        came_s = self.time_s if math.isnan(self.came_s) else self.came_s
        return ("late", self.impact, -1), ("late at", moment(came_s), -1)

    @property
    def fell(self) -> bool:
        """Whether a ball that ends here was heard to fall, or this is that sound."""
        at = self.before if self.kind == "end" else self
        return at is not None and at.kind == "none" and at.ball >= 0 and self.ball == at.ball


class History(NamedTuple):
    """One way to explain everything heard so far."""

    log_p: float
    track: tuple[Ball, ...]
    last_at: tuple[int, ...]
    """Last impact of a ball at each station, -1 none."""
    fed_s: float
    period_s: float
    slots: tuple[float, ...]
    """Feed slots not yet accounted for."""
    past: Decision | None
    contacts: Contacts = ()
    """Those of balls, the last one first; only :func:`of_late` are sure to be among them."""


class Overdue:
    """What is known of balls overdue at one moment, worked out once for each ball and each row of balls.

    Args:
        now_s: the moment; nothing may be heard or learnt meanwhile.
        beliefs: of the run.
    """

    __slots__ = ("_balls", "_beliefs", "_now_s", "_rows")

    def __init__(self, now_s: float, beliefs: Beliefs) -> None:
        self._now_s, self._beliefs = now_s, beliefs
        self._balls: dict[Ball, float] = {}
        self._rows: dict[int, tuple[float, list[int], tuple[Ball, ...]]] = {}
        """By identity; the rows are kept so that none takes another's place."""

    def log_p(self, track: tuple[Ball, ...]) -> float:
        """Return the log probability of the balls of a row that are overdue."""
        known = self._rows.get(id(track))
        return self.of(track)[0] if known is None else known[0]

    def of(self, track: tuple[Ball, ...]) -> tuple[float, list[int], tuple[Ball, ...]]:
        """Return (log probability of the balls of a row that are overdue, their places, the row).

        It stays the same without balls at other places, and with such as are not overdue.
        """
        known = self._rows.get(id(track))
        if known is not None:
            return known
        total, blocked, latest, now_s, balls = 0.0, -1, self._beliefs.latest, self._now_s, self._balls
        places: list[int] = []
        for place, ball in enumerate(track):
            _, q, time_s, floor = ball
            if floor <= q:
                if q == blocked or now_s <= time_s + latest[q]:
                    continue
                # Those behind a ball held up wait with it: one cause, counted once.
                blocked = q
            log = balls.get(ball)
            total += self.of_ball(ball) if log is None else log
            places.append(place)
        known = self._rows[id(track)] = total, places, track
        return known

    def of_ball(self, ball: Ball) -> float:
        """Return the log probability of a ball that is overdue, or overtaken."""
        log = self._balls.get(ball)
        if log is None:
            log = self._balls[ball] = _overdue(ball, self._beliefs)
        return log

    def standing(self, history: History) -> float:
        """Return the log probability of a history with what is already known of balls overdue."""
        track = history.track
        known = self._rows.get(id(track))
        return history.log_p + (self.of(track)[0] if known is None else known[0])

    def ranked(self, histories: Sequence[History]) -> list[History]:
        """Return the histories, the likeliest first."""
        return sorted(histories, key=self.standing, reverse=True)


def _overdue(ball: Ball, beliefs: Beliefs) -> float:
    """Return the log probability of one that is, and keep it until more is learnt, once nothing more can hide it."""
    known = beliefs.overdue.get(ball)
    if known is not None:
        return known
    q, overtaken = ball.station, ball.floor > ball.station
    missed, due_s, sd = 1.0, 0.0, 0.0
    for k in range(q + 1, max(ball.floor, q + 1) + 1):
        due_s, sd = ball.time_s + beliefs.pass_mean[q][k], beliefs.pass_sd[q][k]
        missed *= beliefs.miss(k, due_s, sd)
    held = beliefs.p_hold[q] * (beliefs.overtaken if overtaken else 1.0)
    log = math.log(beliefs.p_stuck + missed + held)
    if beliefs.heard and beliefs.heard[-1] > due_s + 3.0 * sd:
        beliefs.overdue[ball] = log
    return log


def moment(time_s: float) -> int:
    """Return a time as keys of decisions hold it: alike within 0.1 ms."""
    return round(time_s * 1e4)


def without(track: tuple[Ball, ...], place: int) -> tuple[Ball, ...]:
    """Return a row of balls without the one at a place."""
    return track[:place] + track[place + 1 :]


def contacts_of(at: Decision | None, time_s: float, heard_s: Sequence[float]) -> Contacts:
    """Return the balls' contacts that a history has of late at a decision, the last one first.

    Of a contact that was hidden both its rebound and what hid it are given; ``heard_s`` are the times of all impacts.
    """
    found = []
    while at is not None:
        if at.impact >= 0 and at.kind != "end" and at.time_s < time_s - 2.0 * SAME_FALL_S:
            break
        if at.kind in ("pass", "born"):
            found.append((at.station, at.impact))
            if (hider := hider_of(heard_s, at.came_s)) >= 0:
                found.append((at.station, hider))
        at = at.before
    return tuple(found)


def hider_of(heard_s: Sequence[float], came_s: float) -> int:
    """Return the impact heard when a contact came that its rebound showed, -1 where there is none."""
    if math.isnan(came_s):
        return -1
    number = bisect_left(heard_s, came_s)
    return number if number < len(heard_s) and heard_s[number] == came_s else -1


def of_late(contacts: Contacts, time_s: float, heard_s: Sequence[float]) -> Contacts:
    """Return those of a history's contacts that are of late; ``heard_s`` are the times of all impacts."""
    since_s = time_s - 2.0 * SAME_FALL_S
    if not contacts or heard_s[contacts[-1][1]] >= since_s:
        return contacts
    count = len(contacts) - 1
    while count and heard_s[contacts[count - 1][1]] < since_s:
        count -= 1
    return contacts[:count]


def decision_on(at: Decision | None, impact: Impact) -> Decision | None:
    """Return what a history says made an impact; None where that is settled."""
    return decision_of(at, impact.number, impact.time_s)


def decision_of(at: Decision | None, number: int, time_s: float) -> Decision | None:
    """Return the same of an impact by its number and time."""
    while at is not None and (at.impact != number or at.kind == "end"):
        if at.impact >= 0 and at.kind != "end" and at.time_s < time_s:
            return None
        at = at.before
    return at


def shortened(
    histories: Sequence[History], root: Decision, known: Mapping[int, Decision]
) -> tuple[list[History], Decision, dict[int, Decision]]:
    """Return the histories without what was decided long before ``root``, the last settled decision; it, and ``known``.

    What is settled is asked for as far as rebounds reach only, and a run goes on for days. ``known`` are decisions by
    identity; those that no history has any longer are left out.
    """
    kept: list[Decision] = []
    at: Decision | None = root
    while at is not None and (len(kept) < _REMEMBERED or at.time_s > root.time_s - _REMEMBERED_S):
        kept.append(at)
        at = at.before
    if at is None:
        return list(histories), root, dict(known)
    new: dict[int, Decision] = {}
    before: Decision | None = None
    for decision in reversed(kept):
        before = new[id(decision)] = decision._replace(before=before)
    for h in histories:
        fresh, at = [], h.past
        while at is not None and id(at) not in new:
            fresh.append(at)
            at = at.before
        for decision in reversed(fresh):
            before = None if decision.before is None else new[id(decision.before)]
            new[id(decision)] = decision._replace(before=before)
    again = [h._replace(past=None if h.past is None else new[id(h.past)]) for h in histories]
    return again, new[id(root)], {id(d): d for k in known if (d := new.get(k)) is not None}


def weights_of(histories: Sequence[History], overdue: Overdue) -> list[float]:
    """Return how likely each history is, over the likeliest."""
    standing = [overdue.standing(h) for h in histories]
    top = max(standing)
    return [math.exp(s - top) for s in standing]
