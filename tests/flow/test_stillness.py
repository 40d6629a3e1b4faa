"""A machine that is stopped and goes on, or stays still: what lay on the way is not lost for that."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.solver import LedgerSolver

WAY = Route(("landing", "bend", "tray"), ((0.85, 1.15), (0.6, 0.8)))
PERIOD_S, STOP_S = 1.2, 40.7
"""The ball fed at 40.5 s is on its way to the bend then, and the one before it on its way to the tray."""
SETTINGS = LedgerSettings(copied=0.0)


def _heard(
    until_s: float, *, lost: tuple[int, int] = (-1, -1), fed: int = 1000, rests: tuple[int, int] = (0, 0)
) -> list[tuple[float, int]]:
    """Return (s, station) of what is heard of a machine that goes on; ball ``lost[0]`` is last heard at ``lost[1]``.

    Of the turns from the first of ``rests`` on to the last none feeds a ball.
    """
    rng = np.random.default_rng(2)
    rows = []
    for ball in range(min(fed, int(until_s / PERIOD_S))):
        at = 0.9 + PERIOD_S * ball + rng.normal(0.0, 0.02)
        for q, middle_s in enumerate((0.0, 1.0, 0.7)):
            at += middle_s + rng.normal(0.0, 0.02)
            if (ball != lost[0] or q <= lost[1]) and not rests[0] <= ball < rests[1]:
                rows.append((at, q))
    return sorted(r for r in rows if r[0] < until_s)


def _stopped(rows: list[tuple[float, int]], pause_s: float) -> list[tuple[float, int]]:
    return [(t + pause_s * (t > STOP_S), q) for t, q in rows]


def _followed(rows: list[tuple[float, int]], end_s: float, **feed: float) -> tuple[Ledger, list[Finding]]:
    """Return the ledger, and all that was said while it was followed by tenths of a second."""
    times, codes = np.array([t for t, _ in rows]), np.array([q for _, q in rows])
    solver = LedgerSolver(WAY, feed=FeedPlan(**feed), settings=SETTINGS)
    said, at = [], 0
    for now_s in np.arange(0.5, end_s, 0.1).tolist():
        until = int(np.searchsorted(times, now_s, "right"))
        said += solver.update(times[at:until], codes[at:until], now_s=now_s)
        at = until
    return solver.finish(end_s), said


def _suspected(said: list[Finding]) -> list[tuple[str, float]]:
    return [(f.kind, round(f.said_s, 1)) for f in said if f.state == "suspected"]


@pytest.mark.parametrize("pause_s", [90.0, 300.0])
def test_what_lay_on_the_way_when_a_machine_was_stopped_is_held_up(pause_s: float) -> None:
    ledger, said = _followed(_stopped(_heard(80.0), pause_s), 80.0 + pause_s)
    held = [f for f in ledger.findings if f.kind == "held_up"]
    assert len(held) == len(ledger.findings) == 2
    assert all(f.time_s - STOP_S - pause_s < 1.5 for f in held)
    assert ledger.undecided == 0
    assert len(_suspected(said)) <= 1  # before the next ball was due, too


def test_a_machine_that_stays_still_has_lost_no_ball() -> None:
    rows = [r for r in _heard(80.0) if r[0] < STOP_S]
    for end_s in (60.0, 150.0):
        ledger, _ = _followed(rows, end_s)
        assert ledger.findings == ()
        assert (ledger.under_way, ledger.undecided) == (2, 0)
        assert ledger.to_dict()["under_way"] == 2
        (note,) = ledger.notes
        assert note.startswith("2 balls late when nothing more was heard from 40.5 s on")


@pytest.mark.parametrize("balls", [33, None])
def test_the_last_ball_of_a_feed_is_stuck_where_nothing_behind_it_is_missed(balls: int | None) -> None:
    """Where nobody says that no more were to come, what it blocks may be the reason."""
    rows = _heard(60.0, lost=(32, 0), fed=33)
    last_s = max(t for t, q in rows if q == 0)
    ledger, said = _followed(rows, 80.0, **({} if balls is None else {"balls": balls}))
    assert [(f.kind, f.time_s) for f in ledger.findings] == [("stuck", last_s)]
    assert ledger.under_way == 0
    due_s = last_s + WAY.transit_s[0][1]  # type: ignore[index]
    assert [said_s < due_s + 1.0 for _, said_s in _suspected(said)] == [True]


def test_a_ball_that_stays_away_when_the_machine_goes_on_is_suspected_then() -> None:
    last_s = next(t for t, q in reversed(_heard(STOP_S)) if q == 0)
    rows = _stopped(_heard(80.0, lost=(round((last_s - 0.9) / PERIOD_S), 0)), 90.0)
    ledger, said = _followed(rows, 170.0)
    assert [f.time_s for f in ledger.findings if f.kind == "stuck"] == [last_s]
    stuck = [f for f in said if f.state == "suspected" and f.kind == "stuck" and f.time_s == last_s]
    on_s = min(t for t, _ in rows if t > STOP_S + 1.0)
    assert len(stuck) == 1
    assert stuck[0].said_s < on_s + WAY.transit_s[0][1] + 1.0  # type: ignore[index]


def test_a_feed_that_rests_amid_other_sounds_feeds_balls_again() -> None:
    rows = _heard(150.0, rests=(31, 86))
    rows += [(t, -1) for t in np.arange(43.0, 103.0, 4.0).tolist()]
    ledger, _ = _followed(sorted(rows), 150.0)
    assert {f.kind for f in ledger.findings} <= {"stray"}
    assert all(43.0 <= f.time_s < 103.0 for f in ledger.findings)


@pytest.mark.parametrize("period_s", [30.0, 120.0])
def test_waits_of_a_sparse_feed_are_no_standstill(period_s: float) -> None:
    rows = [(5.0 + period_s * ball + after_s, q) for ball in range(20) for q, after_s in enumerate((0.0, 1.0, 1.7))]
    rows = rows[:-2]  # the last one is heard at the first station only
    end_s = rows[-1][0] + 0.8 * period_s
    solver = LedgerSolver(WAY, settings=SETTINGS)
    solver.update([t for t, _ in rows], [q for _, q in rows], now_s=end_s)
    ledger = solver.finish(end_s)
    assert [(f.kind, f.time_s) for f in ledger.findings] == [("stuck", rows[-1][0])]
    assert (ledger.arrived, ledger.under_way) == (19, 0)
    assert abs(solver.beliefs.period_s / period_s - 1.0) < 0.1
