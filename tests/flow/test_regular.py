"""Rebounds that are told by their time alone, in runs of a dozen balls."""

from __future__ import annotations

import math

import numpy as np
import pytest
from flowmaker import heard

from noisecheck.core.table import Impacts
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.rebounds import Member
from noisecheck.flow.regular import regular_followers, with_regular, with_regular_of_all
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route

ROUTE = Route(("landing", "gate", "tray"), ((0.9, 1.2), (0.6, 0.8)))
BALLS, PERIOD_S, END_S = 12, 1.6, 24.0
REBOUND_S = 0.048
SETTINGS = LedgerSettings(shared_microphone=True, copied=0.0)


def short_run(seed: int, *, sounding: str = "", stray_s: float = math.nan) -> Impacts:
    """Return a dozen balls and the gate's rebounds, softer by 7 dB and put to ``sounding``, and a stray at a time."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, str, float, float]] = []
    for ball in range(BALLS):
        t = 1.0 + ball * PERIOD_S + rng.normal(0.0, 0.04)
        rows.append((t, "landing", rng.normal(-50.0, 1.5), 0.98))
        t += rng.uniform(0.9, 1.2)
        rows.append((t, "gate", rng.normal(-68.0, 1.0), 0.98))
        soft_s = t + REBOUND_S * rng.normal(1.0, 0.03)
        rows.append((soft_s, sounding, rng.normal(-75.0, 1.5), 0.7 if sounding else math.nan))
        t += rng.uniform(0.6, 0.8)
        rows.append((t, "tray", rng.normal(-62.0, 1.0), 0.98))
    if not math.isnan(stray_s):
        rows.append((stray_s, "", -60.0, math.nan))
    rows.sort()
    return heard(rows, list(range(len(rows))), [0] * len(rows))


@pytest.mark.parametrize("sounding", ["", "gate"])
@pytest.mark.parametrize("seed", range(4))
def test_what_comes_at_one_interval_after_a_contact_is_no_stray_and_no_ball(seed: int, sounding: str) -> None:
    impacts = short_run(seed, sounding=sounding)
    ledger = follow_balls(impacts, ROUTE, end_s=END_S, settings=SETTINGS, feed=FeedPlan(None, BALLS))
    assert (ledger.arrived, ledger.findings) == (BALLS, ())


def test_a_stray_among_them_is_still_named() -> None:
    impacts = short_run(5, stray_s=9.62)
    ledger = follow_balls(impacts, ROUTE, end_s=END_S, settings=SETTINGS, feed=FeedPlan(None, BALLS))
    assert [(f.kind, f.time_s) for f in ledger.findings] == [("stray", 9.62)]


def test_what_comes_at_any_time_is_no_habit() -> None:
    rng = np.random.default_rng(3)
    contacts, level = 1.0 + 1.6 * np.arange(12.0), np.full(12, -60.0)
    for _ in range(300):
        others = np.sort(rng.uniform(0.0, 24.0, 60))
        assert regular_followers(contacts, level, others, np.full(60, -70.0), 24.0) == []


def test_what_is_as_loud_as_a_contact_is_not_its_rebound() -> None:
    contacts, level = 1.0 + 1.6 * np.arange(12.0), np.full(12, -60.0)
    assert len(regular_followers(contacts, level, np.add(contacts, 0.05), level - 7.0, 24.0)) == 12
    assert regular_followers(contacts, level, np.add(contacts, 0.05), level, 24.0) == []


@pytest.mark.parametrize("softer_db", [3.5, 0.0])
def test_how_soft_rebounds_are_is_told_by_all_of_them_in_noise(softer_db: float) -> None:
    """At a low margin levels scatter, most are not heard, and those that are count as contacts of the place, too."""
    rng = np.random.default_rng(8)
    contact_s = 1.0 + 1.6 * np.arange(100) + rng.normal(0.0, 0.1, 100)
    followed = np.sort(rng.choice(100, 42, replace=False))
    rebound_s = contact_s[followed] + 0.07 * rng.normal(1.0, 0.03, 42)
    level_db = rng.normal(-60.0, 2.0, 100)
    all_s = np.concatenate([contact_s, rebound_s])
    all_db = np.concatenate([level_db, level_db[followed] - rng.normal(softer_db, 2.5, 42)])
    order = np.argsort(all_s)
    told = regular_followers(all_s[order], all_db[order], all_s[order], all_db[order], 165.0)
    right = [(a, b) for a, b in told if 0.05 < all_s[order][b] - all_s[order][a] < 0.09]
    assert right == told
    assert len(told) > 35 if softer_db else not told


def test_rebounds_that_are_told_already_stay() -> None:
    told = [[Member(0, float(k), -50.0), Member(1, k + 0.2, -54.0)] for k in range(8)]
    other = [[Member(0, k + 0.05, -60.0)] for k in range(8)]
    assert with_regular(told, other, 10.0) == told
    found = with_regular([t[:1] for t in told], other, 10.0)
    assert [[m.rebound for m in t] for t in found] == [[0, 1]] * 8
    # What began a train of its own is taken out of the list of them.
    assert found == with_regular([*(t[:1] for t in told), *other], [], 10.0)


def test_what_too_few_contacts_of_each_run_show_those_of_all_show() -> None:
    runs = []
    for number in range(3):
        at = 5.0 * number + 1.6 * np.arange(12.0)
        contacts = [[Member(0, t, -60.0 - 4.0 * number)] for t in at.tolist()]
        soft = [[Member(0, t + 0.048, -67.0 - 4.0 * number)] for t in at[number : number + 3].tolist()]
        runs.append((contacts, soft, 30.0))
        assert with_regular(*runs[-1]) == contacts
    together = with_regular_of_all(runs)
    assert [sum(len(t) == 2 for t in trains) for trains in together] == [3, 3, 3]
    assert [len(trains) for trains in together] == [12, 12, 12]
    # each run's are its own, as loud as they were
    assert [{t[0].level_db for t in trains} for trains in together] == [{-60.0}, {-64.0}, {-68.0}]
    assert with_regular_of_all(runs[:1]) == [runs[0][0]]
