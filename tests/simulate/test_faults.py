"""Each fault of a recorder does what its key says, whatever the block length."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from noisecheck.simulate import render_run
from noisecheck.simulate.faults import RecorderFaults
from noisecheck.simulate.parts import Recorder

RATE = 48000


def _apply(samples: np.ndarray, block: int = RATE, **settings: Any) -> np.ndarray:
    faults = RecorderFaults(Recorder(**settings), rate=RATE, seed=(1,))
    return np.concatenate([faults.apply(samples[i : i + block]) for i in range(0, len(samples), block)])


def _sine(seconds: float, peak: float, channels: int = 1) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    return np.repeat((peak * np.sin(2 * np.pi * 997 * time))[:, None], channels, axis=1)


def test_a_good_recorder_changes_nothing() -> None:
    x = _sine(1.0, 0.9)
    np.testing.assert_array_equal(_apply(x), x)


def test_clipping_below_full_scale_makes_flat_tops() -> None:
    y = _apply(_sine(0.1, 0.8), clip_at=0.5)
    assert np.abs(y).max() == 0.5
    assert np.mean(np.abs(y) == 0.5) == pytest.approx(1 - 2 / np.pi * np.arcsin(0.5 / 0.8), abs=0.02)


def test_gain_riding_follows_ratio_attack_and_release() -> None:
    x = np.concatenate([_sine(1.0, 0.01), _sine(2.0, 0.5), _sine(3.0, 0.01)])
    y = _apply(x, agc_threshold_db=-20.0, agc_ratio=4.0, agc_attack_s=0.005, agc_release_s=0.5)

    def gain_db(at_s: float) -> float:
        span = slice(round(at_s * RATE), round((at_s + 0.05) * RATE))
        return float(10 * np.log10(np.mean(y[span] ** 2) / np.mean(x[span] ** 2)))

    steady = -(20 * np.log10(0.5) + 20) * 0.75  # 14 dB over the threshold at 4 : 1
    assert gain_db(0.5) == pytest.approx(0.0, abs=0.01)
    assert gain_db(2.5) == pytest.approx(steady, abs=0.1)
    assert gain_db(3.475) == pytest.approx(steady * np.exp(-1), abs=0.3)
    assert gain_db(5.8) > -0.1


@pytest.mark.parametrize("block", [480, 4800, 48000])
def test_gain_riding_does_not_depend_on_blocks(block: int) -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal((96000, 2)) * np.repeat(rng.uniform(0.01, 0.3, 20), 4800)[:, None]
    whole = _apply(x, block=96000, agc_threshold_db=-25.0)
    np.testing.assert_allclose(_apply(x, block=block, agc_threshold_db=-25.0), whole, atol=1e-12)


def test_channels_offset_dead_and_inverted() -> None:
    x = _sine(0.1, 0.3, channels=3)
    y = _apply(x, dc=0.02, dead_channels=(1,), inverted_channels=(2,))
    assert np.mean(y[:, 0]) == pytest.approx(0.02, abs=1e-3)
    assert not y[:, 1].any()
    np.testing.assert_allclose(y[:, 2], -(x[:, 2] + 0.02))


@pytest.mark.parametrize("kind", ["zero", "repeat"])
def test_dropouts_come_at_the_stated_rate(kind: str) -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal((60 * RATE, 1)) * 0.1
    y = _apply(x, dropouts_per_min=30.0, dropout_s=0.01, dropout_kind=kind)
    changed = np.flatnonzero((x != y)[:, 0])
    starts = changed[np.concatenate([[True], np.diff(changed) > 200])]
    assert 15 <= len(starts) <= 45
    alone = starts[np.diff(starts, prepend=-RATE) > 2000]
    assert len(alone) > 10
    for s in alone[:-1]:
        before = np.zeros((480, 1)) if kind == "zero" else x[s - 480 : s]
        np.testing.assert_array_equal(y[s : s + 480], before)


def test_a_fast_clock_moves_events_and_truth_together(scene) -> None:
    feed = {"balls": 10, "period_s": 1.0}
    true_times = render_run(made := scene(feed=feed), made.runs()[0])[1].times_s()
    fast = scene(feed=feed, recorder={"clock_ppm": 500.0})
    samples, truth = render_run(fast, fast.runs()[0])
    count = min(len(true_times), len(truth.impacts))
    np.testing.assert_allclose(truth.times_s()[:count] - true_times[:count], 5e-4 * true_times[:count], atol=2e-6)
    first = truth.impacts[0].arrival_s[0]
    assert np.flatnonzero(np.abs(samples[:, 0]) > 1e-3)[0] == pytest.approx(first * RATE, abs=3)


def test_truth_stays_clean_and_says_what_clips(scene) -> None:
    made = scene(recorder={"clip_at": 0.05})
    samples, truth = render_run(made, made.runs()[0])
    assert np.abs(samples).max() == pytest.approx(0.05)
    header, rows = truth.impact_rows(2)
    clipped = [row[header.index("clipped")] for row in rows]
    peaks = [i.sample_peak_db[i.channel] for i in truth.impacts]
    assert clipped == [int(p >= 20 * np.log10(0.05)) for p in peaks]
    assert 0 < sum(clipped) < len(clipped)
