"""What copies found or not say of the limit and of the share heard: intervals hold the truth as often as they state."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, truncnorm

from noisecheck.pipeline.hearing import SURE_Z, Curve, NearBy, curve_of, loud_enough, share_of


def trials(middle: float, width: float, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return levels about the limit, as they are tried, and whether each was found."""
    level = middle + width * np.where(
        rng.random(count) < 0.5, rng.uniform(-1.5, 1.5, count), rng.uniform(0.5, 4, count)
    )
    return level, rng.random(count) < norm.cdf(level, middle, width)


def known_curve(middle: float, width: float) -> Curve:
    return Curve(np.array([middle]), np.array([width]), np.ones((1, 1)))


def test_sure_is_999_of_a_thousand() -> None:
    assert norm.cdf(SURE_Z) == pytest.approx(0.999, abs=1e-6)


@pytest.mark.parametrize("width", [0.7, 2.0, 5.0])
def test_intervals_of_both_levels_hold_the_truth(width: float) -> None:
    rng = np.random.default_rng(1)
    held, error = np.zeros(2), []
    for _ in range(100):
        curve = curve_of(*trials(-60.0, width, 80, rng))
        half, sure = curve.at(0.0), curve.at(SURE_Z)
        held += half.low <= -60.0 <= half.high, sure.low <= -60.0 + SURE_Z * width <= sure.high
        error.append(half.value + 60.0)
    # 95 of 100 are expected, 89 or more in 99 of 100 cases.
    assert held.min() >= 89
    assert abs(float(np.mean(error))) < max(0.15 * width, 0.15)


def test_more_copies_say_more() -> None:
    rng = np.random.default_rng(2)
    few, many = (curve_of(*trials(-60.0, 2.0, n, rng)) for n in (30, 300))
    half, sure = ([c.at(z).high - c.at(z).low for c in (few, many)] for z in (0.0, SURE_Z))
    assert half[1] < 0.5 * half[0]
    # That thresholds are normal so far out is a belief, however many copies there are.
    assert sure[1] < 0.85 * sure[0]


def test_thresholds_that_are_not_quite_normal_do_not_deceive() -> None:
    # Of a logistic distribution 99.9 % lie below 3.8 standard deviations, not 3.1.
    rng = np.random.default_rng(12)
    held = 0
    for _ in range(60):
        level = rng.uniform(-75.0, -45.0, 80)
        found = level > -60.0 + 1.5 * rng.logistic(size=80)
        sure = curve_of(level, found).at(SURE_Z)
        held += sure.low <= -60.0 + 1.5 * np.log(999.0) <= sure.high
    assert held >= 53


def test_all_found_is_no_lower_bound() -> None:
    level = np.linspace(-60.0, -40.0, 40)
    curve = curve_of(level, np.ones(40, bool))
    assert curve.at(0.0).high < -58.0


@pytest.mark.parametrize(("below", "least"), [(0.0005, 0.98), (0.05, 0.75), (0.25, 0.4)])
def test_share_below_the_limit_is_told_by_the_shape_of_the_rest(below: float, least: float) -> None:
    rng = np.random.default_rng(3)
    curve = known_curve(0.0, 1.0)
    held = high = 0
    lows = []
    for _ in range(60):
        mean = -6.0 * norm.ppf(below)
        level = rng.normal(mean, 6.0, 200)
        level = level[rng.random(200) < norm.cdf(level)]
        truth = norm.cdf(mean / np.hypot(6.0, 1.0))
        low, middle = np.quantile(loud_enough(curve, level, np.ones(len(level), bool), rng), [0.05, 0.5])
        held += low <= truth
        high += middle > truth + 0.1
        lows.append(low)
    assert held >= 53  # 57 of 60 are expected
    assert high <= 9  # the middle is as often too high as too low
    assert np.median(lows) > least  # and not by saying nothing


def test_levels_cut_at_the_limit_agree_with_the_truncated_normal_distribution() -> None:
    # A quarter is cut off. Only the lower third of 500 levels is used, so the answer is broad.
    level = truncnorm.rvs(-0.674, np.inf, loc=4.04, scale=6.0, size=20_000, random_state=4)
    found = loud_enough(known_curve(0.0, 0.05), level, np.ones(20_000, bool), np.random.default_rng(4))
    assert np.median(found) == pytest.approx(0.75, abs=0.1)
    assert np.quantile(found, 0.05) < 0.75 < np.quantile(found, 0.95)


@pytest.mark.parametrize("shape", ["skewed", "two places"])
def test_the_share_is_seldom_stated_too_high_where_levels_are_not_normal(shape: str) -> None:
    rng = np.random.default_rng(10)
    held = 0
    for _ in range(60):
        if shape == "skewed":
            level = 20.0 - rng.gamma(2.0, 4.2, 200)
        else:
            level = np.where(rng.random(200) < 0.3, 0.0, 10.0) + rng.normal(0.0, 3.0, 200)
        found = rng.random(200) < norm.cdf(level / 1.5)
        loud = loud_enough(known_curve(0.0, 1.5), level[found], np.ones(int(found.sum()), bool), rng)
        held += np.quantile(loud, 0.05) <= found.mean()
    assert held >= 44  # not 57 of 60: the shape is taken to be what it is not


def test_impacts_whose_levels_are_bounds_count_as_heard_below_them() -> None:
    # Half of the levels are known to lie below -5 dB only; all lie far above the limit of -40 dB.
    rng = np.random.default_rng(5)
    level = rng.normal(-5.0, 6.0, 300)
    known = level > -5.0
    stated = np.where(known, level, -5.0)
    curve = known_curve(-40.0, 1.0)
    assert np.quantile(loud_enough(curve, stated, known, rng), 0.05) > 0.98


def test_few_levels_known_amid_louder_bounds_say_little() -> None:
    rng = np.random.default_rng(9)
    level = rng.normal(-20.0, 4.0, 60)
    known = np.arange(60) < 9
    stated = np.where(known, level, level + 20.0)
    low, high = np.quantile(loud_enough(known_curve(-30.0, 1.0), stated, known, rng), [0.05, 0.95])
    assert 0.0 < low < norm.cdf(10.0 / np.hypot(4.0, 1.0))
    assert high <= 1.0


def test_what_comes_soon_after_another_is_counted_as_copies_there_tell() -> None:
    rng = np.random.default_rng(6)
    late = np.full(192, 1.0)
    # All copies found: none are lost, and as many a second come as are heard.
    rate, missed = NearBy(30, 30.0, 30, 30).came(late, rng)
    assert np.median(rate) == pytest.approx(1.0, rel=0.3)
    assert np.median(missed) < 1.0
    # Half of them found: as many again are lost as were heard.
    assert np.median(NearBy(15, 30.0, 30, 15).came(late, rng)[1]) == pytest.approx(15, rel=0.4)
    # None found, none heard: as many are lost as come in as long a time a little later.
    assert np.median(NearBy(0, 34.0, 30, 0).came(late, rng)[1]) == pytest.approx(34, rel=0.3)
    # None heard where all copies are: none come.
    assert np.median(NearBy(0, 34.0, 30, 30).came(late, rng)[1]) < 1.0


def test_the_share_is_in_order_and_the_same_again() -> None:
    loud = np.random.default_rng(7).beta(900, 100, 192)
    near = [NearBy(60, 60.0, 0, 0), NearBy(20, 25.0, 20, 18), NearBy(2, 10.0, 10, 3)]
    first = share_of(loud, 300, near, np.random.default_rng(8))
    assert first == share_of(loud, 300, near, np.random.default_rng(8))
    assert 0 < first[0] < first[1] < first[2] < np.median(loud)
