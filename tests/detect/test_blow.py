"""What goes on is no impact: gain that jumps, motors that start, voices; what dies away is one, however it rings."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt
from soundmaker import STEADY, candidates, click, detect, noise, ring, thud, truth_start

from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.detect.stream import Stream
from noisecheck.detect.talk import lasting_sounds
from noisecheck.score import match

RATES = (8000, 48_000, 96_000)
Wave = NDArray[np.float64]


def _motor(rate: int, rng: np.random.Generator) -> Wave:
    """Return 3 s of a motor, RMS about 1: harmonics and noise of its own."""
    t = np.arange(3 * rate) / rate
    hz = rng.uniform(48, 180)
    numbers = [k for k in range(1, 25) if k * hz < 0.45 * rate]
    tones = sum(rng.uniform(0.2, 1) / k * np.sin(2 * np.pi * hz * k * t + rng.uniform(0, 6)) for k in numbers)
    own = noise({"noise_db": -6.0}, rate, 3.0, int(rng.integers(10**6)))
    return np.asarray(tones / np.std(tones) + own)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("rise_s", [0.0, 0.02])
def test_a_motor_that_starts_is_no_impact(rate: int, rise_s: float) -> None:
    rng = np.random.default_rng(31)
    samples = noise(STEADY["pink"], rate, 27.0, 31)
    for at_s in range(4, 24, 5):
        wave = _motor(rate, rng) * 10 ** (-20 / 20)
        swell = np.minimum(1.0, (np.arange(len(wave)) + 1) / max(1.0, rise_s * rate))
        fade = np.minimum(1.0, np.arange(len(wave))[::-1] / (0.3 * rate))
        samples[at_s * rate : at_s * rate + len(wave)] += (wave * swell * fade).astype(np.float32)
    assert len(detect(samples, rate)) == 0


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("up_db", [8.0, 12.0, 20.0])
def test_a_gain_that_jumps_is_no_impact(rate: int, up_db: float) -> None:
    samples = noise(STEADY["pink"], rate, 32.0, 32)
    for at_s in range(4, 32, 8):
        samples[at_s * rate : (at_s + 4) * rate] *= np.float32(10 ** (up_db / 20))
    assert len(detect(samples, rate)) == 0


def _vowel(rate: int, pitch_hz: float, rng: np.random.Generator) -> Wave:
    """Return pulses with jitter through three resonances and a low-pass, RMS 1."""
    wave, at = np.zeros(int(rng.uniform(0.08, 0.22) * rate)), 0.0
    while at < len(wave):
        wave[int(at)] = 1.0 + 0.05 * rng.standard_normal()
        at += rate / pitch_hz * (1.0 + 0.01 * rng.standard_normal())
    for hz, width in ((rng.uniform(300, 750), 80), (rng.uniform(900, 2300), 110), (2700.0, 180), (0.0, 600)):
        radius = np.exp(-np.pi * width / rate)
        wave = lfilter([1.0], [1.0, -2 * radius * np.cos(2 * np.pi * hz / rate), radius**2], wave)
    to_edge = np.arange(len(wave)) / rate
    wave *= np.minimum(1.0, np.minimum(to_edge / rng.uniform(0.005, 0.03), to_edge[::-1] / 0.03))
    return np.asarray(wave / np.std(wave))


def _voice(seconds: float, rate: int, seed: int) -> Wave:
    """Return a formant voice: vowels, fricatives and plosives with breath behind them, in phrases with pauses."""
    rng = np.random.default_rng((seed, 34))
    pitch, parts, length = rng.uniform(90, 230), [np.zeros(rate // 2)], rate // 2
    while length < seconds * rate:
        phrase = []
        for _ in range(int(rng.integers(3, 9))):
            kind = rng.uniform()
            if kind < 0.4:
                breath = 0.2 * rng.standard_normal(int(rng.uniform(0.015, 0.06) * rate))
                burst = np.exp(-np.arange(len(breath)) / (0.002 * rate)) * rng.standard_normal(len(breath))
                phrase += [np.zeros(int(rng.uniform(0.04, 0.09) * rate)), rng.uniform(0.3, 1.2) * burst + breath]
            elif kind < 0.6:
                hiss = rng.standard_normal(int(rng.uniform(0.07, 0.15) * rate))
                hiss = sosfilt(butter(2, (3000, 0.4 * rate), "bandpass", fs=rate, output="sos"), hiss)
                phrase.append(0.3 * hiss / np.std(hiss) * np.minimum(1.0, np.arange(len(hiss)) / (0.02 * rate)))
            phrase.append(_vowel(rate, pitch * rng.uniform(0.85, 1.15), rng))
        phrase.append(np.zeros(int(rng.uniform(0.2, 0.8) * rate)))
        parts += phrase
        length += sum(map(len, phrase))
    return np.concatenate(parts)[: int(seconds * rate)]


def _talk(seed: int, seconds: float = 60.0) -> np.ndarray:
    rate = 48_000
    background = noise(STEADY["pink"], rate, seconds, seed, gain_db=-15.0)
    return background + (10 ** (-30 / 20) * _voice(seconds, rate, seed)).astype(np.float32)


def test_a_voice_is_known_by_its_sounds_that_go_on() -> None:
    talking = candidates(_talk(1), 48_000)
    assert lasting_sounds(talking).sum() > 60  # more than one a second
    rng = np.random.default_rng(35)
    samples = noise(STEADY["pink"], 48_000, 63.0, 35)
    for at_s in np.arange(2.0, 62.0, 0.5):
        wave = 0.2 * (click if rng.uniform() < 0.5 else thud)(48_000, rng)
        samples[int(at_s * 48_000) : int(at_s * 48_000) + len(wave)] += wave.astype(np.float32)
    struck = candidates(samples, 48_000)
    assert len(struck) >= 118
    assert lasting_sounds(struck).sum() == 0


def test_a_voice_seldom_passes_for_impacts_and_does_not_hide_louder_ones() -> None:
    rate, rng = 48_000, np.random.default_rng(36)
    samples = _talk(2)
    assert len(detect(samples, rate)) < 80  # of some 240 that begin abruptly
    truth = []
    for at_s in np.arange(3.0, 58.0, 2.0):
        wave = 0.5 * click(rate, rng)
        at = int((at_s + rng.uniform(0, 1)) * rate)
        samples[at : at + len(wave)] += wave.astype(np.float32)
        truth.append((at + truth_start(wave)) / rate)
    assert match(detect(samples, rate), np.array(truth), tolerance_s=0.010).recall >= 0.96


@pytest.mark.parametrize("t60_s", [0.3, 2.0, 8.0])
def test_what_rings_long_is_one_blow(t60_s: float) -> None:
    rate, rng = 48_000, np.random.default_rng(37)
    samples = noise(STEADY["pink"], rate, 24.0, 37, gain_db=-20.0)
    for at_s in range(3, 23, 2):
        wave = 0.2 * ring(rate, 1.9, rng, t60_s=t60_s)
        samples[at_s * rate : at_s * rate + len(wave)] += wave.astype(np.float32)
    found = candidates(samples, rate)
    struck = [np.abs(found.onset / rate - at_s).argmin() for at_s in range(3, 23, 2)]
    assert not lasting_sounds(found)[struck].any()


def test_what_a_voice_does_to_odds_is_the_same_live_and_however_cut() -> None:
    rate = 48_000
    samples = _talk(3, 20.0)
    whole, cut = (candidates(samples, rate, tile_s=s) for s in (60.0, 7.0))
    np.testing.assert_allclose(whole.left, cut.left, atol=1e-5)
    np.testing.assert_allclose(whole.fall_db, cut.fall_db, atol=1e-4)
    settings = DetectSettings()
    odds = decide(whole, rate, settings)
    early = whole.where(whole.onset < 12 * rate)
    np.testing.assert_array_equal(odds[: len(early)], decide(early, rate, settings))
    stream = Stream(rate, 1)
    heard = [stream.push(samples[i : i + 1000, None]).frame for i in range(0, len(samples), 1000)]
    live = np.concatenate([*heard, stream.finish().frame])
    np.testing.assert_array_equal(live, whole.onset[odds > 1.0])
