"""Flow of runs and groups, and noise and flow in one verdict, against scipy and hand counts."""

from __future__ import annotations

import dataclasses
import math
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.stats as st

sys.path.insert(0, str(Path(__file__).parent))
from studies import dispersed_counts

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.differences import Difference
from noisecheck.compare.flowing import RunFlow, count_rate, group_flow, run_flow
from noisecheck.compare.joint import flow_change, flow_margin, join, join_flow
from noisecheck.flow.drops import describe_drops
from noisecheck.flow.failures import HeardShare
from noisecheck.flow.findings import Finding, Ledger, Passage


def _flow(events: int, balls: int, *, stuck: int = 0, name: str = "r") -> RunFlow:
    troubled = min(events + stuck, balls)
    return RunFlow(Run(name, ()), balls=balls, held_up=events, stuck=stuck, troubled=troubled, arrived=balls - stuck)


def _difference(verdict: str, **more: object) -> Difference:
    size = {"quieter": -4.0, "louder": 4.0}.get(verdict, 0.1)
    return Difference("felt", "lae_db", size, (size - 1, size + 1), 0.01, verdict, **more)  # type: ignore[arg-type]


def test_a_run_counts_balls_once_and_leaves_joined_links_out() -> None:
    findings = (
        Finding("held_up", 3.0, "bend", 9.0, "", ball=1),
        Finding("held_up", 4.0, "tray", 9.0, "", ball=1),
        Finding("held_up", 6.0, "bend", 9.0, "", ball=3),
        Finding("stuck", 7.0, "landing", 9.0, "", ball=3),
        Finding("stray", 8.0, "", 9.0, ""),
    )
    took = [0.9, 1.0, 1.1, 1.0]
    passages = [Passage(i, "landing", "bend", float(i), t, False, 9.0) for i, t in enumerate(took)]
    passages.append(Passage(4, "landing", "tray", 5.0, 1.9, False, 9.0))
    ledger = Ledger("r", 6, 5, findings, tuple(passages), listened_s=12.0,
                    transit_s={"landing": (0.8, 1.2), "bend": (0.5, 0.8)})  # fmt: skip
    times = np.array([0.0, 0.5, 0.9, 3.0, 3.4, 3.72])
    drops = describe_drops(times, [0, 0, 0, 1, 1, 1], [0, 1, 2, 0, 1, 2], [1] * 6)
    flow = run_flow(Run("r", ()), ledger, drops, ("", "landing"))
    assert (flow.balls, flow.held_up, flow.stuck, flow.troubled) == (6, 2, 1, 2)
    assert (flow.count("held_up"), flow.count("held_up", "tray"), flow.count("stray")) == (3, 1, 1)
    assert set(flow.transit_median_s) == {"landing > bend"}
    assert flow.transit_median_s["landing > bend"] == pytest.approx(1.0)
    low, high = np.quantile(took, st.norm.cdf([-1, 1]))
    assert flow.transit_spread_s["landing > bend"] == pytest.approx((high - low) / 2, rel=1e-3)
    assert flow.restitution["landing"] == pytest.approx(0.8)


def test_rates_have_exact_bounds_and_means_t_intervals() -> None:
    """Clopper & Pearson by scipy.stats.binomtest, t interval by scipy.stats.t."""
    rate = count_rate([(1, 40), (2, 60)], per=1e3)
    exact = st.binomtest(3, 100).proportion_ci(0.95, method="exact")
    assert (rate.low, rate.high) == pytest.approx((exact.low * 1e3, exact.high * 1e3))
    assert rate.upper == pytest.approx(st.binomtest(3, 100, alternative="less").proportion_ci(0.95).high * 1e3)
    e = [0.61, 0.66, 0.63]
    flows = [RunFlow(Run(str(i), ()), balls=10, arrived=10, restitution={"landing": v}) for i, v in enumerate(e)]
    mean = group_flow("bare", flows).restitution["landing"]
    low, high = st.t.interval(0.95, 2, np.mean(e), st.sem(e))
    assert (mean.low, mean.high, mean.runs) == pytest.approx((low, high, 3))
    single = group_flow("bare", flows[:1]).restitution["landing"]
    assert single.to_dict() == {"value": 0.61, "ci": None, "runs": 1}


def test_runs_that_differ_more_than_chance_widen_the_bounds() -> None:
    """Pearson's dispersion is the chi-square statistic of scipy.stats.chi2_contingency over its degrees of
    freedom, widened for few runs by Student's t."""
    pairs = [(0, 50), (12, 50), (1, 50), (9, 50)]
    rate = count_rate(pairs, per=1e3)
    table = np.array([[x, n - x] for x, n in pairs])
    chi2 = st.chi2_contingency(table, correction=False)
    few = (st.t.ppf(0.975, 3) / st.norm.ppf(0.975)) ** 2
    assert rate.dispersion == pytest.approx(chi2.statistic / chi2.dof * few)
    exact = st.binomtest(22, 200).proportion_ci(0.95, method="exact")
    assert rate.low < exact.low * 1e3
    assert rate.high > exact.high * 1e3
    even = count_rate([(5, 50), (6, 50), (5, 50), (6, 50)], per=1e3)
    assert even.dispersion == 1.0
    assert even.high == pytest.approx(exact.high * 1e3)
    assert math.isnan(count_rate([(0, 0)], per=1e3).value)


def test_bounds_hold_where_balls_of_a_run_share_a_fate() -> None:
    held, plain, n = dispersed_counts(1500, seed=11)
    assert held / n >= 0.93  # 0.95 asked
    assert plain / n < 0.80  # binomial bounds alone


def test_undecided_balls_and_deaf_ears_widen_the_failure_bound_only() -> None:
    flow = RunFlow(Run("r", ()), balls=100, arrived=100, undecided=2)
    plain = group_flow("a", [RunFlow(Run("r", ()), balls=102, arrived=102)])
    deaf = group_flow("a", [flow], heard=HeardShare(0.95, 0.9, "tried"))
    upper = st.binomtest(2, 102, alternative="less").proportion_ci(0.95).high
    assert deaf.failures.upper == pytest.approx(upper / 0.9 * 1e6)
    assert deaf.failures.events == 0
    assert deaf.held_up.upper == pytest.approx(count_rate([(0, 100)], per=1e3).upper)
    assert plain.failures.upper < deaf.failures.upper


@pytest.mark.parametrize(("a", "b"), [((0, 60), (6, 60)), ((2, 300), (11, 280)), ((1, 40), (2, 400))])
def test_worse_is_fishers_exact_test(a: tuple[int, int], b: tuple[int, int]) -> None:
    change = flow_change(group_flow("a", [_flow(*a)]), group_flow("b", [_flow(*b)]))
    p = st.fisher_exact([[b[0], b[1] - b[0]], [a[0], a[1] - a[0]]], alternative="greater").pvalue
    assert change.p_worse == pytest.approx(min(2 * p, 1.0))
    assert (change.verdict == "worse") == (2 * p <= 0.05)


def test_zero_against_zero_leaves_the_exact_bound_of_one_side() -> None:
    change = flow_change(group_flow("a", [_flow(0, 60)]), group_flow("b", [_flow(0, 60)]))
    assert change.at_most_more == pytest.approx(1e3 * (1 - 0.05 ** (1 / 60)))
    assert change.verdict == "no worse"
    few = flow_change(group_flow("a", [_flow(0, 50)]), group_flow("b", [_flow(0, 50)]))
    assert (few.verdict, few.more_balls) == ("not yet shown", 9)  # success run of 59 shows 50 per thousand


def test_never_an_improvement_if_it_holds_up_more() -> None:
    bare, felt = group_flow("bare", [_flow(0, 60)]), group_flow("felt", [_flow(12, 60)])
    worse = join(_difference("quieter"), flow_change(bare, felt))
    assert (worse.improvement, worse.noise) == (False, "quieter")
    assert worse.sentence.startswith("quieter but holds balls up more: 12 of 60")
    fine = join(_difference("quieter"), flow_change(bare, group_flow("cork", [_flow(0, 60)])))
    assert fine.improvement
    assert "no worse as far as 60 balls a side show: at most 48.7 more per thousand" in fine.sentence
    unknown = join(_difference("quieter"), flow_change(bare, group_flow("cork", [_flow(1, 40)])))
    assert not unknown.improvement
    assert unknown.sentence.startswith("quieter, flow not yet shown")
    silent = join(_difference("quieter"), flow_change(group_flow("bare", []), group_flow("felt", [])))
    assert "no balls were followed" in silent.sentence
    assert not silent.improvement
    loud = join(_difference("louder"), flow_change(bare, felt))
    assert loud.sentence.startswith("louder and holds balls up more")
    single = join(_difference("quieter", indicative=True), flow_change(bare, group_flow("cork", [_flow(0, 60)])))
    assert (single.noise, single.improvement) == ("no difference shown", False)
    assert single.sentence.startswith("not shown to be quieter, flow no worse")  # it may be, all the same
    stuck = flow_change(group_flow("a", [_flow(8, 100)]), group_flow("b", [_flow(0, 100, stuck=8)]))
    assert stuck.verdict == "worse"
    assert "lets more balls stick" in join(_difference("quieter"), stuck).sentence
    better = flow_change(felt, group_flow("cork", [_flow(0, 60)]))
    assert better.verdict == "better"
    assert join(_difference("quieter"), better).improvement


def test_margin_is_the_strictest_limit_of_the_rig_file() -> None:
    rig = Rig.model_validate({"requirement": [{"id": "a", "measure": "held_up_per_thousand", "limit": 20.0}]})
    assert (flow_margin(rig), flow_margin(None)) == (20.0, 50.0)


def _asked(by: str, baseline: str, value: str, verdict: str = "quieter") -> Any:
    """What a comparison says, as far as the flow is joined to it."""
    groups = tuple(SimpleNamespace(value=v) for v in (baseline, value))
    found = dataclasses.replace(_difference(verdict), value=value)
    peaks = dataclasses.replace(found, measure="lzpeak_db")
    return SimpleNamespace(by=by, baseline=baseline, groups=groups, differences=(found, peaks), confidence=0.95)


def test_flow_is_joined_at_the_heights_both_sides_share() -> None:
    def run(treatment: str, height: float, held_up: int, **more: str) -> RunFlow:
        made = Run(f"{treatment}{height}", (), treatment=treatment, drop_height_mm=height, **more)
        return RunFlow(made, balls=100, held_up=held_up, troubled=held_up, arrived=100)

    flows = [run("bare", 60, 0), run("bare", 120, 1), run("felt", 120, 20), run("felt", 240, 50)]
    flows.append(run("felt", 120, 99, role="taps"))
    groups, (verdict,) = join_flow(_asked("treatment", "bare", "felt"), flows)
    assert [(g.value, g.held_up.events, g.held_up.balls) for g in groups] == [("bare", 1, 200), ("felt", 70, 200)]
    assert (verdict.flow.base.events, verdict.flow.base.balls) == (1, 100)
    assert (verdict.flow.value.events, verdict.flow.value.balls) == (20, 100)
    assert verdict.sentence == (
        "quieter but holds balls up more: 20 of 100 balls held up or stuck, against 1 of 100; no improvement"
    )
    _, (apart,) = join_flow(_asked("treatment", "bare", "felt"), [flows[0], flows[3]])
    assert (apart.flow.base.balls, apart.flow.value.events) == (100, 50)  # no height shared: all count
    _, (higher,) = join_flow(_asked("drop_height_mm", "120", "240", "louder"), flows)
    # Only felt was dropped on from both heights.
    assert (higher.flow.base.events, higher.flow.base.balls, higher.flow.value.events) == (20, 100, 50)
    assert higher.sentence == "louder and holds balls up more: 50 of 100 balls held up or stuck, against 20 of 100"


def test_flow_by_a_column_is_joined_on_the_pads_both_sides_share() -> None:
    """Felt holds balls up, on one belt as on the other: the belt that had bare runs too is no better for them."""

    def run(belt: str, treatment: str, height: float, held_up: int) -> RunFlow:
        made = Run(f"{belt}{treatment}", (), treatment=treatment, drop_height_mm=height, extra={"belt": belt})
        return RunFlow(made, balls=100, held_up=held_up, troubled=held_up, arrived=100)

    flows = [run("old", "bare", 60, 0), run("old", "felt", 60, 15), run("new", "felt", 61, 16)]
    _, (verdict,) = join_flow(_asked("belt", "old", "new"), flows)  # 60 and 61 mm are one height, as for the noise
    assert (verdict.flow.base.events, verdict.flow.base.balls) == (15, 100)
    assert (verdict.flow.value.events, verdict.flow.value.balls) == (16, 100)


def test_of_conditions_not_shared_together_the_height_is_held() -> None:
    def run(belt: str, treatment: str, height: float, held_up: int) -> RunFlow:
        made = Run(f"{belt}{treatment}", (), treatment=treatment, drop_height_mm=height, extra={"belt": belt})
        return RunFlow(made, balls=100, held_up=held_up, troubled=held_up, arrived=100)

    flows = [
        run("old", "bare", 60, 3),
        run("old", "felt", 120, 15),
        run("new", "bare", 120, 16),
        run("new", "felt", 30, 0),
    ]
    _, (verdict,) = join_flow(_asked("belt", "old", "new"), flows)
    assert (verdict.flow.base.events, verdict.flow.base.balls) == (15, 100)
    assert (verdict.flow.value.events, verdict.flow.value.balls) == (16, 100)


def test_one_ball_more_is_said_in_the_singular() -> None:
    change = flow_change(group_flow("a", [_flow(0, 58)]), group_flow("b", [_flow(0, 58)]))
    assert change.more_balls == 1
    assert "; 1 more ball a side without trouble" in join(_difference("quieter"), change).sentence


def test_how_many_more_at_most_is_bounds_put_together_by_squares() -> None:
    """Zou & Donner 2008, from the one-sided exact bounds of scipy.stats.binomtest, worked by hand."""

    def at_most(x0: float, n0: float, x1: float, n1: float) -> float:
        up = st.beta.ppf(0.95, x1 + 1, n1 - x1) - x1 / n1
        down = x0 / n0 - (st.beta.ppf(0.05, x0, n0 - x0 + 1) if x0 else 0.0)
        return 1e3 * (x1 / n1 - x0 / n0 + math.hypot(up, down))

    change = flow_change(group_flow("bare", [_flow(2, 100)]), group_flow("felt", [_flow(5, 120)]))
    assert change.at_most_more == pytest.approx(at_most(2, 100, 5, 120), rel=1e-9)
    uneven = [_flow(9, 100, name="a"), _flow(0, 100, name="b"), _flow(0, 100, name="c")]
    base = group_flow("bare", uneven)
    wide = base.troubled.dispersion
    assert wide > 5
    change = flow_change(base, group_flow("felt", [_flow(3, 300)]))
    assert change.at_most_more == pytest.approx(at_most(9 / wide, 300 / wide, 3, 300), rel=1e-9)


@pytest.mark.parametrize(("before", "said"), [(9, "no worse"), (10, "better")])
def test_better_takes_two_and_a_half_per_cent(before: int, said: str) -> None:
    p = st.fisher_exact([[before, 1000 - before], [2, 998]], alternative="greater").pvalue
    assert (p < 0.025) == (said == "better")
    assert p < 0.05
    assert flow_change(group_flow("bare", [_flow(before, 1000)]), group_flow("felt", [_flow(2, 1000)])).verdict == said
