"""Many balls wait behind one that is held up, then all come: what that takes, and what is said of it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.flow.arrivals import Arrival
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.findings import Ledger
from noisecheck.flow.histories import Ball, History, Overdue
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.steps import _beam

PERIOD_S, JAM_S, APART_S = 0.5, 6.0, 0.15
WAY = Route(("landing", "bend", "tray"), ((0.85, 1.15), (0.6, 0.8)))


def _heard(waiting: int, at: int = 0, apart_s: float = APART_S) -> tuple[np.ndarray, np.ndarray]:
    """Return (s, station) of a run in which so many balls wait at one station, and are let go at once."""
    rng = np.random.default_rng(3)
    until_s = JAM_S + waiting * PERIOD_S
    fed_s = np.arange(1.0, until_s + 10.0, PERIOD_S)
    fed_s += rng.normal(0.0, 0.01, len(fed_s))
    heard, before_s = [(t, 0) for t in fed_s], [0.0, 0.0]
    for came_s in fed_s:
        for link, middle_s in enumerate((1.0, 0.7)):
            came_s += middle_s + rng.normal(0.0, 0.02)
            if link == at and JAM_S <= came_s < until_s:
                came_s = until_s
            came_s = before_s[link] = max(came_s, before_s[link] + apart_s)
            heard.append((came_s, link + 1))
    times, codes = zip(*sorted(heard), strict=True)
    return np.array(times), np.array(codes)


def _followed(waiting: int) -> tuple[Ledger, int]:
    times, codes = _heard(waiting)
    solver = LedgerSolver(WAY, feed=FeedPlan(period_s=PERIOD_S), at_once=False)
    solver.update(times, codes, now_s=float(times[-1]))
    return solver.finish(float(times[-1]) + 1.0), len(times)


@pytest.fixture
def looked_at(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count the balls in the rows that are made and weighed, as a list of rows."""
    rows: list[int] = []
    weigh, row = Overdue.of, Arrival._row

    def weighed(self: Overdue, track: tuple[Ball, ...]) -> object:
        rows.append(len(track))
        return weigh(self, track)

    def made(self: Arrival, ahead: tuple[Ball, ...], behind: tuple[Ball, ...]) -> object:
        rows.append(len(ahead) + len(behind))
        return row(self, ahead, behind)

    monkeypatch.setattr(Overdue, "of", weighed)
    monkeypatch.setattr(Arrival, "_row", made)
    return rows


def test_each_impact_takes_no_more_work_than_in_proportion_to_the_balls_that_wait(looked_at: list[int]) -> None:
    each = []
    for waiting in (8, 24):
        looked_at.clear()
        ledger, impacts = _followed(waiting)
        each.append(sum(looked_at) / impacts)
        held = [f for f in ledger.findings if f.kind == "held_up"]
        assert len(held) >= waiting
        assert len(held) == len(ledger.findings)
        assert ledger.undecided == 0
    assert each[1] < 2.0 * (24 / 8) * each[0]  # more of the longer run is spent so


@pytest.mark.parametrize(("balls", "histories"), [(0, 60), (48, 60), (72, 40), (400, 24)])
def test_fewer_histories_are_kept_where_many_balls_are_under_way(balls: int, histories: int) -> None:
    row = tuple(Ball(n, 0, 0.1 * n, 0) for n in range(balls))
    best = History(0.0, row, (-1,) * 3, math.nan, 0.0, (), None)
    assert _beam(best, Beliefs(WAY, FeedPlan(), LedgerSettings(), [], 0.0)) == histories


@pytest.mark.parametrize("seed", [3])
def test_a_jam_is_found_where_contacts_are_placed_in_doubt(seed: int) -> None:
    """With fewer histories half of its balls were given up."""
    times, codes = _heard(24, 1, apart_s=0.1)
    rng = np.random.default_rng(seed)
    sure, heard = rng.uniform(0.6, 0.99, len(times)), rng.random(len(times)) > 0.03
    solver = LedgerSolver(WAY, feed=FeedPlan(period_s=PERIOD_S), at_once=False)
    solver.update(times[heard], codes[heard], now_s=float(times[-1]), confidence=sure[heard])
    ledger = solver.finish(float(times[-1]) + 1.0)
    assert ledger.undecided <= 2
    assert ledger.arrived >= 50
