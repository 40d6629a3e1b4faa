"""What comes with the swells of a voice is none of the impacts, and impacts amid them are found all the same."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from soundmaker import STEADY, click, detect, noise

from noisecheck.detect.beside import loudest_near
from noisecheck.score import match

RATE = 48_000
SECONDS = 40.0


@pytest.mark.parametrize("after_s", [0.0, 0.2])
def test_the_loudest_beside_each_is_that_of_a_plain_search(after_s: float) -> None:
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.exponential(0.1, 300))
    level = np.where(rng.random(300) < 0.4, rng.uniform(-60.0, 0.0, 300), -np.inf)
    found = loudest_near(times, level, 1.0, after_s)
    for i, t in enumerate(times):
        near = (times >= t - 1.0) & (times < t + max(after_s, 1e-12)) & (np.arange(300) != i)
        assert found[i] == level[near].max(initial=-np.inf)


def _talk(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return syllables of noise, most with a burst of a few milliseconds before them, softer by 6 to 18 dB."""
    samples, at_s = np.zeros(int(SECONDS * RATE)), 0.3
    while at_s < SECONDS - 1.0:
        length, ramp = int(rng.uniform(0.08, 0.2) * RATE), int(0.03 * RATE)
        rise = np.sin(0.5 * np.pi * np.arange(ramp) / ramp) ** 2
        syllable = np.convolve(rng.standard_normal(length), 0.6 ** np.arange(12))[:length]
        syllable[:ramp] *= rise
        syllable[-ramp:] *= rise[::-1]
        start = int(at_s * RATE)
        samples[start : start + length] += syllable
        if rng.random() < 0.7:
            t = np.arange(int(0.015 * RATE)) / RATE
            burst = rng.standard_normal(len(t)) * np.exp(-t / rng.uniform(0.002, 0.005)) * np.minimum(t / 0.0005, 1.0)
            start -= int(rng.uniform(0.03, 0.08) * RATE)
            samples[start : start + len(t)] += 10 ** (rng.uniform(-18.0, -6.0) / 20) * burst
        at_s += length / RATE + rng.uniform(0.1, 0.2) + (rng.uniform(0.3, 0.8) if rng.random() < 0.15 else 0.0)
    return samples / np.sqrt(np.mean(samples**2))


@pytest.mark.parametrize(("level_db", "early"), [(-26.0, 10), (-45.0, 3)])
def test_bursts_that_come_with_the_swells_of_a_voice_are_no_impacts(level_db: float, early: int) -> None:
    rng = np.random.default_rng(5)
    samples = noise(STEADY["pink"], RATE, SECONDS, 5, gain_db=-30.0)
    samples += (10 ** (level_db / 20) * _talk(rng)).astype(np.float32)
    found = detect(samples, RATE)
    assert np.sum(found < 10.0) <= early, "nothing is known yet"
    assert np.sum(found >= 10.0) <= 2


@pytest.mark.parametrize("margin_db", [15.0, 30.0])
def test_impacts_louder_than_a_voice_are_found_amid_it(margin_db: float) -> None:
    rng = np.random.default_rng(6)
    samples = noise(STEADY["pink"], RATE, SECONDS, 6, gain_db=-30.0).astype(np.float64)
    samples += 10 ** (-45.0 / 20) * _talk(rng)
    truth = np.arange(1.0, SECONDS - 1.0, 1.37)
    wave = click(RATE, rng)
    wave *= 10 ** ((margin_db - 45.0) / 20) / np.sqrt(np.convolve(wave**2, np.ones(480) / 480).max())
    for at_s in truth:
        samples[int(at_s * RATE) :][: len(wave)] += wave
    found = match(detect(samples.astype(np.float32), RATE), truth, tolerance_s=0.01)
    assert found.pairs >= len(truth) - 1
