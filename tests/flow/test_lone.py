"""What no ball made: strays that sound alike, impacts without a rebound, and rebounds as faint as the background."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.drops import G_MPS2
from noisecheck.flow.explanations import Impact, leftover_rebound, unexplained
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.rebounds import Member, ReboundLaw
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.trains import find_drops
from noisecheck.place.evidence import Evidence

ROUTE = Route(("landing", "tray"), ((0.6, 0.9),))
FLIGHT_S = 2.0 * 0.4 * math.sqrt(2.0 * 0.05 / G_MPS2)
"""First flight after a fall from 50 mm at a restitution of 0.4."""


def run_of(seconds: float, strays: list[tuple[float, int]], answered: bool = True) -> tuple[Impacts, Evidence]:
    """Return balls that rebound once at both stations, and strays (time, place; 2: none), each with its own sound."""
    rng = np.random.default_rng(8)
    rows = [(t, place, -50.0, 0) for t, place in strays]
    for fed in np.arange(1.0, seconds - 4.0, 1.7):
        at = fed + rng.normal(0.0, 0.02)
        for place, took in ((0, 0.0), (1, rng.uniform(0.65, 0.85))):
            level = rng.normal(-50.0, 0.7)
            rows.append((at + took, place, level, 0))
            if answered:
                rows.append((at + took + FLIGHT_S * math.exp(rng.normal(0.0, 0.02)), place, level - 8.0, 1))
    rows.sort()
    time_s, place, level_db, rebound = (np.array(v) for v in zip(*rows, strict=True))
    drop = np.cumsum(rebound == 0)
    for n in np.flatnonzero(rebound == 1):  # of the last contact at its place
        drop[n] = drop[[k for k in range(n) if rebound[k] == 0 and place[k] == place[n]][-1]]
    likelihood = np.full((len(rows), 2), -8.0)
    likelihood[place < 2, place[place < 2].astype(int)] = 0.0
    table = Impacts.of(
        len(rows), time_s=time_s, lae_db=level_db, odds=1e8, station_confidence=np.where(place < 2, 0.99, math.nan),
        station=["" if p == 2 else ROUTE.stations[int(p)] for p in place], drop=drop, rebound=rebound,
    )  # fmt: skip
    return table, Evidence(ROUTE.stations, likelihood, np.where(place < 2, -5.0, 3.0))


def test_strays_of_one_machine_sound_alike() -> None:
    beliefs = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), [], 0.0)
    like_tray = Impact(0, 1.0, 1, 0.99, 1e6, -50.0, labels=(0.001, 2.2, 0.02))
    before, _ = unexplained(beliefs, like_tray)
    rate = beliefs.stray_rate
    for _ in range(3):
        beliefs.learn_stray(0.95, like_tray.labels)
    beliefs.tables()
    assert sum(beliefs.stray_sounds) == pytest.approx(1.0)
    assert beliefs.stray_sounds[1] > 0.5
    assert unexplained(beliefs, like_tray)[0] / beliefs.stray_rate > 5.0 * before / rate


def test_an_impact_where_a_ball_was_due_that_has_no_rebound_is_the_stray() -> None:
    contact_s = 1.0 + 1.7 * 40
    table, odds = run_of(120.0, [(contact_s + 0.55, 1)])
    ledger = follow_balls(table, ROUTE, end_s=120.0, odds=odds)
    assert [(f.kind, round(f.time_s, 2)) for f in ledger.findings] == [("stray", round(contact_s + 0.55, 2))]


def test_the_whole_run_tells_what_was_a_stray() -> None:
    early_s = 9.75
    named = []
    for more in ([], [(20.3 + 13.6 * n, 2) for n in range(6)]):
        table, sounds = run_of(120.0, [(early_s, 2), *more])
        # By itself it may as well be chance: it is heard at 2,000 : 1 only.
        table = table.with_columns(odds=np.where(np.abs(table["time_s"] - early_s) < 0.001, 2e3, table["odds"]))
        ledger = follow_balls(table, ROUTE, end_s=120.0, odds=sounds)
        named.append([round(f.time_s, 2) for f in ledger.findings if f.kind == "stray"])
    assert named[0] == []
    assert named[1][0] == early_s
    assert len(named[1]) == 7


def test_no_rebound_is_louder_than_the_fall_before_it() -> None:
    rng = np.random.default_rng(2)
    law = ReboundLaw()
    law.learn([[Member(0, 0.0, -50.0), Member(1, FLIGHT_S, -58.0 + rng.normal(0.0, 1.0))] for _ in range(40)])
    odd, louder = (law.density(1, FLIGHT_S, math.nan, change, False) for change in (-2.0, 3.0))
    assert louder < 0.02 * odd
    assert law.density(1, FLIGHT_S, math.nan, 3.0, True) > 10.0 * louder  # a louder one beside it may add to it


@pytest.mark.parametrize("ticks", [False, True])
def test_faint_rebounds_are_told_by_their_one_interval_and_ticks_are_not(ticks: bool) -> None:
    rng = np.random.default_rng(4)
    contacts = 1.0 + 2.3 * np.arange(60) + rng.uniform(0.0, 0.3, 60)
    faint = np.arange(0.05, 140.0, 1.0 / 7.0) if ticks else contacts + FLIGHT_S * np.exp(rng.normal(0.0, 0.04, 60))
    time_s = np.concatenate([contacts, faint])
    order = np.argsort(time_s)
    level = np.concatenate([rng.normal(-50.0, 1.0, 60), rng.normal(-60.0, 1.0, len(faint))])[order]
    dim = (np.arange(len(time_s)) >= 60)[order]
    _, rebound = find_drops(time_s[order], level, np.zeros(len(time_s), int), faint=dim)
    if ticks:
        assert np.mean(rebound[dim] == 1) < 0.1
    else:
        assert np.all(rebound[~dim] == 0)
        assert np.mean(rebound[dim] == 1) > 0.95


def test_where_contacts_never_rebound_another_places_sound_is_no_rebound_left_in() -> None:
    b = Beliefs(ROUTE, FeedPlan(), LedgerSettings(), (), 0.0)
    clear, strange = Impact(9, 5.0, 0, 0.998, 1e5, -60.0), Impact(9, 5.0, -1, 0.9, 1e5, -60.0)
    before = [leftover_rebound(b, i, 1, 0.09, -50.0) for i in (clear, strange)]
    b.laws[1].drops = 190  # and no rebound among them
    after = [leftover_rebound(b, i, 1, 0.09, -50.0) for i in (clear, strange)]
    assert after[0] == pytest.approx(before[0] / 20.0)
    assert after[1] == before[1]  # it may be too faint to be told for a train, and to be placed
