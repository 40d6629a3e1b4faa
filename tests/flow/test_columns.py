"""Every ball is in one column: arrived, stuck, undecided, under way at the end, or not followed."""

from __future__ import annotations

import numpy as np
import pytest
from test_silence import EVEN, OWN, ROUTE, Row, flow, follow

from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Ledger
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan


def rows_of(ways: list[list[Row]]) -> list[Row]:
    return sorted(r for way in ways for r in way)


def follow_with_gap(rows: list[Row], low: float, high: float) -> Ledger:
    rows = [r for r in rows if not low < r[0] < high]
    table = Impacts.of(
        len(rows), time_s=[r[0] for r in rows], station=[r[1] for r in rows], station_confidence=0.99, odds=1e7
    )
    return follow_balls(table, ROUTE, end_s=170.0, gaps_s=[(low, high)])


def jammed(at: int, balls: int) -> list[list[Row]]:
    """Return the ways of balls held before the tray and let go within a second."""
    ways = flow(EVEN)
    free = ways[at + balls - 1][2][0] + 0.5
    for k in range(balls):
        ways[at + k][2] = (free + 0.9 * k / balls, "tray")
    return ways


@pytest.mark.parametrize("balls", [8, 15, 25])
def test_balls_that_a_jam_lets_go_at_once_were_held_up(balls: int) -> None:
    ledger = follow(rows_of(jammed(40, balls)))
    assert not any("nothing was heard" in n for n in ledger.notes)
    assert (ledger.fed, ledger.arrived, ledger.accounted) == (100, 100, 100)
    assert (ledger.count("held_up"), len(ledger.findings)) == (balls, balls)


@pytest.mark.parametrize("dead", ["landing", "bend", "tray"])
@pytest.mark.parametrize("until_s", [120.0, 999.0])
def test_balls_that_pass_a_dead_microphone_are_accounted_for(dead: str, until_s: float) -> None:
    heard = [r for r in rows_of(flow(EVEN)) if not (r[1] == dead and 80.0 < r[0] < until_s)]
    ledger = follow(heard, settings=OWN)
    assert ledger.accounted == ledger.fed == 100
    assert (ledger.not_followed > 20) == (dead == "tray" and until_s < 170.0)
    assert (ledger.undecided > 20) == (dead == "tray" and until_s > 170.0)


def test_balls_on_their_way_in_a_gap_are_not_followed() -> None:
    ledger = follow_with_gap(rows_of(flow(EVEN)), 60.0, 75.0)
    assert ledger.accounted == ledger.fed
    assert ledger.findings == ()
    assert 1 <= ledger.not_followed <= 2
    assert ledger.to_dict()["not_followed"] == ledger.not_followed


@pytest.mark.parametrize(("stated", "not_followed", "accounted"), [(130, 30, 130), (100, 0, 100), (12, 0, 100)])
def test_balls_stated_but_never_heard_are_not_followed(stated: int, not_followed: int, accounted: int) -> None:
    ledger = follow(rows_of(flow(EVEN)), feed=FeedPlan(None, stated))
    assert (ledger.fed, ledger.not_followed, ledger.accounted) == (stated, not_followed, accounted)


def test_many_faults_add_up() -> None:
    rng = np.random.default_rng(11)
    ways = flow(EVEN)
    for number in rng.choice(100, 20, replace=False).tolist():
        way = ways[number]
        ways[number] = [way[:1], way[:2], way[1:], [way[0], way[2]], []][int(rng.integers(5))]
    strays = [(float(t), "") for t in rng.uniform(5.0, 160.0, 6)]
    for end_s in (90.0, 123.4, 170.0):
        ledger = follow([r for r in [*rows_of(ways), *strays] if r[0] < end_s], end_s)
        assert ledger.accounted == ledger.fed
