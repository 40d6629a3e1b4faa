"""A sound of several bursts is one impact each time it is struck; what only happens to follow another is its own."""

from __future__ import annotations

import numpy as np
import pytest
from soundmaker import STEADY, detect, noise, snr_gain

from noisecheck.detect.stream import Stream

RATE = 48_000


def _click(rng: np.random.Generator) -> np.ndarray:
    """Return a small hard object struck, peak 1: eight notes, each with a decay of its own."""
    t = np.arange(int(0.12 * RATE)) / RATE
    wave = np.zeros(len(t))
    for hz in rng.uniform(500.0, 8_000.0, 8):
        tau = rng.uniform(0.002, 0.010)
        wave += rng.uniform(0.3, 1.0) * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28)) * np.exp(-t / tau)
    return wave / np.abs(wave).max()


def _scene(seed: int, late_s: np.ndarray, later_db: float) -> tuple[np.ndarray, np.ndarray]:
    """Return clicks of one object, levels within 15 dB, in pink noise, each followed after a finite delay by one of
    another object, and when all come, (n, 2)."""
    rng = np.random.default_rng((seed, 31))
    samples = noise(STEADY["pink"], RATE, 2.0 + 0.4 * len(late_s), seed)
    clean, (one, other) = samples.copy(), (_click(rng) for _ in range(2))
    truth = np.full((len(late_s), 2), np.nan)
    for n, late in enumerate(late_s):
        first = 1.0 + 0.4 * n + rng.uniform(0.0, 0.1)
        gain = snr_gain(one, clean, RATE, 45.0) * 10 ** (rng.uniform(-15.0, 0.0) / 20)
        for k, (wave, after_s, db) in enumerate(((one, 0.0, 0.0), (other, late, later_db))):
            if np.isfinite(after_s):
                at = round((first + after_s) * RATE)
                samples[at : at + len(wave)] += (gain * 10 ** (db / 20) * wave).astype(np.float32)
                truth[n, k] = at / RATE
    return samples, truth


def _heard(onset: np.ndarray, times: np.ndarray) -> np.ndarray:
    return np.abs(onset[:, None] - times).min(axis=0) < 0.005


@pytest.mark.parametrize(("late_s", "later_db"), [(0.016, -6.0), (0.035, 3.0), (0.050, 0.0)])
def test_the_second_burst_of_a_latch_is_told_once_it_recurs(late_s: float, later_db: float) -> None:
    samples, truth = _scene(1, np.full(30, late_s), later_db)
    onset = detect(samples, RATE)
    assert _heard(onset, truth[:, 0]).all()
    assert not _heard(onset, truth[:, 1])[3:].any()


def test_two_objects_whose_delay_scatters_by_a_tenth_of_a_millisecond_are_two() -> None:
    late_s = 0.035 + 1e-4 * np.random.default_rng(2).standard_normal(30)
    samples, truth = _scene(2, late_s, -3.0)
    assert _heard(detect(samples, RATE), truth.ravel()).mean() > 0.85


@pytest.mark.parametrize("late_s", [0.020, 0.050])
def test_what_follows_another_one_time_in_five_is_its_own(late_s: float) -> None:
    every = np.where(np.arange(40) % 5 == 2, late_s, np.nan)
    samples, truth = _scene(3, every, 0.0)
    times = truth[np.isfinite(truth)]
    assert _heard(detect(samples, RATE), times).all()


def test_one_object_struck_twice_at_one_delay_is_struck_twice() -> None:
    rng = np.random.default_rng(4)
    samples = noise(STEADY["pink"], RATE, 14.0, 4)
    wave, first = _click(rng), 1.0 + 0.4 * np.arange(30)
    wave = wave * snr_gain(wave, samples, RATE, 45.0)
    times = np.sort(np.concatenate((first, first + 0.04)))
    for at in np.round(times * RATE).astype(int):
        samples[at : at + len(wave)] += wave.astype(np.float32)
    assert _heard(detect(samples, RATE), times).all()


def test_a_stream_tells_the_same_bursts() -> None:
    samples, _ = _scene(5, np.full(30, 0.035), -3.0)
    stream, heard = Stream(RATE, 1), []
    for begin in range(0, len(samples), 1_000):
        heard.append(stream.push(samples[begin : begin + 1_000, None]).frame)
    heard.append(stream.finish().frame)
    assert np.array_equal(np.concatenate(heard) / RATE, detect(samples, RATE))
