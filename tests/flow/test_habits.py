"""Levels and rebounds a run shows of itself: what they tell a contact from, and what they do for the ledger."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from noisecheck.core.table import Impacts
from noisecheck.flow.contacts import followed_impacts, rebounds_told, under_louder
from noisecheck.flow.habits import LevelHabit
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import Route
from noisecheck.flow.trains import begun_where_placed

ROUTE = Route(("landing", "tray"), ((0.6, 0.9),))


def test_a_level_is_weighed_as_the_normal_density_over_what_anything_may_have() -> None:
    levels = np.random.default_rng(3).normal(-50.0, 1.5, 200)
    habit = LevelHabit()
    assert habit.ratio(-50.0, False) == 1.0  # nothing known
    habit.prime(levels)
    middle = float(np.median(levels))
    sd = stats.median_abs_deviation(levels, scale="normal") * (1.0 + 2.0 / math.sqrt(200))
    at = [-52.0, -50.0, -47.5]
    expected = stats.norm.pdf(at, middle, sd) * 40.0
    assert [habit.ratio(x, False) for x in at] == pytest.approx(expected, rel=0.03, abs=0.03)
    # What overlaps a contact adds to it, so louder is less odd than softer, and least so among others.
    assert habit.ratio(-65.0, False) < habit.ratio(-35.0, False) < habit.ratio(-35.0, True)
    assert habit.ratio(math.nan, False) == 1.0


def test_the_share_of_odd_levels_is_learnt() -> None:
    habit = LevelHabit()
    habit.prime(np.random.default_rng(4).normal(-50.0, 1.0, 100))
    before = habit.ratio(-65.0, False)
    for _ in range(20):
        habit.learn(-50.0, False)
    assert habit.ratio(-65.0, False) < before
    for _ in range(20):
        habit.learn(-65.0, False)
    assert habit.ratio(-65.0, False) > before


def run_with(extra: list[tuple[float, str, float, float]], balls: int = 40) -> Impacts:
    """Return balls that pass a landing (with a rebound 0.17 s after it) and a tray, and more impacts."""
    rng = np.random.default_rng(8)
    rows: list[tuple[float, str, float, float, int, int]] = []
    for n in range(balls):
        at = 1.0 + 1.7 * n + rng.normal(0.0, 0.03)
        rows.append((at, "landing", rng.normal(-46.0, 0.7), 1.0, 2 * n, 0))
        rows.append((at + rng.normal(0.17, 0.003), "landing", rng.normal(-51.0, 0.7), 0.99, 2 * n, 1))
        rows.append((at + rng.uniform(0.65, 0.85), "tray", rng.normal(-50.0, 0.7), 1.0, 2 * n + 1, 0))
    rows += [(t, s, level, sure, 1000 + k, 0) for k, (t, s, level, sure) in enumerate(extra)]
    rows.sort()
    t, station, level, sure, drop, rebound = zip(*rows, strict=True)
    return Impacts.of(
        len(rows), time_s=t, station=list(station), lae_db=level, station_confidence=sure, odds=1e9, drop=drop,
        rebound=rebound,
    )  # fmt: skip


def test_a_rebound_put_to_a_wrong_station_makes_no_finding() -> None:
    clean = run_with([])
    assert follow_balls(clean, ROUTE, end_s=75.0).findings == ()
    landing, tray = rebounds_told(clean, ROUTE).trains
    assert ([len(t) for t in landing], [len(t) for t in tray]) == ([2] * 40, [1] * 40)
    contact = float(clean["time_s"][(clean["station"] == "landing") & (clean["rebound"] == 0)][20])
    ledger = follow_balls(run_with([(contact + 0.172, "tray", -51.5, 0.8)]), ROUTE, end_s=75.0)
    assert (ledger.findings, ledger.arrived) == ((), 40)


def test_a_stray_of_another_level_beside_a_ball_is_named() -> None:
    contact = float(run_with([])["time_s"][60])
    rows = run_with([(contact + 0.45, "tray", -38.0, 0.85)])
    ledger = follow_balls(rows, ROUTE, end_s=75.0)
    assert [f.kind for f in ledger.findings] == ["stray"]
    assert ledger.findings[0].time_s == pytest.approx(contact + 0.45)


def test_what_follows_soon_changes_a_sound_but_not_the_same_sound_twice() -> None:
    times = [1.0, 1.0005, 2.0, 2.02, 2.065, 3.0, 3.02, 4.0]
    table = Impacts.of(8, time_s=times, lae_db=[-50.0, -50.0, -50.0, -55.0, -50.0, -55.0, -50.0, -50.0])
    assert followed_impacts(table).tolist() == [0, 0, 2, 1, 0, 3, 0, 0]
    assert followed_impacts(Impacts.empty()).tolist() == []


def test_only_a_louder_sound_just_before_drowns() -> None:
    time_s = np.array([1.0, 1.02, 2.0, 2.02, 3.0, 3.05, 4.0, 4.05, 5.0, 5.001])
    level = np.array([-50.0, -53.0, -53.0, -50.0, -50.0, -53.0, -50.0, -57.0, -50.0, -60.0])
    # what rings on 50 ms later is 6 dB softer at least: an impact 3 dB below is as loud as it seems
    assert under_louder(time_s, level).tolist() == [False, True, False, False, False, False, False, True, False, False]
    assert under_louder(np.empty(0), np.empty(0)).tolist() == []


def test_a_drop_begins_with_what_sounds_like_its_station() -> None:
    drop, rebound = np.array([0, 1, 0, 0, 2, 2]), np.array([0, 0, 1, 2, 0, 1])
    placed = np.array([False, True, True, False, True, False])
    level = np.array([50.0, 60.0, 55.0, 45.0, 60.0, 50.0])
    new = begun_where_placed(drop, rebound, placed, level)
    assert new[0].tolist() == [0, 1, 2, 2, 3, 3]
    assert new[1].tolist() == [0, 0, 0, 1, 0, 1]
    same = begun_where_placed(drop, rebound, np.ones(6, bool), level)
    assert (same[0].tolist(), same[1].tolist()) == (drop.tolist(), rebound.tolist())
    # louder than what follows it, as a first contact is: its place was only hidden
    hidden = begun_where_placed(drop, rebound, placed, np.array([58.0, 60.0, 55.0, 45.0, 60.0, 50.0]))
    assert (hidden[0].tolist(), hidden[1].tolist()) == (drop.tolist(), rebound.tolist())


def test_what_is_hardly_there_is_no_contact() -> None:
    habit = LevelHabit()
    habit.prime(np.random.default_rng(3).normal(-45.0, 1.0, 40))
    grazed, tick = habit.ratio(-53.0, False), habit.ratio(-77.0, False)
    assert habit.ratio(-45.0, False) > 5.0
    assert 0.01 < grazed < 0.1  # a ball may touch more softly once in a while
    assert tick < 0.002  # a lift's tick, 32 dB below, is less likely a contact than a ball is to get stuck
    assert habit.ratio(-40.0, True) > 0.05


def test_few_levels_tell_what_no_contact_is() -> None:
    rng = np.random.default_rng(4)
    for n in (4, 8, 11):
        off: list[float] = []
        for _ in range(400):
            habit = LevelHabit()
            habit.prime(rng.normal(-50.0, 2.0, n))
            assert habit.ratio(-80.0, False) < 0.1
            off.append(habit.ratio(rng.normal(-50.0, 2.0), False))
        # Another contact is rarely taken for something else, as wide as so few are believed.
        assert np.mean(np.array(off) < 0.1) < 0.02
