"""Balls overtaken for long, and one sound found twice."""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_ledger import ROUTE, STATIONS, TRANSIT, follow, only, quiet_run, with_levels

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.histories import Ball, Overdue
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings


@pytest.mark.parametrize("late_s", [4.5, 7.0])
def test_a_ball_overtaken_is_waited_for_as_long_as_such_balls_take(late_s: float) -> None:
    ways = quiet_run()
    at, name = ways[30][3]
    ways[30][3] = (at + late_s + 0.3, name)
    finding = only(follow(ways))
    assert (finding.kind, finding.station, finding.ball) == ("held_up", "tray", 30)


@pytest.mark.parametrize("period_s", [None, 2.0])
def test_a_ball_on_its_way_while_the_machine_stands_still_is_held_up(period_s: float | None) -> None:
    ways, stop_s = quiet_run(), 61.5
    assert any(way[0][0] < stop_s < way[1][0] for way in ways)
    ways = [[(at + 20.0 * (at > stop_s), name) for at, name in way] for way in ways]
    ledger = follow(ways, end_s=155.0, feed=FeedPlan(period_s))
    assert {f.kind for f in ledger.findings} == {"held_up"}
    assert (ledger.fed, ledger.arrived) == (60, 60)


def test_one_sound_found_twice_is_one_stray() -> None:
    impacts = with_levels(quiet_run(), [(61.37, "tray", 0.99, 0.0), (61.3735, "", 0.99, -4.0)])
    ledger = follow_balls(impacts, ROUTE, end_s=135.0)
    assert [(f.kind, round(f.time_s, 2)) for f in ledger.findings] == [("stray", 61.37)]


def test_a_ball_overtaken_unheard_was_missed_at_every_station_on_its_way() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), [], 0.0)
    beliefs.hear(100.0, -50.0, True)
    beliefs.hear(110.0, -50.0, True)
    last, first = (Ball(0, q, 100.0 - beliefs.pass_mean[q][3], 3) for q in (2, 0))  # due at the tray when one was heard
    assert Overdue(110.0, beliefs).log_p((last,)) > math.log(3.0 * beliefs.p_stuck)
    assert Overdue(110.0, beliefs).log_p((first,)) < math.log(1.5 * beliefs.p_stuck)


@pytest.mark.parametrize("phase_s", [0.9, 1.3])
def test_a_ball_fed_between_two_turns_is_a_ball(phase_s: float) -> None:
    ways, rng = quiet_run(), np.random.default_rng(3)
    at = ways[30][0][0] + phase_s
    extra = [(at, STATIONS[0])]
    for transit, name in zip(TRANSIT, STATIONS[1:], strict=True):
        at += transit + rng.normal(0, 0.03)
        extra.append((at, name))
    ledger = follow([*ways[:31], extra, *ways[31:]])
    assert (ledger.fed, ledger.arrived, ledger.findings) == (61, 61, ())
