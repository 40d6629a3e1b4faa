"""Stations that fall silent, paces taken too short, and balls of which only one of two is lost."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Ledger
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.silence import silences

ROUTE = Route(("landing", "bend", "tray"), ((0.8, 1.2), (0.5, 0.8)))
Row = tuple[float, str]


def flow(fed_s: np.ndarray, seed: int = 5) -> list[list[Row]]:
    """Return the impacts of each ball fed at a time, transits beta distributed in their windows."""
    rng = np.random.default_rng(seed)
    ways = []
    for at in fed_s.tolist():
        way = [(at, "landing")]
        for name, (low, high) in (("bend", ROUTE.transit_s[0] or (0, 0)), ("tray", ROUTE.transit_s[1] or (0, 0))):
            at += low + (high - low) * rng.beta(4, 4)
            way.append((at, name))
        ways.append(way)
    return ways


def follow(
    rows: list[Row],
    end_s: float = 170.0,
    feed: FeedPlan | None = None,
    settings: LedgerSettings | None = None,
    alive_s: dict[str, np.ndarray] | None = None,
) -> Ledger:
    rows = sorted(rows)
    table = Impacts.of(
        len(rows),
        time_s=np.array([r[0] for r in rows]),
        station=[r[1] for r in rows],
        station_confidence=np.where([bool(r[1]) for r in rows], 0.99, np.nan),
        odds=1e7,
    )
    return follow_balls(table, ROUTE, end_s=end_s, feed=feed, settings=settings, alive_s=alive_s)


OWN = LedgerSettings(shared_microphone=False)
"""Each station has a microphone of its own, which may die."""
EVEN = 2.0 + 1.6 * np.arange(100) + np.random.default_rng(4).normal(0, 0.03, 100)


@pytest.mark.parametrize("dead", ["landing", "bend"])
def test_a_microphone_that_dies_is_said_once_and_makes_no_ball_unheard(dead: str) -> None:
    rows = [r for way in flow(EVEN) for r in way]
    assert follow(rows).findings == ()
    ledger = follow([r for r in rows if not (r[1] == dead and r[0] > 80.0)])
    assert ledger.findings == ()
    assert ledger.arrived == 100
    assert sum(f"nothing was heard at {dead} from " in n and "microphone dead" in n for n in ledger.notes) == 1


def falls_silent(until_s: float = 170.0) -> list[Row]:
    return [r for way in flow(EVEN) for r in way if not (r[1] == "tray" and 80.0 < r[0] < until_s)]


def test_a_last_station_silent_to_the_end_has_a_blocked_way_where_its_microphone_hears_others() -> None:
    ledger = follow(falls_silent())
    lost = [f for f in ledger.findings if f.kind == "stuck"]
    assert [f.station for f in lost] == ["bend"] * (100 - ledger.arrived)
    assert all(5.0 < f.odds < 11.0 for f in lost[:-2])
    assert (ledger.undecided, ledger.not_followed) == (0, 0)
    assert any("its microphone heard other sounds: the way was blocked" in n for n in ledger.notes)


def test_a_last_station_silent_to_the_end_is_as_likely_dead_as_blocked_where_it_has_its_own_microphone() -> None:
    ledger = follow(falls_silent(), settings=OWN)
    assert ledger.findings == ()
    assert (ledger.undecided, ledger.not_followed) == (100 - ledger.arrived, 0)
    assert all(b.station == "bend" and b.readings[0][1] < 1.1 for b in ledger.open_balls)
    assert any("is the way blocked, or the microphone dead? Every one of them may be stuck" in n for n in ledger.notes)
    # What the microphone of the bend hears of its contacts is no fall of the last balls.
    beside = [(t, "bend") for way in flow(EVEN)[92:100:2] for t, name in way if name == "tray"]
    assert follow([r for r in falls_silent() + beside if r[0] < 162.3], 162.3, settings=OWN).count("stuck") == 0
    # What sounds elsewhere was heard by that microphone as often as before: it lives.
    rows = falls_silent()
    beside = np.array([t for t, name in rows if name == "bend"])[::4]
    assert follow(rows, settings=OWN, alive_s={"tray": beside}).count("stuck") == 100 - ledger.arrived
    gone = follow(rows, settings=OWN, alive_s={"tray": beside[beside < 80.0]})
    assert (gone.findings, gone.undecided) == ((), 100 - ledger.arrived)


@pytest.mark.parametrize("balls", [None, 1])
@pytest.mark.parametrize("end_s", [12.0, 60.0])
def test_the_only_ball_is_left_open_where_nothing_is_heard_at_stations_that_are_listened_to(
    balls: int | None, end_s: float
) -> None:
    def only(listened: tuple[str, ...], rows: list[Row]) -> Ledger:
        table = Impacts.of(
            len(rows), time_s=[t for t, _ in rows], station=[n for _, n in rows], station_confidence=0.99, odds=1e7
        )
        return follow_balls(table, ROUTE, end_s=end_s, feed=FeedPlan(None, balls), listened=listened)

    ledger = only(ROUTE.stations, [(3.5, "landing")])
    assert (ledger.arrived, ledger.findings, ledger.accounted) == (0, (), 1)
    assert [(b.station, b.time_s) for b in ledger.open_balls] == [("landing", 3.5)]
    assert 0.4 < dict(ledger.open_balls[0].readings)["stuck"] < 1.0
    assert any("nothing was heard at bend" in n and "1 ball came to landing" in n for n in ledger.notes)
    assert only((), [(3.5, "landing")]).arrived == 1  # nobody may have listened there
    # What is heard behind a station was not held before it.
    assert only(ROUTE.stations, [(3.5, "landing"), (5.2, "tray")]).arrived == 1


def test_a_last_station_hardly_ever_heard_is_not_blocked_when_it_is_silent() -> None:
    rows = [(t, name) for n, way in enumerate(flow(EVEN)) for t, name in way if name != "tray" or n in (3, 11, 20, 31)]
    last_s = max(t for t, name in rows if name == "tray")
    assert all(f.time_s < last_s for f in follow(rows).findings if f.kind == "stuck")


def test_nothing_is_known_of_balls_where_a_silent_last_station_is_heard_again_as_before() -> None:
    ledger = follow(falls_silent(120.0), settings=OWN)
    assert (ledger.findings, ledger.undecided) == ((), 0)
    assert any("was the way blocked, or the microphone dead?" in n for n in ledger.notes)


@pytest.mark.parametrize("dead", ["bend", "tray"])
def test_transit_times_are_learnt_from_what_was_listened_to(dead: str) -> None:
    rows = sorted(r for way in flow(EVEN) for r in way if not (r[1] == dead and r[0] > 80.0))
    table = Impacts.of(
        len(rows), time_s=[r[0] for r in rows], station=[r[1] for r in rows], station_confidence=0.99, odds=1e7
    )
    ledger = follow_balls(table, Route(ROUTE.stations), end_s=170.0)
    for (low, high), window in zip(ledger.transit_s.values(), ROUTE.transit_s, strict=True):
        assert 0.5 * (low + high) == pytest.approx(0.5 * sum(window or (0, 0)), abs=0.05)
    assert (ledger.fed, ledger.count("unheard")) == (100, 0)


def test_silences_are_spans_between_balls() -> None:
    times = np.array([r for way in flow(EVEN) for r in [way[0][0], way[1][0], way[2][0]]])
    codes = np.tile([0, 1, 2], 100)
    order = np.argsort(times)
    times, codes = times[order], codes[order]
    assert silences(times, codes, ROUTE, start_s=0.0, end_s=170.0) == []
    heard = ~((codes == 1) & (times > 40.0) & (times < 90.0))
    (found,) = silences(times[heard], codes[heard], ROUTE, start_s=0.0, end_s=170.0)
    assert (found.station, found.blocked, found.beside) == (1, False, 2)
    assert found.from_s < 40.0
    assert found.to_s > 90.0


def test_which_of_two_balls_is_lost_is_left_open_and_both_are_named() -> None:
    """Two at the landing, one at the bend, late for either: balls sound alike, so no listener can tell which it was."""
    ways = flow(EVEN)
    came = ways[50][0][0] + 3.05
    ways[50] = [ways[50][0], (came, "bend"), (came + 0.65, "tray")]
    ways[51] = ways[51][:1]
    rows = [r for way in ways for r in way]
    lost = [f for f in follow(rows).findings if f.kind == "stuck"]
    assert len(lost) == 1
    assert lost[0].odds > 100.0
    both = {round(ways[50][0][0], 3), round(ways[51][0][0], 3)}
    assert {round(lost[0].time_s, 3), round(lost[0].or_s, 3)} == both
    assert f"rather than the ball heard there at {lost[0].or_s:.2f} s" in lost[0].why
    assert lost[0].to_dict()["or_time_s"] == pytest.approx(lost[0].or_s, abs=1e-6)


def test_a_ball_that_leaves_the_track_and_falls_is_one_event() -> None:
    ways = flow(EVEN)
    left = ways[40][0][0]
    ways[40] = ways[40][:1]
    found = follow([*(r for way in ways for r in way), (left + 0.5, "")]).findings
    assert [(f.kind, f.time_s) for f in found] == [("stuck", left), ("stray", left + 0.5)]
    assert "a stray 0.50 s after it" in found[0].why


@pytest.mark.parametrize(("odds", "low", "high"), [(1e7, 12.0, 20.0), (10.0, 5.0, 9.0)])
def test_a_sound_that_may_be_chance_bears_out_no_fall(odds: float, low: float, high: float) -> None:
    """Else a ball unheard at the last station beside a doubtful sound was stuck, the surer the more it was in doubt."""
    ways = flow(EVEN)
    left = ways[40][1][0]
    ways[40] = ways[40][:2]
    rows = sorted([*(r for way in ways for r in way), (left + 0.35, "")])
    table = Impacts.of(
        len(rows),
        time_s=[t for t, _ in rows],
        station=[n for _, n in rows],
        station_confidence=[0.99 if n else np.nan for _, n in rows],
        odds=[1e7 if n else odds for _, n in rows],
    )
    (lost,) = (f for f in follow_balls(table, ROUTE, end_s=170.0).findings if f.kind == "stuck")
    assert lost.time_s == left
    assert low < lost.odds < high


def test_a_pace_that_wavers_leaves_no_empty_slots() -> None:
    rng = np.random.default_rng(8)
    fed = 2.0 + np.cumsum(rng.uniform(0.8, 2.6, 90))
    ledger = follow([r for way in flow(fed) for r in way], end_s=float(fed[-1]) + 8.0, feed=FeedPlan(1.6))
    assert ledger.findings == ()


def test_wrong_counts_and_untold_transits_are_said() -> None:
    rows = [r for way in flow(EVEN) for r in way]
    assert any("do balls come round again?" in n for n in follow(rows, feed=FeedPlan(1.6, 12)).notes)
    assert any("not heard, or miscounted" in n for n in follow(rows, feed=FeedPlan(None, 130)).notes)
    few = Impacts.of(
        3, time_s=[1.0, 2.0, 9.0], station=["landing", "bend", "landing"], station_confidence=0.99, odds=1e7
    )
    ledger = follow_balls(few, Route(("landing", "bend")), end_s=20.0)
    assert any("not stated (transit_s in rig.toml)" in n for n in ledger.notes)
    assert all(low >= 0.0 for low, _ in ledger.transit_s.values())
