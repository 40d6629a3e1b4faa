"""What lies beside an impact tells what it is: later rebounds, other microphones, sounds that were not found."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fallmaker import FALL_DB, FIRST_S, RESTITUTION, train

from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.contacts import faintness, levels_of, of_one_sound
from noisecheck.flow.dues import Trains
from noisecheck.flow.explanations import Impact
from noisecheck.flow.histories import Decision, History
from noisecheck.flow.rebounds import Member, ReboundLaw
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.sorting import Sorter
from noisecheck.flow.steps import with_train

ROUTE = Route(("landing", "tray"), ((0.6, 0.9),))


def density(trains: Trains, time_s: float, level_db: float, channel: int = 0) -> float:
    return sum(d.density for d in trains.due(time_s, level_db, False, impact=9, channel=channel))


def test_rebounds_heard_later_tell_that_one_off_its_time_was_none(law: ReboundLaw) -> None:
    # The first rebound was not heard; something else was, a fifth too early, and then the second and the third.
    trains, odd = Trains([law]), (10.0 + 0.8 * FIRST_S, -54.0)
    contact, _, *later = train(np.random.default_rng(6), 10.0, rebounds=3, first=0)
    trains.take(0, contact, 0)
    before = density(trains, *odd)
    for member in later:
        trains.take(0, member, 0)
    assert density(trains, *odd) < 0.1 * before
    assert density(trains, 10.0 + FIRST_S, -54.0) > 100.0 * density(trains, *odd)


def test_levels_of_rebounds_that_are_only_bounds_are_foreseen_by_those_before() -> None:
    rng = np.random.default_rng(7)
    law = ReboundLaw()
    law.learn(
        [[m._replace(level_db=math.nan) if m.rebound > 1 else m for m in train(rng, rebounds=3)] for _ in range(50)]
    )
    second_s = FIRST_S * RESTITUTION
    assert law.density(2, second_s, FIRST_S, 10.0, False) < 1e-3 * law.density(2, second_s, FIRST_S, FALL_DB, False)


def test_another_microphone_may_hear_a_rebound_softer_but_not_louder(law: ReboundLaw) -> None:
    trains = Trains([law])
    trains.take(0, Member(0, 10.0, -50.0, 0), 0)
    own, softer, louder = (
        density(trains, 10.0 + FIRST_S, -50.0 + change, channel)
        for change, channel in ((-20.0, 0), (-20.0, 1), (8.0, 1))
    )
    assert softer > 20.0 * own
    assert louder < 1e-3 * softer


@pytest.mark.parametrize(("margin_db", "stray"), [(1.0, False), (12.0, True)])
@pytest.mark.parametrize("what", ["perhaps a rebound", "surely a rebound", "a contact"])
def test_a_sound_at_the_background_beside_another_is_that_once_more(
    law: ReboundLaw, margin_db: float, stray: bool, what: str
) -> None:
    surely = what != "perhaps a rebound"
    settings = LedgerSettings(stray_per_hour=30.0, copied=0.0)
    beliefs = Beliefs(ROUTE, FeedPlan(), settings, [], 0.0)
    beliefs.laws[0] = law
    book = Book(ROUTE, FeedPlan(), settings, beliefs)
    faint = float(faintness(Impacts.of(1, margin_db=margin_db))[0])
    like_none, at_s = (0.1, 0.1, 10.0), 10.75 if what == "a contact" else 10.0 + FIRST_S
    beliefs.heads[0] = 0
    level_db = -54.0 if surely else math.nan
    rebound = Impact(1, at_s, 0, 0.99, 1e6, level_db, labels=(2.0, 0.01, 0.01), faint=0.01)
    book.trains.take(0, Member(0, 10.0, -50.0, 0), 0)
    due = book.trains.due(at_s, level_db, False)
    book.impacts += [
        Impact(0, 10.0, 0, 0.99, 1e6, -50.0, labels=(2.0, 0.01, 0.01), faint=0.01),
        rebound._replace(due=tuple(due)),
        Impact(2, at_s + 0.004, -1, 0.9, 1e4, -62.0, labels=like_none, channel=1, faint=faint),
    ]
    for i in book.impacts:
        beliefs.hear(i.time_s, i.level_db, i.station >= 0, i.channel)
    if what != "a contact":
        (book.lone.rebounds if surely else book.lone.alone).add(1)
    book.lone.alone.add(2)
    if what == "surely a rebound":
        book.trains.take(0, Member(1, at_s, -54.0, 1, 1e6), 0)
    born = Decision(None, "born", 0, -1, 0, 10.0)
    lone = Decision(born, "none", 2, -1, -1, at_s + 0.004)
    assert (book.lone.settle(lone, 1.0, 0.0, 20.0) > 5.0) == stray


@pytest.mark.parametrize("margin_db", [2.0, 15.0])
def test_what_was_measured_with_a_sound_that_was_not_found_tells_neither_level_nor_place(margin_db: float) -> None:
    """What stands out by 15 dB would have been found: then it is one sound that rings long."""
    n, rng = 60, np.random.default_rng(3)
    peak = rng.normal(-25.0, 1.0, n)
    flags, exposure = np.zeros(n, np.uint32), peak - 30.0 + rng.normal(0.0, 0.5, n)
    flags[[20, 40]] = int(Flag.OVERLAPPED)
    exposure[20] += 12.0
    table = Impacts.of(
        n, time_s=1.0 + np.arange(n), lae_db=exposure, lzpeak_db=peak, margin_db=15.0, flags=flags, station="landing"
    )
    table = table.with_columns(margin_db=np.where(np.arange(n) == 20, margin_db, 15.0))
    level, at_most = levels_of(table)
    codes, labels = of_one_sound(table, np.zeros(n, np.int64), np.tile([1.0, 0.01, 0.02], (n, 1)))
    if margin_db > 10.0:
        assert level[20] == exposure[20]
        assert not at_most.any()
        assert np.all(codes == 0)
        assert labels[20].tolist() == [1.0, 0.01, 0.02]
        return
    assert np.flatnonzero(at_most).tolist() == [20]
    assert level[20] == pytest.approx(peak[20] - 30.0, abs=0.5)
    assert np.flatnonzero(codes < 0).tolist() == [20]
    assert labels[20].tolist() == [1.0, 1.0, 1.0]
    assert labels[40].tolist() == [1.0, 0.01, 0.02]


@pytest.mark.parametrize("peak_db", [-36.0, -20.0])
def test_where_no_background_is_known_it_is_in_what_its_peak_hardly_shows(peak_db: float) -> None:
    """Faint rebounds measured over half a second seemed as loud as contacts and like no station: strays at 17 : 1."""
    n, rng = 80, np.random.default_rng(3)
    peak = np.where(np.arange(n) % 2, -36.0, -20.0) + rng.normal(0.0, 1.0, n)
    peak[20] = peak_db
    exposure = peak - 30.0 + rng.normal(0.0, 0.5, n)
    exposure[20] += 12.0
    table = Impacts.of(
        n, time_s=1.0 + np.arange(n), lae_db=exposure, lzpeak_db=peak, flags=int(Flag.NO_BACKGROUND), station="landing"
    )
    level, at_most = levels_of(table)
    codes, labels = of_one_sound(table, np.zeros(n, np.int64), np.tile([1.0, 0.01, 0.02], (n, 1)))
    told = [] if peak_db > -30.0 else [20]  # what stands out rings long itself
    assert np.flatnonzero(at_most).tolist() == np.flatnonzero(codes < 0).tolist() == told
    assert level[20] == pytest.approx(exposure[20] - 12.0 * len(told), abs=1.0)
    assert labels[20].tolist() == ([1.0, 1.0, 1.0] if told else [1.0, 0.01, 0.02])


@pytest.mark.parametrize(("interval_s", "less"), [(FIRST_S, True), (RESTITUTION * FIRST_S, False)])
def test_the_next_interval_tells_a_contact_from_a_rebound(law: ReboundLaw, interval_s: float, less: bool) -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), [], 0.0)
    beliefs.laws[0] = law
    beliefs.levels[0].prime(np.random.default_rng(5).normal(-50.0, 0.7, 300))
    book = Book(ROUTE, FeedPlan(), LedgerSettings(), beliefs)
    sorter = Sorter(beliefs, book)
    sounds = (2.0, 0.01, 0.01)
    earlier = Impact(0, 10.0, -1, 0.9, 1e9, -50.0, labels=(0.3, 0.1, 10.0), drop=1)
    head = Impact(1, 10.0 + FIRST_S, 0, 0.999, 1e9, -51.5, labels=sounds, drop=2)
    rebound = Impact(2, head.time_s + interval_s, 0, 0.999, 1e9, -55.0, labels=sounds, drop=2, rebound=1)
    for impact in (earlier, head, rebound):
        book.impacts.append(impact)
        beliefs.hear(impact.time_s, impact.level_db, impact.station >= 0)
        sorter.among_trains(impact)
    here = History(0.0, (), (1, -1), 10.0, 1.6, (), None, ((0, 1),))
    there = History(0.0, (), (0, -1), 10.0, 1.6, (), None, ((0, 0),))
    odds = sorter.if_short(book.impacts[2])
    kept = {h.contacts: h.log_p for h in with_train([here, there], book.impacts[1], rebound.time_s, beliefs, odds)}
    assert kept[here.contacts] == 0.0
    assert (kept[there.contacts] < math.log(0.005)) == less


@pytest.mark.parametrize(("place", "above_db"), [("tray", -32.0), ("landing", -25.0), ("", -32.0)])
def test_what_was_cut_short_is_as_loud_as_its_peak_says_at_its_own_station(place: str, above_db: float) -> None:
    n, rng = 80, np.random.default_rng(3)
    station = np.array(["landing", "tray"] * (n // 2), object)
    peak, time_s, flags = rng.normal(-25.0, 1.0, n), np.arange(float(n)), np.zeros(n, np.uint32)
    exposure = peak + np.where(station == "tray", -32.0, -25.0) + rng.normal(0.0, 0.2, n)
    station[30], exposure[30], flags[30], time_s[31] = place, peak[30] - 40.0, int(Flag.OVERLAPPED), 30.02
    table = Impacts.of(
        n, time_s=time_s, lae_db=exposure, lzpeak_db=peak, margin_db=15.0, flags=flags, station=station.tolist()
    )
    assert levels_of(table)[0][30] == pytest.approx(peak[30] + above_db, abs=0.2)


def test_rebounds_that_follow_from_one_off_its_time_bear_it_out(law: ReboundLaw) -> None:
    trains, early_s = Trains([law]), 0.8 * FIRST_S
    trains.take(0, Member(0, 10.0, -50.0, 0), 0)
    before = density(trains, 10.0 + early_s, -54.0)
    trains.take(0, Member(2, 10.0 + early_s * (1.0 + RESTITUTION), -58.0, 1, 1e3), 0)
    assert density(trains, 10.0 + early_s, -54.0) > 10.0 * before


def test_a_bound_amid_the_ring_of_another_is_no_lower_than_its_peak_says() -> None:
    n, rng = 60, np.random.default_rng(3)
    peak, time_s, flags, margin = (
        rng.normal(-25.0, 1.0, n),
        np.arange(float(n)),
        np.zeros(n, np.uint32),
        np.full(n, 15.0),
    )
    exposure = peak - 30.0 + rng.normal(0.0, 0.2, n)
    # One 12 ms after another, and one with nothing near, both at the level of the background.
    flags[[30, 50]], margin[[30, 50]], time_s[30] = int(Flag.OVERLAPPED | Flag.BOUND), -3.0, 29.012
    exposure[[30, 50]] -= 3.0
    table = Impacts.of(
        n, time_s=time_s, lae_db=exposure, lzpeak_db=peak, margin_db=margin, flags=flags, station="landing"
    )
    level, at_most = levels_of(table)
    assert np.flatnonzero(at_most).tolist() == [30, 50]
    assert level[30] == pytest.approx(peak[30] - 30.0, abs=0.2)
    assert level[50] == exposure[50]


def test_what_took_the_number_of_a_rebound_is_none_where_that_comes_on_time(law: ReboundLaw) -> None:
    trains, odd = Trains([law]), (10.0 + 0.7 * FIRST_S, -54.0)
    trains.take(0, Member(0, 10.0, -50.0, 0), 0)
    before = density(trains, *odd)
    trains.take(0, Member(1, *odd, 9, 0.05), 0)
    trains.take(0, Member(2, 10.0 + FIRST_S, -54.0, 10, 1e4), 0)
    assert density(trains, *odd) < 0.01 * before


@pytest.mark.parametrize("anew", [False, True])
@pytest.mark.parametrize("heard", [True, False])
def test_what_comes_beside_a_rebound_of_the_same_fall_is_a_stray(anew: bool, heard: bool) -> None:
    # An impact 7 ms before the second rebound, which the third bears out. The first rebound was numbered so, or taken
    # for the first contact of a fall of its own, as where two contacts sound as one.
    law, rng = ReboundLaw(), np.random.default_rng(7)
    law.learn([train(rng, rebounds=3) for _ in range(60)])
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(stray_per_hour=30.0, copied=0.0), [], 0.0)
    beliefs.laws[0] = law
    beliefs.levels[0].prime(rng.normal(-50.0, 0.7, 300))
    book = Book(ROUTE, FeedPlan(), LedgerSettings(), beliefs)
    sorter, like_none, like_landing = Sorter(beliefs, book), (0.1, 0.1, 10.0), (2.0, 0.01, 0.5)
    own = [
        (m.time_s, m.level_db, int(anew and m.rebound > 0), m.rebound - (anew and m.rebound > 0))
        for m in train(rng, 10.0, rebounds=3)
    ]
    odd_s = own[2][0] - 0.007
    rows = sorted([*(own if heard else own[:2]), (odd_s, own[2][1] - 1.0, 2, 0)])
    for number, (at, level, drop, rebound) in enumerate(rows):
        sound = like_none if drop == 2 else like_landing
        impact = Impact(number, at, 0 if drop < 2 else -1, 0.97, 1e6, level, labels=sound, drop=drop, rebound=rebound)
        book.impacts.append(impact._replace(faint=0.01))
        beliefs.hear(at, level, drop < 2)
        sorter.among_trains(book.impacts[number])
    book.lone.alone |= set(range(1, len(rows)))
    born = Decision(None, "born", 0, -1, 0, 10.0)
    lone = Decision(born, "none", 2, -1, -1, odd_s)
    assert (book.lone.settle(lone, 1.0, 0.0, 20.0) > 5.0) == heard
