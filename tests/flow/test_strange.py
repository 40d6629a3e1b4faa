"""Sounds like no station that are yet most like one, and levels that are but bounds: what they tell the ledger."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.book import Book
from noisecheck.flow.contacts import levels_of, real_odds
from noisecheck.flow.explanations import Impact, label_of, leftover_rebound
from noisecheck.flow.habits import LevelHabit
from noisecheck.flow.histories import Decision
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.rebounds import Member, ReboundLaw
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.strange import with_trains_by_sound
from noisecheck.place.evidence import Evidence

ROUTE = Route(("shelf", "hook", "bowl"), ((0.8, 1.1), (0.5, 0.8)))
NAMES = ROUTE.stations


def strange_run(seconds: float, seed: int, stray: tuple[float, int]) -> tuple[Impacts, Evidence]:
    """Return a run whose contacts (one rebound each) are all most like their station and more like none of them.

    A stray at the given time is most like the station given.
    """
    rng = np.random.default_rng(seed)
    events = [(*stray, -56.0)]
    for fed in np.arange(1.0, seconds - 4.0, 1.6):
        at = fed + rng.normal(0.0, 0.01)
        for place, (took, flight) in enumerate(((0.0, 0.11), (0.95, 0.085), (0.65, 0.15))):
            at += took + (rng.normal(0.0, 0.03) if place else 0.0)
            events.append((at, place, rng.normal(-57.0 - place, 0.8)))
            events.append((at + flight * math.exp(rng.normal(0.0, 0.05)), place, rng.normal(-65.0 - place, 1.0)))
    events.sort()
    time_s, place, level = (np.array(v) for v in zip(*events, strict=True))
    n = len(events)
    table = Impacts.of(n, time_s=time_s, lae_db=level, odds=np.full(n, 1e4), station_confidence=np.full(n, 0.9),
                                 rebound=np.zeros(n, int), drop=np.arange(n))  # fmt: skip
    likelihood = np.full((n, 3), -9.0)
    likelihood[np.arange(n), place.astype(int)] = 0.0
    return table, Evidence(NAMES, likelihood, np.full(n, 3.0))


def test_a_strange_sound_still_tells_its_place_as_far_as_the_run_bears_that_out() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), [], 0.0)
    impact = Impact(0, 1.0, -1, 0.9, 1e3, -50.0, labels=(0.01, 1.0, 0.01, 20.0))
    assert label_of(beliefs, impact, 1) > 5.0 * label_of(beliefs, impact, 0)
    # Bayes by hand: u of contacts strange, of these w anywhere.
    u, w = beliefs.p_unplaced[1][0], beliefs.astray[0]
    told, anywhere = u * 20.0 * (1.0 - w) * 3.0 / 1.02, u * 20.0 * w
    foreign, lost = impact.foreign(1, u, w)
    assert foreign == pytest.approx((told + anywhere) / (told + anywhere + (1.0 - u) * 1.0))
    assert lost == pytest.approx(foreign * anywhere / (told + anywhere))
    # Contacts at a station that sound like another one teach that strange sounds tell nothing.
    for _ in range(60):
        beliefs.learn_contact(0, impact.foreign(0, 0.9, beliefs.astray[0]), 1.0, math.nan, 0, False)
    beliefs.tables()
    assert beliefs.astray[0] > 0.5


def test_balls_that_all_sound_strange_are_followed_and_only_the_stray_is_named() -> None:
    table, odds = strange_run(200.0, 4, (101.35, 2))
    ledger = follow_balls(table, ROUTE, end_s=200.0, odds=odds)
    assert [(f.kind, round(f.time_s, 2)) for f in ledger.findings] == [("stray", 101.35)]
    assert ledger.arrived == len(np.arange(1.0, 196.0, 1.6))


def test_where_contacts_sound_strange_so_may_rebounds_and_what_follows_louder_impacts_counts_for_no_strays() -> None:
    strays, rebounds = [], []
    for strange in (0.0, 1.0):
        beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), [], 0.0)
        for _ in range(200):
            beliefs.learn_contact(1, (strange, 0.0), 1.0, math.nan, 0, False)
        beliefs.tables()
        impact = Impact(1, 1.08, -1, 0.9, 1e6, -60.0, labels=(0.1, 0.01, 0.01, 19.0))
        rebounds.append(leftover_rebound(beliefs, impact, 1, 0.08, -52.0))
        book = Book(ROUTE, FeedPlan(), LedgerSettings(), beliefs)
        book.impacts += [Impact(0, 1.0, 1, 1.0, 1e6, -52.0), impact]
        book.write(Decision(None, "none", 1, -1, -1, 1.08), 1.0, 0.0, 1.0, 9.0)
        strays.append(beliefs.strays)
    assert rebounds[1] > 10.0 * rebounds[0]
    assert strays[0] > 0.5
    assert strays[1] == 0.0


def test_trains_are_told_by_sound_only_where_many_are_strange() -> None:
    table, odds = strange_run(60.0, 5, (31.35, 2))
    told = with_trains_by_sound(table, odds)
    assert np.mean(told["rebound"] == 1) == pytest.approx(0.5, abs=0.02)
    assert set(told["station"]) == set(NAMES)
    named = table.with_columns(station=np.array(NAMES)[odds.log_likelihood.argmax(axis=1)])
    assert with_trains_by_sound(named, odds) is named


def test_a_bound_of_a_level_tells_by_its_margin_how_loud_an_impact_was() -> None:
    gross, noise = 10.0 ** (-5.0), np.array([0.1, 0.6, 0.99, 0.6]) * 10.0 ** (-5.0)
    margin = 10.0 * np.log10(gross / noise)
    flags = np.where(margin < 3.0, int(Flag.BOUND), 0).astype(np.uint32)
    flags[3] |= np.uint32(Flag.OVERLAPPED)
    lae = 10.0 * np.log10(np.where(margin < 3.0, gross / 2.0, gross - noise))
    table = Impacts.of(4, time_s=np.arange(4.0), lae_db=lae, margin_db=margin, flags=flags)
    level, at_most = levels_of(table)
    assert at_most.tolist() == [False, False, True, True]
    assert level[:2] == pytest.approx(10.0 * np.log10(gross - noise[:2]), abs=0.05)
    assert 10.0 * math.log10(gross - noise[2]) < level[2] < lae[2] - 5.0
    assert level[3] == lae[3]


def test_what_was_cut_short_is_as_loud_as_its_peak_says() -> None:
    rng = np.random.default_rng(5)
    peak = rng.normal(-30.0, 2.0, 60)
    time_s, lae = np.arange(60.0), peak - 25.0 + rng.normal(0.0, 0.3, 60)
    flags, margin = np.zeros(60, np.uint32), np.full(60, 12.0)
    time_s[31], lae[30] = time_s[30] + 0.005, lae[30] - 6.0  # the next comes 5 ms later
    flags[30] = flags[40] = np.uint32(Flag.OVERLAPPED)  # and this one only rings on into a late next one
    table = Impacts.of(60, time_s=time_s, lae_db=lae, lzpeak_db=peak, margin_db=margin, flags=flags)
    level, _ = levels_of(table)
    assert level[30] == pytest.approx(peak[30] - 25.0, abs=0.5)
    assert np.array_equal(np.delete(level, 30), np.delete(lae, 30))
    faint = table.with_columns(margin_db=np.where(np.arange(60) == 30, 4.0, margin))  # its peak may be the background's
    assert levels_of(faint)[0][30] == lae[30]


def test_chance_is_no_louder_than_the_background() -> None:
    margin, odds = np.array([0.5, 5.0, 10.0, 10.0, 10.0, 10.0]), np.array([300.0, 300.0, 300.0, 300.0, 0.5, 300.0])
    time_s, lae = np.array([1.0, 2.0, 3.0, 3.04, 4.0, 5.0]), np.array([-60.0, -60.0, -50.0, -60.0, -50.0, -50.0])
    table = Impacts.of(6, time_s=time_s, lae_db=lae, margin_db=margin, odds=odds)
    real = real_odds(table)
    assert real[[0, 3, 4]].tolist() == [300.0, 300.0, 0.5]  # as faint; while a louder one rings; doubted to begin with
    assert 300.0 < real[1] < 1e3 < 1e4 < real[2] == real[5]
    blank = table.with_columns(margin_db=np.full(6, math.nan))
    assert np.array_equal(real_odds(blank), odds)


def test_a_bound_is_as_likely_as_all_levels_below_it() -> None:
    habit = LevelHabit()
    habit.prime(np.random.default_rng(3).normal(-50.0, 1.5, 400))
    middle, sd = habit.usual_db
    # Anything may have any level from 20 dB below to 20 dB above (evenly).
    for bound in (middle - sd, middle, middle + 3.0):
        whole = (bound - middle + 20.0) / 40.0
        usual = stats.norm.cdf(bound, middle, sd) / whole
        assert habit.ratio(bound, False, at_most=True) == pytest.approx(usual, rel=0.06)
    assert habit.ratio(middle - 12.0, False, at_most=True) < 0.1


def test_later_rebounds_are_foreseen_from_the_contact_alone() -> None:
    rng = np.random.default_rng(8)
    law = ReboundLaw()
    trains = []
    for _ in range(300):
        first, level = 0.15 * math.exp(rng.normal(0.0, 0.05)), rng.normal(-50.0, 0.5)
        second = first * 0.55 * math.exp(rng.normal(0.0, 0.05))
        trains.append([Member(0, 0.0, level), Member(1, first, level - 5.0), Member(2, first + second, level - 10.0)])
    law.learn(trains)
    total, _ = integrate.quad(lambda t: law.any_of(t, math.nan, False), 1e-3, 2.0, limit=800, points=[0.15, 0.2325])
    assert total == pytest.approx(law.share(1) * (1.0 + law.share(2)), rel=0.02)
    assert law.any_of(0.2325, -10.0, False) > 20.0 * law.any_of(0.3, -10.0, False)
    # As loud as the contact it is no second rebound.
    assert law.any_of(0.2325, 0.0, False) < 0.01 * law.any_of(0.2325, -10.0, False)
