"""Failure bounds against scipy's exact binomial, published examples, and simulated campaigns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, binomtest, chi2_contingency, norm, t

from noisecheck.core.errors import InputError
from noisecheck.flow.failures import (
    HeardShare,
    balls_needed,
    binomial_bounds,
    dispersion_of,
    failure_rate,
    heard_share_of_links,
    lower_bound,
    recapture,
    upper_bound,
)
from noisecheck.flow.findings import Finding, Ledger, Passage

Reference = Callable[[str], list[dict[str, str]]]


def ledger(balls: int, stuck: int = 0, undecided: int = 0) -> Ledger:
    findings = tuple(Finding("stuck", float(i), "landing", 50.0, "", i) for i in range(stuck))
    return Ledger("r", balls + undecided, balls - stuck, findings, undecided=undecided, listened_s=2.0 * balls)


def test_bounds_of_clopper_and_pearson(reference: Reference) -> None:
    for row in reference("binomial_bounds"):
        x, n = int(row["x"]), int(row["n"])
        low, high = binomial_bounds(x, n)
        assert low == pytest.approx(float(row["CP_low"]), abs=1.1e-6)
        assert high == pytest.approx(float(row["CP_high"]), abs=1.1e-6)
        assert upper_bound(x, n) == pytest.approx(float(row["upper1"]), abs=1.1e-6)


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95, 0.99])
def test_bounds_equal_scipys_exact_test(confidence: float) -> None:
    for x, n in [(0, 1), (1, 1), (0, 41200), (7, 8), (13, 250), (250, 250), (2, 10**6)]:
        exact = binomtest(x, n).proportion_ci(confidence, "exact")
        assert binomial_bounds(x, n, confidence=confidence) == pytest.approx((exact.low, exact.high), rel=1e-9)
        one_sided = binomtest(x, n, alternative="less").proportion_ci(confidence, "exact").high
        assert upper_bound(x, n, confidence=confidence) == pytest.approx(one_sided, rel=1e-9)
        least = binomtest(x, n, alternative="greater").proportion_ci(confidence, "exact").low
        assert lower_bound(x, n, confidence=confidence) == pytest.approx(least, rel=1e-9)
        if confidence == 0.95:
            assert lower_bound(x, n) == lower_bound(x, n, confidence=0.95)


def test_success_run(reference: Reference) -> None:
    for row in reference("statistics_success_run"):
        limit = 1.0 - float(row["reliability"])
        assert balls_needed(limit, confidence=float(row["confidence"])) == int(row["trials"])
    assert balls_needed(1e-6) == 2_995_731
    # 30 failure-free trials at 90 %: reliability 92.6 % as printed by crlstatistics.
    assert 1 - upper_bound(0, 30, confidence=0.90) == pytest.approx(0.926, abs=5e-4)


def test_bounds_of_rare_failures_are_poissons(reference: Reference) -> None:
    for row in reference("statistics_poisson_upper"):
        assert 1e8 * upper_bound(int(row["failures"]), 1e8) == pytest.approx(float(row["expected"]), rel=1e-6)


def test_balls_needed_with_failures_is_the_least_number() -> None:
    for failures in (0, 1, 3):
        n = balls_needed(1e-3, failures=failures)
        assert upper_bound(failures, n) <= 1e-3 < upper_bound(failures, n - 1)
        assert binom.cdf(failures, n, 1e-3) <= 0.05 < binom.cdf(failures, n - 1, 1e-3)


def test_balls_needed_at_the_edges() -> None:
    assert balls_needed(0.99) == 1
    assert balls_needed(0.5, confidence=0.875) == 3  # one half to the third is an eighth, to the last bit


def test_runs_differ_by_pearsons_statistic() -> None:
    """Against scipy's test of a table of counts; Student's t over the normal quantile for the few runs."""
    pairs = [(9, 200), (2, 150), (1, 250), (5, 100)]
    chi2 = chi2_contingency([(x, n - x) for x, n in pairs], correction=False)
    few = (t.ppf(0.975, 3) / norm.ppf(0.975)) ** 2
    assert dispersion_of([*pairs, (0, 0)]) == pytest.approx(chi2.statistic / chi2.dof * few)
    assert dispersion_of([(4, 4), (0, 4), (0, 4)]) == 4.0  # each run one fate: as many balls as a run has count as one
    assert dispersion_of([(3, 100), (0, 100), (0, 100)]) > 1.0
    for nothing in ([(2, 100), (0, 100), (0, 100)], [(6, 100), (0, 100)], [(2, 2), (2, 2), (2, 2)], [(3, 99)] * 3, []):
        assert dispersion_of(nothing) == 1.0


def test_recapture(reference: Reference) -> None:
    for row in reference("recapture"):
        lincoln, chapman, se = recapture(int(row["first"]), int(row["second"]), int(row["both"]))
        assert lincoln == pytest.approx(float(row["lincoln"]), abs=5e-4)
        assert chapman == pytest.approx(float(row["chapman"]), abs=5e-4)
        assert se == pytest.approx(float(row["chapman_se"]), abs=6e-3)


def test_recapture_is_a_lower_bound_when_some_are_hard_for_both() -> None:
    # 900 easy events (0.99) and 100 hard ones (0.5): expected counts estimate 976 of 1,000.
    heard = round(900 * 0.99 + 100 * 0.5)
    both = round(900 * 0.99**2 + 100 * 0.5**2)
    assert recapture(heard, heard, both)[0] == pytest.approx(976, abs=1)
    with pytest.raises(InputError, match="both cannot be more"):
        recapture(3, 5, 4)
    assert recapture(3, 5, 0)[0] == np.inf


def test_pooled_rate_says_what_it_shows() -> None:
    rate = failure_rate(
        [ledger(20_000), ledger(21_200)], heard=HeardShare(0.9993, 0.9993, "test"), limit_per_million=1.0
    )
    assert (rate.balls, rate.failures, rate.lower) == (41_200, 0, 0.0)
    assert rate.upper * 1e6 == pytest.approx(72.7 / 0.9993, abs=0.1)
    assert rate.balls_needed == balls_needed(0.9993e-6) - 41_200
    assert rate.sentence == (
        "0 failures in 41,200 balls, heard fraction 0.9993: below 73 per million at 95 %; "
        "2.96 million more failure-free balls would show 1 per million."
    )
    assert rate.to_dict() == {
        "balls": 41_200,
        "failures": 0,
        "upper_per_million": pytest.approx(72.76, abs=0.01),
        "confidence": 0.95,
        "heard_fraction": 0.9993,
        "heard_fraction_at_least": 0.9993,
        "heard_how": "test",
        "balls_needed_for_limit": 2_956_630,
    }
    assert rate.listened_s == 82_400.0
    assert rate.notes == ("heard fraction 0.9993 (at least 0.9993, used in the bound): test",)


@pytest.mark.parametrize(
    ("balls", "confidence", "limit", "said"),
    [
        (41_200, 0.95, None, "below 73 per million at 95 %"),  # 72.71
        (40_823, 0.95, None, "below 74 per million at 95 %"),  # 73.38: rounded down it would not be shown
        (2_000_000, 0.95, None, "below 1.5 per million at 95 %"),
        (2_100_000, 0.995, 12.5, "below 2.6 per million at 99.5 %, so 12.5 per million is shown"),
        (30_000_000, 0.95, None, "below 0.100 per million at 95 %"),  # 0.09986
        (2_990_000, 0.95, 0.5, "below 1.1 per million at 95 %; 3.01 million more failure-free balls"),  # 3,001,463
    ],
)
def test_no_sentence_says_more_than_was_shown(balls: int, confidence: float, limit: float | None, said: str) -> None:
    sure = HeardShare(1.0, 1.0, "test")
    rate = failure_rate([ledger(balls)], heard=sure, limit_per_million=limit, confidence=confidence)
    assert said in rate.sentence
    assert "heard fraction 0.9999:" in failure_rate([ledger(9)], heard=HeardShare(0.99999, 0.9, "")).sentence


def test_one_is_said_as_one_and_millions_are_rounded_up() -> None:
    sure = HeardShare(1.0, 1.0, "test")
    rate = failure_rate([ledger(1000, 1, 1)], heard=sure, limit_per_million=1.0)
    assert rate.sentence.startswith("1 failure in 1,001 balls")
    assert "1 undecided ball is counted as a failure in the bound" in rate.notes
    for count, said in ((999_999, "999,999"), (1_000_000, "1.00 million"), (3_000_000, "3.00 million")):
        assert f"; {said} more failure-free" in replace(rate, balls_needed=count).sentence


def test_undecided_balls_are_balls_where_runs_differ() -> None:
    runs = [ledger(60, 12, 40), ledger(100, 1), ledger(100, 1)]
    wide = dispersion_of([(12, 100), (1, 100), (1, 100)])
    assert wide > 10
    rate = failure_rate(runs, heard=HeardShare(1.0, 1.0, "test"))
    assert (rate.lower, rate.upper_two_sided) == binomial_bounds(14 / wide, 300 / wide)
    assert rate.upper == upper_bound(54 / wide, 300 / wide)


def test_runs_that_differ_more_than_chance_widen_the_bound() -> None:
    sure, alike = HeardShare(1.0, 1.0, "test"), [ledger(100, 2), ledger(100, 2), ledger(100, 2)]
    apart = [ledger(100, 6), ledger(100), ledger(100)]
    even, uneven = (failure_rate(r, heard=sure, limit_per_million=5e4) for r in (alike, apart))
    assert even.upper == pytest.approx(upper_bound(6, 300))
    wide = dispersion_of([(6, 100), (0, 100), (0, 100)])
    assert wide > 10
    assert uneven.upper == pytest.approx(upper_bound(6 / wide, 300 / wide))
    assert uneven.lower < even.lower < even.upper < uneven.upper
    assert any("balls count as one" in note for note in uneven.notes)
    assert even.balls_needed == 0
    assert uneven.balls_needed is not None
    assert uneven.balls_needed > 300


def test_bound_covers_the_truth_where_runs_differ() -> None:
    """Beta-distributed rates of five runs, shape 2: counted as alike the bound covers 86 % only."""
    rng, mean, sure = np.random.default_rng(17), 0.02, HeardShare(1.0, 1.0, "test")
    covered = pooled = 0
    for _ in range(400):
        stuck = [int(rng.binomial(200, rng.beta(2.0, 98.0))) for _ in range(5)]
        covered += failure_rate([ledger(200, x) for x in stuck], heard=sure).upper >= mean
        pooled += upper_bound(sum(stuck), 1000) >= mean
    assert pooled / 400 < 0.9
    assert covered / 400 >= 0.93


def test_doubt_never_helps_the_bound() -> None:
    sure = HeardShare(1.0, 1.0, "test")
    clean, doubtful = failure_rate([ledger(1000)], heard=sure), failure_rate([ledger(1000, 0, 3)], heard=sure)
    assert doubtful.failures == 0
    assert doubtful.upper == pytest.approx(upper_bound(3, 1003))
    assert doubtful.upper > clean.upper
    tested = failure_rate([ledger(1000)], heard=HeardShare.from_test(95, 100))
    assert tested.upper > clean.upper / 0.95  # its lower bound counts, not its best guess
    deaf = failure_rate([ledger(1000)], heard=HeardShare.from_test(0, 5), limit_per_million=10.0)
    assert (deaf.upper, deaf.balls_needed) == (1.0, None)
    assert "shown" not in deaf.sentence
    assert failure_rate([ledger(1000)], heard=sure, limit_per_million=0.0).balls_needed is None
    assert failure_rate([ledger(10, 9)], heard=HeardShare(0.5, 0.2, "")).upper == 1.0  # no more than all fail
    nothing = failure_rate([], heard=sure, limit_per_million=1.0)
    assert (nothing.balls, nothing.upper) == (0, 1.0)
    assert "nothing is shown" in nothing.sentence
    untested = failure_rate([ledger(10)])
    assert any("not tested" in note for note in untested.notes)
    assert any("used in the bound): challenge test, 95 of 100 caught" in note for note in tested.notes)


def test_agreement_between_stations_names_the_worst() -> None:
    passages = tuple(
        Passage(i, a, b, float(i), 1.0, False, 1e6) for i in range(99) for a, b in (("lift", "bend"), ("bend", "tray"))
    )
    findings = (Finding("unheard", 5.0, "bend", 100.0, ""), Finding("held_up", 9.0, "bend", 100.0, ""))
    share = heard_share_of_links([Ledger("r", 100, 100, findings, passages)])
    assert share is not None
    assert share.share == pytest.approx(0.99)
    assert share.lower == pytest.approx(binomtest(99, 100, alternative="greater").proportion_ci(0.95, "exact").low)
    assert "bend" in share.how
    assert heard_share_of_links([Ledger("r", 1, 1)]) is None
    half = heard_share_of_links([Ledger("r", 2, 2, findings, passages[1:2])])
    assert half is not None
    assert half.share == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("p", "balls", "h", "tried"), [(2e-3, 2000, 0.95, 200), (1e-3, 5000, 0.8, 60), (5e-4, 6000, 0.99, 300)]
)
def test_bound_covers_the_truth(p: float, balls: int, h: float, tried: int) -> None:
    # Campaigns of 3 runs; listening shows a share h of the failures, itself known from a challenge test only.
    rng = np.random.default_rng(11)
    campaigns, covered = 600, 0
    for _ in range(campaigns):
        runs = []
        for part in (balls // 2, balls // 4, balls // 4):
            failed = rng.binomial(part, p)
            runs.append(ledger(part, int(rng.binomial(failed, h))))
        heard = HeardShare.from_test(int(rng.binomial(tried, h)), tried)
        covered += failure_rate(runs, heard=heard).upper >= p
    assert covered / campaigns >= 0.95


def test_two_sided_bounds_cover() -> None:
    for n, p in ((50, 0.04), (1000, 0.003)):
        x = np.arange(n + 1)
        weight = binom.pmf(x, n, p)
        likely = weight > 1e-12
        inside = [lo <= p <= hi for lo, hi in (binomial_bounds(int(k), n) for k in x[likely])]
        assert weight[likely] @ inside >= 0.95


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(InputError, match="failures must lie between"):
        upper_bound(3, 2)
    with pytest.raises(InputError, match="per cent"):
        upper_bound(0, 2, confidence=95)
    for confidence in (0.0, 1.0, 1.5, 200.0):
        with pytest.raises(InputError, match="must lie between 0 and 1"):
            upper_bound(0, 2, confidence=confidence)
    with pytest.raises(InputError, match="share between 0 and 1"):
        balls_needed(1.0)
    with pytest.raises(InputError, match="heard share"):
        HeardShare(0.5, 0.9, "")
    with pytest.raises(InputError, match="heard share"):
        HeardShare(1.5, 0.9, "")


def test_a_share_from_a_test_is_what_was_caught_with_its_exact_lower_bound() -> None:
    share = HeardShare.from_test(1, 1)
    assert (share.share, share.lower) == (1.0, pytest.approx(0.05))
    share = HeardShare.from_test(57, 60)
    assert share.share == 0.95
    assert share.lower == pytest.approx(binomtest(57, 60, alternative="greater").proportion_ci(0.95, "exact").low)
    assert (HeardShare.from_test(0, 0).share, HeardShare.from_test(0, 0).lower) == (0.0, 0.0)
