"""Noise that is made of pulses: what it makes itself is no impact, and what is struck beyond it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt
from soundmaker import STEADY, click, detect, noise

from noisecheck.score import match

RATE, SECONDS = 48_000, 40


def _rumble(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return noise of 40 to 400 Hz whose level wanders by 3.5 dB at up to 15 Hz, over pink noise."""
    low = sosfilt(butter(2, [40, 400], "band", fs=RATE, output="sos"), rng.standard_normal(SECONDS * RATE))
    wander = lfilter([1.0], [1.0, -0.46], rng.standard_normal(120 * SECONDS + 1))
    wander = np.interp(np.arange(len(low)) * 120 / RATE, np.arange(len(wander)), wander / wander.std())
    return np.asarray(0.03 * low / low.std() * np.exp(0.4 * wander) + noise(STEADY["pink"], RATE, SECONDS, 2))


def test_a_rumble_that_wanders_is_not_struck() -> None:
    samples = _rumble(np.random.default_rng(2))
    found = detect(samples.astype(np.float32), RATE)
    assert len(found) <= 70  # 229 where its clear ones tell how many weak ones were struck
    assert np.sum(found > 15.0) <= 30  # 118; at first nothing is known of it


def test_what_is_struck_amid_such_a_rumble_is_heard() -> None:
    rng = np.random.default_rng(3)
    samples, truth = _rumble(rng), []
    for at_s in np.arange(8.0, SECONDS - 1.0, 0.9):
        wave, at = 0.5 * click(RATE, rng), int(at_s * RATE)
        samples[at : at + len(wave)] += wave
        truth.append(at / RATE)
    assert match(detect(samples.astype(np.float32), RATE), np.array(truth), tolerance_s=0.01).recall == 1.0
