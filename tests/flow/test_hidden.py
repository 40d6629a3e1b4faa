"""Two contacts in one impact: which of them was hidden is left open, and what both readings say is said."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.flow.agreement import Best, holding_key
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.histories import Decision, History, contacts_of
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route

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
