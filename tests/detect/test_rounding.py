"""What is rounded without noise added before makes single steps out of near silence: they are no impacts."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from soundmaker import STEADY, click, detect, noise

from noisecheck.score import match

RATE = 48_000


def _rounded(bits: int, background: float) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return clicks, and their times, over pink noise of so many steps, rounded to so many bits."""
    rng, step = np.random.default_rng(bits), 2.0 ** (1 - bits)
    samples = noise(STEADY["pink"], RATE, 20.0, bits).astype(np.float64)
    samples *= background * step / np.std(samples)
    truth = np.arange(2.0, 19.0, 0.8)
    for at_s in truth:
        wave = click(RATE, rng, decay_s=0.02) * 10 ** (rng.uniform(1.0, 2.0)) * step
        samples[int(at_s * RATE) :][: len(wave)] += wave
    return (np.round(samples / step) * step).astype(np.float32), truth


@pytest.mark.parametrize("background", [0.2, 0.3])
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_steps_of_rounding_are_no_impacts(bits: int, background: float) -> None:
    samples, truth = _rounded(bits, background)
    found = match(detect(samples, RATE), truth, tolerance_s=0.01)
    assert found.pairs >= len(truth) - 3
    assert len(found.false_index) <= 4  # 256 to 303 of 0.2 steps once


def test_single_samples_in_digital_silence_are_impacts() -> None:
    samples = np.zeros(10 * RATE, np.float32)
    samples[RATE :: RATE // 2] = 0.1
    assert len(detect(samples, RATE)) >= 17
