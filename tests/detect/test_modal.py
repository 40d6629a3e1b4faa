"""Onsets of sounds that rise: the likelihood against scipy's, and the truth of sounds put at known samples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.linalg
import scipy.stats
from numpy.typing import NDArray
from soundmaker import STEADY, candidates, click, impacts_in_noise, noise, ring, snr_gain, truth_start

from noisecheck.detect import modal
from noisecheck.detect.modal import modal_onsets

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
    count, block = 60, 3
    parts = rng.normal(size=(count, 4))
    envelopes = np.repeat(rng.uniform(0.0, 1.0, (5, count // block)), block, axis=1)
    heard = rng.normal(size=count) * 1.5
    ratio, matrices, vectors = modal._likelihoods(*(x.astype(np.float32) for x in (envelopes, heard, parts)), block)
    for n, envelope in enumerate(envelopes):
        shaped = envelope[:, None] * parts
        covariance = shaped @ shaped.T + np.eye(count)
        whole = scipy.stats.multivariate_normal(cov=covariance).logpdf(heard)
        noise_alone = scipy.stats.norm.logpdf(heard).sum()
        assert ratio[n] == pytest.approx(whole - noise_alone, abs=1e-3)
        # The expected amplitudes are those of regularised least squares.
        expected = np.linalg.lstsq(np.vstack((shaped, np.eye(4))), np.append(heard, np.zeros(4)), rcond=None)[0]
        np.testing.assert_allclose(np.linalg.solve(matrices[n], vectors[n]), expected, atol=1e-3)


def test_components_make_the_covariance_of_the_loud_part() -> None:
    count = 200
    t = np.arange(150) / RATE
    loud = 12.0 * np.sin(2 * np.pi * 400.0 * t) + 8.0 * np.sin(2 * np.pi * 700.0 * t)
    size = 512
    parts = modal._components(loud, np.ones(size // 2 + 1), count)
    power = np.abs(np.fft.rfft(loud * modal._window(len(loud)), size)) ** 2
    power = np.where(power > max(modal._OUTSTANDING, modal._BESIDE_TOP * power.max()), power - 1.0, 0.0)
    whole = modal._FULL * scipy.linalg.toeplitz(np.fft.irfft(power)[:count])
    assert parts.shape[1] <= modal._COMPONENTS
    np.testing.assert_allclose(parts @ parts.T, whole, atol=modal._LEFT_OUT)


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
    for seed in (61, 62):
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
