"""An impact taken for a ball's contact: by which ball under way, or by one not heard before."""

from __future__ import annotations

import math
from typing import NamedTuple

from noisecheck.flow.beliefs import ONSET_S, WAITED_S, Beliefs
from noisecheck.flow.explanations import Impact, hidden_contacts, label_of
from noisecheck.flow.histories import Ball, Contacts, Decision, History, Overdue, decision_of, hider_of, of_late
from noisecheck.flow.stillness import RESTS, fed_anyhow, goes_on, stood_density, went_on

__all__ = ["Arrival", "Move", "arrivals_of", "next_period"]

_TINY = 1e-300
_NEVER = math.exp(600.0)
_GAIN = 0.6  # of the last interval in the pace
_ODD_GAIN = 0.2  # the same where that is off by half and more, a ball fed off its turn or an empty slot
_FEW = 6
"""Of so many balls under way all are asked: that is sooner done than to ask which need not be."""
_SLACK = math.e
"""More than what balls that pass unheard where nobody listens add to a probability, each some thousandths."""
_BETWEEN = 0.1
"""Share of balls fed early after which the turns go on as before: balls fed twice or by hand (common practice, no
source)."""


def arrivals_of(beliefs: Beliefs, impact: Impact, period_s: float) -> list[Arrival]:
    """Return the contacts an impact may be, or may be the rebound of, the station it was put to first.

    ``period_s`` is the least feed period of any history.
    """
    real = impact.odds / (1.0 + impact.odds)
    plain = [label_of(beliefs, impact, q) * real for q in range(beliefs.count)]
    fit = [h.ratio(impact.level_db, impact.drowned, at_most=impact.at_most) for h in beliefs.levels]
    hidden = hidden_contacts(beliefs, impact)
    found = []
    for q in sorted(range(beliefs.count), key=lambda q: q != impact.station):
        found.append(Arrival(beliefs, impact, q, plain[q] * fit[q], period_s))
        for place, at, factor in hidden:
            if place == q:
                earlier = impact._replace(time_s=at)
                found.append(Arrival(beliefs, earlier, q, plain[q] * factor, period_s, heard_s=impact.time_s))
    return found


class Move(NamedTuple):
    """A ball's contact taken into histories alike: its log density, what is under way then, and what is decided."""

    log: float
    track: tuple[Ball, ...]
    kind: str
    ball: int
    floor: int
    late: bool
    slot_s: float = math.nan
    between: bool = False
    """Whether the ball was fed between two turns that go on without it."""
    feed: tuple[float, float, tuple[float, ...]] | None = None
    """Time of the last ball fed, period and slots left, where they are others than before."""
    place: int = -1
    """Where in the row the ball was, -1 not there."""
    others_same: bool = False
    """Whether the others are as before, and the ball not overdue again."""


class _Passing:
    """A ball under way that may have made a contact, by its density: what it leads to is worked out when asked for.

    ``most`` is the highest that density comes to with what it makes of the balls ahead.
    """

    __slots__ = ("ball", "most", "move", "overtaken", "p", "place")

    def __init__(self, p: float, most: float, place: int, ball: Ball, overtaken: bool) -> None:
        self.p, self.most, self.place, self.ball, self.overtaken = p, most, place, ball, overtaken
        self.move: Move | None = None


class Arrival:
    """An impact taken for a ball's contact at one station. What histories ask of it alike is worked out once.

    Args:
        beliefs: of the run.
        impact: with the time of the contact.
        station: index on the route.
        label: probability (density of a hidden one's rebound) of the sound, given the contact.
        period_s: least feed period of any history.
        heard_s: given where the contact was hidden: its rebound was heard then.
    """

    __slots__ = (
        "_after", "_beliefs", "_born", "_contact", "_fed", "_fresh", "_here", "_label", "_least", "_log_label",
        "_newly", "_number", "_passing", "_passings", "_taken",
        "came_s", "hidden", "log_most", "station", "time_s", "told_s", "wide",
    )  # fmt: skip

    def __init__(
        self,
        beliefs: Beliefs,
        impact: Impact,
        station: int,
        label: float,
        period_s: float,
        heard_s: float = math.nan,
    ) -> None:
        self._beliefs, self._number = beliefs, impact.number
        self.station, self.time_s = station, impact.time_s
        self.hidden = not math.isnan(heard_s)
        self.told_s, self.came_s = (heard_s, impact.time_s) if self.hidden else (impact.time_s, math.nan)
        self._contact: Contacts = ((station, impact.number),)
        if self.hidden and (hider := hider_of(beliefs.heard, impact.time_s)) >= 0:
            self._contact = *self._contact, (station, hider)
        some = label if label > _TINY else _TINY
        self._label, self._log_label, self._least = label, math.log(some), _TINY / some
        self._passing, self._fresh = beliefs.transit_most[station], 1.0
        self._newly = _most_fed(beliefs, station, period_s)
        self.log_most = self._log_label + math.log(max(self._passing, self._newly, _TINY))
        """No history's log density of this contact is higher."""
        self.wide = True
        """Whether that may be narrowed."""
        self._here = Ball(impact.number, station, impact.time_s, station) if station < beliefs.count - 1 else None
        self._after: dict[int, tuple[tuple[int, ...], Contacts]] = {}
        """Last impacts and contacts of late after this one, by the identity of the first of the histories alike."""
        self._taken: dict[tuple[int, int, float, int], float] = {}
        self._passings: dict[tuple[int, int], tuple[float, list[_Passing]]] = {}
        """By the identity of a row of balls, which histories hold meanwhile, and the last impact here: those of a
        density from the first on."""
        self._fed: dict[tuple[float, float], tuple[float, float, tuple[float, ...], bool]] = {}
        self._born: dict[tuple[float, float, tuple[float, ...], int, bool], tuple[float, float, float]] = {}

    def narrow(self) -> None:
        """Work out how likely a ball now here was heard at no station before, for a better bound."""
        b, self._fresh, self.wide = self._beliefs, 1.0, False
        for k in range(self.station):
            due_s = self.time_s - b.pass_mean[k][self.station]
            self._fresh *= b.miss(k, due_s, b.pass_sd[k][self.station])
        self._newly *= self._fresh
        self.log_most = self._log_label + math.log(max(self._passing, self._newly, _TINY))

    def child(self, h: History, log_p: float, how: tuple[Move, History]) -> History:
        """Return the history with a ball's contact, of that log probability: a move, and the first one alike."""
        move, first = how
        past = Decision(
            h.past, move.kind, self._number, move.ball, self.station, self.told_s, move.floor, move.late, move.slot_s,
            self.came_s, move.between,
        )  # fmt: skip
        known = self._after.get(id(first))
        if known is None:
            last_at = (*h.last_at[: self.station], self._number, *h.last_at[self.station + 1 :])
            contacts = *self._contact, *of_late(h.contacts, self.told_s, self._beliefs.heard)
            known = self._after[id(first)] = last_at, contacts
        fed_s, period_s, slots = move.feed or h[3:6]
        return History(log_p, move.track, known[0], fed_s, period_s, slots, past, known[1])

    def moves(self, h: History, track: tuple[Ball, ...], least: float, overdue: Overdue) -> list[Move]:
        """Return what ball may have made this contact, what leads to a log probability over ``least``.

        ``track`` is the row of balls of ``h``, the same object wherever it is the same; ``overdue`` as of the impact.
        """
        over = least - h.log_p - self._log_label
        bar = math.exp(over) if over < 600.0 else _NEVER
        if bar < self._least:
            bar = self._least
        found: list[Move] = []
        last = h.last_at[self.station]
        if self._passing >= bar:
            known = self._passings.get((id(track), last))
            if known is None or bar < known[0]:
                known = self._passings[id(track), last] = bar, self._may_pass(track, last, bar, overdue)
            found += [one.move or self._by(track, one) for one in known[1] if one.most >= bar]
        if self._newly < bar:
            return found
        p, fed, period, left, came = self._not_heard_before(h, last)
        if p >= bar:
            late = self.time_s - came > self._beliefs.pass_latest[0][self.station] + ONSET_S
            place = self._joined(track, came, p, bar, overdue)
            if place < 0:
                return found
            then, same = self._row(track[:place], track[place:])
            shares: tuple[tuple[float, bool], ...] = ((1.0, False),)
            if not self.station and self._fed[h.fed_s, h.period_s][3]:
                # What comes next tells whether the turns go on from it.
                shares = (1.0 - _BETWEEN, False), (_BETWEEN, True)
            for share, between in shares:
                if share * p >= bar:
                    log, feed = math.log(share * p * self._label), None if between else (fed, period, left[-20:])
                    found.append(Move(log, then, "born", -1, 0, late, came, between, feed, others_same=same))
        return found

    def _may_pass(self, track: tuple[Ball, ...], last: int, bar: float, overdue: Overdue) -> list[_Passing]:
        """Return the balls of a row that may have made this contact, with a density of ``bar`` at least.

        ``last`` is the last impact here. A ball that comes here overtakes those ahead that have not been here, and that
        costs for each: of many that wait only the first few are asked.
        """
        q, b, found, now_s = self.station, self._beliefs, [], self.time_s
        toll, many = _SLACK, len(track) > _FEW
        for place, ball in enumerate(track):
            number, station, left_s, floor = ball
            if station >= q:
                continue
            overtaken = floor >= q
            if not (overtaken and station < q - 1) and now_s - left_s >= b.pass_soonest[station][q]:
                key = (number, station, left_s, last)
                p = self._taken.get(key, -1.0)
                if p < 0.0:
                    p = self._taken[key] = self._by_ball(ball, last)
                if overtaken:
                    p = min(p, b.overtaken * b.held(station, q, now_s - left_s))
                if p > 0.0:
                    found.append(_Passing(p, p if overtaken else p * min(toll, 1.0), place, ball, overtaken))
            if many and not overtaken:
                toll *= math.exp(overdue.of_ball(Ball(number, station, left_s, q)))
                if self._passing * min(toll, 1.0) < bar:
                    break
        return found

    def _joined(self, track: tuple[Ball, ...], fed_s: float, p: float, bar: float, overdue: Overdue) -> int:
        """Return the number of balls ahead of one not heard before, now here, by when they were fed.

        -1 where its density ``p`` comes to less than ``bar`` with what it makes of those it overtakes.
        """
        q, b, place = self.station, self._beliefs, len(track)
        if not q:
            return place
        for i, (_, station, _, floor) in enumerate(track):
            if station < q and floor < q:
                place = i
                break
        means, many, since_s = b.pass_mean[0], len(track) > _FEW, fed_s - 2.0 * b.pass_sd[0][q]
        p *= _SLACK
        for number, station, time_s, floor in track[place:]:
            if time_s - means[station] >= since_s:
                break
            if many and station < q and floor < q:
                p *= math.exp(overdue.of_ball(Ball(number, station, time_s, q)))
                if p < bar:
                    return -1
            place += 1
        return place

    def _by(self, track: tuple[Ball, ...], one: _Passing) -> Move:
        """Return what it leads to that a ball of a row made this contact, and keep that."""
        q, ball = self.station, one.ball
        late = self.time_s - ball.time_s > self._beliefs.pass_latest[ball.station][q] + ONSET_S
        floor, place, same = 0, one.place, False
        if one.overtaken:
            floor, then = q, _behind(track, place, self._here, q)
        else:
            then, same = self._row(track[:place], track[place + 1 :])
        log = math.log(one.p * self._label)
        one.move = Move(log, then, "pass", ball.last, floor, late, place=place, others_same=same)
        return one.move

    def _row(self, ahead: tuple[Ball, ...], behind: tuple[Ball, ...]) -> tuple[tuple[Ball, ...], bool]:
        """Return (row with the ball now here, whether the others are as before and it is not overdue again)."""
        q, here = self.station, self._here
        passed = _overtaken(ahead, q)
        same = passed is ahead and (here is None or self.told_s <= here.time_s + self._beliefs.latest[q])
        return (*passed, *((here, *behind) if here else behind)), same

    def _by_ball(self, ball: Ball, last: int) -> float:
        """Return the density of this contact for a ball under way; ``last`` is the last impact here."""
        b, q = self._beliefs, self.station
        took = self.time_s - ball.time_s
        if took < b.pass_soonest[ball.station][q]:
            return 0.0
        behind = self.time_s - b.heard[last] if last >= 0 else math.inf
        p = b.transit(ball.station, q, took, behind)
        if b.silences:  # mostly none
            p += stood_density(b, ball.station, q, ball.time_s, self.time_s)
        for k in range(ball.station + 1, q):
            p *= b.miss(k, ball.time_s + b.pass_mean[ball.station][k], b.pass_sd[ball.station][k])
        return p

    def _not_heard_before(self, h: History, last: int) -> tuple[float, float, float, tuple[float, ...], float]:
        """Return (density, time of the last ball fed, period, slots left, when fed) with a ball first heard here."""
        if self.station == 0:
            known = self._fed.get((h.fed_s, h.period_s))
            if known is None:
                known = self._fed[h.fed_s, h.period_s] = _fed(self._beliefs, h, self.time_s)
            p, period, slots, _ = known
            return p, self.time_s, period, (*h.slots, *slots), self.time_s
        held = not h.slots or last < 0
        if not held:
            before_s = self._beliefs.heard[last]
            ahead = decision_of(h.past, last, before_s)
            held = self.time_s - before_s > WAITED_S or (ahead is not None and ahead.late)
        key = (h.fed_s, h.period_s, h.slots, last, held)
        born = self._born.get(key)
        if born is None:
            born = self._born[key] = self._unheard_before(h, last, held)
        p, used, came = born
        period = h.period_s
        if used != math.inf:
            return p, h.fed_s, period, tuple(t for t in h.slots if t != used) if h.slots else (), came
        # The pace is told by a ball unheard at the start, if less exactly.
        step = (came - h.fed_s) / max(1, round((came - h.fed_s) / period))
        period += (_GAIN / 2.0 if abs(step / period - 1.0) < 0.5 else 0.0) * (step - period)
        return p, came, period, h.slots, came

    def _unheard_before(self, history: History, last: int, held: bool) -> tuple[float, float, float]:
        """Return (density, slot used or NaN, time fed) of a ball first heard here, behind the first station.

        ``last`` is the last impact here, ``held`` whether that was late: only then may balls have waited behind it.
        """
        beliefs, q = self._beliefs, self.station
        fed = self.time_s - beliefs.pass_mean[0][q]
        if not beliefs.paced or math.isnan(history.fed_s) or history.period_s <= 0:
            return self._fresh * beliefs.feed_rate, math.nan, fed
        sd = math.hypot(beliefs.pass_sd[0][q], beliefs.pace_sd * history.period_s)
        best, used, came = 0.0, math.nan, fed
        behind = self.time_s - beliefs.heard[last] if last >= 0 else math.inf
        for slot in history.slots:
            z = (fed - slot) / sd
            even, late = math.exp(-0.5 * z * z) / (sd * 2.5066), 0.0
            if z > 2.0:  # fed in that slot and held up since
                if held or self.time_s - behind - beliefs.pass_mean[0][q] < slot:
                    late = beliefs.transit(0, q, self.time_s - slot, behind)
                else:  # and overtaken by one fed later
                    late = beliefs.overtaken * beliefs.held(0, q, self.time_s - slot)
            density = (even + late) / beliefs.p_gap
            if density > best:
                # That it was held up is not said where it may as well have been fed later than the pace has it.
                surely = z <= 2.0 or late > beliefs.settings.claim_odds * even
                best, used, came = density, slot, slot if surely else fed
        if fed > history.fed_s + 0.5 * history.period_s:  # the slot now due
            blur, waited = beliefs.pass_sd[0][q], fed - history.fed_s
            for turns, density in beliefs.due(waited, history.period_s, history.fed_s, blur):
                if density > best:
                    # Fed as both the pace and the transit have it.
                    turn = turns * history.period_s
                    even = (max(beliefs.pace_sd, 0.01) * history.period_s) ** 2 * turns
                    came = history.fed_s + turn + (waited - turn) * even / (even + blur * blur)
                    best, used = density, math.inf
        if beliefs.unlistened(fed - 3 * sd, fed + 3 * sd):
            best = max(best, beliefs.feed_rate)
        loose, on_s = 0.01 * beliefs.feed_rate, went_on(beliefs, history.fed_s)
        if not math.isnan(on_s):
            best = min(fed_anyhow(beliefs, fed - on_s), goes_on(beliefs, self.time_s))
            used, came = math.inf, fed
        elif used == math.inf:  # a feed that rests is as unlikely whether the next ball is heard at the start or not
            loose = 0.01 * fed_anyhow(beliefs, fed - history.fed_s)
        return self._fresh * (0.99 * best + loose), used, came


def next_period(period_s: float, step_s: float) -> float:
    """Return the period of a feed followed, in s, after one more interval."""
    gain = _GAIN if abs(step_s / period_s - 1.0) < 0.5 else _ODD_GAIN
    return period_s + gain * (step_s - period_s)


def _most_fed(beliefs: Beliefs, station: int, period_s: float) -> float:
    """Return the highest density of a ball first heard at a station, by any history of at least that feed period."""
    pace = 0.4 / (max(beliefs.pace_sd, 0.01) * period_s)
    if station == 0:
        return 3.0 * pace + beliefs.feed_rate
    late = 0.5 / beliefs.pass_sd[0][station] + beliefs.late_most
    return max(pace, late / beliefs.p_gap) + beliefs.feed_rate


def _fed(beliefs: Beliefs, history: History, time_s: float) -> tuple[float, float, tuple[float, ...], bool]:
    """Return (density, new period, slots left empty, fed between turns) of a ball heard at the first station."""
    if math.isnan(history.fed_s):
        return beliefs.feed_rate, history.period_s, (), False
    waited = time_s - history.fed_s
    on_s = went_on(beliefs, history.fed_s)
    if not math.isnan(on_s):
        return min(fed_anyhow(beliefs, time_s - on_s), goes_on(beliefs, time_s)), history.period_s, (), False
    if history.period_s <= 0:
        return fed_anyhow(beliefs, waited, RESTS), waited, (), False
    period = history.period_s
    choices = beliefs.due(waited, period, history.fed_s)
    slots, _ = max(choices, key=lambda c: c[1])
    density = sum(d for _, d in choices)
    share = 1.0 - RESTS if beliefs.paced else 0.0
    loose = fed_anyhow(beliefs, waited, 1.0 if beliefs.paced else RESTS)
    between = waited < period and share * density < (1.0 - share) * loose < loose
    step = waited / slots
    empty = tuple(history.fed_s + k * step for k in range(1, min(slots, 20))) if beliefs.paced else ()
    empty = tuple(t for t in empty if not beliefs.unlistened(t, t))
    return share * density + (1.0 - share) * loose, next_period(period, step), empty, between


def _behind(track: tuple[Ball, ...], place: int, ball: Ball | None, station: int) -> tuple[Ball, ...]:
    """Put ``ball``, that was at ``place``, behind those that have overtaken it."""
    rest = track[:place] + track[place + 1 :]
    at = max((i + 1 for i, b in enumerate(rest) if b.station >= station), default=place)
    return (*rest[:at], *((ball,) if ball else ()), *rest[at:])


def _overtaken(ahead: tuple[Ball, ...], station: int) -> tuple[Ball, ...]:
    """Return balls ahead of one heard at a station: those that have not passed it are overtaken there."""
    for _, q, _, floor in ahead:
        if q < station and floor < station:
            return tuple(b if b[1] >= station or b[3] >= station else Ball(b[0], b[1], b[2], station) for b in ahead)
    return ahead
