"""What the ledger finds is told once, and taken back when all that was heard since speaks against it."""

from __future__ import annotations

from dataclasses import replace

from noisecheck.flow.findings import Finding, OpenBall
from noisecheck.live.teller import Teller, standing

STUCK = Finding("stuck", 8.0, "landing", 9.0, "not heard", state="suspected")
UNHEARD = Finding("unheard", 7.0, "landing", 50.0, "heard at tray")


def test_each_finding_is_told_once() -> None:
    teller = Teller()
    assert [e.kind for e in teller.tell([STUCK, UNHEARD], 9.0)] == ["stuck", "unheard"]
    (event,) = teller.tell([replace(STUCK, state="settled"), UNHEARD], 12.0)
    assert (event.kind, event.more, event.alarm) == ("stuck", {"confirms": True}, False)


def test_an_account_made_again_tells_what_is_new_and_takes_back_what_no_longer_holds() -> None:
    teller = Teller()
    teller.tell([STUCK, UNHEARD], 9.0)
    stray = Finding("stray", 6.0, "", 30.0, "no ball was due")
    # The ball unheard was due a little later by what is known now; the stuck one was none.
    events = teller.tell_over([replace(UNHEARD, time_s=7.05), stray], 24.0)
    assert [(e.kind, e.time_s) for e in events] == [("cleared", 8.0), ("stray", 6.0)]
    assert "taken back" in events[0].text
    assert [(e.kind, e.time_s) for e in teller.tell_over([stray], 48.0)] == [("cleared", 7.0)]
    assert teller.tell_over([stray], 96.0) == []


def test_what_is_not_settled_yet_is_not_taken_back() -> None:
    teller = Teller()
    teller.tell([UNHEARD], 12.0)
    assert teller.tell_over([], 13.0, from_s=6.5) == []
    assert [e.kind for e in teller.tell_over([], 14.0, from_s=7.5)] == ["cleared"]


def test_a_ball_that_comes_late_closes_its_own_suspicion() -> None:
    teller = Teller()
    other = replace(STUCK, time_s=8.4)
    teller.tell([STUCK, other], 10.0)
    late = Finding("held_up", 10.2, "tray", 20.0, "2.2 s", ball=4, closes_s=8.0)
    (event,) = teller.tell([late], 11.0)
    assert (event.kind, event.more["closes_s"]) == ("arrived_late", 8.0)
    (event,) = teller.tell([replace(other, state="closed")], 12.0)
    assert (event.kind, event.time_s) == ("cleared", 8.4)


def test_what_stands_of_all_that_was_said() -> None:
    closed = replace(STUCK, state="closed")
    assert standing([STUCK, UNHEARD, closed]) == [UNHEARD]
    settled = replace(STUCK, state="settled")
    assert standing([STUCK, settled]) == [settled]
    late = Finding("held_up", 10.2, "tray", 20.0, "2.2 s", ball=4, closes_s=8.0)
    assert standing([STUCK, late]) == [late]


def test_a_ball_that_came_late_is_not_stuck_again_when_the_account_is_made_again() -> None:
    teller = Teller()
    late = Finding("held_up", 10.2, "tray", 20.0, "2.2 s", ball=4, closes_s=8.0)
    assert [e.kind for e in [*teller.tell([STUCK], 9.0), *teller.tell([late], 11.0)]] == ["stuck", "arrived_late"]
    assert teller.tell_over([STUCK, late], 12.0) == []


def test_two_balls_late_within_a_moment_are_two() -> None:
    teller = Teller()
    late = Finding("held_up", 10.2, "tray", 20.0, "2.2 s", ball=4)
    assert len(teller.tell([late, replace(late, time_s=10.23, ball=5)], 11.0)) == 2


def test_what_stays_undecided_is_not_taken_back() -> None:
    """A ball not heard again at the end of a watch may be stuck still: nothing speaks against it."""
    teller = Teller()
    teller.tell([STUCK, replace(STUCK, time_s=4.0)], 9.0)
    still = OpenBall(7, "landing", 8.0, (("stuck", 1.8), ("held up still", 0.5)))
    events = teller.tell_over([], 24.0, undecided=[still])
    assert [(e.kind, e.time_s, e.state, e.alarm) for e in events] == [
        ("stuck", 8.0, "suspected", False),
        ("cleared", 4.0, "settled", False),
    ]
    assert f"stays undecided: {still.sentence}" in events[0].text


def test_a_stray_put_elsewhere_is_the_same_stray() -> None:
    teller = Teller()
    stray = Finding("stray", 6.0, "", 9.0, "no ball was due", state="suspected")
    teller.tell([stray], 6.2)
    (event,) = teller.tell_over([replace(stray, station="bend", state="settled")], 24.0)
    assert (event.kind, event.station, event.alarm) == ("stray", "bend", False)


class Solver:
    """Stands in for one that follows balls: what it holds, and what it takes over."""

    def __init__(self, *, holds: bool, takes: bool) -> None:
        self.holds, self.takes = holds, takes
        self.forgot: list[Finding] = []

    def stands(self, suspicion: Finding) -> bool:
        return self.holds

    def forget(self, suspicion: Finding) -> None:
        self.forgot.append(suspicion)

    def take_over(self, suspicion: Finding) -> bool:
        return self.takes


def test_a_suspicion_that_did_not_last_is_not_told() -> None:
    teller, gone = Teller(), Solver(holds=False, takes=False)
    assert teller.tell([STUCK, replace(STUCK, state="closed")], 61.0, solver=gone) == []
    assert teller.tell_over([STUCK], 61.0, solver=gone) == []
    assert gone.forgot == [STUCK, STUCK]
    assert [e.kind for e in teller.tell([STUCK], 62.0, solver=Solver(holds=True, takes=False))] == ["stuck"]
    assert teller.tell_over([STUCK], 63.0, solver=gone) == []  # told already, and settled later
    assert len(gone.forgot) == 2


def test_what_is_not_settled_is_handed_on_and_not_taken_back() -> None:
    teller = Teller()
    teller.tell([STUCK], 9.0)
    assert teller.tell_over([], 12.0, solver=Solver(holds=True, takes=True)) == []
    late = Finding("held_up", 10.2, "tray", 20.0, "2.2 s", ball=4, closes_s=8.0)
    assert [e.kind for e in teller.tell([late], 13.0)] == ["arrived_late"]
    teller.tell([STUCK], 14.0)
    assert [e.kind for e in teller.tell_over([late], 16.0, solver=Solver(holds=True, takes=False))] == ["cleared"]
