"""Transit times in the rig file that the sounds contradict."""

from __future__ import annotations

import numpy as np
import pytest
from flowmaker import WINDOWS, make_run

from noisecheck.core.table import Impacts
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import Route
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.windows import WindowCheck

STATIONS = ("lift", "landing", "bend", "tray")


@pytest.mark.parametrize("kind", ["steady", "cranked"])
@pytest.mark.parametrize(
    ("wrong", "hint"),
    [((0.5, 0.8), ""), ((1500.0, 2100.0), "milliseconds"), ((1.5 / 60, 2.1 / 60), "minutes"), ((2.6, 3.2), "")],
)
def test_a_wrong_transit_time_is_said_and_makes_no_ball_stuck(kind: str, wrong: tuple[float, float], hint: str) -> None:
    run = make_run(12, seconds=600.0, kind=kind, stuck=0.004, kicked=0.0)
    right = follow_balls(run.impacts, run.route, end_s=600.0)
    assert right.notes == ()
    assert right.count("stuck") > 0
    ledger = follow_balls(run.impacts, Route(STATIONS, (WINDOWS[0], wrong, WINDOWS[2])), end_s=600.0)
    (note,) = [n for n in ledger.notes if "transit_s" in n]
    assert "'landing'" in note
    assert "'bend'" in note
    assert (hint in note) if hint else ("was it" not in note)
    assert abs(ledger.count("stuck") - right.count("stuck")) <= 1
    low, high = ledger.transit_s["landing"]
    assert 0.5 * (low + high) == pytest.approx(1.8, abs=0.1)


@pytest.mark.parametrize("seed", [1, 2])
def test_transit_times_stated_too_short_hold_no_ball_up(seed: int) -> None:
    run = make_run(seed, seconds=600.0, held_up=0.01)
    right = follow_balls(run.impacts, run.route, end_s=600.0)
    assert right.count("held_up") > 0
    short = tuple((0.8 * low, 0.8 * high) for low, high in WINDOWS)
    ledger = follow_balls(run.impacts, Route(STATIONS, short), end_s=600.0)
    assert sum("later than that, as is usual there" in n for n in ledger.notes) == 3
    held = [[f.time_s for f in g.findings if f.kind == "held_up"] for g in (ledger, right)]
    assert held[0] == held[1]


@pytest.mark.parametrize("seed", range(4))
def test_many_balls_held_up_a_little_are_no_wrong_transit_time(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fed = 2.0 + 1.6 * np.arange(150) + rng.normal(0.0, 0.04, 150)
    held = rng.random(150) < 0.15
    came = fed + 0.8 + 0.4 * rng.beta(4, 4, 150) + held * rng.uniform(0.1, 0.3, 150)
    table = Impacts.of(
        300, time_s=np.concatenate([fed, came]), station=["landing"] * 150 + ["tray"] * 150, station_confidence=0.999,
        odds=1e7,
    )  # fmt: skip
    table = table.where(np.argsort(table["time_s"]))
    ledger = follow_balls(table, Route(("landing", "tray"), ((0.8, 1.2),)), end_s=250.0)
    assert not any("transit_s" in n for n in ledger.notes)
    assert ledger.count("held_up") == np.sum(came - fed > 1.203)


def test_right_transit_times_are_left_alone() -> None:
    for seed in range(8):
        for kind in ("steady", "cranked", "none"):
            run = make_run(seed, seconds=300.0, kind=kind, miss=0.1)
            assert not any("transit_s" in n for n in follow_balls(run.impacts, run.route, end_s=300.0).notes)


def test_many_balls_stuck_are_no_wrong_transit_time() -> None:
    run = make_run(3, seconds=600.0, stuck=0.9)  # of every ten balls three pass each link
    ledger = follow_balls(run.impacts, run.route, end_s=600.0)
    assert not any("transit_s" in n for n in ledger.notes)
    assert ledger.count("stuck") > 50


@pytest.mark.parametrize("block", [7, 60])
def test_a_wrong_transit_time_is_told_once_as_it_is_heard(block: int) -> None:
    run = make_run(12, seconds=600.0, kind="cranked", stuck=0.004, kicked=0.0)
    times = run.impacts["time_s"]
    codes = np.array([STATIONS.index(n) if n else -1 for n in run.impacts["station"]])
    check = WindowCheck(Route(STATIONS, (WINDOWS[0], (2.6, 3.2), WINDOWS[2])), longest_s=20.0)
    told = []
    for at in range(0, len(times), block):
        part = slice(at, at + block)
        told += [(c.origin, times[part][-1]) for c in check.take(times[part], codes[part], float(times[part][-1]))]
    assert [origin for origin, _ in told] == ["landing"]
    assert told[0][1] < 90.0
    low, high = check.route.transit_s[1] or (0.0, 0.0)
    assert 0.5 * (low + high) == pytest.approx(1.8, abs=0.1)
    right = WindowCheck(run.route, longest_s=20.0)
    assert right.take(times, codes, 600.0) == []


def test_the_solver_goes_on_with_other_transit_times() -> None:
    nothing = {"stuck": 0.0, "kicked": 0.0, "miss": 0.0, "unheard": 0.0, "held_up": 0.0, "strays_per_hour": 0.0}
    run = make_run(12, seconds=300.0, clutter_per_hour=0.0, hide_s=0.0, **nothing)
    times = run.impacts["time_s"]
    codes = np.array([STATIONS.index(n) if n else -1 for n in run.impacts["station"]])
    solver = LedgerSolver(Route(STATIONS, (WINDOWS[0], (2.6, 3.2), WINDOWS[2])))
    early = times < 30.0
    solver.update(times[early], codes[early], now_s=30.0)
    solver.take_windows(run.route)
    solver.update(times[~early], codes[~early], now_s=300.0)
    late = [f for f in solver.finish(300.0).findings if f.time_s > 40.0]
    assert late == []
