"""A contact rebounds once; its rebound may be drowned, and other impacts when it was due may be none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fallmaker import FIRST_S
from test_ledger import follow, quiet_run

from noisecheck.flow.arrivals import Arrival
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.dues import Trains
from noisecheck.flow.explanations import Impact
from noisecheck.flow.histories import Decision, History, Overdue
from noisecheck.flow.rebounds import Member, ReboundLaw
from noisecheck.flow.rivals import Rivals
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.steps import extend, without_train

ROUTE = Route(("landing", "tray"), ((0.6, 0.9),))
BORN = Decision(None, "born", 0, -1, 0, 10.0)


def begun(law: ReboundLaw) -> Beliefs:
    """Return beliefs in which balls rebound at the landing, and are as loud everywhere."""
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(copied=0.0), [], 0.0)
    beliefs.laws[0] = law
    for level in beliefs.levels:
        level.prime(np.random.default_rng(5).normal(-50.0, 0.7, 300))
    return beliefs


def heard(beliefs: Beliefs, *others: tuple[float, int]) -> list[Impact]:
    """Return a contact at the landing and what came so long after it, put to those stations, as taken in."""
    trains = Trains(beliefs.laws)
    trains.take(0, Member(0, 10.0, -50.0, 0), 0)
    beliefs.heads[0] = 0
    found = [Impact(0, 10.0, 0, 0.99, 1e6, -50.0)]
    for number, (since_s, station) in enumerate(others, start=1):
        at_s = 10.0 + since_s
        due = trains.due(at_s, -53.0, True, impact=number)
        found.append(Impact(number, at_s, station, 0.99, 1e6, -53.0, drowned=True, due=tuple(due)))
    for i in found:
        beliefs.hear(i.time_s, i.level_db, True)
    return found


def story(*steps: tuple[str, int], falls: bool = False) -> History:
    """Return a history in which a ball was born at the landing, and those steps (kind, impact) followed."""
    past, contacts = BORN, [(0, 0)]
    for kind, number in steps:
        past = Decision(past, kind, number, 0 if falls or kind == "pass" else -1, 1, 10.0 + FIRST_S)
        if kind == "pass":
            contacts.insert(0, (1, number))
    return History(0.0, (), (0, -1), 10.0, 1.6, (), past, tuple(contacts))


@pytest.mark.parametrize(
    ("history", "taken"),
    [(story(("none", 1)), True), (story(("pass", 1)), False), (story(("none", 1), falls=True), False)],
)
def test_of_two_impacts_one_is_the_rebound_due(law: ReboundLaw, history: History, taken: bool) -> None:
    beliefs = begun(law)
    impacts = heard(beliefs, (FIRST_S - 0.006, 0), (FIRST_S + 0.004, 0))
    rivals = Rivals(beliefs, impacts[2], impacts)
    room = rivals.room((0, 0), history.contacts, rivals.of(history, history.contacts))
    assert (room < 0.01) if taken else room == 1.0
    (kept,) = rivals.without([history], (0, 0))
    assert (kept.log_p < math.log(0.05)) if taken else kept.log_p == 0.0


def test_a_contact_that_may_be_a_rebound_is_one_where_the_rebound_comes_itself(law: ReboundLaw) -> None:
    logs = []
    for second in (False, True):
        beliefs = begun(law)
        impacts = heard(beliefs, (FIRST_S - 0.006, 1), *[(FIRST_S + 0.004, 0)] * second)
        by_ball, by_none = story(("pass", 1)), story(("none", 1))
        if second:
            found = extend([by_ball, by_none], impacts[2], beliefs, impacts)
            at = [h for h in found if h.past is not None and h.past.kind == "none"]
            logs.append({h.past.before.kind: h.log_p for h in at if h.past is not None and h.past.before is not None})
        else:
            logs.append({"pass": by_ball.log_p, "none": by_none.log_p})
    assert logs[1].get("none", -math.inf) - logs[1]["pass"] < math.log(0.01)


@pytest.mark.parametrize("falls", [False, True])
def test_the_sound_of_a_fall_is_no_rebound(law: ReboundLaw, falls: bool) -> None:
    beliefs = begun(law)
    impacts = heard(beliefs, (FIRST_S + 0.014, -1))
    beliefs.hear(12.0, -50.0, True)
    (kept,) = without_train([story(("none", 1), falls=falls)], impacts[0], 0, impacts[1:], 12.0, beliefs)
    assert (kept.log_p < math.log(0.3)) == falls


def test_what_rings_when_a_rebound_is_due_may_drown_it(law: ReboundLaw) -> None:
    beliefs = begun(law)
    for n in range(60):
        at_s = 10.0 * (n + 1)
        beliefs.hear(at_s, -50.0, True)
        if n % 3 == 0:  # 6 dB and more above the rebound when that is due, and one of two is not heard
            beliefs.hear(at_s + 0.5 * FIRST_S, -35.0, True)
        if n % 6:
            beliefs.hear(at_s + FIRST_S, -53.0, True)
    beliefs.hear(1e3, -50.0, True)
    for n in range(60):
        beliefs.learn_answer(0, 10.0 * (n + 1))
    ringing, quiet = beliefs.silent(0, 10.0), beliefs.silent(0, 20.0)
    assert 0.3 < ringing < 0.7
    assert quiet < 0.05
    beliefs.heard_by[1] = 1  # another microphone heard that one best: what this one heard of it is not known
    assert beliefs.silent(0, 10.0) == quiet


def test_a_ball_that_fell_is_lost_by_all_that_wait_for_it_in_vain() -> None:
    ways = quiet_run()
    lost_s = ways[30][0][0]
    ways[30] = ways[30][:1]
    found = follow(ways, [(lost_s + 0.6, "")]).findings
    assert [(f.kind, round(f.time_s, 2)) for f in found] == [
        ("stuck", round(lost_s, 2)),
        ("stray", round(lost_s + 0.6, 2)),
    ]
    assert found[0].odds > 100.0


def test_what_comes_just_behind_a_ball_on_time_did_not_wait_behind_it() -> None:
    # An empty turn's ball may have been held up and have waited behind one that came late, not behind one on time.
    beliefs = Beliefs(ROUTE, FeedPlan(1.6), LedgerSettings(), [], 0.0)
    beliefs.hear(10.0, -50.0, True)
    beliefs.hear(10.75, -50.0, True)
    arrival = Arrival(beliefs, Impact(2, 10.82, 1, 0.99, 1e6, -50.0), 1, 1.0, 1.6)
    density = {}
    for late in (False, True):
        past = Decision(BORN, "pass", 1, 0, 1, 10.75, late=late)
        history = History(0.0, (), (0, 1), 10.0, 1.6, (8.4,), past, ((1, 1), (0, 0)))
        moves = arrival.moves(history, (), -50.0, Overdue(10.82, beliefs))
        density[late] = max(math.exp(m.log) for m in moves if m.kind == "born")
    assert density[False] < 0.05 * density[True]
