"""Histories of a run kept side by side: each says which ball made every impact so far, and how likely that is.

A hidden-state search with a beam: the state is the row of balls under way, front first. Every impact is explained
by one of the balls under way, by a ball not heard before, or by none (stray, chance, leftover rebound). On a track
nobody overtakes, so giving an impact to a ball leaves those ahead of it never to be heard there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from noisecheck.flow.beliefs import FALL_S, Beliefs
from noisecheck.flow.explanations import (
    COPY_S,
    SAME_FALL_S,
    Impact,
    copy_density,
    hidden_contacts,
    label_of,
    leftover_rebound,
    rebound_due,
    unexplained,
)

__all__ = ["Ball", "Decision", "History", "contacts_of", "end_history", "extend", "retire"]

_LOST = math.log(1e-6)
"""Histories this much less likely than the best are dropped (log)."""
_TINY = 1e-300
_GAIN = 0.6  # of the last interval in the pace
_PEAK = 1e4
"""No density of a feed slot is higher than this (per s)."""


class Ball(NamedTuple):
    """A ball under way: the last impact it made, where and when, and the last station it must have left behind."""

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
    """When the ball came, where another impact hid its contact and this one is its rebound."""

    @property
    def key(self) -> tuple[str, int, int]:
        """What must be equal for two histories to agree."""
        if self.kind in ("none", "slot"):
            return (self.kind, self.impact if self.kind == "none" else round(self.time_s * 20), -1)
        return (self.kind, self.impact, self.ball)

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

    def standing(self, now_s: float, beliefs: Beliefs) -> float:
        """Return the log probability with what is already known of balls overdue."""
        total, blocked = self.log_p, -1
        for ball in self.track:
            q = ball.station
            if ball.floor > q:
                total += math.log(beliefs.p_stuck + beliefs.p_miss[ball.floor])
            elif q != blocked and now_s > ball.time_s + beliefs.latest[q]:
                # Those behind a ball held up wait with it: one cause, counted once.
                blocked = q
                total += math.log(beliefs.p_stuck + beliefs.p_miss[q + 1] + beliefs.p_hold[q])
        return total


def contacts_of(at: Decision | None, time_s: float) -> list[tuple[int, int]]:
    """Return (station, impact) of balls' contacts that a history has of late, the last one first."""
    found = []
    while at is not None:
        if at.impact >= 0 and at.kind != "end" and at.time_s < time_s - 2.0 * SAME_FALL_S:
            break
        if at.kind in ("pass", "born"):
            found.append((at.station, at.impact))
        at = at.before
    return found


def _replace(track: tuple[Ball, ...], place: int, ball: Ball | None, station: int) -> tuple[Ball, ...]:
    """Put ``ball`` at ``place``; those ahead that have not passed ``station`` are overtaken there."""
    ahead = tuple(b if max(b.station, b.floor) >= station else b._replace(floor=station) for b in track[:place])
    return (*ahead, *((ball,) if ball else ()), *track[place + 1 :])


def _by_ball(
    beliefs: Beliefs, history: History, impact: Impact, q: int, times: list[float], bar: float
) -> Iterator[tuple[float, int]]:
    """Yield (density, place on the track) of the balls that may have made this impact at station ``q``.

    Densities below ``bar`` are left out.
    """
    last = history.last_at[q]
    behind = impact.time_s - times[last] if last >= 0 else math.inf
    limit = beliefs.settings.give_up_s
    for place, ball in enumerate(history.track):
        if ball.station >= q or ball.floor >= q:
            continue
        took = impact.time_s - ball.time_s
        mean, sd = beliefs.pass_mean[ball.station][q], beliefs.pass_sd[ball.station][q]
        if took < mean - 8.0 * sd or took > mean + limit:
            continue
        p = beliefs.transit(ball.station, q, took, behind)
        for k in range(ball.station + 1, q):
            if p < bar:
                break
            p *= beliefs.miss(k, ball.time_s + beliefs.pass_mean[ball.station][k], beliefs.pass_sd[ball.station][k])
        if p >= bar:
            yield p, place


def _unheard_before(
    beliefs: Beliefs, history: History, impact: Impact, q: int, p: float, times: list[float]
) -> tuple[float, float, float]:
    """Return (density, slot used or NaN, time fed) of a ball first heard at station ``q`` > 0.

    ``p`` is the probability that it was heard nowhere before.
    """
    fed = impact.time_s - beliefs.pass_mean[0][q]
    if not beliefs.paced or math.isnan(history.fed_s) or history.period_s <= 0:
        return p * beliefs.feed_rate, math.nan, fed
    sd = math.hypot(beliefs.pass_sd[0][q], beliefs.pace_sd * history.period_s)
    best, used, came = 0.0, math.nan, fed
    last = history.last_at[q]
    behind = impact.time_s - times[last] if last >= 0 else math.inf
    for slot in history.slots:
        z = (fed - slot) / sd
        density = math.exp(-0.5 * z * z) / (sd * 2.5066)
        if z > 2.0:  # fed in that slot and held up since
            density += beliefs.transit(0, q, impact.time_s - slot, behind)
        density /= beliefs.p_gap
        if density > best:
            best, used, came = density, slot, slot
    if fed > history.fed_s + 0.5 * history.period_s:  # the slot now due
        for _, density in beliefs.due(fed - history.fed_s, history.period_s, history.fed_s):
            if density > best:
                best, used, came = density, math.inf, fed
    if beliefs.unlistened(fed - 3 * sd, fed + 3 * sd):
        best = max(best, beliefs.feed_rate)
    return p * (0.99 * best + 0.01 * beliefs.feed_rate), used, came


def _fed(beliefs: Beliefs, history: History, time_s: float) -> tuple[float, float, tuple[float, ...]]:
    """Return (density, new period, slots left empty) of a ball heard at the first station."""
    if math.isnan(history.fed_s):
        return beliefs.feed_rate, history.period_s, ()
    waited = time_s - history.fed_s
    if history.period_s <= 0:
        return beliefs.feed_rate * math.exp(-min(waited * beliefs.feed_rate, 20.0)), waited, ()
    period = history.period_s
    choices = beliefs.due(waited, period, history.fed_s)
    slots, _ = max(choices, key=lambda c: c[1])
    density = sum(d for _, d in choices)
    loose = beliefs.feed_rate * math.exp(-min(waited * beliefs.feed_rate, 20.0))
    share = 0.997 if beliefs.paced else 0.0
    step = waited / slots
    gain = _GAIN if abs(step / period - 1.0) < 0.5 else 0.2
    empty = tuple(history.fed_s + k * step for k in range(1, min(slots, 20))) if beliefs.paced else ()
    empty = tuple(t for t in empty if not beliefs.unlistened(t, t))
    return share * density + (1.0 - share) * loose, period + gain * (step - period), empty


def extend(
    histories: list[History], impact: Impact, beliefs: Beliefs, times: list[float], levels: list[float]
) -> list[History]:
    """Return the histories with one more impact explained, most likely first."""
    found: list[tuple[float, History]] = []
    now = impact.time_s
    real = impact.odds / (1.0 + impact.odds)
    order = sorted(range(beliefs.count), key=lambda q: q != impact.station)
    levels_fit = [h.ratio(impact.level_db, impact.crowded) for h in beliefs.levels]
    plain = [label_of(beliefs, impact, q) * real for q in range(beliefs.count)]
    labels = [p * fit for p, fit in zip(plain, levels_fit, strict=True)]
    hidden = [
        (q, impact._replace(time_s=at), plain[q] * factor) for q, at, factor in hidden_contacts(beliefs, impact, times)
    ]
    fresh = [_never_before(beliefs, impact, q) if q else 1.0 for q in range(beliefs.count)]
    copied, at = 0.0, impact.number - 1
    while at >= 0 and now - times[at] <= COPY_S:
        copied = max(copied, copy_density(beliefs, impact, now - times[at], levels[at]))
        at -= 1
    stray, chance = unexplained(beliefs, impact)
    strange, of_fall = stray + chance, unexplained(beliefs, impact, fell=True)[0] - stray
    best = -math.inf
    for h in histories:
        none = strange
        for q, last in enumerate(h.last_at):
            if last >= 0:
                none += leftover_rebound(beliefs, impact, q, now - times[last], levels[last])
        none = max(none + rebound_due(beliefs, impact, contacts_of(h.past, now), times) + copied, _TINY)
        made = Decision(h.past, "none", impact.number, -1, impact.station, now)
        children = [h._replace(log_p=h.log_p + math.log(none), past=made)]
        best = max(best, children[0].standing(now, beliefs))
        if h.log_p + math.log(max(of_fall, _TINY)) > best + _LOST:
            children += _fallen(h, impact, of_fall)
        for q in order:
            # What cannot come near the best so far is not worked out.
            bar = math.exp(min(best + _LOST - h.log_p - math.log(labels[q]), 600.0))
            heard = _heard_at(beliefs, h, impact, q, labels[q], fresh[q], times, bar)
            for place, earlier, label in hidden:
                last = h.last_at[q]
                if place == q and not (last >= 0 and times[last] > earlier.time_s - beliefs.settings.mask_s):
                    bar = math.exp(min(best + _LOST - h.log_p - math.log(label), 600.0))
                    before = _never_before(beliefs, earlier, q) if q else 1.0
                    heard += _heard_at(beliefs, h, earlier, q, label, before, times, bar, heard_s=now)
            children += heard
            for child in heard:
                if child.log_p > best:
                    best = max(best, child.standing(now, beliefs))
        found += [(c.standing(now, beliefs), c) for c in children if c.log_p >= best + _LOST]
    found.sort(key=lambda f: -f[0])
    floor = found[0][0] + _LOST
    top = found[0][1].log_p  # keeps the numbers small over millions of impacts
    return [h._replace(log_p=h.log_p - top) for p, h in found[: beliefs.settings.beam] if p > floor]


def _fallen(h: History, impact: Impact, density: float) -> list[History]:
    """Return the histories in which the impact is the sound of a ball that left the track just before."""
    found = []
    for place, ball in enumerate(h.track):
        if ball.floor <= ball.station and FALL_S[0] < impact.time_s - ball.time_s < FALL_S[1]:
            heard = Decision(h.past, "none", impact.number, ball.last, impact.station, impact.time_s)
            past = Decision(heard, "end", ball.last, ball.last, ball.station, impact.time_s, ball.floor)
            track = h.track[:place] + h.track[place + 1 :]
            found.append(h._replace(log_p=h.log_p + math.log(density), track=track, past=past))
    return found


def _joined(beliefs: Beliefs, track: tuple[Ball, ...], ball: Ball | None, q: int, fed_s: float) -> tuple[Ball, ...]:
    """Put a ball not heard before on the track at station ``q``: those fed clearly before it are overtaken there."""
    place = next((i for i, b in enumerate(track) if max(b.station, b.floor) < q), len(track))
    blur = 2.0 * beliefs.pass_sd[0][q]
    while q and place < len(track) and track[place].time_s - beliefs.pass_mean[0][track[place].station] < fed_s - blur:
        place += 1
    ahead = tuple(b if max(b.station, b.floor) >= q else b._replace(floor=q) for b in track[:place])
    return (*ahead, *((ball,) if ball else ()), *track[place:])


def _never_before(beliefs: Beliefs, impact: Impact, q: int) -> float:
    """Return the probability that a ball now at station ``q`` was heard at no station before."""
    p = 1.0
    for k in range(q):
        p *= beliefs.miss(k, impact.time_s - beliefs.pass_mean[k][q], beliefs.pass_sd[k][q])
    return p


def _heard_at(
    beliefs: Beliefs,
    h: History,
    impact: Impact,
    q: int,
    label: float,
    fresh: float,
    times: list[float],
    bar: float,
    heard_s: float = math.nan,
) -> list[History]:
    """Return the histories in which a ball made this impact at station ``q``, those of density over ``bar``.

    ``heard_s`` is given where the contact was hidden: its rebound was heard then.
    """
    now, final = impact.time_s, beliefs.count - 1
    hidden = not math.isnan(heard_s)
    told_s, came_s = (heard_s, now) if hidden else (now, math.nan)
    found = []
    last_at = (*h.last_at[:q], impact.number, *h.last_at[q + 1 :])
    here = Ball(impact.number, q, now, q) if q < final else None
    bar = max(bar, _TINY / label)
    for p, place in _by_ball(beliefs, h, impact, q, times, bar):
        ball = h.track[place]
        late = now - ball.time_s > beliefs.pass_latest[ball.station][q] + 1e-9
        past = Decision(h.past, "pass", impact.number, ball.last, q, told_s, 0, late, came_s=came_s)
        track = _replace(h.track, place, here, q)
        found.append(h._replace(log_p=h.log_p + math.log(p * label), track=track, last_at=last_at, past=past))
    if q == 0:
        p, period, slots = _fed(beliefs, h, now)
        fed, came, left = now, now, (*h.slots, *slots)
    else:
        if fresh * _PEAK < bar:
            return found
        p, used, came = _unheard_before(beliefs, h, impact, q, fresh, times)
        period, left = h.period_s, tuple(t for t in h.slots if t != used) if h.slots else ()
        fed = came if used == math.inf else h.fed_s
        if used == math.inf:  # the pace is told by a ball unheard at the start, if less exactly
            step = (came - h.fed_s) / max(1, round((came - h.fed_s) / period))
            period += (_GAIN / 2.0 if abs(step / period - 1.0) < 0.5 else 0.0) * (step - period)
    if p >= bar:
        late = now - came > beliefs.pass_latest[0][q] + 1e-9
        past = Decision(h.past, "born", impact.number, -1, q, told_s, 0, late, came, came_s)
        track = _joined(beliefs, h.track, here, q, came)
        found.append(History(h.log_p + math.log(p * label), track, last_at, fed, period, left[-20:], past))
    return found


def retire(history: History, now_s: float, beliefs: Beliefs) -> History:
    """Return the history without balls and slots that nothing can explain any more."""
    track, past, log_p = history.track, history.past, history.log_p
    final = beliefs.count - 1
    keep = []
    for ball in track:
        overtaken = ball.floor > ball.station
        due = ball.time_s + beliefs.pass_latest[ball.station][final]
        if ball.floor >= final or (overtaken and now_s > due + 1.0) or now_s > due + beliefs.settings.give_up_s:
            stuck, unheard = beliefs.never(ball.station, ball.time_s, ball.floor)
            held = 0.0 if overtaken else beliefs.still_held(ball.station, ball.station + 1, now_s - ball.time_s)
            # A contact after which no rebound was heard where balls rebound may have been none.
            log_p += math.log((stuck + unheard + held) * beliefs.unanswered(ball.station, ball.time_s))
            past = Decision(past, "end", ball.last, ball.last, ball.station, now_s, ball.floor)
        else:
            keep.append(ball)
    slots = history.slots
    if slots and now_s > slots[0] + beliefs.pass_latest[0][final] + 1.0:
        for slot in slots:
            if now_s > slot + beliefs.pass_latest[0][final] + 1.0:
                past = Decision(past, "slot", -1, -1, 0, slot)
        slots = tuple(t for t in slots if not now_s > t + beliefs.pass_latest[0][final] + 1.0)
    if past is history.past:
        return history
    return history._replace(log_p=log_p, track=tuple(keep), slots=slots, past=past)


def end_history(history: History, end_s: float, beliefs: Beliefs) -> History:
    """Return the history at the end of listening: late balls are given up, those still in time stay on the track."""
    past, log_p, keep = history.past, history.log_p, []
    for ball in history.track:
        after = max(ball.station, ball.floor - 1) + 1
        if end_s <= ball.time_s + beliefs.pass_latest[ball.station][after]:
            keep.append(ball)
            continue
        stuck, unheard = beliefs.never(ball.station, ball.time_s, ball.floor)
        held = beliefs.still_held(ball.station, ball.station + 1, end_s - ball.time_s)
        log_p += math.log(stuck + unheard + held)
        past = Decision(past, "end", ball.last, ball.last, ball.station, end_s, ball.floor)
    for slot in history.slots:
        past = Decision(past, "slot", -1, -1, 0, slot)
    return history._replace(log_p=log_p, track=tuple(keep), slots=(), past=past)
