"""The one estimator of differences, against scipy, statsmodels and published worked examples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats as st
import statsmodels.api as sm
from statsmodels.stats.multitest import multipletests

from noisecheck.compare.linear import benjamini_hochberg, estimable, estimate, least_squares

Reference = Callable[[str], list[dict[str, float]]]


def two_groups(a: int, b: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    groups = np.array([0] * a + [1] * b)
    return np.column_stack([groups == 0, groups == 1]).astype(float), np.array([-1.0, 1.0]), groups


def paired(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    design, contrast, groups = two_groups(n, n)
    sessions = np.vstack([np.eye(n)[:, 1:]] * 2)
    return np.hstack([design, sessions]), np.concatenate([contrast, np.zeros(n - 1)]), groups


@pytest.mark.parametrize(("a", "b", "spread"), [(3, 3, 1), (3, 6, 1), (2, 7, 5), (4, 3, 0.2)])
def test_two_groups_are_welch(a: int, b: int, spread: float) -> None:
    rng = np.random.default_rng(3)
    y = np.concatenate([rng.normal(60, 1, (a, 5)), rng.normal(58, spread, (b, 5))])
    found = estimate(y, *two_groups(a, b))
    expected = st.ttest_ind(y[a:], y[:a], equal_var=False)
    ci = expected.confidence_interval(0.95)
    np.testing.assert_allclose(found.p, expected.pvalue, rtol=1e-9)
    np.testing.assert_allclose(found.df, expected.df, rtol=1e-9)
    np.testing.assert_allclose(found.low, ci.low, rtol=1e-9)
    np.testing.assert_allclose(found.high, ci.high, rtol=1e-9)


def test_one_run_a_side_in_each_session_is_the_paired_test() -> None:
    rng = np.random.default_rng(4)
    y = rng.normal(60, 1, (10, 4)) + np.tile(rng.normal(0, 5, 5), 2)[:, None]
    found = estimate(y, *paired(5))
    expected = st.ttest_rel(y[5:], y[:5])
    ci = expected.confidence_interval(0.95)
    np.testing.assert_allclose(found.p, expected.pvalue, rtol=1e-9)
    np.testing.assert_allclose(found.df, 4, rtol=1e-9)
    np.testing.assert_allclose([found.low, found.high], [ci.low, ci.high], rtol=1e-8)


def test_published_sleep_data(reference: Reference) -> None:
    """Student 1908: paired and Welch results as published (statistics_sleep.csv)."""
    rows = reference("statistics_sleep")
    y = np.array([r["drug_1"] for r in rows] + [r["drug_2"] for r in rows])[:, None]
    pairs = estimate(y, *paired(10))
    assert -pairs.value[0] / pairs.error[0] == pytest.approx(-4.0621, abs=5e-5)
    assert pairs.p[0] == pytest.approx(0.002833, abs=5e-7)
    assert (-pairs.high[0], -pairs.low[0]) == pytest.approx((-2.4598858, -0.7001142), abs=5e-7)
    welch = estimate(y, *two_groups(10, 10))
    assert -welch.value[0] / welch.error[0] == pytest.approx(-1.8608, abs=5e-5)
    assert welch.df[0] == pytest.approx(17.776, abs=5e-4)
    assert welch.p[0] == pytest.approx(0.07939, abs=5e-6)
    assert (-welch.high[0], -welch.low[0]) == pytest.approx((-3.3654832, 0.2054832), abs=5e-7)


def test_variance_is_hc2_of_statsmodels() -> None:
    rng = np.random.default_rng(5)
    design, contrast, groups = two_groups(4, 5)
    sessions = np.array([0, 0, 1, 1, 0, 0, 1, 1, 1.0])
    design = np.column_stack([design, sessions])
    y = rng.normal(60, 1, 9)
    found = estimate(y[:, None], design, np.append(contrast, 0.0), groups)
    fit = sm.OLS(y, design).fit(cov_type="HC2")
    expected = fit.t_test(np.append(contrast, 0.0))
    assert found.value[0] == pytest.approx(float(np.squeeze(expected.effect)))
    assert found.error[0] == pytest.approx(float(np.squeeze(expected.sd)))
    classic = least_squares(y[:, None], design, np.append(contrast, 0.0))
    ordinary = sm.OLS(y, design).fit().t_test(np.append(contrast, 0.0))
    assert classic.p[0] == pytest.approx(float(ordinary.pvalue))
    assert (classic.low[0], classic.high[0]) == pytest.approx(tuple(np.squeeze(ordinary.conf_int())))


def test_one_run_has_no_interval() -> None:
    found = estimate(np.array([[60.0], [58.0], [57.0]]), *two_groups(1, 2))
    assert found.value[0] == pytest.approx(-2.5)
    assert np.isnan([found.error[0], found.low[0], found.p[0]]).all()


def test_missing_values_use_the_runs_that_have_one() -> None:
    rng = np.random.default_rng(6)
    y = rng.normal(60, 1, (8, 2))
    y[1, 1] = np.nan
    y[:, 0] += 1
    found = estimate(y, *two_groups(4, 4))
    kept = np.delete(y[:, 1], 1)
    expected = st.ttest_ind(kept[3:], kept[:3], equal_var=False)
    assert found.p[1] == pytest.approx(expected.pvalue)
    y[:4, 1] = np.nan
    assert np.isnan(estimate(y, *two_groups(4, 4)).value[1])


def test_copies_of_one_recording_do_not_prove_anything() -> None:
    y = np.array([[60.0]] * 3 + [[59.9]] * 3)
    sampling = np.full((6, 1), 0.04)
    found = estimate(y, *two_groups(3, 3), sampling=sampling)
    assert found.error[0] == pytest.approx(np.sqrt(2 * 0.04 / 3))
    assert found.p[0] > 0.05


def test_estimable_needs_a_session_with_both_sides() -> None:
    design, contrast, _ = two_groups(2, 2)
    apart = np.column_stack([design, [0, 0, 1, 1]])
    mixed = np.column_stack([design, [0, 1, 1, 1]])
    assert not estimable(apart, np.append(contrast, 0.0))
    assert estimable(mixed, np.append(contrast, 0.0))


def test_false_discovery_rate(reference: Reference) -> None:
    """Benjamini & Hochberg 1995, section 4.1, and statsmodels."""
    rows = reference("statistics_false_discovery")
    p = np.array([r["p"] for r in rows])
    q = benjamini_hochberg(p[::-1])[::-1]
    assert [bool(v) for v in q <= 0.05] == [bool(r["rejected"]) for r in rows]
    np.testing.assert_allclose(q, multipletests(p, method="fdr_bh")[1], rtol=1e-12)
    with_gap = benjamini_hochberg([0.01, np.nan, 0.04])
    assert np.isnan(with_gap[1])
    np.testing.assert_allclose(with_gap[[0, 2]], [0.02, 0.04])
    assert benjamini_hochberg([]).shape == (0,)
