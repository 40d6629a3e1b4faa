"""One run read by several transit times that explain it alike."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.readings import agreed, borne_out, other_readings, untold
from noisecheck.flow.route import Route
from noisecheck.flow.transits import Fit

ROUTE = Route(("landing", "bend", "tray"))


def _ledger(*findings: Finding, transit_s: float) -> Ledger:
    return Ledger("", 9, 9, findings, transit_s={"landing": (transit_s - 0.1, transit_s + 0.1)})


def _stuck(time_s: float, odds: float) -> Finding:
    return Finding("stuck", time_s, "landing", odds, "")


def test_each_link_is_taken_otherwise_in_turn() -> None:
    fits = [Fit(1.0, 0.1, ((2.0, 0.1), (3.0, 0.1))), Fit(0.5, 0.1), Fit(0.7, 0.1, ((1.7, 0.2),))]
    means = [[f.mean for f in reading] for reading in other_readings(fits)]
    assert means == [[2.0, 0.5, 0.7], [1.0, 0.5, 1.7], [3.0, 0.5, 0.7]]
    assert other_readings(fits[1:2]) == []
    (sentence,) = untold(ROUTE, [fits[:2], *other_readings(fits[:2])])
    assert "from landing on is not told: 1.00 s or 2.00 s or 3.00 s" in sentence


def test_a_reading_that_follows_more_balls_than_were_fed_is_out_of_the_question() -> None:
    assert borne_out([12, 13, 11], None) == [0, 1, 2]
    assert borne_out([12, 13, 11], 13) == [0, 1, 2]
    assert borne_out([12, 13, 11], 12) == [0, 2]
    assert borne_out([13, 12, 11], 12) == [0, 1, 2]  # one ball does not outweigh that it is the likeliest
    assert borne_out([14, 12, 13], 12) == [1]
    fits = [Fit(1.0, 0.1, ((2.0, 0.1),)), Fit(0.5, 0.1)]
    assert untold(ROUTE, [fits]) == []


def test_what_only_one_reading_has_is_not_said() -> None:
    one = Finding("held_up", 20.0, "bend", 50.0, "")
    two = Finding("held_up", 30.0, "bend", 9.0, "")
    found = agreed(_ledger(one, two, transit_s=1.0), [_ledger(two, transit_s=2.0)])
    assert found.findings == (two,)


def test_when_an_unheard_ball_was_due_is_known_no_better_than_a_transit() -> None:
    def passed(time_s: float, odds: float) -> Ledger:
        found = (Finding("unheard", time_s, "bend", odds, ""),)
        return Ledger("", 9, 9, found, transit_s={"landing": (0.9, 1.1), "bend": (0.5, 0.7)})

    (unheard,) = agreed(passed(20.0, 60.0), [passed(20.08, 9.0)]).findings
    assert (unheard.time_s, unheard.odds) == (20.0, 9.0)
    assert agreed(passed(20.0, 60.0), [passed(20.3, 9.0)]).findings == ()


def test_a_stuck_ball_may_be_another_by_another_reading() -> None:
    found = agreed(_ledger(_stuck(20.0, 900.0), transit_s=1.0), [_ledger(_stuck(18.8, 40.0), transit_s=2.2)])
    (stuck,) = found.findings
    assert (stuck.time_s, stuck.or_s, stuck.odds) == (20.0, 18.8, 40.0)
    assert found.undecided == 0


def test_a_stuck_ball_that_may_be_several_others_is_left_open() -> None:
    others = [_ledger(_stuck(18.8, 40.0), transit_s=2.2), _ledger(_stuck(17.6, 40.0), transit_s=3.4)]
    found = agreed(_ledger(_stuck(20.0, 900.0), transit_s=1.0), others)
    assert not found.findings
    assert found.undecided == 1
    assert found.open_balls[0].time_s == 20.0


def test_a_ball_stuck_by_one_reading_only_is_left_open_with_even_odds() -> None:
    others = [_ledger(transit_s=2.2), _ledger(_stuck(20.0, 40.0), transit_s=1.0)]
    found = agreed(_ledger(_stuck(20.0, 900.0), transit_s=1.0), others)
    assert not found.findings
    (ball,) = found.open_balls
    assert ball.readings == (("stuck", 1.0),)
    assert math.isnan(ball.or_s)


@pytest.mark.parametrize("seed", range(4))
def test_an_even_feed_in_full_swing_leads_to_no_false_claim(seed: int) -> None:
    rng = np.random.default_rng(seed)
    leave = np.cumsum(rng.normal(1.2, 0.012, 200)) - 10.0
    reach = leave + rng.normal(1.5, 0.15, 200)
    kept = np.ones(200, bool)
    kept[80] = False  # stuck at the landing
    parts = [t[(t > 0.0) & (t < 220.0)] for t in (leave, reach[kept])]
    times, names = np.concatenate(parts), np.repeat(["landing", "bend"], [len(t) for t in parts])
    order = np.argsort(times)
    impacts = Impacts.of(
        len(times), time_s=times[order], station=names[order].tolist(), station_confidence=1.0, rebound=0, odds=1e6
    )
    ledger = follow_balls(impacts, Route(("landing", "bend")), end_s=220.0)
    said = [t for f in ledger.findings for t in (f.time_s, f.or_s)]
    assert {f.kind for f in ledger.findings} <= {"stuck"}
    assert len(ledger.findings) <= 1
    if ledger.findings:
        assert min(abs(t - leave[80]) for t in said if not math.isnan(t)) < 0.01
    else:
        assert any("is not told" in note for note in ledger.notes)
