"""Decay times by octave, set against each other: Welch's t on logarithms, as scipy has it."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats as st

from noisecheck.compare.decay import OCTAVES_HZ, decay_changes


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
