"""Two contacts in one impact: which of them was hidden is left open, and what both readings say is said."""

from __future__ import annotations

import math

from noisecheck.flow.agreement import Best, holding_key
from noisecheck.flow.histories import Decision, History, contacts_of

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
