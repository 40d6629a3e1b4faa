"""Bounces against measured drops, and ball histories against their own rules."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from noisecheck.simulate.contact import GRAVITY_MPS2, drop_speed_mps
from noisecheck.simulate.flow import Flow, plan_flow, rebound_speed

G = GRAVITY_MPS2


def _flow(scene, seconds: float = 1000.0, seed: int = 1, run: int = 0) -> Flow:
    return plan_flow(scene, scene.runs()[run], seconds, np.random.default_rng(seed))


def _bouncing(scene, height_m: float, restitution: float, rebounds: int = 6):
    station = {
        "name": "landing", "position_mm": [0, 0, 0], "drop_height_mm": 1e3 * height_m, "restitution": restitution,
        "restitution_scatter": 0.0, "speed_scatter": 0.0, "rebounds": rebounds, "rebound_speed_mps": 0.01,
    }  # fmt: skip
    microphone = [{"channel": 0, "position_mm": [0, 250, 150]}]
    return scene(station=[station], microphone=microphone, feed={"balls": 1}, treatment=[], run=[{"run": "one"}])


def test_bounce_times_of_published_drops(reference, scene) -> None:
    rows = [r for r in reference("bounce_measured") if r["ball"] in ("golf", "tennis")]
    assert len(rows) >= 9
    for row in rows:
        height, e = float(row["drop_m"]), float(row["e"])
        # The model's restitution falls as v^-0.1: state it so that the first contact has the measured one.
        stated = e * drop_speed_mps(height) ** 0.1
        times = [c.time_s for c in _flow(_bouncing(scene, height, min(stated, 0.98))).contacts]
        first, second = np.diff(times)[:2]
        limit = 0.03 if row["ball"] == "golf" else 0.04  # the table's own height errors: golf 2.5 %, tennis 4.8 %
        if stated < 0.98:
            assert first == pytest.approx(float(row["T1_s"]), rel=limit)
            assert second == pytest.approx(float(row["T2_s"]), rel=limit + 0.02)


def test_height_from_two_intervals_is_the_problem_books(reference, scene) -> None:
    row = reference("bounce_problem")[0]
    h0, e, g = float(row["h0_m"]), float(row["e"]), float(row["g_mps2"])
    scaled = _bouncing(scene, h0, e)
    speed, times = drop_speed_mps(h0), [0.0]
    for _ in range(2):
        found, speed = rebound_speed(speed, e * max(speed, 0.02) ** 0.1, 0.0, np.random.default_rng(0))
        assert found == pytest.approx(e)
        times.append(times[-1] + 2 * speed / G)
    t1, t2 = np.diff(times)
    assert G * t1**4 / (8 * t2**2) == pytest.approx(h0, rel=1e-9)
    assert t1 == pytest.approx(2 * e * np.sqrt(2 * h0 / g), rel=0.006)  # its g differs by 1.1 %
    contacts = _flow(scaled).contacts
    assert [c.rebound for c in contacts] == list(range(len(contacts)))
    assert contacts[0].drop_height_m == pytest.approx(h0)
    # What comes back is what was left: e of each contact links the speeds.
    for a, b in itertools.pairwise(contacts):
        assert b.speed_mps == pytest.approx(a.restitution * a.speed_mps)
        assert b.time_s - a.time_s == pytest.approx(2 * b.speed_mps / G)


def test_restitution_falls_with_speed_and_scatters_towards_low() -> None:
    rng = np.random.default_rng(3)
    slow = [rebound_speed(0.5, 0.6, 0.05, rng)[0] for _ in range(4000)]
    fast = [rebound_speed(2.0, 0.6, 0.05, rng)[0] for _ in range(4000)]
    assert np.mean(fast) / np.mean(slow) == pytest.approx(4**-0.1, rel=0.01)
    assert np.std(fast) / np.mean(fast) == pytest.approx(0.05, rel=0.1)
    third = np.mean((np.array(fast) - np.mean(fast)) ** 3) / np.std(fast) ** 3
    assert third < -0.5


def test_a_faultless_run_accounts_for_every_ball(scene) -> None:
    flow = _flow(scene(feed={"balls": 200, "period_s": 1.0}))
    assert flow.findings == []
    assert {b.fate for b in flow.balls} == {"arrived"}
    for ball in flow.balls:
        transit = ball.arrivals_s["bend"] - ball.arrivals_s["landing"]
        assert 0.8 <= transit <= 1.2
    firsts = [(c.ball, c.station) for c in flow.contacts if c.rebound == 0]
    assert len(firsts) == len(set(firsts)) == 400
    drops = [c.drop for c in flow.contacts if c.rebound == 0]
    assert drops == list(range(400))
    times = [c.time_s for c in flow.contacts]
    assert times == sorted(times)


def test_stated_faults_happen_and_are_told(scene) -> None:
    faults = [
        {"kind": "stuck", "ball": 3, "station": "bend"},
        {"kind": "kicked_off", "ball": 5, "station": "bend"},
        {"kind": "held_up", "ball": 8, "station": "bend", "delay_s": 0.9},
        {"kind": "unheard", "ball": 10, "station": "bend"},
        {"kind": "stray", "time_s": 7.25},
    ]
    flow = _flow(scene(feed={"balls": 20}, run=[{"run": "faulty", "fault": faults}]))
    told = {(f.kind, f.ball) for f in flow.findings}
    assert {("stuck", 3), ("stuck", 5), ("held_up", 8), ("unheard", 10), ("stray", -1)} <= told
    assert len([f for f in flow.findings if f.kind == "stray"]) == 2  # the stated one, and the ball on the floor
    by_ball = {b.ball: b for b in flow.balls}
    assert (by_ball[3].fate, by_ball[5].fate) == ("stuck", "kicked_off")
    assert "bend" not in by_ball[3].arrivals_s
    stuck = next(f for f in flow.findings if f.ball == 3)
    assert (stuck.station, stuck.time_s) == ("landing", by_ball[3].arrivals_s["landing"])
    at_bend = {c.ball for c in flow.contacts if c.station == "bend"}
    assert at_bend == set(range(20)) - {3, 5, 10}
    arrivals = [by_ball[n].arrivals_s["bend"] for n in range(20) if "bend" in by_ball[n].arrivals_s]
    assert arrivals == sorted(arrivals)  # nobody overtakes on the track
    assert [c.time_s for c in flow.contacts if c.station == ""][0:1] != []


def test_fault_rates_come_out_as_stated(scene) -> None:
    flow = _flow(scene(feed={"balls": 4000, "period_s": 5.0}, faults={"stuck": 0.01, "unheard": 0.02}), seconds=1e6)
    stuck = sum(b.fate == "stuck" for b in flow.balls)
    unheard = sum(f.kind == "unheard" for f in flow.findings)
    # Stuck on 4000 ways to the bend, unheard at both stations; four standard deviations.
    assert stuck == pytest.approx(40, abs=26)
    assert unheard == pytest.approx(159, abs=50)


@pytest.mark.parametrize(("pace", "spread"), [("steady", 0.02), ("drifting", 0.04), ("cranked", 0.16), ("random", 1.0)])
def test_paces(scene, pace: str, spread: float) -> None:
    flow = _flow(scene(feed={"balls": 600, "period_s": 2.0, "pace": pace, "jitter": 0.01}), seconds=1e5)
    steps = np.diff([b.fed_s for b in flow.balls])
    assert np.mean(steps) == pytest.approx(2.0, rel=0.1)
    assert np.std(steps) / 2.0 == pytest.approx(spread, rel=0.5)
    if pace == "cranked":
        assert np.abs(steps / 2.0 - 1).max() < 0.36


def test_empty_slots_leave_gaps_but_no_ball(scene) -> None:
    flow = _flow(scene(feed={"balls": 300, "period_s": 1.0, "empty": 0.2, "jitter": 0.0}), seconds=1e5)
    steps = np.diff([b.fed_s for b in flow.balls])
    assert len(flow.balls) == 300
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-9)
    assert np.mean(steps > 1.5) == pytest.approx(0.2, abs=0.08)


def test_a_run_at_one_station_sounds_only_there(scene) -> None:
    flow = _flow(scene(run=[{"run": "taps", "role": "taps", "station": "bend", "balls": 6}]))
    assert {c.station for c in flow.contacts} == {"bend"}
    assert _flow(scene(run=[{"run": "empty", "role": "background", "seconds": 5}])).contacts == []
