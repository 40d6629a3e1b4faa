"""Two contacts in one impact: which of them was hidden is left open, and what both readings say is said."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.agreement import Best, holding_key
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.histories import Decision, History, contacts_of
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.place.evidence import Evidence

SEEN = Decision(None, "pass", 7, 3, 1, 20.0, late=True)
SHOWN = Decision(None, "pass", 8, 3, 1, 20.15, late=True, came_s=20.0)
"""The same contact, told by its rebound: something else is seen in impact 7."""
DIRECT = Decision(None, "pass", 8, 3, 1, 20.15, late=True)


def test_what_hid_a_contact_has_its_later_rebounds() -> None:
    heard = [*(0.1 * k for k in range(7)), 20.0, 20.15]
    assert contacts_of(SHOWN, 20.3, heard) == ((1, 8), (1, 7))
    assert contacts_of(DIRECT, 20.3, heard) == ((1, 8),)
    assert contacts_of(SHOWN, 25.0, heard) == ()


def test_readings_agree_that_a_ball_was_late_by_the_impact_or_by_when_it_came() -> None:
    def agree(one: Decision, other: Decision) -> bool:
        return not set(one.late_keys).isdisjoint(other.late_keys)

    assert agree(SHOWN, DIRECT)
    assert agree(SHOWN, SEEN)
    assert not agree(SEEN, DIRECT)
    assert not agree(SHOWN, SHOWN._replace(late=False))


def test_a_reading_tells_what_hid_a_contact() -> None:
    none = Decision(None, "none", 7, -1, 1, 20.0)
    best, other = (
        History(0.0, (), (-1, -1), math.nan, 1.0, (), d)
        for d in (DIRECT._replace(before=none), SHOWN._replace(before=none))
    )
    yardstick = Best(best, None)
    assert holding_key(20.0) in yardstick.story(other, 1.0, 2, False).own
    assert holding_key(20.0) not in yardstick.story(best, 1.0, 2, False).own


def test_how_far_readings_share_the_best_ones_way_is_told_in_any_order() -> None:
    def ways(number: int, *, before: Decision | None, count: int) -> list[Decision]:
        found = [Decision(before, "none", number, -1, 1, float(number))]
        for n in range(number + 1, number + count):
            found.append(Decision(found[-1], "none", n, -1, 1, float(n)))
        return found

    def history(past: Decision | None) -> History:
        return History(0.0, (), (-1, -1), math.nan, 1.0, (), past)

    root = Decision(None, "none", 0, -1, 1, 0.0)
    best = ways(1, before=root, count=4)
    aside = ways(2, before=best[0], count=3)
    further, apart = ways(4, before=aside[1], count=2), ways(1, before=root, count=4)
    asked = [(history(further[-1]), 1), (history(aside[-1]), 1), (history(best[2]), 3), (history(apart[-1]), 0)]
    for order in (asked, asked[::-1]):
        yardstick = Best(history(best[-1]), root)
        assert [yardstick.shared(h) for h, _ in order] == [number for _, number in order]
    assert yardstick.shared(history(root)) == 0


def test_a_contact_louder_than_usual_where_it_was_may_well_hold_a_louder_one() -> None:
    """The landing is 9 dB softer than the tray: as loud as that a sound like the landing has the tray's in it."""
    beliefs = Beliefs(Route(("landing", "tray"), ((0.5, 0.9),)), FeedPlan(), LedgerSettings(), [], 0.0)
    rng = np.random.default_rng(1)
    for habit, usual_db in zip(beliefs.levels, (-54.0, -45.0), strict=True):
        habit.prime(rng.normal(usual_db, 1.0, 100))
    for at, level_db, station in ((1.0, -54.0, 0), (3.0, -45.0, -1), (5.0, -45.0, 0), (7.0, -45.0, 1)):
        beliefs.hear(at, level_db, True, 0, station)
    usual, untold, louder, own = (beliefs.hidden_then(1, at, 0.1) for at in (1.0, 3.0, 5.0, 7.0))
    assert usual < 0.01 * untold
    assert louder > 10.0 * untold
    assert own == pytest.approx(untold)


@pytest.mark.parametrize("station", [0, 1])
def test_a_contact_for_which_no_impact_was_found_shows_by_its_rebound(station: int) -> None:
    """Else that was a contact far too soft and too late, or a stray and its ball unheard at up to a million to one."""
    rng, stations = np.random.default_rng(4), ("landing", "bend", "tray")
    rows, fed_s, came_s = [], 2.0, math.nan
    for ball in range(90):
        fed_s = at = fed_s + 1.0 + rng.exponential(1.0)
        for q, usual in enumerate((0.0, 1.0, 0.7)):
            at += usual * np.exp(rng.normal(0.0, 0.03))
            missing = (ball, q) == (60, station)
            first, came_s = ([], at) if missing else ([(at, q, -46.0, 0)], came_s)
            rows += [*first, (at + 0.1 + rng.normal(0.0, 0.001), q, -59.0, int(bool(first)))]
    time_s, at, level_db, rebound = (np.array(v) for v in zip(*sorted(rows), strict=True))
    drop = np.zeros(len(rows), np.int64)  # trains of one place
    for q in range(3):
        drop[at == q] = 1000 * q + np.cumsum(rebound[at == q] == 0)
    impacts = Impacts.of(
        len(rows), time_s=time_s, station=[stations[q] for q in at], station_confidence=0.99, odds=1e5, drop=drop,
        rebound=rebound, lae_db=level_db + rng.normal(0.0, 0.7, len(rows)),
    )  # fmt: skip
    odds = Evidence.none(stations, len(rows))
    odds.log_likelihood[:] = np.where(np.arange(3) == at[:, None], 6.0, -6.0)
    way = Route(stations, ((0.85, 1.2), (0.59, 0.84)))
    settings = LedgerSettings(copied=0.0)
    ledger = follow_balls(impacts, way, end_s=time_s[-1] + 4.0, odds=odds, settings=settings)
    assert (ledger.fed, ledger.arrived, ledger.findings) == (90, 90, ())
    there = [p.time_s - p.took_s * (station == 0) for p in ledger.passages if p.ball == 60]
    assert there[0] == pytest.approx(came_s, abs=0.005)
