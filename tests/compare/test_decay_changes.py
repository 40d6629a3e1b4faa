"""Decay times by octave, set against each other: Welch's t on logarithms, as scipy has it."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats as st

from noisecheck.compare.decay import OCTAVES_HZ, damping_db, decay_changes
from noisecheck.compare.why import Evidence, explain


def logs_of(rng: np.random.Generator, ratio: np.ndarray) -> dict[str, np.ndarray]:
    """Four runs of bare at 300 ms in every octave and five of felt at a ratio of that, 5 % apart."""
    made = {f"bare{i}": np.log(300.0) + rng.normal(0, 0.05, 10) for i in range(4)}
    return {**made, **{f"felt{i}": np.log(300.0 * ratio) + rng.normal(0, 0.05, 10) for i in range(5)}}


def test_ratios_are_those_of_welch_on_logarithms() -> None:
    ratio = np.where(np.array(OCTAVES_HZ) > 1500, 0.5, 1.0)
    logs = logs_of(np.random.default_rng(3), ratio)
    logs["felt4"][2] = np.nan
    for name in logs:
        logs[name][0] = np.nan
    bare, felt = ([n for n in logs if n.startswith(g)] for g in ("bare", "felt"))
    found = decay_changes(logs, bare, felt)
    assert [o.octave_hz for o in found] == list(OCTAVES_HZ[1:])
    for k, octave in enumerate(found, 1):
        a, b = (np.array([logs[n][k] for n in names if np.isfinite(logs[n][k])]) for names in (bare, felt))
        expected = st.ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
        assert octave.ratio == pytest.approx(np.exp(b.mean() - a.mean()))
        assert octave.ratio_ci == pytest.approx((np.exp(expected.low), np.exp(expected.high)))
        assert octave.before_ms == pytest.approx(st.gmean(np.exp(a)))
        assert octave.shown == (octave.octave_hz > 1500)
    assert found[1].runs == (4, 4)


def test_one_side_alone_has_no_ratio() -> None:
    logs = logs_of(np.random.default_rng(4), np.ones(10))
    assert decay_changes(logs, ["bare0"], []) == ()
    only = {"bare0": logs["bare0"], "bare1": logs["bare1"], "felt0": np.full(10, np.nan)}
    found = decay_changes(only, ["bare0", "bare1"], ["felt0"])
    assert all(o.to_dict()["ratio"] is None and o.to_dict()["ratio_ci"] is None and not o.shown for o in found)
    assert all(o.to_dict()["after_ms"] is None for o in found)


def test_damping_is_the_energy_law_where_most_octaves_show_it() -> None:
    """Exposure of ringing goes with decay time: half of it takes 3.01 dB, from the lowest known octave on."""
    logs = logs_of(np.random.default_rng(5), np.full(10, 0.5))
    for values in logs.values():
        values[:3] = np.nan
        values[9] = np.nan
    bare, felt = ([n for n in logs if n.startswith(g)] for g in ("bare", "felt"))
    change = damping_db(decay_changes(logs, bare, felt))
    assert change is not None
    assert change.shape == (30,)
    assert change[:9].tolist() == [0.0] * 9
    assert change[9:] == pytest.approx(np.full(21, -3.01), abs=0.5)
    same = logs_of(np.random.default_rng(6), np.ones(10))
    assert damping_db(decay_changes(same, bare, felt)) is None
    assert damping_db(()) is None


def test_damping_explains_only_what_bands_lost() -> None:
    """Bands that ring fall by 6 dB, bands that do not by nothing: damping, not a low-pass that moved."""
    rng = np.random.default_rng(7)
    ringing = np.arange(30) % 3 != 0
    ringing[:10] = False
    evidence = Evidence(
        difference_db=np.where(ringing, -6.0, 0.0) + rng.normal(0, 0.3, 30),
        error_db=np.full(30, 0.6),
        shape_error_db=np.full(30, 0.3),
        shown=ringing,
        baseline_db=np.where(ringing, 60.0, 40.0),
        total_db=-6.0,
        total_ci_db=(-7.0, -5.0),
        damping_db=np.where(np.arange(30) >= 9, -6.0, 0.0),
    )
    reason = explain("damped", evidence)
    assert reason.kind == "more damping"
    assert reason.decay_ratio == pytest.approx(0.25, abs=0.005)
    assert reason.parts_db["damping"] == pytest.approx(-6.0, abs=0.5)
