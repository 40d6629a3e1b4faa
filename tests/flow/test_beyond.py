"""More balls followed than were fed: of the lost ones heard once only as many are strays."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.beyond import Rest, without_foreign
from noisecheck.flow.findings import Finding, OpenBall
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route


def _rest(*odds: float, once: dict[int, float], beyond: int, still_open: float = 0.0) -> Rest:
    """Return what is left of balls with those odds of being stuck, and of being balls at all where heard once."""
    found = [Finding("stuck", 10.0 * n, "landing", o, f"never at bend, {o:.0f} : 1", n) for n, o in enumerate(odds)]
    left = [OpenBall(99, "landing", 5.0, (("stuck", still_open),))] if still_open else []
    return without_foreign(found, left, once, beyond, LedgerSettings())


def _said(rest: Rest) -> list[tuple[str, float]]:
    return [(f.kind, pytest.approx(f.odds, rel=0.05)) for f in rest.findings]


def test_a_ball_too_many_heard_once_is_a_stray_unless_the_stated_number_is_wrong() -> None:
    assert _said(_rest(4.0, once={0: 4.0}, beyond=1)) == [("stray", 25.0)]
    assert _rest(4.0, once={0: 4.0}, beyond=1).foreign == 1
    assert _said(_rest(400.0, once={0: 400.0}, beyond=1)) == [("stuck", 4.0)]
    assert _said(_rest(4.0, once={0: 4.0}, beyond=0)) == [("stuck", 4.0)]
    assert _said(_rest(4.0, once={}, beyond=1)) == [("stuck", 4.0)]  # heard at two stations


def test_that_a_ball_may_have_passed_unheard_makes_it_no_stray() -> None:
    assert _said(_rest(2.0, once={0: 2000.0}, beyond=1)) == [("stuck", 1.8)]


def test_which_of_several_is_one_their_odds_tell() -> None:
    rest = _rest(4.0, 400.0, once={0: 4.0, 1: 400.0}, beyond=1)
    assert {f.time_s: f.kind for f in rest.findings} == {0.0: "stray", 10.0: "stuck"}
    even = _rest(20.0, 20.0, once={0: 20.0, 1: 20.0}, beyond=1)
    assert all(f.odds == pytest.approx(1.0, rel=0.2) for f in even.findings)
    assert len(even.findings) + len(even.open_balls) == 2
    assert _said(_rest(30.0, once={0: 30.0, 99: 0.5}, beyond=1, still_open=0.5))[0][0] == "stuck"


ROUTE = Route(("landing", "bend", "tray"), ((0.9, 1.1), (0.6, 0.8)))


def _told(balls: int | None, lost: int, *, since_s: float = 0.0) -> tuple[list[tuple[str, float]], int]:
    """Return the findings of a run in which one ball never left the landing, listened to from some time on."""
    rng = np.random.default_rng(4)
    fed_s = 1.0 + 2.0 * np.arange(13)
    ways = [[(t, "landing"), (t + 1.0, "bend"), (t + 1.7, "tray")] for t in fed_s]
    ways[lost] = ways[lost][:1]
    rows = sorted((t + rng.normal(0.0, 0.01), name) for way in ways for t, name in way if t > since_s)
    rows = [(float(fed_s[lost]) if abs(t - fed_s[lost]) < 0.1 else t, name) for t, name in rows]
    table = Impacts.of(
        len(rows),
        time_s=[t for t, _ in rows],
        station=[n for _, n in rows],
        station_confidence=0.999,
        odds=1e6,
        drop=-1,
    )
    ledger = follow_balls(table, ROUTE, start_s=since_s, end_s=45.0, feed=FeedPlan(balls=balls))
    return [(f.kind, f.time_s) for f in ledger.findings], ledger.accounted


def test_a_stray_at_a_balls_turn_is_told_by_the_number_fed() -> None:
    assert _told(None, 6) == _told(13, 6) == ([("stuck", 13.0)], 13)
    assert _told(12, 6) == ([("stray", 13.0)], 12)


@pytest.mark.parametrize("stated", [0, 6, 10, 11])
def test_a_number_that_what_was_heard_twice_denies_tells_nothing(stated: int) -> None:
    """Also where balls come round, and it is how many there are."""
    assert _told(stated, 6) == ([("stuck", 13.0)], 13)


def test_balls_under_way_when_the_run_began_are_none_too_many() -> None:
    # Ten are fed while it is listened to, and the third is between landing and bend.
    assert _told(10, 8, since_s=5.5) == ([("stuck", 17.0)], 11)


def test_a_number_that_all_readings_deny_leaves_them_all() -> None:
    rng = np.random.default_rng(40)
    leave = np.cumsum(rng.normal(1.2, 0.012, 100)) - 10.0
    reach = leave + rng.normal(1.5, 0.15, 100)
    kept = np.arange(100) != 60
    parts = [t[(t > 0.0) & (t < 112.0)] for t in (leave, reach[kept])]
    times, names = np.concatenate(parts), np.repeat(["landing", "bend"], [len(t) for t in parts])
    order = np.argsort(times)
    table = Impacts.of(
        len(times), time_s=times[order], station=names[order].tolist(), station_confidence=1.0, rebound=0, odds=1e6
    )

    def open_times(balls: int | None) -> bool:
        ledger = follow_balls(table, Route(("landing", "bend")), end_s=112.0, feed=FeedPlan(balls=balls))
        return any("is not told" in note for note in ledger.notes)

    assert open_times(None)
    assert open_times(12)
