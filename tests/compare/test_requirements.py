"""Verdicts by guard band: published examples, exact binomial bounds, and what would settle an open one."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats as st

from noisecheck.bench.rig import Requirement
from noisecheck.compare.requirements import judge_estimate, judge_mean, judge_rate, judge_uncertain, overall

Reference = Callable[[str], list[dict[str, float]]]


def test_zener_diode_of_jcgm_106() -> None:
    """JCGM 106:2012, clause 7 (from memory): limit -5.40 V, found -5.47 V, u = 0.05 V: it conforms with 0.92."""
    found = judge_uncertain(-5.47, 0.05, -5.40)
    assert found.odds / (1 + found.odds) == pytest.approx(0.92, abs=0.005)
    assert found.verdict == "not yet shown"  # 0.92 is below the 95 % asked for
    assert judge_uncertain(-5.47, 0.05, -5.40, confidence=0.9).verdict == "met"


def test_speed_limit_of_jcgm_106() -> None:
    """JCGM 106:2012, clause 8 (from memory): 100 km/h, u = 2 %: beyond 107 km/h a breach is 99.9 % certain."""
    assert judge_uncertain(107.0, 0.02 * 107.0, 100.0, confidence=0.999).verdict == "not met"
    assert judge_uncertain(106.0, 0.02 * 106.0, 100.0, confidence=0.999).verdict == "not yet shown"


def test_guard_band_is_1_64_u() -> None:
    """Eurachem/CITAC 2021, annex A: one-sided 95 % needs a guard band of 1.64 standard uncertainties."""
    found = judge_uncertain(10.0, 1.0, 11.7)
    assert found.high - found.value == pytest.approx(1.64, abs=0.005)
    assert (found.verdict, judge_uncertain(10.0, 1.0, 11.6).verdict) == ("met", "not yet shown")
    assert judge_uncertain(10.0, 1.0, 8.3).verdict == "not met"
    assert judge_uncertain(10.0, 1.0, 8.3, sense="at least").verdict == "met"
    assert judge_uncertain(10.0, 1.0, 11.7, sense="at least").verdict == "not met"


def test_at_least_is_at_most_turned_over() -> None:
    for limit in (8.0, 9.0, 10.5, 12.0):
        least, most = judge_uncertain(10.0, 1.0, limit, sense="at least"), judge_uncertain(-10.0, 1.0, -limit)
        assert (least.verdict, least.odds) == (most.verdict, most.odds)
        assert (least.low, least.high) == (-most.high, -most.low)
        assert "lies at or above the limit, not met if it lies below" in least.rule
        assert "lies at or below the limit, not met if it lies above" in most.rule
    assert judge_uncertain(10.0, 1.0, 9.0, sense="at least").verdict == "not yet shown"


def test_a_bound_on_the_limit_itself_meets_it_and_does_not_break_it() -> None:
    found = judge_uncertain(10.0, 1.0, 11.0)
    assert judge_uncertain(10.0, 1.0, found.high).verdict == "met"
    assert judge_uncertain(10.0, 1.0, found.low).verdict == "not yet shown"
    sure = [judge_uncertain(10.0, 0.0, limit) for limit in (10.0, 10.5, 9.9)]
    assert [(v.verdict, v.odds) for v in sure] == [("met", 1e6), ("met", 1e6), ("not met", 0.0)]


def test_mean_of_runs_is_student_one_sided() -> None:
    values = [58.1, 59.0, 58.4, 58.9]
    found = judge_mean(values, 60.0)
    half = st.t.ppf(0.95, 3) * st.sem(values)
    assert (found.low, found.high) == pytest.approx((np.mean(values) - half, np.mean(values) + half))
    p = st.ttest_1samp(values, 60.0, alternative="less").pvalue
    assert found.odds == pytest.approx((1 - p) / p, rel=1e-6)
    assert (found.verdict, found.next_step) == ("met", "")


def test_shared_uncertainty_widens_the_bounds() -> None:
    values = [58.1, 59.0, 58.4, 58.9]
    with_calibrator = judge_estimate(np.mean(values), st.sem(values), 3, 4, 60.0, added_uncertainty=0.3)
    u = np.hypot(st.sem(values), 0.3)
    df = 3 * (u / st.sem(values)) ** 4
    assert with_calibrator.high == pytest.approx(np.mean(values) + st.t.ppf(0.95, df) * u)


def test_open_verdicts_say_how_many_runs_would_settle_them() -> None:
    values = [59.0, 60.5, 58.8]
    found = judge_mean(values, 60.0)
    assert found.verdict == "not yet shown"
    assert found.more is not None
    n, room, sd = 3 + found.more, 60.0 - np.mean(values), np.std(values, ddof=1)

    def power(k: int) -> float:
        return float(st.nct.sf(st.t.ppf(0.95, k - 1), k - 1, room * np.sqrt(k) / sd))

    assert power(n) >= 0.8 > power(n - 1)
    assert f"({n} in all) would show it met" in found.next_step
    assert "would show it not met" in judge_mean([60.2, 61.5, 59.5], 60.0).next_step
    assert "change the design or the limit" in judge_mean([59.0, 61.0, 60.0], 60.0).next_step


@pytest.mark.parametrize(("fitted", "added"), [(1, 0.0), (3, 0.0), (1, 0.3), (3, 0.3)])
def test_runs_that_would_settle_it_have_the_power_that_scipy_gives(fitted: int, added: float) -> None:
    """Runs of sd 1.5, 1 below the limit; ``fitted`` of them go into means; a calibrator's uncertainty is shared."""
    runs, sd, room = 6, 1.5, 1.0
    found = judge_estimate(-room, sd / math.sqrt(runs), runs - fitted, runs, 0.0, added_uncertainty=added)
    assert found.more is not None

    def power(n: int) -> float:
        u = math.hypot(sd / math.sqrt(n), added)
        df = (n - fitted) * (u / (sd / math.sqrt(n))) ** 4  # Welch and Satterthwaite, the shared part known for sure
        return float(st.nct.sf(st.t.ppf(0.95, df), df, room / u))

    assert power(runs + found.more) >= 0.8 > power(runs + found.more - 1)


def test_two_runs_are_judged_and_one_more_may_do() -> None:
    found = judge_mean([10.0, 12.0], 11.0 + 6.0)
    assert found.high == pytest.approx(11.0 + st.t.ppf(0.95, 1))
    assert (found.verdict, found.more) == ("not yet shown", 1)
    assert found.next_step.startswith("1 more run (3 in all) would show it met")


@pytest.mark.parametrize("error", [0.0, math.nan, math.inf])
def test_an_estimate_without_spread_shows_nothing(error: float) -> None:
    found = judge_estimate(50.0, error, 3.0, 4, 60.0)
    assert (found.verdict, found.value, found.more) == ("not yet shown", 50.0, None)
    assert found.next_step.startswith("record more runs")


def test_one_run_or_none_shows_nothing() -> None:
    found = judge_mean([50.0], 60.0)
    assert (found.verdict, found.more) == ("not yet shown", 1)
    assert judge_mean([], 60.0).more == 2
    assert judge_mean([float("nan")], 60.0).to_dict()["value"] is None


def test_bounds_of_a_rate_are_the_exact_binomial_ones(reference: Reference) -> None:
    """Clopper & Pearson 1934: tabled figures; the lower bound by scipy's exact test."""
    for row in reference("binomial_bounds"):
        x, n = int(row["x"]), int(row["n"])
        found = judge_rate(x, n, 1.0, scale=1.0)
        assert found.high == pytest.approx(row["upper1"], abs=6e-7)
        least = st.binomtest(x, n, alternative="greater").proportion_ci(0.95, method="exact").low
        assert found.low == pytest.approx(least, abs=1e-9)


def test_failure_free_balls_are_those_of_the_success_run(reference: Reference) -> None:
    for row in reference("statistics_success_run"):
        found = judge_rate(0, 1, 1 - row["reliability"], scale=1.0, confidence=row["confidence"])
        assert found.more is not None
        assert 1 + found.more == row["trials"]
        at = judge_rate(0, int(row["trials"]), 1 - row["reliability"], scale=1.0, confidence=row["confidence"])
        assert at.verdict == "met"


def test_forty_thousand_balls() -> None:
    """0 failures in 41,200 balls, heard fraction 0.9993: below 73 per million; 2.95 million more show 1 per million."""
    found = judge_rate(0, 41_200, 1.0, heard_fraction=0.9993)
    assert found.verdict == "not yet shown"
    assert found.high == pytest.approx(73, abs=0.5)
    assert found.more == pytest.approx(2.957e6, abs=1e4)
    assert "more failure-free balls would show it" in found.next_step


def test_rates_beyond_the_limit_and_limits_of_zero() -> None:
    assert judge_rate(50, 10_000, 1.0, scale=1e3).verdict == "not met"
    assert judge_rate(0, 10_000, 1.0, scale=1e3).verdict == "met"
    assert judge_rate(0, 10_000, 1.0, scale=1e3, heard_fraction=0.2).verdict == "not yet shown"
    assert judge_rate(0, 10_000, 0.0).more is None
    assert judge_rate(0, 0, 1.0).next_step == "no balls were listened to"
    assert judge_rate(3, 1000, 3.0, scale=1e3).odds == pytest.approx(1.0, abs=0.7)


def test_a_rate_of_balls_partly_heard_in_runs_that_differ() -> None:
    """Six failures and five balls undecided in 800; four in five are heard, and 2.5 balls count as one."""
    found = judge_rate(6, 800, 20.0, scale=1e3, heard_fraction=0.8, dispersion=2.5, undecided=5)
    known, doubtful, balls = 6 / 2.5, 11 / 2.5, 800 / 2.5
    assert found.value == pytest.approx(6 / 800 / 0.8 * 1e3)
    assert found.low == pytest.approx(1e3 * st.beta.ppf(0.05, known, balls - known + 1))  # what was heard happened
    assert found.high == pytest.approx(1e3 * st.beta.ppf(0.95, doubtful + 1, balls - doubtful) / 0.8)
    jeffreys = st.beta.cdf(0.016, doubtful + 0.5, balls - doubtful + 0.5)  # of 20 per thousand 16 are heard
    assert jeffreys > 0.5
    assert found.odds == pytest.approx(jeffreys / (1 - jeffreys))
    assert found.more is not None
    enough = (800 + found.more) / 2.5  # doubtful failures are whole ones, at most five
    assert st.binom.cdf(5, math.ceil(enough), 0.016) <= 0.05 < st.binom.cdf(5, math.floor(enough) - 1, 0.016)


@pytest.mark.parametrize("heard", [0.0, 1.2])
def test_a_rate_without_a_share_heard_is_open(heard: float) -> None:
    found = judge_rate(0, 1000, 10.0, heard_fraction=heard)
    assert (found.verdict, found.low, found.more) == ("not yet shown", 0.0, None)
    assert found.next_step == "the heard fraction is not known"
    assert judge_rate(5, 10, 2e6).odds == 1e6  # no more than all balls can fail


def test_no_odds_where_undecided_balls_decide() -> None:
    """One failure in 41 and ten balls undecided: 24 or 268 per thousand, on either side of 100."""
    assert math.isnan(judge_rate(1, 41, 100.0, scale=1e3, undecided=10).odds)
    assert judge_rate(1, 41, 400.0, scale=1e3, undecided=10).odds == pytest.approx(
        judge_rate(11, 41, 400.0, scale=1e3).odds
    )
    assert judge_rate(9, 41, 100.0, scale=1e3, undecided=5).odds == pytest.approx(
        judge_rate(9, 41, 100.0, scale=1e3).odds
    )


def test_runs_that_agree_to_the_last_digit_show_nothing() -> None:
    found = judge_mean([0.0, 0.0, 0.0], 2.0)
    assert found.verdict == "not yet shown"
    assert "copies, or counts" in found.next_step


def test_strict_requirements_decide_together() -> None:
    level = Requirement(id="a", measure="lae_db", limit=60.0)
    rate = Requirement(id="b", measure="failures_per_million", limit=100.0, strict=False)
    loud = judge_mean([61.0, 61.2, 61.1], 60.0)
    few = judge_rate(0, 1000, 100.0)
    assert (loud.verdict, few.verdict) == ("not met", "not yet shown")
    assert overall([(level, loud), (rate, few)]) == "not met"
    assert overall([(level, few), (rate, loud)]) == "not yet shown"
    assert overall([(rate, few)]) == "met"
