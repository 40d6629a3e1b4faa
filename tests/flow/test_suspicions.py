"""What is suspected at once: whether it still holds when it is told, and who settles it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flowmaker import STATIONS, WINDOWS, heard

from noisecheck.flow.findings import Finding
from noisecheck.flow.route import LedgerSettings, Route
from noisecheck.flow.solver import LedgerSolver

PERIOD_S, TRANSIT_S, HELD_S = 2.0, (1.0, 1.8, 0.65), 1.4
HELD, STRAY_S = 20, 45.53
"""The ball that comes late at the second station, and a stray that nothing else explains."""


def _impacts(*unheard: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return times and stations of a run of 40 balls, but for what is ``unheard`` of it: (ball, station)."""
    rng = np.random.default_rng(3)
    rows = [(STRAY_S, -1)]
    for ball in range(40):
        at = 3.0 + PERIOD_S * ball + rng.normal(0, 0.02)
        rows.append((at, 0))
        gone = {q for number, q in unheard if number == ball}
        for q, transit in enumerate(TRANSIT_S, start=1):
            at += transit + rng.normal(0, 0.03) + HELD_S * (ball == HELD and q == 1)
            if q not in gone:
                rows.append((at, q))
    times, codes = zip(*sorted(rows), strict=True)
    return np.array(times), np.array(codes)


TIMES, CODES = _impacts()
LAST_S = float(TIMES[CODES == 0][HELD])
"""When the ball held up was last heard."""
CAME_S = float(TIMES[CODES == 1][HELD])


class Fed:
    """A solver and what it has been told so far."""

    def __init__(self, times: np.ndarray = TIMES, codes: np.ndarray = CODES, **settings: float) -> None:
        self.solver, self.at = LedgerSolver(Route(STATIONS, WINDOWS), settings=LedgerSettings(**settings)), 0
        self.times, self.codes = times, codes

    def to(self, now_s: float) -> list[Finding]:
        until = int(np.searchsorted(self.times, now_s, "right"))
        part, self.at = slice(self.at, until), until
        return list(self.solver.update(self.times[part], self.codes[part], now_s=now_s))


def _suspected(news: list[Finding], kind: str) -> Finding:
    (found,) = (f for f in news if (f.kind, f.state) == (kind, "suspected"))
    return found


def test_a_suspicion_stands_until_the_ball_comes() -> None:
    fed = Fed()
    held = _suspected(fed.to(CAME_S - 0.05), "stuck")
    assert held.time_s == LAST_S
    assert fed.solver.stands(held)
    fed.to(CAME_S + 0.05)
    assert not fed.solver.stands(held)  # though that is not settled yet
    assert [f.kind for f in fed.to(CAME_S + 12.0) if f.closes_s == LAST_S] == ["held_up"]


def test_what_was_over_before_it_was_told_is_forgotten() -> None:
    fed = Fed()
    held = _suspected(fed.to(CAME_S + 0.05), "stuck")  # all at once
    fed.solver.forget(held)
    (late,) = (f for f in fed.to(CAME_S + 12.0) if f.kind == "held_up")
    assert np.isnan(late.closes_s)


@pytest.mark.parametrize(
    ("kind", "told_s", "at_s"), [("stuck", CAME_S - 0.05, LAST_S), ("stray", STRAY_S + 0.3, STRAY_S)]
)
def test_who_follows_anew_takes_over_what_is_not_settled(kind: str, told_s: float, at_s: float) -> None:
    held = replace(_suspected(Fed().to(told_s), kind), why="said before")
    fed = Fed()
    fed.to(CAME_S + 0.05 if kind == "stuck" else told_s)
    assert fed.solver.take_over(held)
    assert fed.solver.take_over(held)  # once more
    news = fed.to(told_s + 15.0)
    if kind == "stuck":
        assert [f.kind for f in news if f.closes_s == at_s] == ["held_up"]
    else:
        assert [f.state for f in news if f.kind == "stray"] == ["settled"]
    assert not fed.solver.take_over(held)  # settled by now
    assert not fed.solver.take_over(replace(held, time_s=at_s + 0.01))  # nothing was heard then


BALL = 30


def _of_ball(*unheard: int) -> tuple[float, list[tuple[float, Finding]]]:
    """Return when a ball was last heard before stations at which it is not, and what is said of it: (when, what)."""
    times, codes = _impacts(*((BALL, q) for q in unheard))
    left_s = float(TIMES[unheard[0] - 1 == CODES][BALL])
    fed, said = Fed(times, codes), []
    for now_s in np.arange(0.0, left_s + 12.0, 0.05):
        said += [(float(now_s), f) for f in fed.to(float(now_s)) if f.kind == "stuck" and f.time_s == left_s]
    return left_s, said


def test_what_a_second_may_yet_tell_is_waited_for() -> None:
    _, said = _of_ball(2)  # it is heard at the last station before a second is over
    assert said == []
    left_s, said = _of_ball(2, 3)
    now_s, found = said[0]
    latest_s = left_s + WINDOWS[1][1]
    assert found.state == "suspected"
    assert latest_s + 0.2 < now_s < latest_s + 0.85
    assert found.odds > 25.0  # what nothing was heard at bend alone bears out is 10 : 1


def test_what_cannot_tell_within_a_second_is_not_waited_for_and_closes_the_suspicion_at_once() -> None:
    left_s, said = _of_ball(1)
    (told_s, told), (closed_s, closed) = said
    assert (told.state, closed.state) == ("suspected", "closed")
    assert told_s < left_s + WINDOWS[0][1] + 0.1
    assert closed_s < left_s + sum(TRANSIT_S[:2]) + 0.3  # when it is heard again, not when that is settled


@pytest.mark.parametrize(("miss", "claimed"), [(3e-4, True), (6e-4, True), (0.05, False)])
def test_what_will_be_claimed_where_no_later_station_tells_is_suspected_at_once(miss: float, claimed: bool) -> None:
    last = len(STATIONS) - 1
    times, codes = _impacts((BALL, last))
    left_s = float(times[codes == last - 1][BALL])
    fed = Fed(times, codes, miss=miss)
    latest_s = left_s + WINDOWS[-1][1]
    fed.to(latest_s - 0.05)
    suspected = [f.time_s for f in fed.to(latest_s + 0.85) if f.kind == "stuck"]
    assert suspected == [left_s] * claimed
    found = [f for f in fed.solver.finish(latest_s + 30.0).findings if f.time_s == left_s]
    assert [(f.kind, f.odds < LedgerSettings().suspect_odds) for f in found] == [("stuck", True)] * claimed


@pytest.mark.parametrize(("station", "confidence", "after_s"), [(-1, 0.5, 1.3), (1, 0.6, 1.7)])
def test_a_stray_that_passed_for_a_late_ball_is_said_when_that_comes(
    station: int, confidence: float, after_s: float
) -> None:
    rng = np.random.default_rng(3)
    rows = []
    for ball in range(26):
        at = 3.0 + 6.0 * ball + rng.normal(0, 0.02)
        rows.append((at, 0, 1.0))
        if ball == HELD:
            stray_s, came_s = at + after_s, at + 5.0
            rows.append((stray_s, station, confidence))
        for q, transit in enumerate(TRANSIT_S, start=1):
            at += transit + rng.normal(0, 0.03) + 4.0 * (ball == HELD and q == 1)
            rows.append((at, q, 1.0))
    times, codes, sure = (np.array(column) for column in zip(*sorted(rows), strict=True))
    solver, known = LedgerSolver(Route(STATIONS, WINDOWS)), 0
    for now_s in np.arange(0.1, came_s + 0.3, 0.1):
        until = int(np.searchsorted(times, now_s, "right"))
        part, known = slice(known, until), until
        news = solver.update(times[part], codes[part], confidence=sure[part], now_s=float(now_s))
        if any(f.kind == "stray" for f in news):
            break
    assert [(f.kind, f.state, f.time_s) for f in news if f.kind == "stray"] == [("stray", "suspected", stray_s)]


@pytest.mark.parametrize(
    ("station", "confidence", "within_s"),
    [
        pytest.param(-1, 0.5, 0.25, id="no rebound of it comes"),
        pytest.param(1, 0.6, 1.2, id="no ball comes to the next station"),
    ],
)
def test_a_stray_is_said_as_soon_as_what_is_not_heard_tells(station: int, confidence: float, within_s: float) -> None:
    rng, rows = np.random.default_rng(3), []
    for ball in range(40):
        at = 3.0 + 4.0 * ball + rng.normal(0.0, 0.02)
        for place, (transit_s, rebound_s) in enumerate(((0.0, 0.15), (0.9, 0.12))):
            at += transit_s + rng.normal(0.0, 0.02)
            rows.append((at, place, -50.0 + rng.normal(0.0, 0.5), 1.0, 2 * ball + place, 0))
            since_s = rebound_s + rng.normal(0.0, 0.002)
            rows.append((at + since_s, place, -54.0 + rng.normal(0.0, 0.5), 1.0, 2 * ball + place, 1))
        if ball == 30:
            stray_s = at + 0.06
    route = Route(("landing", "tray"), ((0.8, 1.0),))
    before = [r for r in sorted(rows) if r[0] < 100.0]
    solver = LedgerSolver(route)
    solver.learn_habits(
        heard([(t, route.stations[q], *r[:2]) for t, q, *r in before], *([r[k] for r in before] for k in (4, 5)))
    )
    rows = sorted([*rows, (stray_s, station, -50.5, confidence, 999, 0)])
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    known, news = 0, list[Finding]()
    for now_s in np.arange(0.1, stray_s + within_s, 0.05):
        part = slice(known, known := int(np.searchsorted(columns[0], now_s, "right")))
        times, codes, level, sure, drop, rebound = (column[part] for column in columns)
        news += solver.update(
            times, codes, now_s=float(now_s), level_db=level, confidence=sure, drop=drop, rebound=rebound
        )
    (found,) = (f for f in news if f.kind == "stray")
    assert found.time_s == stray_s


def test_a_ball_that_the_next_station_tells_no_more_of_in_time_is_said_at_the_odds_of_a_claim() -> None:
    """Between the odds of a suspicion and those of a claim; the station behind it is due a second and more later."""
    lost = 30
    times, codes = _impacts((lost, 1), (lost, 2), (lost, 3))
    fed = Fed(times, codes, miss=1.3e-3)
    last_s = float(times[codes == 0][lost])
    (said,) = (f for f in fed.to(last_s + 8.0) if f.state == "suspected" and abs(f.time_s - last_s) < 0.01)
    assert 2.0 < said.odds < 5.0
    assert said.said_s == pytest.approx(last_s + WINDOWS[0][1] + 0.75, abs=1e-6)
