"""What a run of a dozen balls learns from other runs of the same pad, height and revision."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from flowmaker import heard

from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.siblings import Sibling, as_many_as_needed, shown_by
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.transits import Contacts, learn_transits

NAMES = ("landing", "gate", "tray")
STATED = Route(NAMES, ((0.9, 1.2), (0.6, 0.8)))
BALLS, PERIOD_S, END_S = 12, 1.6, 24.0
REBOUND_S = 0.16
SETTINGS = LedgerSettings(shared_microphone=True, copied=0.0)


def short_run(seed: int, *, found: float = 1.0, gate: float = 1.0) -> Impacts:
    """Return a dozen balls: ``found``, the share of the gate's rebounds found; ``gate``, that of its contacts."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, str, float, int, int]] = []
    for ball in range(BALLS):
        t = 1.0 + ball * PERIOD_S + rng.normal(0.0, 0.04)
        rows.append((t, "landing", rng.normal(-50.0, 1.5), 3 * ball, 0))
        t += rng.uniform(0.9, 1.2)
        rows.append((t, "gate" if rng.random() < gate else "", rng.normal(-68.0, 1.0), 3 * ball + 1, 0))
        if rng.random() < found:
            rows.append((t + REBOUND_S * rng.normal(1.0, 0.03), "", rng.normal(-75.0, 1.0), 3 * ball + 1, 1))
        t += rng.uniform(0.6, 0.8)
        rows.append((t, "tray", rng.normal(-62.0, 1.0), 3 * ball + 2, 0))
    rows.sort()
    placed = [(t, station, level, 0.98 if station else math.nan) for t, station, level, _, _ in rows]
    return heard(placed, [r[3] for r in rows], [r[4] for r in rows])


def _one_rebound_untold(seed: int) -> Impacts:
    """Return a run in which one rebound at the gate is found, and begins a drop of its own."""
    run = short_run(seed, found=0.0)
    gate = int(np.flatnonzero(run["station"] == "gate")[5])
    extra = run.where([gate]).with_columns(
        time_s=run["time_s"][[gate]] + REBOUND_S,
        station=[""],
        station_confidence=[math.nan],
        lae_db=[-75.0],
        drop=[99],
    )
    both = Impacts.concat([run, extra])
    return both.where(np.argsort(both["time_s"]))


def _shown(*seeds: int, **how: float) -> list[Sibling]:
    return [shown_by(short_run(seed, **how), STATED, end_s=END_S) for seed in seeds]


@pytest.mark.parametrize("seed", range(3))
def test_a_rebound_is_told_by_those_of_other_runs(seed: int) -> None:
    given = {"end_s": END_S, "settings": SETTINGS, "feed": FeedPlan(None, BALLS)}
    alone = follow_balls(_one_rebound_untold(seed), STATED, **given)  # type: ignore[arg-type]
    assert [f.kind for f in alone.findings] == ["stray"]
    ledger = follow_balls(_one_rebound_untold(seed), STATED, siblings=_shown(10, 11, 12), **given)  # type: ignore[arg-type]
    assert (ledger.arrived, ledger.findings) == (BALLS, ())


def test_transit_times_too_few_to_learn_are_those_of_other_runs() -> None:
    unstated = Route(NAMES)
    given = {"end_s": END_S, "settings": SETTINGS, "feed": FeedPlan(None, BALLS)}
    deaf = short_run(1, gate=0.2)
    assert any("too few to learn" in note for note in follow_balls(deaf, unstated, **given).notes)  # type: ignore[arg-type]
    ledger = follow_balls(deaf, unstated, siblings=_shown(10, 11, 12, gate=0.6), **given)  # type: ignore[arg-type]
    assert not any("too few to learn" in note for note in ledger.notes)
    low, high = ledger.transit_s["landing"]
    assert 0.5 < low < 0.9
    assert 1.2 < high < 1.6


def _contacts(seed: int) -> Contacts:
    """Return an even feed already running when listening begins, with transits of 1.5 s and 10 %."""
    rng = np.random.default_rng(seed)
    leave = -4.0 + np.cumsum(rng.normal(1.2, 0.012, 20))
    reach = leave + rng.normal(1.5, 0.15, 20)
    times, stations = np.concatenate([leave, reach]), np.repeat([0, 1], 20)
    order = np.argsort(times)
    order = order[(times[order] > 0.0) & (times[order] < 18.0)]
    return Contacts(times[order], stations[order], 0.0, 18.0)


def test_runs_together_tell_the_spread_better_than_one() -> None:
    route = Route(("landing", "tray"))
    alone, together = [], []
    for seed in range(12):
        runs = [_contacts(20 * seed + k) for k in range(5)]
        for found, others in ((alone, []), (together, runs[1:])):
            (fit,) = learn_transits(*runs[0][:2], route, 20.0, start_s=0.0, end_s=18.0, beside=others)
            found.append(fit.sd)
    assert np.std(np.log(together)) < 0.6 * np.std(np.log(alone))
    assert np.median(together) == pytest.approx(0.15, rel=0.2)


def _runs_of(transit_s: float, seeds: Sequence[int], found: float = 1.0) -> list[Contacts]:
    """Return runs of a dozen balls from one station to the next, that share of the contacts found."""
    runs = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        leave = 1.0 + PERIOD_S * np.arange(BALLS) + rng.normal(0.0, 0.05, BALLS)
        times = np.concatenate([leave, leave + transit_s * rng.normal(1.0, 0.05, BALLS)])
        rows = np.flatnonzero(rng.random(2 * BALLS) < found)
        rows = rows[np.argsort(times[rows])]
        runs.append(Contacts(times[rows], rows // BALLS, 0.0, END_S))
    return runs


@pytest.mark.parametrize("other_s", [0.6, 0.75, 1.4])
def test_a_run_that_clearly_tells_other_transit_times_keeps_its_own(other_s: float) -> None:
    route = Route(("landing", "tray"))
    for seed in range(6):
        (own,) = _runs_of(1.0, [seed])
        others = _runs_of(other_s, range(100 + 4 * seed, 104 + 4 * seed))
        (fit,) = learn_transits(*own[:2], route, 20.0, start_s=0.0, end_s=END_S, beside=others)
        assert fit.mean == pytest.approx(1.0, abs=0.05)


def test_a_run_that_tells_little_takes_the_transit_times_of_others() -> None:
    route = Route(("landing", "tray"))
    for seed in range(6):
        (own,) = _runs_of(1.0, [seed], found=0.6)
        others = _runs_of(1.0, range(100 + 4 * seed, 104 + 4 * seed))
        (fit,) = learn_transits(*own[:2], route, 20.0, start_s=0.0, end_s=END_S, beside=others)
        assert fit.mean == pytest.approx(1.0, abs=0.05)
        assert fit.sd < 0.1


def test_half_the_contacts_of_a_station_tell_how_long_balls_take() -> None:
    rng = np.random.default_rng(4)
    leave = 1.0 + np.cumsum(rng.normal(1.6, 0.2, 40))
    reach = (leave + rng.uniform(0.7, 0.95, 40))[rng.random(40) < 0.4]
    times, stations = np.concatenate([leave, reach]), np.repeat([0, 1], [len(leave), len(reach)])
    order = np.argsort(times)
    (fit,) = learn_transits(times[order], stations[order], Route(("a", "b")), 20.0, start_s=0.0, end_s=70.0)
    assert fit.mean == pytest.approx(0.83, abs=0.04)
    chance = np.sort(rng.uniform(1.0, 66.0, len(reach)))
    times = np.concatenate([leave, chance])
    order = np.argsort(times)
    (fit,) = learn_transits(times[order], stations[order], Route(("a", "b")), 20.0, start_s=0.0, end_s=70.0)
    assert fit.sd == 0.0


def test_as_many_siblings_as_needed_the_first_of_them() -> None:
    shown = _shown(1, 2, 3, 4, 5, 6)
    assert all(s.balls == BALLS for s in shown)
    assert as_many_as_needed(12, shown) == tuple(shown[:4])
    assert as_many_as_needed(50, shown) == tuple(shown[:1])
    assert as_many_as_needed(60, shown) == ()


def test_what_a_sibling_shows_without_a_station() -> None:
    (shown,) = _shown(1)
    other = shown.without({"landing"})
    assert other.told.trains == [[], *shown.told.trains[1:]]
    assert (shown.trains_at("landing"), shown.trains_at("elsewhere")) == (shown.told.trains[0], [])
    assert set(other.contacts.stations.tolist()) == {-1, 1, 2}
    moved = shown.contacts_on(Route(("tray", "gate")))
    assert [int((moved.stations == q).sum()) for q in (-1, 0, 1)] == [BALLS, BALLS, BALLS]


def _fed(seed: int, jitter: float, balls: int = BALLS) -> np.ndarray:
    return np.cumsum(PERIOD_S * np.random.default_rng(seed).normal(1.0, jitter, balls))


def _pace_of(own: np.ndarray, *others: np.ndarray) -> tuple[bool, float, float]:
    beliefs = Beliefs(STATED, FeedPlan(), SETTINGS, (), 0.0)
    return beliefs.learn_pace(own, others), beliefs.period_s, beliefs.pace_sd


def test_runs_together_tell_how_evenly_balls_are_fed() -> None:
    even = [_fed(seed, 0.03) for seed in range(4)]
    assert not _pace_of(even[0])[0]
    assert not _pace_of(even[0], even[1])[0]
    told, period_s, spread = _pace_of(*even)
    assert told
    assert period_s == pytest.approx(PERIOD_S, rel=0.03)
    assert spread == pytest.approx(0.03, abs=0.015)
    # no more even than the run itself is, and at its own pace
    told, period_s, spread = _pace_of(1.5 * _fed(9, 0.12), *even)
    assert told
    assert period_s == pytest.approx(1.5 * PERIOD_S, rel=0.1)
    assert spread > 0.06
    assert not _pace_of(even[0][:6], *even[1:])[0]
    many = _fed(5, 0.03, 40)
    assert _pace_of(many, _fed(6, 0.3, 60)) == _pace_of(many)


def test_a_run_is_followed_by_the_pace_of_its_siblings() -> None:
    solver = LedgerSolver(STATED, settings=SETTINGS)
    solver.learn_habits(short_run(1), _shown(2, 3, 4))
    assert solver.beliefs.paced
    solver = LedgerSolver(STATED, settings=SETTINGS)
    solver.learn_habits(short_run(1))
    assert not solver.beliefs.paced


def test_a_station_whose_sound_is_not_told_in_a_run_stays_on_the_way() -> None:
    given = {"end_s": END_S, "settings": SETTINGS, "feed": FeedPlan(None, BALLS), "siblings": _shown(10, 11, 12)}
    untold = short_run(1, gate=0.0)
    ledger = follow_balls(untold, STATED, **given)  # type: ignore[arg-type]
    assert (ledger.arrived, ledger.findings, ledger.notes) == (BALLS, (), ())
    assert list(ledger.transit_s) == ["landing", "gate"]
    # where it is not listened to, nothing is heard in its stead
    deaf = untold.where(untold["station"] != "")
    ledger = follow_balls(deaf, STATED, **given)  # type: ignore[arg-type]
    assert list(ledger.transit_s) == ["landing"]
    assert "not listened to: gate" in ledger.notes[0]
    alone = follow_balls(untold, STATED, **{**given, "siblings": ()})  # type: ignore[arg-type]
    assert list(alone.transit_s) == ["landing"]
