"""The first balls of a run are judged by all that it shows, and faults next to each other are no hold-up."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.rebounds import Member
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route

ROUTE = Route(("landing", "bend", "tray"))


def _run(seed: int, ball: int) -> tuple[Impacts, float, float]:
    """Return 150 balls fed evenly, one stuck at the landing and the next unheard there; when it was fed; the end."""
    rng = np.random.default_rng(seed)
    landing = 2.0 + np.cumsum(rng.normal(1.4, 0.014, 150))
    bend = landing + rng.normal(1.0, 0.05, 150)
    tray = bend + rng.normal(0.8, 0.04, 150)
    on, first = np.arange(150) != ball, np.arange(150) != ball + 1
    times = np.concatenate([landing[first], bend[on], tray[on]])
    names = np.repeat(["landing", "bend", "tray"], [149, 149, 149])
    order = np.argsort(times)
    impacts = Impacts.of(
        len(times),
        time_s=times[order],
        station=names[order].tolist(),
        station_confidence=1.0,
        rebound=0,
        odds=1e6,
        lae_db=-60.0 + rng.normal(0.0, 2.0, len(times)),
    )
    return impacts, float(landing[ball]), float(tray[-1] + 5.0)


@pytest.mark.parametrize("ball", [1, 2, 6])
def test_a_stuck_ball_and_one_unheard_after_it_are_not_taken_for_one_held_up(ball: int) -> None:
    false = 0
    for seed in range(4):
        impacts, stuck_s, end_s = _run(seed, ball)
        ledger = follow_balls(impacts, ROUTE, end_s=end_s)
        assert all(abs(f.time_s - stuck_s) < 0.01 for f in ledger.findings if f.kind == "stuck")
        false += ledger.count("held_up")
    assert false <= 1


def test_a_rebound_is_hidden_by_what_comes_within_the_span_in_which_one_hides_another() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), [], 0.0)
    rng = np.random.default_rng(2)
    beliefs.laws[0].learn([[Member(0, 0.0, -50.0), Member(1, rng.normal(0.1, 0.004), -58.0)] for _ in range(40)])
    usual, sd = beliefs.laws[0].first_s
    mask_s = beliefs.settings.mask_s
    assert beliefs.hidden_rebound(0, usual + 50.0 * sd + mask_s) == pytest.approx(0.0, abs=1e-6)
    span = math.erf(mask_s / (math.sqrt(2.0) * sd))
    assert beliefs.hidden_rebound(0, usual) == pytest.approx(span, abs=1e-3)
    assert beliefs.hidden_rebound(0, usual + mask_s) == pytest.approx(0.5, abs=0.01)
