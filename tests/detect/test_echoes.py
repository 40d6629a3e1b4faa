"""An echo off a wall is no impact, and a ball's next contact is no echo."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from soundmaker import STEADY, candidates, detect, noise, snr_gain

from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.detect.echoes import followed, recurring
from noisecheck.detect.stream import Stream

RATE = 48_000


def _object(rng: np.random.Generator) -> np.ndarray:
    """Return an object struck, peak 1: twelve notes, each with a decay of its own."""
    t = np.arange(int(0.25 * RATE)) / RATE
    wave = np.zeros(len(t))
    for hz in rng.uniform(300.0, 9_000.0, 12):
        tau = rng.uniform(0.004, 0.02) * np.sqrt(1000.0 / hz)
        wave += rng.uniform(0.3, 1.0) * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28)) * np.exp(-t / tau)
    return wave / np.abs(wave).max()


def _placed(seed: int, late_s: np.ndarray, later_db: float, *, blows: int) -> tuple[np.ndarray, np.ndarray]:
    """Return strokes of two objects over pink noise, each followed by itself so much later, and when they come."""
    rng = np.random.default_rng((seed, 8))
    samples = noise(STEADY["pink"], RATE, 2.0 + 0.5 * blows, seed)
    clean, objects, truth = samples.copy(), [_object(rng) for _ in range(2)], []
    for n in range(blows):
        wave, first = objects[n % 2], 1.0 + 0.5 * n + rng.uniform(0.0, 0.1)
        gain = snr_gain(wave, clean, RATE, 40.0) * 10 ** (rng.uniform(-9.0, 0.0) / 20)
        for at_s, db in ((first, 0.0), (first + late_s[n], later_db)):
            at = round(at_s * RATE)
            samples[at : at + len(wave)] += (gain * 10 ** (db / 20) * wave).astype(np.float32)
            truth.append(at / RATE)
    return samples, np.array(truth).reshape(-1, 2)


def _heard(samples: np.ndarray, times: np.ndarray) -> np.ndarray:
    onset = detect(samples, RATE)
    return np.abs(onset[:, None] - times).min(axis=0) < 0.005


@pytest.mark.parametrize("late_s", [0.035, 0.05, 0.08])
def test_what_comes_at_the_same_delay_each_time_is_an_echo(late_s: float) -> None:
    samples, truth = _placed(1, np.full(40, late_s), -12.0, blows=40)
    assert _heard(samples, truth[:, 0]).all()
    echoes = _heard(samples, truth[:, 1])
    # Of each object the first two cannot be known; its loudness is that of its own blow.
    assert not echoes[6:].any()


def test_contacts_whose_intervals_scatter_as_measured_are_kept(reference) -> None:
    # The intervals of balls dropped five times from one height: see the source in the file.
    sets: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for row in reference("bounce_intervals"):
        sets[row["ball"], row["drop_height_m"], row["interval_no"]].append(float(row["interval_s"]))
    scatter = [
        float(np.std(some, ddof=1) / np.mean(some))
        for (_, _, number), some in sets.items()
        if len(some) >= 4 and int(number) <= 4
    ]
    assert min(scatter) > 0.002
    least = float(np.quantile(scatter, 0.05))
    assert least > 0.003
    heard = []
    for seed in range(3):
        late_s = 0.06 * (1.0 + least * np.random.default_rng(seed).standard_normal(40))
        samples, truth = _placed(seed, late_s, -12.0, blows=40)
        heard.append(_heard(samples, truth[:, 1]))
    assert np.mean(heard) > 0.97


def test_the_delay_is_told_to_microseconds_amid_a_ring() -> None:
    rng = np.random.default_rng(4)
    wave, late = _object(rng), 0.0437211
    spectrum = np.fft.rfft(wave, 2 * RATE)
    moved = np.fft.irfft(spectrum * np.exp(-2j * np.pi * np.arange(RATE + 1) / (2 * RATE) * late * RATE), 2 * RATE)
    samples = noise(STEADY["pink"], RATE, 2.0, 4)
    gain = snr_gain(wave, samples, RATE, 40.0)
    at = np.array([RATE // 2, RATE // 2 + round(late * RATE) + 40])  # the second is looked for where it is not quite
    samples[at[0] : at[0] + RATE] += (gain * (np.pad(wave, (0, RATE - len(wave))) + 0.2 * moved[:RATE])).astype(
        np.float32
    )
    delay, level_db = followed(samples, RATE, at, np.array([1.0, 0.04]), np.array([1]))
    assert delay[0] == pytest.approx(late, abs=10e-6)
    assert level_db[0] == pytest.approx(20 * np.log10(0.2), abs=2.0)


def test_another_object_is_no_echo() -> None:
    rng = np.random.default_rng(5)
    samples = noise(STEADY["pink"], RATE, 22.0, 5)
    clean, peaks = samples.copy(), []
    for n in range(40):
        for late_s, db in ((0.0, 0.0), (0.05, -12.0)):
            wave, at = _object(rng), round((1.0 + 0.5 * n + late_s) * RATE)
            gain = snr_gain(wave, clean, RATE, 40.0) * 10 ** (db / 20)
            samples[at : at + len(wave)] += (gain * wave).astype(np.float32)
            peaks.append(at)
    assert _heard(samples, np.array(peaks) / RATE).mean() > 0.97


def test_one_delay_among_many_is_chance() -> None:
    rng = np.random.default_rng(6)
    delay = 0.05 * (1.0 + 0.01 * rng.standard_normal(400))
    onset, level_db = np.arange(400) * 0.25, np.full(400, -12.0, np.float32)
    assert recurring(onset, delay, level_db, memory_s=60.0).mean() < 0.01
    assert recurring(onset, np.full(400, 0.05), level_db, memory_s=60.0)[2:].all()
    # An echo is so much softer than its source, whatever it is; and nothing is learnt from what is long over.
    assert not recurring(onset, np.full(400, 0.05), np.tile([-10.0, -18.0, -26.0, -34.0], 100), memory_s=1.2).any()
    assert not recurring(onset * 200.0, np.full(400, 0.05), level_db, memory_s=60.0).any()


@pytest.mark.parametrize("block", [1_601, 48_000])
def test_a_stream_tells_echoes_as_a_file_does(block: int) -> None:
    samples, _ = _placed(2, np.full(20, 0.05), -12.0, blows=20)
    stream = Stream(RATE, 1)
    parts = [stream.push(samples[i : i + block, None]) for i in range(0, len(samples), block)]
    parts.append(stream.finish())
    found = candidates(samples, RATE)
    whole = found.where(decide(found, RATE, DetectSettings()) > 1.0)
    np.testing.assert_array_equal(np.concatenate([p.frame for p in parts]), whole.onset)
