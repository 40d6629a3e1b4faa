"""Onsets of sounds that rise: the likelihood against scipy's, and the truth of sounds put at known samples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray
from soundmaker import STEADY, candidates, click, impacts_in_noise, noise, ring, snr_gain, truth_start

from noisecheck.detect import modal
from noisecheck.detect.modal import modal_onsets, soft_onsets

RATE = 6000
Rise = Callable[[NDArray[np.float64]], NDArray[np.float64]]
RISES: dict[str, Rise] = {
    "quarter sine": lambda t: np.sin(0.5 * np.pi * np.clip(t / 0.010, 0.0, 1.0)),
    "linear": lambda t: np.clip(t / 0.010, 0.0, 1.0),
    "exponential": lambda t: 1.0 - np.exp(-np.maximum(t, 0.0) / 0.010),
    "raised cosine": lambda t: 0.5 - 0.5 * np.cos(np.pi * np.clip(t / 0.010, 0.0, 1.0)),
}


def _thud(rise: Rise, rng: np.random.Generator, rate: int = RATE) -> NDArray[np.float64]:
    """Return tones of which each dies away at its own pace, under a rise; begins at sample 0."""
    t = np.arange(int(0.2 * rate)) / rate
    tones = [
        np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28)) * np.exp(-t / decay)
        for hz, decay in zip(rng.uniform(150, 900, 5), rng.uniform(0.04, 0.10, 5), strict=True)
    ]
    wave = rise(t) * np.sum(tones, axis=0)
    return np.asarray(wave / np.abs(wave).max())


def test_likelihood_is_that_of_gaussian_samples() -> None:
    rng = np.random.default_rng(1)
    grid = modal._grid(RATE)
    lag, n = grid.lag, grid.length
    noise_alone = 0.5 ** (lag / 2.0)
    process = 4.0 * np.cos(0.3 * lag) * np.exp(-lag / 60.0)
    covariance = grid.shape[:, :, None] * process * grid.shape[:, None] + noise_alone
    covariance = np.concatenate((covariance, noise_alone[None]))
    heard = np.lib.stride_tricks.sliding_window_view(rng.normal(size=n + grid.starts - 1) * 1.5, n)
    ratio = modal._log_likelihoods(covariance.astype(np.float32), heard.astype(np.float32), grid)
    assert ratio.shape == (len(modal._RISES), grid.starts)
    for rise in (0, 4, 7):
        for start in (0, 15, grid.starts - 1):
            end = int(grid.heard[start].sum())  # all windows end at one sample
            assert end == min(n, grid.lead + round(modal._TAIL_S * grid.rate) - grid.first - start)
            with_it, without = (
                scipy.stats.multivariate_normal(cov=c[:end, :end]).logpdf(heard[start, :end])
                for c in (covariance[rise], noise_alone)
            )
            assert ratio[rise, start] == pytest.approx(with_it - without, abs=0.01)


def test_decimated_keeps_what_is_below_its_band() -> None:
    t = np.arange(3000) / RATE
    low, high = np.sin(2 * np.pi * 300.0 * t), np.sin(2 * np.pi * 1400.0 * t)
    wave = modal._decimated((low + high) * np.hanning(len(t)), 3)[: len(t) // 3]
    np.testing.assert_allclose(wave, (low * np.hanning(len(t)))[::3], atol=2e-3)


def test_noise_is_that_of_a_steady_past() -> None:
    rng = np.random.default_rng(2)
    past, size = rng.normal(size=472) * 0.1, 180
    level = modal._noise(past, 64, size)
    assert level is not None
    assert level.mean() == pytest.approx(0.01, rel=0.25)
    click = past.copy()
    click[200:210] += 1.0  # a sound that is over: not counted
    beside = modal._noise(click, 64, size)
    assert beside is not None
    assert beside.mean() == pytest.approx(level.mean(), rel=0.5)
    for decay in (60.0, -60.0):
        fading = past * np.exp(-np.arange(472) / decay)
        assert modal._noise(fading, 64, size) is None


@pytest.mark.parametrize("rise", RISES)
def test_the_onset_hangs_little_on_the_shape_of_the_rise(rise: str) -> None:
    rng = np.random.default_rng(7)
    errors = []
    for _ in range(20):
        wave = _thud(RISES[rise], rng)
        at, off = int(0.2 * RATE), int(rng.uniform(-0.003, 0.002) * RATE)
        samples = rng.normal(size=int(0.5 * RATE)) * 0.003
        samples[at : at + len(wave)] += wave
        onset, rise_s = modal_onsets(samples.astype(np.float32), RATE, np.array([at - off]))
        if rise_s[0]:
            errors.append((onset[0] - at - truth_start(wave)) / RATE)
    assert len(errors) >= 12  # a rise that ends before 5 ms is left alone
    assert abs(np.median(errors)) < 0.0004
    assert np.mean(np.abs(errors) < 0.001) >= 0.8


def _skin(rng: np.random.Generator, rate: int = RATE) -> NDArray[np.float64]:
    """Return low notes that a half sine of force of 5 to 8 ms strikes, all at once; begins at sample 0."""
    t, blow = np.arange(int(0.3 * rate)) / rate, int(rng.uniform(0.005, 0.008) * rate)
    hz = rng.uniform(80, 260) * np.array([1.0, 1.59, 2.14, 2.3, 2.65])[:, None]
    notes = np.exp(-6.9 * t / rng.uniform(0.3, 0.9, (5, 1))) * np.sin(2 * np.pi * hz * t)
    force = np.sin(np.pi * (np.arange(blow) + 0.5) / blow)
    wave = np.convolve(np.array([1.0, 0.6, 0.4, 0.3, 0.2]) @ notes, force)[: len(t)]
    return np.asarray(wave / np.abs(wave).max())


@pytest.mark.parametrize("rung", [False, True])
def test_notes_that_one_blow_strikes_set_out_from_rest(rung: bool) -> None:
    rng = np.random.default_rng(17)
    errors, at, t = [], int(0.3 * RATE), np.arange(int(0.6 * RATE)) / RATE
    for _ in range(24):
        samples = (0.001 if rung else 0.02) * rng.normal(size=len(t))
        if rung:  # on other low notes, as loud
            notes = np.sin(2 * np.pi * rng.uniform(90, 300, 4)[:, None] * t + rng.uniform(0, 6.28, (4, 1)))
            samples += rng.uniform(0.1, 0.4, 4) @ (notes * 10 ** (-3.0 * t))
        wave, off = _skin(rng), int(rng.uniform(-0.003, 0.002) * RATE)
        samples[at : at + len(wave)] += 0.3 * wave
        rough = np.array([at + truth_start(wave) - off])
        later = soft_onsets(samples.astype(np.float32), RATE, rough, np.array([rung]))[0]
        errors.append((later - off) / RATE)
    assert np.mean(np.abs(errors) < 0.001) >= 0.85  # few under envelopes alone, which begin 2 ms too soon
    assert abs(np.median(errors)) < 0.0005


def test_what_steps_in_is_left_alone() -> None:
    rng = np.random.default_rng(3)
    at = int(0.2 * RATE)
    for wave in (click(RATE, rng), ring(RATE, 0.2, rng), ring(RATE, 0.2, rng, t60_s=0.2)):
        samples = rng.normal(size=int(0.5 * RATE)) * 0.003
        samples[at : at + len(wave)] += wave
        onset, rise_s = modal_onsets(samples.astype(np.float32), RATE, np.array([at + 3]))
        assert (onset[0], rise_s[0]) == (at + 3, 0.0)


@pytest.mark.parametrize("kind", ["pink", "motor"])
def test_nothing_rises_in_steady_noise(kind: str) -> None:
    samples = noise(STEADY[kind], RATE + 2000, 4.0, 5)
    places = np.arange(2000, 30_000, 700)
    onset, rise_s = modal_onsets(samples, RATE + 2000, places)
    assert np.mean(rise_s > 0) < 0.2  # it is asked only where something rose
    np.testing.assert_array_equal(onset[rise_s == 0], places[rise_s == 0])


def test_no_place_and_the_same_place_twice() -> None:
    samples, truth = impacts_in_noise(8000, 30, "thud", 3, count=2)
    none, nothing = modal_onsets(samples, 8000, np.empty(0, np.int64))
    assert (len(none), len(nothing)) == (0, 0)
    at = int(truth[0] * 8000)
    onset, rise_s = modal_onsets(samples, 8000, np.array([at, at + 8000, at]))
    assert onset[0] == onset[2]
    assert rise_s[0] == rise_s[2] > 0


@pytest.mark.parametrize("background", ["pink", "white", "motor"])
@pytest.mark.parametrize(("snr_db", "within_1_ms"), [(12, 0.7), (20, 0.8), (30, 0.85)])
def test_thuds_are_timed_without_bias(background: str, snr_db: int, within_1_ms: float) -> None:
    errors: list[float] = []
    for seed in (61, 62, 63):
        samples, truth = impacts_in_noise(16_000, snr_db, "thud", seed, background=background)
        found = candidates(samples, 16_000).onset / 16_000
        errors += [float((found - t)[np.abs(found - t).argmin()]) for t in truth]
    near = np.array(errors)[np.abs(errors) < 0.010]
    assert len(near) >= 0.9 * len(errors)
    assert abs(np.median(near)) < 0.0002
    assert np.mean(np.abs(near) < 0.001) >= within_1_ms


def test_a_click_keeps_its_onset_before_a_low_note_that_grows() -> None:
    rate, rng = 48_000, np.random.default_rng(8)
    samples = noise(STEADY["pink"], rate, 4.0, 8)
    clean, t = samples.copy(), np.arange(int(0.1 * rate)) / rate
    low = np.sin(2 * np.pi * 180.0 * t) * np.minimum(t / 0.012, 1.0) * np.exp(-t / 0.03)
    wave = np.zeros(len(t))
    sharp = click(rate, rng)
    wave[: len(sharp)] = sharp
    wave = wave * snr_gain(wave, clean, rate, 20) + low * snr_gain(low, clean, rate, 20)
    at = 3 * rate
    samples[at : at + len(wave)] += wave.astype(np.float32)
    found = candidates(samples, rate)
    loudest = found.onset[found.score.argmax()]
    assert abs(loudest - at) < 0.0005 * rate
