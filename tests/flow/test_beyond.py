"""More balls followed than were fed: of the lost ones heard once only as many are strays."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.beyond import Rest, without_foreign
from noisecheck.flow.findings import Finding, OpenBall
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route


def _rest(*odds: float, once: set[int], beyond: int, still_open: float = 0.0) -> Rest:
    found = [Finding("stuck", 10.0 * n, "landing", o, f"never at bend, {o:.0f} : 1", n) for n, o in enumerate(odds)]
    left = [OpenBall(99, "landing", 5.0, (("stuck", still_open),))] if still_open else []
    return without_foreign(found, left, once, beyond, LedgerSettings(claim_last_odds=1.0))


def _said(rest: Rest) -> list[tuple[str, float]]:
    return [(f.kind, pytest.approx(f.odds, rel=0.05)) for f in rest.findings]


def test_a_ball_too_many_heard_once_is_a_stray_unless_the_stated_number_is_wrong() -> None:
    assert _said(_rest(4.0, once={0}, beyond=1)) == [("stray", 25.0)]
    assert _rest(4.0, once={0}, beyond=1).foreign == 1
    assert _said(_rest(400.0, once={0}, beyond=1)) == [("stuck", 4.0)]
    assert _said(_rest(4.0, once={0}, beyond=0)) == [("stuck", 4.0)]
    assert _said(_rest(4.0, once=set(), beyond=1)) == [("stuck", 4.0)]  # heard at two stations


def test_which_of_several_is_one_their_odds_tell() -> None:
    rest = _rest(4.0, 400.0, once={0, 1}, beyond=1)
    assert {f.time_s: f.kind for f in rest.findings} == {0.0: "stray", 10.0: "stuck"}
    even = _rest(20.0, 20.0, once={0, 1}, beyond=1)
    assert all(f.odds == pytest.approx(1.0, rel=0.2) for f in even.findings)
    assert len(even.findings) + len(even.open_balls) == 2
    assert _said(_rest(30.0, once={0, 99}, beyond=1, still_open=0.5))[0][0] == "stuck"


def test_a_stray_at_a_balls_turn_is_told_by_the_number_fed() -> None:
    rng = np.random.default_rng(4)
    fed = 1.0 + 2.0 * np.arange(13)
    rows = [(t + took, name) for t in fed[:12] for took, name in ((0.0, "landing"), (1.0, "bend"), (1.7, "tray"))]
    rows = sorted([*((t + rng.normal(0.0, 0.01), name) for t, name in rows), (float(fed[12]), "landing")])
    table = Impacts.of(
        len(rows),
        time_s=[t for t, _ in rows],
        station=[n for _, n in rows],
        station_confidence=0.999,
        odds=1e6,
        drop=-1,
    )
    route = Route(("landing", "bend", "tray"), ((0.9, 1.1), (0.6, 0.8)))

    def told(balls: int | None) -> tuple[list[tuple[str, float]], int]:
        ledger = follow_balls(table, route, end_s=45.0, feed=FeedPlan(balls=balls))
        return [(f.kind, f.time_s) for f in ledger.findings], ledger.accounted

    assert told(None) == told(13) == ([("stuck", 25.0)], 13)
    assert told(12) == ([("stray", 25.0)], 12)
