"""Gain riding, put on by laws of gain that the judgement does not share, and never seen where the gain stands still.

The large study is ``tests/benchmarks/riding.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from wavs import RATE, noise, taps

from noisecheck.audio.health import Health, check_health
from noisecheck.audio.recording import ArrayRecording
from noisecheck.pipeline.listen import ListenSettings, listen


def take(seed: int) -> np.ndarray:
    """Return 40 s of taps of uneven strength and pace over noise that falls 4 dB an octave and breathes slowly."""
    rng = np.random.default_rng(seed)
    x = noise(40.0, seed=seed, rms=0.004)
    x += np.cumsum(noise(40.0, seed=seed + 1000, rms=0.0004), axis=0) * 0.05
    x *= 1 + 0.3 * np.sin(2 * np.pi * np.arange(len(x))[:, None] / RATE / rng.uniform(5, 15))
    one = taps(0.9, peak=1.0)[round(0.25 * RATE) : round(0.55 * RATE)]
    at = 0.4
    while at < 39.5:
        first = round(at * RATE)
        x[first : first + len(one)] += 10 ** rng.uniform(-1.0, -0.1) * one
        at += rng.uniform(0.5, 1.6)
    return x.astype(np.float32)


def gain(x: np.ndarray, depth_db: float, release_s: float, law: str) -> np.ndarray:
    """Return a gain that falls by up to ``depth_db`` at loud sound and is back in some 2 ``release_s``, (frames, 1)."""
    step = 48
    peak = np.abs(x[: len(x) // step * step, 0]).reshape(-1, step).max(axis=1)
    now, out = 0.0, []
    loudest = np.log10(peak.max())
    for level in np.log10(np.maximum(peak, 1e-6)):
        aim = -depth_db * max(0.0, 1.0 - (loudest - level))
        back = (
            now * np.exp(-0.001 / release_s) if law == "exponential" else min(now + depth_db * 0.0005 / release_s, 0.0)
        )
        now = min(aim, back)
        out.append(now)
    whole = np.interp(np.arange(len(x)), np.arange(len(out)) * step + step / 2, 10 ** (np.array(out) / 20))
    return whole[:, None]


def judged(x: np.ndarray) -> Health:
    samples = (np.round(np.clip(x, -1, 1) * 32768) / 32768).astype(np.float32)
    recording = ArrayRecording(samples, RATE)
    heard = listen(lambda: recording, settings=ListenSettings())
    return check_health(recording, onsets=heard.impacts.data["frame"])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("law", ["exponential", "steady"])
def test_riding_is_found_and_levels_are_refused(seed: int, law: str) -> None:
    x = take(seed)
    health = judged(x * gain(x, 6.0 + seed, (0.3, 0.5, 0.8, 1.2, 1.6, 2.0)[seed], law))
    assert health.riding.found
    assert health.levels.verdict == "not usable"
    assert "gain riding" in " ".join(health.levels.reasons)
    assert (health.counts.verdict, health.times.verdict) == ("usable", "usable")


@pytest.mark.parametrize("seed", range(8))
def test_a_gain_that_stands_still_is_no_riding(seed: int) -> None:
    x = take(100 + seed)
    for factor in (1.0, 0.25):
        health = judged(factor * x)
        assert health.riding.found is False
        assert health.levels.verdict == "usable"


def test_the_floor_is_told_against_time_since_the_last_impact() -> None:
    x = take(3)
    ridden, still = judged(x * gain(x, 9.0, 0.8, "exponential")).riding, judged(x).riding
    assert 0.3 <= ridden.release_s <= 1.2
    assert ridden.rise_db > 1.5
    for riding, low in ((ridden, True), (still, False)):
        assert len(riding.curve) >= 3
        since, value = riding.curve[0]
        assert since < 0.15
        assert (value < -1.0) is low  # dB re the highest point of the curve


def test_too_few_impacts_are_not_judged() -> None:
    riding = judged(noise(20.0)).riding
    assert riding.found is None
    assert "too few" in riding.why_not
