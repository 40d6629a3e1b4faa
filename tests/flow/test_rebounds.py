"""The law of a station's rebounds, against the physics it is learnt from, and what it does for the ledger."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fallmaker import FIRST_S, RESTITUTION, train
from scipy import integrate, stats

from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.dues import Trains
from noisecheck.flow.explanations import Impact
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.rebounds import SPAN_DB, Member, ReboundLaw
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.sorting import Sorter

ROUTE = Route(("landing", "tray"), ((0.6, 0.9),))


def test_the_first_flight_is_that_of_a_free_fall(law: ReboundLaw) -> None:
    assert law.first_s[0] == pytest.approx(FIRST_S, rel=0.01)
    assert law.first_fall_db[0] == pytest.approx(20.0 * math.log10(RESTITUTION), abs=0.2)
    assert law.usual_s(2) == pytest.approx(FIRST_S * RESTITUTION, rel=0.01)
    assert math.isnan(ReboundLaw().first_s[0])


def test_densities_add_up_to_the_share_of_drops_that_rebound(law: ReboundLaw) -> None:
    for number, last in ((1, math.nan), (2, FIRST_S)):
        total, _ = integrate.quad(
            lambda t, n=number, s=last: law.density(n, t, s, math.nan, False), 1e-3, 1.0, limit=400
        )
        assert total == pytest.approx(law.share(number), rel=0.01)
    assert law.density(3, FIRST_S / 2, FIRST_S * RESTITUTION, math.nan, False) == 0.0  # never heard


def test_levels_are_weighed_like_those_of_contacts(law: ReboundLaw) -> None:
    usual, fall = law.density(1, FIRST_S, math.nan, math.nan, False), law.first_fall_db
    ratio = law.density(1, FIRST_S, math.nan, fall[0], False) / usual
    assert ratio == pytest.approx(SPAN_DB * stats.norm.pdf(0.0, 0.0, fall[1]), rel=0.06)
    assert law.density(1, FIRST_S, math.nan, fall[0] + 15.0, False) < 0.05 * usual


def test_what_comes_between_two_rebounds_is_none_of_them(law: ReboundLaw) -> None:
    trains = Trains([law])
    members = train(np.random.default_rng(6), 10.0, first=0)
    for m in members[:2]:
        trains.take(0, m, 0)
    second = members[2]
    due = trains.due(second.time_s, second.level_db, False)
    assert [d.contact for d in due] == [0]
    early = trains.due(second.time_s - 0.3 * FIRST_S, second.level_db, False)
    assert sum(d.density for d in early) < 1e-3 * due[0].density
    # Once the rebound was heard elsewhere, another impact is hardly it.
    trains.take(0, second, 0)
    beside = trains.due(second.time_s - 0.004, second.level_db, False, impact=9)
    assert sum(d.density for d in beside) < 0.05 * due[0].density


def run_of(balls: int, drowned: int) -> Impacts:
    """Return balls with a rebound at the tray 0.1 s after each contact; that of one is drowned by another sound."""
    rng = np.random.default_rng(9)
    rows: list[tuple[float, str, float, int, int]] = []
    for n in range(balls):
        at = 1.0 + 1.7 * n + rng.normal(0.0, 0.03)
        came = at + rng.uniform(0.65, 0.85)
        rows.append((at, "landing", rng.normal(-46.0, 0.7), 2 * n, 0))
        rebound_s, level = came + rng.normal(0.1, 0.002), rng.normal(-50.0, 0.7)
        if n == drowned:  # a louder sound at the same moment, and the rebound by itself
            rows.append((came + 0.004, "", -45.0, 9000 + n, 0))
            rows.append((rebound_s, "tray", level - 6.0, 2 * n + 1, 0))
        else:
            rows.append((came, "tray", level, 2 * n + 1, 0))
            rows.append((rebound_s, "tray", level - 6.0 + rng.normal(0.0, 0.5), 2 * n + 1, 1))
    rows.sort()
    t, station, level_db, drop, rebound = zip(*rows, strict=True)
    table = Impacts.of(
        len(rows), time_s=t, station=list(station), lae_db=level_db, station_confidence=0.999, odds=1e9, drop=drop,
        rebound=rebound,
    )  # fmt: skip
    return table


def test_a_contact_that_another_hid_shows_by_its_rebound() -> None:
    table = run_of(60, 30)
    ledger = follow_balls(table, ROUTE, end_s=110.0)
    assert (ledger.arrived, ledger.count("held_up"), ledger.count("stuck"), ledger.count("unheard")) == (60, 0, 0, 0)


def test_without_a_rebound_little_was_hidden() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), (), 0.0)
    rng = np.random.default_rng(5)
    beliefs.laws[1].learn([train(rng) for _ in range(300)])
    beliefs.heard.extend([10.0, 12.0])
    assert beliefs.unanswered(1, 10.0) < 0.2
    assert beliefs.unanswered(1, 12.0) == 1.0  # its rebound may still come
    assert beliefs.unanswered(0, 10.0) == 1.0  # nothing is known of rebounds there
    beliefs.heard.insert(1, 10.0 + FIRST_S)
    assert beliefs.unanswered(1, 10.0) == 1.0


def test_what_an_impact_hides_is_weighed_anew_once_its_rebound_may_have_come() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), (), 0.0)
    rng = np.random.default_rng(5)
    beliefs.laws[1].learn([train(rng) for _ in range(300)])
    beliefs.hear(10.0, -50.0, True)
    soon = beliefs.hidden_then(1, 10.0, 0.01)
    beliefs.hear(10.01, -50.0, True)  # too soon for its rebound
    assert beliefs.hidden_then(1, 10.0, 0.002) == pytest.approx(beliefs.double(0))
    beliefs.now_s = 12.0
    assert beliefs.hidden_then(1, 10.0, 0.002) < 0.2 * beliefs.double(0)
    beliefs.hear(13.0, -50.0, True)
    beliefs.learn_contact(0, (0.0, 0.0), 13.0, -50.0, 0, False)  # tells nothing of the other station
    assert 0.0 < beliefs.hidden_then(1, 10.0, 0.01) < 0.4 * soon
    before = beliefs.hidden_then(1, 10.0, 0.01)
    beliefs.take_strangest(0.5)
    assert beliefs.hidden_then(1, 10.0, 0.01) == before  # what sounds clear does not hang on it
    beliefs.clear[0] = False
    beliefs.take_strangest(0.9)
    assert beliefs.hidden_then(1, 10.0, 0.01) != before


def test_only_a_louder_sound_hides_a_contact() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), (), 0.0)
    assert beliefs.hides(1, -70.0) == 1.0  # no levels known
    beliefs.levels[1].prime(np.random.default_rng(2).normal(-50.0, 1.0, 100))
    assert beliefs.hides(1, -40.0) > 0.99
    assert beliefs.hides(1, -60.0) < 0.01


def test_a_second_rebound_that_few_balls_make_loud_enough_is_foreseen_by_the_first() -> None:
    rng = np.random.default_rng(8)
    fall = 20.0 * math.log10(RESTITUTION)
    trains = [
        [Member(0, 0.0, -50.0), Member(1, FIRST_S * rng.normal(1.0, 0.02), -50.0 + fall + rng.normal(0.0, 1.0))]
        for _ in range(60)
    ]
    law = ReboundLaw()
    law.learn(trains)
    second_s = FIRST_S * RESTITUTION
    assert law.density(2, second_s, FIRST_S, fall, False) == 0.0  # never heard
    law.learn([[*trains[0], Member(2, trains[0][1].time_s + second_s, trains[0][1].level_db + fall)]])
    due = law.density(2, second_s, FIRST_S, fall, False)
    assert due > 0.1
    assert law.density(2, 3.0 * second_s, FIRST_S, fall, False) < 0.05 * due
    assert law.density(2, second_s, FIRST_S, 10.0, False) < 0.05 * due


@pytest.mark.parametrize(
    ("station", "sounds", "sure"),
    [(1, (0.0, 1.0, 0.01), True), (-1, (0.01, 1e-6, 1.0), False), (-1, (0.01, 0.02, 1.0), False)],
)
def test_a_rebound_of_what_sounds_like_no_station_may_be_that_of_a_hidden_contact(
    station: int, sounds: tuple[float, ...], sure: bool
) -> None:
    rng, settings = np.random.default_rng(5), LedgerSettings()
    beliefs = Beliefs(ROUTE, FeedPlan(), settings, [], 0.0)
    beliefs.laws[1].learn([train(rng) for _ in range(300)])
    beliefs.levels[1].prime(rng.normal(-50.0, 0.7, 300))
    book = Book(ROUTE, FeedPlan(), settings, beliefs)
    sorter = Sorter(beliefs, book)
    head = Impact(0, 10.0, station, 0.999, 1e9, -50.0, labels=sounds, drop=7)
    rebound = Impact(1, 10.0 + FIRST_S, 1, 0.999, 1e9, -53.0, drop=7, rebound=1)
    answers = []
    for impact in (head, rebound):
        book.impacts.append(impact)
        beliefs.hear(impact.time_s, impact.level_db, impact.station >= 0)
        answers.append(sorter.among_trains(impact)[1])
    assert answers == [False, sure]


def test_a_second_rebound_is_foreseen_where_few_balls_fell() -> None:
    rng = np.random.default_rng(9)
    trains = [
        [Member(0, 0.0, -50.0), Member(1, 0.08 * rng.normal(1.0, 0.03), rng.normal(-58.0, 1.0))] for _ in range(10)
    ]
    law = ReboundLaw()
    law.learn(trains)
    second_s = 0.08 * 10.0 ** (-8.0 / 26.0)
    assert law.density(2, second_s, 0.08, -8.0, False) > 1.0
    assert law.density(2, 4.0 * second_s, 0.08, -8.0, False) < 0.05
    law = ReboundLaw()
    law.learn(trains * 6)  # three score never rebounded twice
    assert law.density(2, second_s, 0.08, -8.0, False) == 0.0


@pytest.mark.parametrize("heard", [(0,), (0, 1), (0, 2), (0, 1, 2)])
def test_outside_its_spans_next_to_no_rebound_is_due(heard: tuple[int, ...]) -> None:
    rng = np.random.default_rng(11)
    law = ReboundLaw()
    law.learn([train(rng, rebounds=3) for _ in range(60)])
    trains = Trains([law])
    fall = [m._replace(impact=m.rebound) for m in train(rng, 10.0, rebounds=3) if m.rebound in heard]
    for member in fall:
        trains.take(0, member, 0)
    last_s = fall[-1].time_s
    since_s, near_from, near_to, to_s = law.spans(fall)
    assert last_s < since_s < near_from < last_s + law.usual_s(len(heard)) < near_to < to_s
    for at in last_s + np.geomspace(1e-4, 10.0, 400):
        exact = trains.density(0, Member(-1, at, -54.0, 9))
        if not since_s < at < to_s:
            assert exact == 0.0
        elif not near_from < at < near_to:
            assert exact < 1e-25
        if at < fall[0].time_s + 1.6:
            assert sum(d.density for d in trains.due(at, -54.0, False, impact=9)) == pytest.approx(exact, abs=1e-25)
