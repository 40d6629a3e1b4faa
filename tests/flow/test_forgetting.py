"""What was settled long ago is let go of: a watch goes on for days."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.flow import book
from noisecheck.flow.findings import Ledger
from noisecheck.flow.route import FeedPlan, Route
from noisecheck.flow.solver import LedgerSolver

PERIOD_S, BALLS, LOST = 0.5, 200, (40, 160)


def _followed() -> tuple[LedgerSolver, Ledger]:
    """Return what has followed the balls of a run, two of which are lost, and its ledger."""
    rng = np.random.default_rng(7)
    fed_s = 1.0 + PERIOD_S * np.arange(BALLS) + rng.normal(0.0, 0.01, BALLS)
    came_s = np.delete(fed_s + 0.8 + rng.normal(0.0, 0.02, BALLS), LOST)
    times = np.concatenate([fed_s, came_s, [77.72]])
    codes = np.repeat((0, 1, -1), (len(fed_s), len(came_s), 1))
    order = np.argsort(times)
    solver = LedgerSolver(Route(("landing", "tray"), ((0.7, 0.9),)), feed=FeedPlan(period_s=PERIOD_S))
    for part in np.array_split(order, 40):
        solver.update(times[part], codes[part], now_s=float(times[part[-1]]))
    return solver, solver.finish(float(times.max()) + 5.0)


def test_what_is_kept_does_not_grow_with_the_run_and_the_ledger_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book, "_AT_ONCE", 50)
    monkeypatch.setattr(book, "_FORGET_S", 20.0)
    solver, ledger = _followed()
    kept = [i for i in solver.book.impacts if math.isfinite(i.time_s)]
    assert len(kept) < 0.8 * len(solver.book.impacts)
    assert len(solver.book.ball_of) < 20
    decisions, at = 0, solver._histories[0].past
    while at is not None:
        decisions, at = decisions + 1, at.before
    assert decisions < 200
    monkeypatch.setattr(book, "_AT_ONCE", 10**9)
    assert _followed()[1] == ledger
    assert [f.kind for f in ledger.findings] == ["stuck", "stray", "stuck"]
