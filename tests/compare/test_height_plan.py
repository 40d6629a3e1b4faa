"""Slopes with height, spreads and plans, against scipy, statsmodels and tabled sample sizes."""

from __future__ import annotations

import dataclasses
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.stats as st
import statsmodels.api as sm
from scipy.integrate import quad
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
from statsmodels.stats.power import TTestIndPower, TTestPower

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import levels_of, summary_of

from noisecheck.bench.runsheet import Run
from noisecheck.compare.effects import compare
from noisecheck.compare.height import DOUBLING, HeightFit, fit_heights
from noisecheck.compare.plan import noncentral_t, plan_effects, power_of, runs_needed, smallest_difference, spread_of
from noisecheck.compare.summary import RunSummary

Reference = Callable[[str], list[dict[str, float]]]


def heights(slopes: dict[str, float], *, noise: float = 0.3, runs: int = 3) -> list[RunSummary]:
    rng = np.random.default_rng(21)
    rows = []
    for value, slope in slopes.items():
        for h in (60.0, 120.0, 240.0):
            for i in range(runs):
                level = 60 + slope * 10 * np.log10(h / 120) + rng.normal(0, noise)
                run = Run(name=f"{value}{h}{i}", files=(), treatment=value, drop_height_mm=h)
                rows.append(summary_of(run, levels_of(level)))
    return rows


def test_slope_is_linear_regression() -> None:
    rows = heights({"bare": 1.3})
    fit = fit_heights(rows).of("bare")
    x = [10 * np.log10(r.run.drop_height_mm / 120) for r in rows]
    expected = st.linregress(x, [r.mean[0] for r in rows])
    half = st.t.ppf(0.975, len(rows) - 2) * expected.stderr
    assert fit.slope == pytest.approx(expected.slope)
    assert fit.slope_ci == pytest.approx((expected.slope - half, expected.slope + half))
    assert fit.reference_mm == pytest.approx(120.0)
    assert fit.level_db == pytest.approx(expected.intercept)
    assert fit.db_per_doubling == pytest.approx(expected.slope * 3.0103, rel=1e-5)


@pytest.mark.parametrize(("at", "shown"), [(240.0, True), (60.0, False)])
def test_heights_at_which_most_impacts_clipped_leave_a_bound_of_the_slope(at: float, shown: bool) -> None:
    """Means without the loudest of the highest drops told too small a rise, as if by chance alone."""
    rows = heights({"bare": 1.3, "felt": 1.1})
    doubted = [
        dataclasses.replace(r, too_low="clipped", lacks_db=np.inf) if r.run.value("drop_height_mm") == f"{at:g}" else r
        for r in rows
    ]
    sure, study = fit_heights(rows), fit_heights(doubted)
    (low, high), known = study.of("bare").slope_ci, sure.of("bare").slope_ci
    assert (low, high) == pytest.approx((known[0], np.inf) if at > 120 else (-np.inf, known[1]))
    assert study.of("bare").shown == shown
    said = study.of("bare").sentence
    assert ("adds at least " in said) == shown
    assert ("no change with drop height shown" in said) != shown
    assert study.to_dict()["fits"][0]["db_per_doubling_ci"].count(None) == 1
    assert any("one slope may hold" in s for s in sure.sentences) != any("slope" in s for s in study.sentences)
    slight = [dataclasses.replace(r, lacks_db=0.1) for r in doubted]
    assert fit_heights(slight).of("bare").shown


@pytest.mark.parametrize(("law", "db"), [(1.0, 3.01), (1.2, 3.61), (1.3, 3.91), (1.5, 4.52)])
def test_doubling_by_power_law(law: float, db: float) -> None:
    """Amplitude as v^n gives n * 3.01 dB a doubling, since v^2 goes with height (computed)."""
    fit = fit_heights(heights({"bare": law}, noise=1e-6)).of("bare")
    assert fit.db_per_doubling == pytest.approx(db, abs=0.006)
    assert pytest.approx(3.0103, abs=1e-4) == DOUBLING


def test_common_slope_is_the_analysis_of_covariance() -> None:
    rows = heights({"bare": 1.0, "felt": 1.2})
    study = fit_heights(rows)
    felt = np.array([r.run.treatment == "felt" for r in rows], float)
    x = np.array([10 * np.log10(r.run.drop_height_mm / study.of("bare").reference_mm) for r in rows])
    y = [r.mean[0] for r in rows]
    full = sm.OLS(y, np.column_stack([np.ones(len(x)), felt, x, felt * x])).fit()
    assert study.common_slope_p["lae_db"] == pytest.approx(full.pvalues[3])
    one = sm.OLS(y, np.column_stack([np.ones(len(x)), felt, x])).fit()
    assert study.common_slope["lae_db"] == pytest.approx((one.params[2], *one.conf_int()[2]))
    assert fit_heights(heights({"bare": 1.0, "felt": 1.6})).common_slope_p["lae_db"] < 0.001


def test_sessions_do_not_blur_the_slopes() -> None:
    """Sessions 6 dB apart, each with both groups and all heights: the test is that of statsmodels with sessions in."""
    rows = heights({"bare": 1.0, "felt": 1.3}, noise=0.2)
    session = np.array([int(r.run.name[-1]) for r in rows])
    shifted = [
        summary_of(dataclasses.replace(r.run, session=f"s{k}"), levels_of(r.mean[0] + 6.0 * k))
        for r, k in zip(rows, session, strict=True)
    ]
    study = fit_heights(shifted)
    felt = np.array([r.run.treatment == "felt" for r in shifted], float)
    x = np.array([10 * np.log10(r.run.drop_height_mm / 120.0) for r in shifted])
    shifts = [(session == k).astype(float) for k in (1, 2)]
    full = sm.OLS([r.mean[0] for r in shifted], np.column_stack([np.ones(len(x)), felt, x, felt * x, *shifts])).fit()
    assert study.common_slope_p["lae_db"] == pytest.approx(full.pvalues[3])
    assert study.common_slope_p["lae_db"] < 0.001


def test_one_height_has_no_slope() -> None:
    rows = [r for r in heights({"bare": 1.0}) if r.run.drop_height_mm == 60.0]
    study = fit_heights(rows)
    assert study.fits == ()
    assert study.notes == ("bare: one drop height only, no slope",)
    assert fit_heights([]).to_dict() == {
        "fits": [],
        "common_slope_p": {},
        "common_db_per_doubling": {},
        "notes": ["no drop heights are given"],
    }


@pytest.mark.parametrize("n", [2, 3, 6, 40])
@pytest.mark.parametrize("effect", [0.2, 1.0, 3.0])
def test_power_is_that_of_statsmodels(n: int, effect: float) -> None:
    pairs = (
        (power_of(effect, np.sqrt(2 / n), 2 * n - 2), TTestIndPower().power(effect, n, 0.05)),
        (power_of(effect, np.sqrt(1 / n), n - 1), TTestPower().power(effect, n, 0.05)),
    )
    for found, expected in pairs:  # statsmodels has no number where power is 1 to all digits
        assert found == pytest.approx(expected if np.isfinite(expected) else 1.0, abs=1e-9)


def test_noncentral_t_in_the_far_tail_is_an_integral() -> None:
    """Where scipy's series gives no number: the normal distribution averaged over the chi distribution."""
    for t, df, shift in ((1.99, 78, 13.4), (1.96, 1998, 22.0), (2.1, 18, 25.0)):
        spread = st.chi(df)
        expected = quad(
            lambda s, t=t, d=df, m=shift, spread=spread: st.norm.cdf(t * s / np.sqrt(d) - m) * spread.pdf(s),
            *spread.ppf([1e-12, 1 - 1e-12]),
        )[0]
        assert noncentral_t(t, df, shift) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("rise", "ci", "said"),
    [
        (3.5, (2.0, 4.9), "felt: each doubling of the drop height adds 3.5 dB (2.0 to 4.9)"),
        (-0.9, (-1.6, -0.2), "felt: each doubling of the drop height takes 0.9 dB off (0.2 to 1.6)"),
        (-0.3, (-2.4, 1.8), "felt: no change with drop height shown: -0.3 dB a doubling (-2.4 to +1.8)"),
        (3.5, (np.nan, np.nan), "felt: each doubling of the drop height adds 3.5 dB (indicative only: too few"),
    ],
)
def test_rise_with_height_in_words(rise: float, ci: tuple[float, float], said: str) -> None:
    """``rise`` and ``ci`` are dB for twice the height."""
    slope_ci = (ci[0] / DOUBLING, ci[1] / DOUBLING)
    fit = HeightFit("felt", "lae_db", 6, rise / DOUBLING, slope_ci, -50.0, 85.0, (60.0, 120.0))
    assert fit.sentence.startswith(said)
    assert fit.sentence.endswith("measured from 60 to 120 mm in 6 runs")


def test_runs_needed_are_the_tabled_ones(reference: Reference) -> None:
    for row in reference("statistics_sample_size"):
        assert runs_needed(row["difference_db"], row["spread_db"]) == row["runs"]


def test_smallest_difference_is_shown_with_the_power_asked() -> None:
    for power in (0.8, 0.95):
        found = smallest_difference(0.8, 4, power=power)
        assert power_of(found, 0.8, 4) == pytest.approx(power, abs=1e-9)
    assert runs_needed(0.001, 5.0) is None


def nested(
    rng: np.random.Generator, sessions: int, runs: int, n: int
) -> tuple[list[RunSummary], dict[str, np.ndarray]]:
    """Balanced runs within sessions with impacts: summaries, and the impacts as long arrays."""
    rows, level, session, run = [], [], [], []
    for s in range(sessions):
        shift = rng.normal(0, 2.0)
        for r in range(runs):
            impacts = 60 + shift + rng.normal(0, 1.5) + rng.normal(0, 2.0, n)
            out = levels_of(float(impacts.mean()))
            made = Run(name=f"{s}-{r}", files=(), treatment="bare", session=str(s))
            rows.append(summary_of(made, out, n=n, sd=float(impacts.std(ddof=1))))
            level += list(impacts)
            session += [s] * n
            run += [s * runs + r] * n
    return rows, {"level": np.array(level), "session": np.array(session), "run": np.array(run)}


def test_spreads_are_those_of_a_mixed_model() -> None:
    """Random effects of sessions and of runs within them, against restricted maximum likelihood."""
    rows, long = nested(np.random.default_rng(22), 6, 4, 12)
    spread = spread_of(rows, by="treatment")
    runs = (long["run"][:, None] == np.unique(long["run"])[None, :]).astype(float)
    parts = {"run": {s: runs[long["session"] == s][:, runs[long["session"] == s].any(axis=0)] for s in range(6)}}
    names = {s: [f"r{j}" for j in range(4)] for s in range(6)}
    spec = VCSpec(["run"], [[names[s] for s in range(6)]], [[parts["run"][s] for s in range(6)]])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ones = np.ones((len(long["level"]), 1))
        model = MixedLM(long["level"], ones, long["session"], exog_re=ones, exog_vc=spec)
        fit = model.fit(reml=True)
    assert spread.within_run_db == pytest.approx(np.sqrt(fit.scale), rel=1e-3)
    assert spread.between_run_db == pytest.approx(np.sqrt(fit.vcomp[0]), rel=1e-2)
    assert spread.session_db == pytest.approx(np.sqrt(fit.cov_re[0, 0]), rel=1e-2)
    assert (spread.df, spread.impacts_per_run) == (18, pytest.approx(12))


def test_fixed_effect_of_a_balanced_mixed_model_has_our_error() -> None:
    """Runs as random effects: the difference and its standard error are those of run means."""
    rng = np.random.default_rng(23)
    rows, level, felt, run = [], [], [], []
    for value in ("bare", "felt"):
        for r in range(5):
            impacts = 60 - 2 * (value == "felt") + rng.normal(0, 1) + rng.normal(0, 2.0, 15)
            out = levels_of(float(impacts.mean()))
            rows.append(summary_of(Run(name=f"{value}{r}", files=(), treatment=value), out, n=15))
            level += list(impacts)
            felt += [float(value == "felt")] * 15
            run += [f"{value}{r}"] * 15
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM(np.array(level), sm.add_constant(np.array(felt)), np.array(run)).fit(reml=True)
    found = compare(rows, by="treatment").of("felt")
    assert found.difference_db == pytest.approx(fit.params[1])
    assert found.standard_error_db == pytest.approx(fit.bse[1], rel=1e-3)


def test_plan_says_what_more_would_take() -> None:
    rng = np.random.default_rng(24)
    rows = [
        summary_of(Run(name=f"{v}{i}", files=(), treatment=v), levels_of(level + rng.normal(0, 1.0)), n=20)
        for v, level in (("bare", 60.0), ("felt", 59.2))
        for i in range(3)
    ]
    comparison, spread = compare(rows, by="treatment"), spread_of(rows, by="treatment")
    (plan,) = plan_effects(comparison, spread)
    found = comparison.of("felt")
    assert found.verdict == "no difference shown"
    assert power_of(plan.smallest_db["80%"], found.standard_error_db, found.df) == pytest.approx(0.8)
    assert [row["difference_db"] for row in plan.needed[:2]] == [1.0, 3.0]
    assert plan.needed[2]["difference_db"] == pytest.approx(abs(found.difference_db), abs=0.006)
    assert plan.needed[0]["80%"] == runs_needed(1.0, spread.run_mean_db)
    assert plan.needed[0]["80%"] <= plan.needed[0]["95%"]
    assert "runs a side" in plan.sentence
    assert spread.upper_db() > spread.run_mean_db
    asked = round(abs(found.difference_db), 2)
    (once,) = plan_effects(comparison, spread, wanted_db=(asked, 3.0))
    assert [row["difference_db"] for row in once.needed] == [asked, 3.0]  # not said twice


def test_upper_spread_is_the_chi_square_bound() -> None:
    rows, _ = nested(np.random.default_rng(25), 2, 3, 10)
    spread = spread_of(rows, by="treatment")
    expected = spread.run_mean_db * np.sqrt(4 / st.chi2.ppf(0.2, 4))
    assert spread.upper_db() == pytest.approx(expected)


def test_one_run_a_side_cannot_be_planned_for() -> None:
    rows = [summary_of(Run(name=v, files=(), treatment=v), levels_of(60.0)) for v in ("bare", "felt")]
    (plan,) = plan_effects(compare(rows, by="treatment"), spread_of(rows, by="treatment"))
    assert (plan.smallest_db, plan.needed) == ({}, ())
    assert "at least three runs a side" in plan.sentence
