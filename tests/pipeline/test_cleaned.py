"""A copy of an impact brings nothing of its background along, and is as loud as the impact was."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from noisecheck.measure.weighting import weighting_response
from noisecheck.pipeline.cleaned import BEFORE_S, without_background

RATE = 48_000


def a_weighted_db(x: np.ndarray) -> float:
    """Return the energy of a sound in the frequency domain, dB."""
    weight = np.abs(weighting_response(np.fft.rfftfreq(len(x), 1.0 / RATE), "A"))
    return 10.0 * np.log10(np.sum((np.abs(np.fft.rfft(x)) * weight) ** 2) / len(x))


def scene(kind: str, snr_db: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Return (mixture, impact, background) and the frame where the impact begins; its energy over the background's."""
    rng = np.random.default_rng(seed)
    first, n = int(BEFORE_S * RATE), int(0.25 * RATE)
    t = np.arange(n) / RATE
    if kind == "thud":
        hit = sum(np.exp(-t / 0.02) * np.sin(2 * np.pi * f * t) for f in rng.uniform(200, 900, 6))
    else:
        hit = np.exp(-t / 0.006) * rng.standard_normal(n)
    back = sosfilt(butter(1, 300.0, fs=RATE, output="sos"), rng.standard_normal(first + n + RATE))[RATE:]
    back += 0.1 * np.sin(2 * np.pi * 1300.0 * np.arange(first + n) / RATE)
    hit *= np.sqrt(np.sum(back[first:] ** 2) / np.sum(hit**2)) * 10 ** (snr_db / 20)
    whole = np.concatenate((np.zeros(first), hit))
    return (whole + back).astype(np.float32)[:, None], whole, back, first


@pytest.mark.parametrize("kind", ["thud", "click"])
def test_background_is_taken_away_and_the_level_kept(kind: str) -> None:
    errors, left = [], []
    for seed in range(6):
        mixed, hit, back, first = scene(kind, 6.0, seed)
        clean = without_background(mixed, first, RATE)[:, 0].astype(float)
        assert clean.shape == hit[first:].shape
        errors.append(a_weighted_db(clean) - a_weighted_db(hit[first:]))
        late = int(0.15 * RATE)  # the impact has died away by then
        left.append(np.sum(clean[late:] ** 2) / np.sum(back[first + late :] ** 2))
    assert abs(np.mean(errors)) < 0.7
    assert max(left) < 0.05


def test_a_clear_impact_stays_as_it_is() -> None:
    mixed, hit, _, first = scene("thud", 40.0, 3)
    clean = without_background(mixed, first, RATE)[:, 0]
    assert np.sum((clean - hit[first:]) ** 2) < 0.01 * np.sum(hit**2)


def test_with_nothing_to_learn_from_it_is_left_alone() -> None:
    mixed, *_ = scene("click", 10.0, 4)
    np.testing.assert_array_equal(without_background(mixed, 100, RATE), mixed[100:])
    np.testing.assert_array_equal(without_background(mixed[:300], 100, RATE), mixed[100:300])


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 96_000])
def test_any_rate_and_any_length_and_channel_count(rate: int) -> None:
    rng = np.random.default_rng(1)
    sound = rng.standard_normal((int(0.37 * rate) + 7, 3)).astype(np.float32)
    first = int(0.12 * rate)
    clean = without_background(sound, first, rate)
    assert clean.shape == (len(sound) - first, 3)
    assert clean.dtype == np.float32
    assert np.isfinite(clean).all()
