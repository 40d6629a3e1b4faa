"""Early warnings on runs that get worse, and the challenge test on runs with known hearing."""

from __future__ import annotations

import numpy as np
import pytest
from flowmaker import DEGRADED, make_run
from scipy.stats import fisher_exact, kendalltau, theilslopes

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.flow.challenge import Challenge, _change, _sounds, _ways, challenge
from noisecheck.flow.drops import describe_drops
from noisecheck.flow.failures import failure_rate
from noisecheck.flow.findings import Ledger, Passage
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import LedgerSettings, Route
from noisecheck.flow.warning import link_flows, restitution_change
from noisecheck.place.evidence import Evidence


def ledger_of(took: np.ndarray, late: np.ndarray | None = None) -> Ledger:
    late = np.zeros(len(took), bool) if late is None else late
    passages = tuple(
        Passage(i, "lift", "landing", 2.0 * i, float(t), bool(x), 1e6)
        for i, (t, x) in enumerate(zip(took, late, strict=True))
    )
    return Ledger("r", len(took), len(took), (), passages, transit_s={"lift": (0.8, 1.2)})


def test_steady_flow_gives_no_warning() -> None:
    rng = np.random.default_rng(1)
    warned = 0
    for _ in range(100):
        flow = link_flows(ledger_of(1.0 + rng.normal(0, 0.05, 400), rng.random(400) < 0.01))[0]
        warned += bool(flow.warning)
    assert warned <= 3  # each test at 1 %, and a trend must matter besides


def test_slowing_is_shown_with_its_size() -> None:
    rng = np.random.default_rng(2)
    when = 2.0 * np.arange(900)
    took = 1.0 + 0.2 * when / 3600 + rng.normal(0, 0.05, 900)
    flow = link_flows(ledger_of(took))[0]
    assert flow.slowing_s_per_hour == pytest.approx(3600 * theilslopes(took, when).slope, rel=1e-9)
    assert flow.slowing_s_per_hour == pytest.approx(0.2, abs=0.03)
    assert flow.slowing_p == pytest.approx(kendalltau(when, took).pvalue)
    assert "longer and longer" in flow.warning


def test_growing_hold_ups_and_tails_are_shown() -> None:
    rng = np.random.default_rng(3)
    late = np.zeros(1000, bool)
    late[[100, 400]] = True
    late[600::25] = True
    took = 1.0 + rng.normal(0, 0.05, 1000) + 2.0 * late
    flow = link_flows(ledger_of(took, late))[0]
    assert (flow.held_up, flow.held_up_per_thousand) == (18, 18.0)
    assert flow.growth_p == pytest.approx(fisher_exact([[16, 484], [2, 498]], alternative="greater").pvalue)
    assert "more and more" in flow.warning
    tails = 1.0 + np.concatenate([rng.exponential(0.02, 500), rng.exponential(0.08, 500)])
    flow = link_flows(ledger_of(tails))[0]
    assert flow.tail_growth == pytest.approx(4.0, rel=0.3)
    assert flow.warning


def test_flows_of_a_whole_run() -> None:
    run = make_run(2, seconds=900.0)
    flows = link_flows(follow_balls(run.impacts, run.route, end_s=900.0))
    assert [(f.origin, f.station) for f in flows] == [("lift", "landing"), ("landing", "bend"), ("bend", "tray")]
    for flow, (low, high) in zip(flows, run.route.transit_s, strict=True):  # type: ignore[misc]
        # Beta(4, 4) over the window has a standard deviation of a sixth of it.
        assert flow.spread_s == pytest.approx((high - low) / 6, rel=0.2)
    assert link_flows(Ledger("r", 0, 0)) == []


def test_restitution_that_falls_is_shown() -> None:
    rng = np.random.default_rng(4)
    t, d, r = [], [], []
    for n in range(200):
        e = 0.60 - 0.05 * n / 200 + rng.normal(0, 0.01)
        for k, at in enumerate((0.0, 0.12, 0.12 + 0.12 * e)):
            t.append(2.0 * n + at)
            d.append(n)
            r.append(k)
    change = restitution_change(describe_drops(t, d, r, 3))[0]
    assert (change.station, change.drops) == (3, 200)
    assert change.p < 1e-6
    assert change.second_half < change.first_half
    assert restitution_change(describe_drops([], [], [])) == []


def test_challenge_finds_what_is_caught_and_feeds_the_bound() -> None:
    run = make_run(8, seconds=900.0, one_microphone=False, stuck=0.0, kicked=0.0, held_up=0.0, strays_per_hour=0.0)
    settings = LedgerSettings(shared_microphone=False)
    shown = challenge(run.impacts, run.route, end_s=900.0, stuck=40, strays=20, settings=settings)
    assert (shown.stuck_tried, shown.stray_tried) == (40, 20)
    assert shown.stuck_caught >= 39
    assert shown.stray_caught >= 17
    assert "were named" in shown.sentence
    few = [challenge(run.impacts, run.route, end_s=900.0, stuck=4, strays=4, settings=settings) for _ in range(2)]
    assert few[0] == few[1]  # the same seed, the same test
    ledger = follow_balls(run.impacts, run.route, end_s=900.0, settings=settings)
    tested = failure_rate([ledger], heard=shown.heard)
    assert tested.upper > failure_rate([ledger], heard=Challenge(10**6, 10**6, 0, 0).heard).upper


def test_what_a_challenge_changes_is_what_it_says() -> None:
    nothing = {"stuck": 0.0, "kicked": 0.0, "held_up": 0.0, "miss": 0.0, "unheard": 0.0, "misplaced": 0.0}
    run = make_run(8, seconds=200.0, one_microphone=False, unplaced=0.0, clutter_per_hour=0.0, strays_per_hour=0.0,
                   hide_s=0.0, **nothing)  # fmt: skip
    times, stations = run.impacts["time_s"], run.route.stations
    ways = _ways(follow_balls(run.impacts, run.route, end_s=200.0), run.impacts, run.route)
    assert len(ways) > 80
    assert all([s for _, s, _ in way] == list(stations) for way in ways)
    assert all(times[row] == pytest.approx(t) for way in ways for t, _, row in way)
    changed, rows, events = _change(run.impacts, ways, 3, 40, 0.5, run.route, np.random.default_rng(2))
    told = {kind: [(t, s) for k, t, s in events if k == kind] for kind in ("stuck", "stray")}
    assert [len(v) for v in told.values()] == [3, 40]
    gone = set(range(len(times))) - set(rows[rows >= 0].tolist())
    stuck = [(way, at) for way in ways for at, (t, s, _) in enumerate(way) if (t, s) in told["stuck"]]
    assert len(stuck) == 3
    assert gone == {row for way, at in stuck for _, _, row in way[at + 1 :]}
    assert len(gone) >= 3  # never a ball that had arrived
    assert (np.diff(changed["time_s"]) >= 0).all()
    added = rows < 0
    strays = list(zip(changed["time_s"][added].tolist(), changed["station"][added].tolist(), strict=True))
    assert strays == sorted(told["stray"])
    assert 8 <= sum(s == "" for _, s in strays) <= 32  # half of them, more or less
    assert np.isnan(changed["station_confidence"][added & (changed["station"] == "")]).all()
    np.testing.assert_array_equal(changed["time_s"][~added], times[rows[~added]])
    odds = Evidence(stations, np.random.default_rng(3).normal(size=(len(times), 4)), np.full(len(times), -1.0))
    sounds = _sounds(odds, rows, changed)
    np.testing.assert_array_equal(sounds.log_likelihood[~added], odds.log_likelihood[rows[~added]])
    assert set(sounds.unplaced[~added]) == {-1.0}
    for k in np.flatnonzero(added):
        name = changed["station"][k]
        assert sounds.log_likelihood[k].tolist() == [3.0 * (s == name) for s in stations]
        assert sounds.unplaced[k] == 3.0 * (name == "")


def test_with_a_contact_go_its_rebounds_and_nothing_else() -> None:
    heard = [
        # time, station, drop, rebound, stays
        (1.00, "lift", 0, 0, True),
        (1.90, "landing", 1, 0, True),  # before it
        (2.00, "landing", 2, 0, False),
        (2.12, "landing", 2, 1, False),
        (2.15, "bend", 3, 0, True),  # elsewhere
        (2.20, "landing", 4, 0, False),  # a rebound that was not told to be one, and its own
        (2.28, "landing", 4, 1, False),
        (2.30, "", -1, 0, False),
        (2.35, "landing", 5, 0, True),  # another ball's
        (2.60, "landing", 6, 0, True),  # too late
        (2.65, "", -1, 1, True),
    ]
    times, stations, drops, rebounds, stays = zip(*heard, strict=True)
    table = Impacts.of(len(heard), time_s=times, station=stations, drop=drops, rebound=rebounds)
    ways = [[(1.0, "lift", 0), (2.0, "landing", 2)]]
    changed, rows, events = _change(table, ways, 1, 0, 0.5, Route(("lift", "landing")), np.random.default_rng(1))
    assert events == [("stuck", 1.0, "lift")]
    own = np.array(stays)
    own[8] = False  # nobody has said yet whose it is
    assert rows.tolist() == np.flatnonzero(own).tolist()
    assert changed["time_s"].tolist() == np.array(times)[own].tolist()
    ways.append([(1.0, "lift", 0), (2.35, "landing", 8)])
    seeds = [_change(table, ways, 1, 0, 0.5, Route(("lift", "landing")), np.random.default_rng(n))[1] for n in range(9)]
    assert np.flatnonzero(stays).tolist() in [r.tolist() for r in seeds]


def test_challenge_tells_poor_listening() -> None:
    good, poor = make_run(9, seconds=600.0), make_run(9, seconds=600.0, **DEGRADED)
    shares = [challenge(r.impacts, r.route, end_s=600.0, stuck=12, strays=0).heard for r in (good, poor)]
    assert shares[1].share < shares[0].share
    assert shares[1].lower < shares[1].share
    with pytest.raises(InputError, match="at least 5"):
        challenge(Impacts.empty(), good.route, end_s=10.0)


def test_balls_held_up_behind_one_another_count_once_for_growth() -> None:
    rng = np.random.default_rng(6)
    late = np.zeros(800, bool)
    late[[100, 300, 500]] = True
    late[600:612] = True  # one jam of twelve balls
    flow = link_flows(ledger_of(1.0 + rng.normal(0, 0.05, 800) + 2.0 * late, late))[0]
    assert flow.held_up == 15
    assert flow.growth_p == pytest.approx(fisher_exact([[2, 398], [2, 398]], alternative="greater").pvalue)
    assert flow.warning == ""
