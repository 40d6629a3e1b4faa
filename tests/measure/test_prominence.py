"""Prominence P and its adjustment, NT ACOU 112:2002 and ISO/PAS 1996-3:2022."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from noisecheck.core.errors import InputError
from noisecheck.measure.prominence import adjustment_db, fast_levels, impulse_onsets, prominence

Reference = Callable[[str], list[dict[str, str]]]


def test_formulas(reference: Reference) -> None:
    for row in reference("standards_prominence"):
        p = float(prominence(float(row["onset_rate_dB_per_s"]), float(row["level_difference_dB"])))
        assert p == pytest.approx(float(row["P"]), abs=1e-4)
        k = float(adjustment_db(p))
        assert k == pytest.approx(float(row["KI_dB"]), abs=2e-4)
        assert ("highly" if k > 5 else "regular" if k > 0 else "not") == row["category"]
    assert float(adjustment_db(5.0)) == 0.0
    assert float(prominence(0.0, 10.0)) == -np.inf


def test_ramps_come_back(reference: Reference) -> None:
    """A level that climbs along a line has that onset rate, level difference and P."""
    for row in reference("standards_prominence"):
        rate, difference = float(row["onset_rate_dB_per_s"]), float(row["level_difference_dB"])
        if difference / rate < 0.04:  # a ramp needs some steps of 10 ms
            continue
        t = np.arange(400) * 0.01
        level = 40 + np.clip((t - 1.0) * rate, 0, difference)
        found = impulse_onsets(level, 0.01)
        assert len(found) == 1
        # the ramp's end falls between two steps
        assert found[0].onset_rate == pytest.approx(rate, rel=0.08)
        assert found[0].level_difference_db == pytest.approx(difference, abs=1e-9)
        assert found[0].prominence == pytest.approx(float(row["P"]), abs=0.12)
        assert found[0].start_s == pytest.approx(1.0, abs=0.011)


def test_rises_closer_than_50_ms_are_one() -> None:
    t = np.arange(300) * 0.01
    step = 40 + np.clip((t - 1) * 200, 0, 10)
    close = step + np.clip((t - 1.08) * 200, 0, 10)
    far = step + np.clip((t - 1.5) * 200, 0, 10)
    assert [round(o.level_difference_db) for o in impulse_onsets(close, 0.01)] == [20]
    assert [round(o.level_difference_db) for o in impulse_onsets(far, 0.01)] == [10, 10]
    assert impulse_onsets(np.full(100, 40.0), 0.01) == []
    assert impulse_onsets(40 + 9.0 * t, 0.01) == []  # 9 dB/s is no onset
    assert impulse_onsets([], 0.01) == []


def test_onsets_follow_the_rules_to_their_ends(reference: Reference) -> None:
    rule = {row["rule"]: float(row["value"]) for row in reference("standards_onset_rules")}
    step = 0.01

    def rises(gap_s: float) -> int:
        """Two rises of 10 dB in 50 ms, flat for so long between them."""
        t = np.arange(300) * step
        level = 40 + np.clip((t - 1) * 200, 0, 10) + np.clip((t - 1.05 - gap_s) * 200, 0, 10)
        return len(impulse_onsets(level, step))

    merge = rule["merge_closer_than"] / 1e3
    assert [rises(merge - step), rises(merge), rises(merge + step)] == [1, 2, 2]
    for slope in (0.99 * rule["gradient"], 1.01 * rule["gradient"]):
        found = impulse_onsets(40 + np.clip((np.arange(300) - 100) * step * slope, 0, 5), step)
        assert bool(found) == (slope > rule["gradient"])
    silence = np.zeros(8000, np.float32)
    shortest, longest = rule["shortest_interval"] / 1e3, rule["longest_interval"] / 1e3
    for allowed in (shortest, longest):
        assert fast_levels(silence, 8000, interval_s=allowed)[1] == pytest.approx(allowed, rel=0.03)
    for refused in (0.99 * shortest, 1.01 * longest):
        with pytest.raises(InputError, match=r"outside 0.010 to 0.025 s"):
            fast_levels(silence, 8000, interval_s=refused)


@pytest.mark.parametrize("rate", [8000, 48000])
def test_an_impact_is_highly_impulsive(rate: int) -> None:
    rng = np.random.default_rng(0)
    x = 1e-3 * rng.standard_normal(3 * rate)
    x[rate : rate + rate // 20] += rng.standard_normal(rate // 20) * np.exp(-np.arange(rate // 20) / (0.01 * rate))
    levels, interval = fast_levels(x.astype(np.float32), rate, interval_s=0.02)
    assert interval == pytest.approx(0.02, rel=0.03)
    best = max(impulse_onsets(levels[10:], interval), key=lambda o: o.prominence)
    assert adjustment_db(best.prominence) > 5
    assert best.start_s + 11 * interval == pytest.approx(1.0, abs=0.025)


def test_wrong_input() -> None:
    with pytest.raises(InputError, match="milliseconds"):
        fast_levels(np.zeros(8000, np.float32), 8000, interval_s=10)
    with pytest.raises(InputError, match="one channel"):
        impulse_onsets(np.zeros((10, 2)), 0.01)
