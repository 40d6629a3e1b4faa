"""One more impact explained in every history: by a ball under way, by one not heard before, or by none."""

from __future__ import annotations

import math
from collections.abc import Sequence

from noisecheck.flow.beliefs import FALL_S, ONSET_S, Beliefs
from noisecheck.flow.explanations import (
    COPY_S,
    NO_CONTACT,
    Impact,
    copy_density,
    hidden_contacts,
    label_of,
    leftover_rebound,
    rebound_due,
    unexplained,
)
from noisecheck.flow.histories import Ball, Decision, History, contacts_of, decision_on

__all__ = ["extend", "with_train", "without_train"]

_LOST = math.log(1e-6)
"""Histories this much less likely than the best are dropped (log)."""
_NO_CONTACT = math.log(NO_CONTACT)
_TINY = 1e-300
_GAIN = 0.6  # of the last interval in the pace
_PEAK = 1e4
"""No density of a transit or of a feed slot is higher than this (per s)."""


def extend(histories: list[History], impact: Impact, beliefs: Beliefs) -> list[History]:
    """Return the histories with one more impact explained, most likely first."""
    found: list[tuple[float, History]] = []
    now = impact.time_s
    by_none = _ByNone(beliefs, impact)
    arrivals = _arrivals(beliefs, impact)
    times, mask_s = beliefs.heard, beliefs.settings.mask_s
    best = -math.inf
    for h in histories:
        # What cannot come near the best so far is not worked out.
        alone = by_none.child(h)
        found.append((alone.standing(now, beliefs), alone))
        best = max(best, found[-1][0])
        if h.log_p + by_none.log_fall > best + _LOST:
            found += [(c.standing(now, beliefs), c) for c in by_none.fallen(h)]
        for arrival in arrivals:
            if h.log_p + arrival.log_most <= best + _LOST:
                continue
            if arrival.hidden and (last := h.last_at[arrival.station]) >= 0 and times[last] > arrival.time_s - mask_s:
                continue
            for child in arrival.children(h, best + _LOST):
                standing = child.standing(now, beliefs)
                found.append((standing, child))
                best = max(best, standing)
    found.sort(key=lambda f: -f[0])
    floor = found[0][0] + _LOST
    top = found[0][1].log_p  # keeps the numbers small over millions of impacts
    return [History(h.log_p - top, *h[1:]) for p, h in found[: beliefs.settings.beam] if p > floor]


def with_train(histories: list[History], contact: Impact, now_s: float, beliefs: Beliefs) -> list[History]:
    """Return the histories once a rebound is heard that fits a contact: what has one is likely a ball's contact."""
    found = []
    for h in histories:
        own = any(n == contact.number for _, n in contacts_of(h.past, now_s))
        found.append(h if own else History(h.log_p + _NO_CONTACT, *h[1:]))
    found.sort(key=lambda h: -h.standing(now_s, beliefs))
    return found


def without_train(
    histories: list[History], contact: Impact, station: int, answers: Sequence[Impact], now_s: float, beliefs: Beliefs
) -> list[History]:
    """Return the histories once a contact's first rebound was due: what has none there is less likely a contact.

    ``answers`` are what was heard then. A ball's contact is no rebound of another, though it may hide one.
    """
    found, changed = [], False
    for h in histories:
        at = decision_on(h.past, contact)
        if at is not None and at.kind != "none" and at.station == station and math.isnan(at.came_s):
            hidden = 0.0
            for answer in answers:
                by = decision_on(h.past, answer)
                if by is None or by.kind == "none":
                    break
                hidden += beliefs.hidden_rebound(station, answer.time_s - contact.time_s)
            else:
                silent = beliefs.silent(station)
                found.append(h._replace(log_p=h.log_p + math.log(silent + (1.0 - silent) * min(hidden, 1.0))))
                changed = True
                continue
        found.append(h)
    if changed:
        found.sort(key=lambda h: -h.standing(now_s, beliefs))
    return found


def _arrivals(beliefs: Beliefs, impact: Impact) -> list[_Arrival]:
    """Return the contacts an impact may be, or may be the rebound of, the station it was put to first."""
    real = impact.odds / (1.0 + impact.odds)
    plain = [label_of(beliefs, impact, q) * real for q in range(beliefs.count)]
    fit = [h.ratio(impact.level_db, impact.drowned, at_most=impact.at_most) for h in beliefs.levels]
    hidden = hidden_contacts(beliefs, impact)
    found = []
    for q in sorted(range(beliefs.count), key=lambda q: q != impact.station):
        found.append(_Arrival(beliefs, impact, q, plain[q] * fit[q]))
        for place, at, factor in hidden:
            if place == q:
                earlier = impact._replace(time_s=at)
                found.append(_Arrival(beliefs, earlier, q, plain[q] * factor, heard_s=impact.time_s))
    return found


class _ByNone:
    """An impact that no ball's contact made. What histories ask of it alike is worked out once."""

    __slots__ = ("_beliefs", "_fall", "_impact", "_known", "_strange", "log_fall")

    def __init__(self, beliefs: Beliefs, impact: Impact) -> None:
        self._beliefs, self._impact = beliefs, impact
        copied, at = 0.0, impact.number - 1
        while at >= 0 and (since := impact.time_s - beliefs.heard[at]) <= COPY_S:
            copied = max(copied, copy_density(beliefs, impact, since, beliefs.heard_db[at]))
            at -= 1
        stray, chance = unexplained(beliefs, impact)
        self._strange = stray + chance + copied
        self._fall = unexplained(beliefs, impact, fell=True)[0] - stray
        self.log_fall = math.log(max(self._fall, _TINY))
        """Log density of the sound of a ball that left the track."""
        self._known: dict[object, float] = {}

    def child(self, h: History) -> History:
        """Return the history in which the impact is a stray, chance, a rebound or a copy."""
        contacts = contacts_of(h.past, self._impact.time_s)
        key = (h.last_at, tuple(contacts))
        log = self._known.get(key)
        if log is None:
            log = self._known[key] = self._log_density(h.last_at, contacts)
        past = Decision(h.past, "none", self._impact.number, -1, self._impact.station, self._impact.time_s)
        return History(h.log_p + log, h.track, h.last_at, h.fed_s, h.period_s, h.slots, past)

    def _log_density(self, last_at: tuple[int, ...], contacts: list[tuple[int, int]]) -> float:
        b, impact = self._beliefs, self._impact
        total = self._strange + rebound_due(b, impact, contacts)
        for q, last in enumerate(last_at):
            if last >= 0:
                total += leftover_rebound(b, impact, q, impact.time_s - b.heard[last], b.heard_db[last])
        return math.log(max(total, _TINY))

    def fallen(self, h: History) -> list[History]:
        """Return the histories in which the impact is the sound of a ball that left the track just before."""
        found, impact = [], self._impact
        for place, ball in enumerate(h.track):
            if ball.floor <= ball.station and FALL_S[0] < impact.time_s - ball.time_s < FALL_S[1]:
                heard = Decision(h.past, "none", impact.number, ball.last, impact.station, impact.time_s)
                past = Decision(heard, "end", ball.last, ball.last, ball.station, impact.time_s, ball.floor)
                track = h.track[:place] + h.track[place + 1 :]
                found.append(h._replace(log_p=h.log_p + self.log_fall, track=track, past=past))
        return found


class _Arrival:
    """An impact taken for a ball's contact at one station. What histories ask of it alike is worked out once.

    Args:
        beliefs: of the run.
        impact: with the time of the contact.
        station: index on the route.
        label: probability (density of a hidden one's rebound) of the sound, given the contact.
        heard_s: given where the contact was hidden: its rebound was heard then.
    """

    __slots__ = (
        "_beliefs", "_born", "_fed", "_fresh", "_label", "_log_label", "_number", "_passing", "_taken",
        "came_s", "hidden", "log_most", "station", "time_s", "told_s",
    )  # fmt: skip

    def __init__(self, beliefs: Beliefs, impact: Impact, station: int, label: float, heard_s: float = math.nan) -> None:
        self._beliefs, self._number = beliefs, impact.number
        self.station, self.time_s = station, impact.time_s
        self.hidden = not math.isnan(heard_s)
        self.told_s, self.came_s = (heard_s, impact.time_s) if self.hidden else (impact.time_s, math.nan)
        self._label, self._log_label = label, math.log(max(label, _TINY))
        # The probability that a ball now here was heard at no station before.
        self._fresh = 1.0
        for k in range(station):
            due_s = impact.time_s - beliefs.pass_mean[k][station]
            self._fresh *= beliefs.miss(k, due_s, beliefs.pass_sd[k][station])
        self._passing = beliefs.transit_most[station]
        self.log_most = self._log_label + math.log(max(self._passing, self._fresh * _PEAK, _TINY))
        """No history's log density of this contact is higher."""
        self._taken: dict[tuple[int, int, float, int], float] = {}
        self._fed: dict[tuple[float, float], tuple[float, float, tuple[float, ...]]] = {}
        self._born: dict[tuple[float, float, tuple[float, ...], int], tuple[float, float, float]] = {}

    def children(self, h: History, least: float) -> list[History]:
        """Return the histories in which a ball made this contact, those of log probability over ``least``."""
        bar = math.exp(min(least - h.log_p - self._log_label, 600.0))
        bar = max(bar, _TINY / max(self._label, _TINY))
        q, now, number, label = self.station, self.time_s, self._number, self._label
        final = self._beliefs.count - 1
        found = []
        last_at = (*h.last_at[:q], number, *h.last_at[q + 1 :])
        here = Ball(number, q, now, q) if q < final else None
        last = h.last_at[q]
        for place, ball in enumerate(h.track) if self._passing >= bar else ():
            overtaken = ball.floor >= q
            if ball.station >= q or (overtaken and ball.station < q - 1):
                continue
            key = (ball.last, ball.station, ball.time_s, last)
            p = self._taken.get(key, -1.0)
            if p < 0.0:
                p = self._taken[key] = self._by_ball(ball, last)
            if overtaken:
                p = min(p, self._beliefs.overtaken * self._beliefs.held(ball.station, q, now - ball.time_s))
            if p < bar:
                continue
            late = now - ball.time_s > self._beliefs.pass_latest[ball.station][q] + ONSET_S
            floor = q if overtaken else 0
            past = Decision(h.past, "pass", number, ball.last, q, self.told_s, floor, late, math.nan, self.came_s)
            track = _behind(h.track, place, here, q) if overtaken else _replace(h.track, place, here, q)
            found.append(History(h.log_p + math.log(p * label), track, last_at, h.fed_s, h.period_s, h.slots, past))
        if self._fresh * _PEAK < bar:
            return found
        p, fed, period, left, came = self._not_heard_before(h, last)
        if p >= bar:
            late = now - came > self._beliefs.pass_latest[0][q] + ONSET_S
            past = Decision(h.past, "born", number, -1, q, self.told_s, 0, late, came, self.came_s)
            track = _joined(self._beliefs, h.track, here, q, came)
            found.append(History(h.log_p + math.log(p * label), track, last_at, fed, period, left[-20:], past))
        return found

    def _by_ball(self, ball: Ball, last: int) -> float:
        """Return the density of this contact for a ball under way; ``last`` is the last impact here."""
        b, q = self._beliefs, self.station
        took = self.time_s - ball.time_s
        mean, sd = b.pass_mean[ball.station][q], b.pass_sd[ball.station][q]
        if took < mean - 8.0 * sd or took > mean + b.settings.give_up_s:
            return 0.0
        behind = self.time_s - b.heard[last] if last >= 0 else math.inf
        p = b.transit(ball.station, q, took, behind)
        for k in range(ball.station + 1, q):
            p *= b.miss(k, ball.time_s + b.pass_mean[ball.station][k], b.pass_sd[ball.station][k])
        return p

    def _not_heard_before(self, h: History, last: int) -> tuple[float, float, float, tuple[float, ...], float]:
        """Return (density, time of the last ball fed, period, slots left, when fed) with a ball first heard here."""
        if self.station == 0:
            known = self._fed.get((h.fed_s, h.period_s))
            if known is None:
                known = self._fed[h.fed_s, h.period_s] = _fed(self._beliefs, h, self.time_s)
            p, period, slots = known
            return p, self.time_s, period, (*h.slots, *slots), self.time_s
        key = (h.fed_s, h.period_s, h.slots, last)
        born = self._born.get(key)
        if born is None:
            born = self._born[key] = self._unheard_before(h, last)
        p, used, came = born
        period = h.period_s
        if used != math.inf:
            return p, h.fed_s, period, tuple(t for t in h.slots if t != used) if h.slots else (), came
        # The pace is told by a ball unheard at the start, if less exactly.
        step = (came - h.fed_s) / max(1, round((came - h.fed_s) / period))
        period += (_GAIN / 2.0 if abs(step / period - 1.0) < 0.5 else 0.0) * (step - period)
        return p, came, period, h.slots, came

    def _unheard_before(self, history: History, last: int) -> tuple[float, float, float]:
        """Return (density, slot used or NaN, time fed) of a ball first heard here, behind the first station."""
        beliefs, q = self._beliefs, self.station
        fed = self.time_s - beliefs.pass_mean[0][q]
        if not beliefs.paced or math.isnan(history.fed_s) or history.period_s <= 0:
            return self._fresh * beliefs.feed_rate, math.nan, fed
        sd = math.hypot(beliefs.pass_sd[0][q], beliefs.pace_sd * history.period_s)
        best, used, came = 0.0, math.nan, fed
        behind = self.time_s - beliefs.heard[last] if last >= 0 else math.inf
        for slot in history.slots:
            z = (fed - slot) / sd
            density = math.exp(-0.5 * z * z) / (sd * 2.5066)
            if z > 2.0:  # fed in that slot and held up since
                density += beliefs.transit(0, q, self.time_s - slot, behind)
            density /= beliefs.p_gap
            if density > best:
                best, used, came = density, slot, slot
        if fed > history.fed_s + 0.5 * history.period_s:  # the slot now due
            for _, density in beliefs.due(fed - history.fed_s, history.period_s, history.fed_s):
                if density > best:
                    best, used, came = density, math.inf, fed
        if beliefs.unlistened(fed - 3 * sd, fed + 3 * sd):
            best = max(best, beliefs.feed_rate)
        return self._fresh * (0.99 * best + 0.01 * beliefs.feed_rate), used, came


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


def _replace(track: tuple[Ball, ...], place: int, ball: Ball | None, station: int) -> tuple[Ball, ...]:
    """Put ``ball`` at ``place``; those ahead that have not passed ``station`` are overtaken there."""
    ahead = tuple(b if max(b.station, b.floor) >= station else b._replace(floor=station) for b in track[:place])
    return (*ahead, *((ball,) if ball else ()), *track[place + 1 :])


def _behind(track: tuple[Ball, ...], place: int, ball: Ball | None, station: int) -> tuple[Ball, ...]:
    """Put ``ball``, that was at ``place``, behind those that have overtaken it."""
    rest = track[:place] + track[place + 1 :]
    at = max((i + 1 for i, b in enumerate(rest) if b.station >= station), default=place)
    return (*rest[:at], *((ball,) if ball else ()), *rest[at:])


def _joined(beliefs: Beliefs, track: tuple[Ball, ...], ball: Ball | None, q: int, fed_s: float) -> tuple[Ball, ...]:
    """Put a ball not heard before on the track at station ``q``: those fed clearly before it are overtaken there."""
    place = next((i for i, b in enumerate(track) if max(b.station, b.floor) < q), len(track))
    blur = 2.0 * beliefs.pass_sd[0][q]
    while q and place < len(track) and track[place].time_s - beliefs.pass_mean[0][track[place].station] < fed_s - blur:
        place += 1
    ahead = tuple(b if max(b.station, b.floor) >= q else b._replace(floor=q) for b in track[:place])
    return (*ahead, *((ball,) if ball else ()), *track[place:])
