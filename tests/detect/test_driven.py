"""What is driven is no impact: syllables, vowels, a motor that starts; what is struck is one, however it rings."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt
from soundmaker import STEADY, click, detect, modes, noise, snr_gain, thud, truth_start

from noisecheck.detect.pulses import trains
from noisecheck.detect.spectra import decimated, frame_grid
from noisecheck.score import match

Wave = NDArray[np.float64]
RATE = 48_000


def _band(rng: np.random.Generator, count: int, rate: int = RATE) -> Wave:
    """Return noise from 150 Hz to 3.5 kHz, RMS 1."""
    wave = sosfilt(butter(2, (150.0, 3500.0), "bandpass", fs=rate, output="sos"), rng.standard_normal(count))
    return np.asarray(wave / np.std(wave))


def _burst(rng: np.random.Generator, attack_s: float, rate: int) -> Wave:
    """Return 0.25 s of noise that grows as a sine squared and ends within 50 ms."""
    t = np.arange(int(0.25 * rate)) / rate
    grown = np.clip(np.minimum(t / attack_s, (0.25 - t) / 0.05), 0.0, 1.0)
    return np.asarray(_band(rng, len(t), rate) * np.sin(0.5 * np.pi * grown) ** 2)


@pytest.mark.parametrize("rate", [8000, RATE, 96_000])
@pytest.mark.parametrize("level_db", [20.0, 35.0, 50.0])
@pytest.mark.parametrize("attack_s", [0.03, 0.05, 0.1])
def test_bursts_that_rise_smoothly_are_no_impacts(rate: int, level_db: float, attack_s: float) -> None:
    rng = np.random.default_rng(17)
    samples = noise(STEADY["pink"], rate, 20.0, 17, gain_db=-15.0)
    floor = np.std(sosfilt(butter(2, (150.0, 3500.0), "bandpass", fs=rate, output="sos"), samples))
    for at_s in np.arange(1.5, 19.0, 0.7):
        wave = floor * 10 ** (level_db / 20) * _burst(rng, attack_s, rate)
        samples[int(at_s * rate) :][: len(wave)] += wave.astype(np.float32)
    assert len(detect(samples, rate)) <= 2  # of 25


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("level_db", [-20.0, -45.0])
def test_noise_that_comes_in_syllables_holds_no_impact(seed: int, level_db: float) -> None:
    rng = np.random.default_rng(seed)
    seconds, at_s = 60.0, 0.5
    envelope = np.zeros(int(seconds * RATE))
    while at_s < seconds - 1.0:
        lasts_s, attack_s = rng.uniform(0.08, 0.3), rng.uniform(0.015, 0.06)
        t = np.arange(int(lasts_s * RATE)) / RATE
        grown = np.sin(0.5 * np.pi * np.clip(np.minimum(t / attack_s, (lasts_s - t) / 0.05), 0.0, 1.0)) ** 2
        part = envelope[int(at_s * RATE) :][: len(t)]
        np.maximum(part, grown * 10 ** (rng.uniform(-15.0, 0.0) / 20), out=part)
        at_s += lasts_s + (rng.uniform(0.02, 0.12) if rng.random() < 0.8 else rng.uniform(0.3, 1.5))
    wave = _band(rng, len(envelope)) * envelope
    samples = noise(STEADY["pink"], RATE, seconds, seed, gain_db=-25.0)
    samples += (wave / np.std(wave) * 10 ** (level_db / 20)).astype(np.float32)
    assert len(detect(samples, RATE)) <= 2  # of 240 syllables


def _vowel(rng: np.random.Generator) -> Wave:
    """Return 0.12 to 0.35 s of pulses of 90 to 230 Hz through three resonances that come and go, peak 1."""
    count = int(rng.uniform(0.12, 0.35) * RATE)
    phase = np.cumsum(rng.uniform(90.0, 230.0) * 2 ** np.linspace(0.0, rng.uniform(-0.3, 0.3), count)) / RATE
    pulses = np.diff(np.floor(phase), prepend=0.0) * (1.0 + 0.05 * rng.standard_normal(count))
    wave = lfilter([1.0, -1.0], [1.0, -0.97], pulses)
    for hz, width_hz in zip(
        rng.uniform((280.0, 800.0, 2200.0), (730.0, 2300.0, 3000.0)), (70.0, 100.0, 140.0), strict=True
    ):
        radius = np.exp(-np.pi * width_hz / RATE)
        wave = lfilter([1.0 - radius], [1.0, -2.0 * radius * np.cos(2 * np.pi * hz / RATE), radius**2], wave)
    t = np.arange(count) / RATE
    wave = wave * np.clip(np.minimum(t / rng.uniform(0.015, 0.05), (t[-1] - t) / 0.06), 0.0, 1.0)
    return np.asarray(wave / np.abs(wave).max())


@pytest.mark.parametrize("level_db", [-10.0, -35.0])
def test_vowels_hold_hardly_an_impact(level_db: float) -> None:
    rng = np.random.default_rng(23)
    samples = noise(STEADY["pink"], RATE, 60.0, 23, gain_db=-25.0)
    at_s, count = 0.5, 0
    while at_s < 59.0:
        wave = _vowel(rng) * 10 ** (rng.uniform(level_db - 10.0, level_db) / 20)
        samples[int(at_s * RATE) :][: len(wave)] += wave.astype(np.float32)
        count += 1
        at_s += len(wave) / RATE * rng.uniform(0.85, 1.05) if rng.random() < 0.85 else rng.uniform(0.4, 1.8)
    assert len(detect(samples, RATE)) < 0.1 * count


def _plate(rng: np.random.Generator) -> Wave:
    """Return a thin plate, peak 1: 300 modes from 60 Hz to 14 kHz that ring for up to a second."""
    hz = np.exp(rng.uniform(np.log(60.0), np.log(14_000.0), 300))
    decay, amplitude = np.array([(rng.uniform(0.1, 0.9), rng.standard_normal()) for _ in hz]).T
    wave = modes(hz, decay * (hz / 1000.0) ** -0.4, amplitude, RATE, 1.0)
    wave[:24] *= np.linspace(0.0, 1.0, 24)
    return np.asarray(wave / np.abs(wave).max())


@pytest.mark.parametrize("rolls", [False, True])
def test_a_plate_of_hundreds_of_modes_and_a_ball_that_rolls_on_at_once_are_struck(rolls: bool) -> None:
    rng = np.random.default_rng(41)
    samples = noise(STEADY["pink"], RATE, 42.0, 41, gain_db=-20.0)
    quiet, truth = samples.copy(), np.arange(2.0, 40.0, 1.4)
    for at_s in truth:
        wave = click(RATE, rng, decay_s=0.02) if rolls else _plate(rng)
        gain = snr_gain(wave, quiet, RATE, 30.0)
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += (gain * wave).astype(np.float32)
        if rolls:  # 6 dB below the landing's loudest 10 ms
            track = _band(rng, RATE // 2) * np.linspace(1.0, 0.0, RATE // 2) ** 0.5
            level = np.std(quiet) * 10 ** (24.0 / 20)
            samples[start : start + len(track)] += (level * track).astype(np.float32)
    assert match(detect(samples, RATE), truth, tolerance_s=0.01).pairs >= len(truth) - 1


@pytest.mark.parametrize(("rise_s", "click"), [(0.015, 0.3), (0.003, 0.1)])
def test_a_heavy_skin_whose_low_note_takes_its_time_is_struck(rise_s: float, click: float) -> None:
    rng = np.random.default_rng(12)
    samples = noise(STEADY["pink"], RATE, 42.0, 12, gain_db=-20.0)
    quiet, truth = samples.copy(), []
    t = np.arange(int(0.4 * RATE)) / RATE
    for at_s in np.arange(2.0, 40.0, 0.8):
        low = np.sin(2 * np.pi * rng.uniform(50.0, 95.0) * t) * (1.0 - np.exp(-t / rise_s)) * np.exp(-t / 0.12)
        wave = low * np.minimum(1.0, (0.4 - t) / 0.15) / np.abs(low).max()
        wave[:480] += click * rng.standard_normal(480) * np.exp(-t[:480] / 0.0015)
        wave *= snr_gain(wave, quiet, RATE, rng.uniform(15.0, 45.0))
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += wave.astype(np.float32)
        truth.append((start + truth_start(wave)) / RATE)
    found = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert found.pairs >= len(truth) - 1
    assert not len(found.false_index)


def test_a_cymbal_whose_high_notes_build_up_after_the_stroke_is_struck() -> None:
    rng = np.random.default_rng(31)
    t = np.arange(int(1.2 * RATE)) / RATE
    hz, soon, slow = np.exp(rng.uniform(np.log(300.0), np.log(15_000.0), 200)), np.zeros(len(t)), np.zeros(len(t))
    for f in hz:
        note = rng.standard_normal() * np.sin(2 * np.pi * f * t + rng.uniform(0.0, 6.3)) * np.exp(-t / 0.3)
        soon += note * np.exp(-t / 0.06)
        slow += note * (1.0 - np.exp(-t / (0.01 * (f / 4000.0) ** 0.5)))
    wave = (soon / np.abs(soon).max() + slow / np.abs(slow).max()) * np.minimum(1.0, (1.2 - t) / 0.3)
    samples = noise(STEADY["pink"], RATE, 42.0, 31, gain_db=-20.0)
    quiet, truth = samples.copy(), np.arange(2.0, 40.0, 0.9)
    for at_s in truth:
        gain = snr_gain(wave, quiet, RATE, rng.uniform(25.0, 45.0))
        samples[int(at_s * RATE) :][: len(wave)] += (gain * wave).astype(np.float32)
    found = match(detect(samples, RATE), truth, tolerance_s=0.01)
    assert found.pairs >= len(truth) - 2
    assert not len(found.false_index)


def test_a_bell_struck_so_softly_that_it_grows_for_tens_of_milliseconds_is_struck() -> None:
    rng = np.random.default_rng(8)
    samples = noise(STEADY["pink"], RATE, 42.0, 8, gain_db=-15.0)
    t, truth = np.arange(int(0.8 * RATE)) / RATE, []
    for at_s in np.arange(1.0, 40.0, 0.9):
        hz = rng.uniform(350.0, 700.0) * np.array((1.0, 1.47, 2.2, 2.9, 3.9)) * rng.uniform(0.97, 1.03, 5)
        last = np.exp(-t / np.array((0.3, 0.25, 0.15, 0.1, 0.08))[:, None])
        notes = np.array((1.0, 0.8, 0.2, 0.1, 0.06))[:, None] * last * np.sin(2 * np.pi * hz[:, None] * t)
        wave = notes.sum(axis=0) * (1.0 - np.exp(-t / rng.uniform(0.004, 0.009))) * np.minimum(1.0, (0.8 - t) / 0.3)
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += (10 ** (rng.uniform(-26.0, -6.0) / 20) * wave).astype(np.float32)
        truth.append((start + truth_start(wave)) / RATE)
    found = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert found.pairs >= 0.95 * len(truth)
    assert not len(found.false_index)


def test_bells_whose_partials_build_up_are_struck_where_nothing_swells() -> None:
    found = struck = 0
    for seed in range(4):
        rng = np.random.default_rng((seed, 41))
        samples, bells = noise({"noise_db": -40.0}, RATE, 22.0, seed), [_blooming_bell(rng) for _ in range(3)]
        true = []
        for n in range(50):
            wave = bells[rng.integers(3)] if n % 2 else click(RATE, rng)
            start = int((1.0 + 0.39 * n + rng.uniform(0.0, 0.1)) * RATE)
            part = samples[start:][: len(wave)]
            part += (10 ** (-rng.uniform(8.0, 26.0) / 20) * wave[: len(part)]).astype(np.float32)
            true.append((start + truth_start(wave)) / RATE)
        pairs = match(detect(samples, RATE), np.array(true), tolerance_s=0.010)
        found, struck = found + int((pairs.truth_index % 2).sum()), struck + len(true) // 2
        assert len(pairs.false_index) <= 1
    assert found >= 57  # of 100; 49 where all that is dull is a swell


def _blooming_bell(rng: np.random.Generator) -> Wave:
    """Return the ring of a bell after a contact of 3 ms; of its partials two in five build up over 20 to 30 ms."""
    t = np.arange(int(2.5 * RATE)) / RATE
    lowest, wave = rng.uniform(150.0, 500.0), np.zeros(len(t))
    for ratio in (0.5, 1.0, 1.19, 1.5, 2.0, 2.5, 3.0, 4.2, 5.4):
        grown = 1.0 - np.exp(-t / rng.uniform(0.02, 0.03)) if rng.random() < 0.4 else 1.0
        wave += rng.uniform(0.3, 1.0) * grown * np.sin(2 * np.pi * lowest * ratio * t) * np.exp(-t * ratio**0.5 / 0.4)
    contact = np.sin(np.pi * (np.arange(int(0.003 * RATE)) + 0.5) / int(0.003 * RATE)) ** 1.5
    wave = np.convolve(wave, contact)[: len(t)]
    wave[-4800:] *= np.linspace(1.0, 0.0, 4800)
    return np.asarray(wave / np.abs(wave).max())


def test_a_thud_of_10_ms_rise_is_one_however_loud() -> None:
    rng = np.random.default_rng(5)
    samples = noise(STEADY["pink"], RATE, 60.0, 5, gain_db=-20.0)
    quiet, truth = samples.copy(), []
    for number, at_s in enumerate(np.arange(2.0, 58.0, 0.5)):
        wave = thud(RATE, rng)
        wave = wave * snr_gain(wave, quiet, RATE, (15.0, 30.0, 50.0)[number % 3])
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += wave.astype(np.float32)
        truth.append((start + truth_start(wave)) / RATE)
    found = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert found.pairs >= len(truth) - 2
    assert len(found.false_index) <= 1


@pytest.mark.parametrize("gap_s", [0.015, 0.02, 0.03])
@pytest.mark.parametrize("soft", [False, True])
def test_a_louder_impact_soon_after_takes_nothing_from_the_first(gap_s: float, soft: bool) -> None:
    rng = np.random.default_rng(8)
    samples = noise(STEADY["pink"], RATE, 30.0, 8, gain_db=-20.0)
    quiet, truth = samples.copy(), []
    for at_s in np.arange(2.0, 28.0, 0.6):
        for wave, start, snr_db in (
            (click(RATE, rng, decay_s=0.02), int(at_s * RATE), 25.0),
            (thud(RATE, rng) if soft else click(RATE, rng), int((at_s + gap_s) * RATE), 40.0),
        ):
            samples[start : start + len(wave)] += (wave * snr_gain(wave, quiet, RATE, snr_db)).astype(np.float32)
            truth.append((start + truth_start(wave)) / RATE)
    assert match(detect(samples, RATE), np.array(truth), tolerance_s=0.01).pairs >= len(truth) - 2


def _stroke(
    rng: np.random.Generator, hz: Wave, decay_s: Wave, contact_s: tuple[float, float] = (0.0001, 0.0008)
) -> Wave:
    """Return an object with a dozen notes struck for some time, peak 1."""
    t = np.arange(int(0.25 * RATE)) / RATE
    level, phase = rng.uniform(0.3, 1.0, (len(hz), 1)), rng.uniform(0.0, 2.0 * np.pi, (len(hz), 1))
    ring = (level * np.exp(-t / decay_s[:, None]) * np.sin(2.0 * np.pi * hz[:, None] * t + phase)).sum(axis=0)
    wave = np.convolve(ring, np.hanning(int(rng.uniform(*contact_s) * RATE) + 3)[1:-1])[: len(t)]
    return np.asarray(wave / np.abs(wave).max())


def _pairs(
    seed: int, gap_s: float, levels_db: tuple[float, float], contact_s: tuple[float, float] = (0.0001, 0.0008)
) -> tuple[NDArray[np.float32], Wave]:
    """Return a dozen pairs of strokes on one object in pink noise, and when they begin, s."""
    rng = np.random.default_rng(900 + seed)
    hz = rng.uniform(300.0, 9000.0, 12)
    decay_s = rng.uniform(0.004, 0.06, 12) * np.sqrt(1000.0 / hz)
    samples = noise(STEADY["pink"], RATE, 13.0, seed, gain_db=-20.0)
    level, starts = 30.0 * np.std(samples), []
    for at_s in np.arange(1.0, 12.0, 0.95):
        for after_s, gain_db in zip((0.0, gap_s), levels_db, strict=True):
            start, wave = int((at_s + after_s) * RATE), _stroke(rng, hz, decay_s, contact_s)
            samples[start : start + len(wave)] += (level * 10 ** (gain_db / 20) * wave).astype(np.float32)
            starts.append(start / RATE)
    return samples, np.array(starts)


@pytest.mark.parametrize(("gap_s", "louder_db", "least"), [(0.013, 9.0, 20), (0.015, 6.0, 47), (0.02, 9.0, 47)])
def test_a_stroke_on_an_object_is_no_swell_because_a_louder_one_follows(
    gap_s: float, louder_db: float, least: int
) -> None:
    both = neither = 0
    for seed in range(4):
        samples, truth = _pairs(seed, gap_s, (-louder_db, 0.0))
        found = np.isin(np.arange(len(truth)), match(detect(samples, RATE), truth, tolerance_s=0.005).truth_index)
        both += int(found.reshape(-1, 2).all(axis=1).sum())
        neither += int((~found.reshape(-1, 2).any(axis=1)).sum())
    assert both >= least  # of 48
    assert neither <= 1


def _modulated(rng: np.random.Generator, seconds: float, hz: float) -> Wave:
    """Return an envelope that wanders through zero, RMS 1: noise below a frequency, without its sign."""
    coarse = sosfilt(butter(2, hz, fs=400.0, output="sos"), rng.standard_normal(int(seconds * 400) + 400))[200:]
    fine = np.abs(np.interp(np.arange(int(seconds * RATE)) / RATE, np.arange(len(coarse)) / 400.0, coarse))
    return np.asarray(fine / np.sqrt(np.mean(fine**2)))


@pytest.mark.parametrize("level_db", [-26.0, -45.0])
@pytest.mark.parametrize("bands", [((100.0, 7000.0),), ((100.0, 800.0), (800.0, 2400.0), (2400.0, 7000.0))])
def test_noise_that_is_modulated_slowly_holds_no_impact(
    bands: tuple[tuple[float, float], ...], level_db: float
) -> None:
    rng = np.random.default_rng(71)
    wave = np.zeros(40 * RATE)
    for number, band in enumerate(bands):
        part = sosfilt(butter(3, band, "bandpass", fs=RATE, output="sos"), rng.standard_normal(len(wave)))
        wave += 10 ** (-number * 7 / 20) * part / np.std(part) * _modulated(rng, 40.0, rng.uniform(3.0, 8.0))
    samples = noise(STEADY["pink"], RATE, 40.0, 71, gain_db=-25.0)
    samples += (wave / np.std(wave) * 10 ** (level_db / 20)).astype(np.float32)
    assert len(detect(np.clip(samples, -1.0, 1.0), RATE)) <= 1


@pytest.mark.parametrize("level_db", [-6.0, 0.0, 10.0])
@pytest.mark.parametrize("pole", [0.0, 0.97, 0.999])
def test_noise_that_clips_holds_no_impact(pole: float, level_db: float) -> None:
    wave = lfilter([1.0], [1.0, -pole], np.random.default_rng(3).standard_normal(30 * RATE))
    wave *= 10 ** (level_db / 20) / np.std(wave)
    assert len(detect(np.clip(wave, -1.0, 32767 / 32768).astype(np.float32), RATE)) == 0


def test_impacts_that_clip_are_impacts() -> None:
    rng = np.random.default_rng(4)
    samples = noise(STEADY["pink"], RATE, 30.0, 4, gain_db=-10.0)
    truth = np.arange(2.0, 28.0, 0.4)
    for at_s in truth:
        wave = rng.uniform(1.5, 6.0) * click(RATE, rng, decay_s=rng.uniform(0.005, 0.03))
        samples[int(at_s * RATE) :][: len(wave)] += wave.astype(np.float32)
    samples = np.clip(samples, -1.0, 1.0)
    assert match(detect(samples, RATE), truth, tolerance_s=0.01).pairs == len(truth)


def test_beats_that_reach_the_ceiling_again_are_no_impacts() -> None:
    rng = np.random.default_rng(6)
    samples, t = noise(STEADY["pink"], RATE, 8.0, 6, gain_db=-25.0), np.arange(int(0.35 * RATE)) / RATE
    truth = np.arange(1.0, 7.5, 0.4)
    for at_s in truth:
        hz, apart = rng.uniform(400.0, 900.0), rng.uniform(20.0, 45.0)
        tone = np.sin(2 * np.pi * np.outer([hz, hz + apart, 2.7 * hz], t))
        wave = rng.uniform(0.7, 1.2) * np.exp(-6.9 * t / 1.5) * ([1.0, 0.9, 0.5] @ tone)
        samples[int(at_s * RATE) :][: len(t)] += (wave * np.minimum(1.0, (0.35 - t) / 0.05)).astype(np.float32)
    found = match(detect(np.clip(samples, -1.0, 1.0), RATE), truth, tolerance_s=0.01)
    assert found.pairs == len(truth)
    assert len(found.false_index) == 0


def test_impacts_amid_rings_that_clip_are_impacts() -> None:
    rng = np.random.default_rng(7)
    samples, t = noise(STEADY["pink"], RATE, 8.0, 7, gain_db=-25.0), np.arange(int(0.6 * RATE)) / RATE
    truth = np.arange(1.0, 7.2, 0.12)
    for at_s in truth:
        level, t60 = rng.uniform(0.3, 1.0, 8), rng.uniform(0.2, 0.6, 8)[:, None]
        wave = level @ (np.exp(-6.9 * t / t60) * np.sin(2 * np.pi * np.outer(rng.uniform(300.0, 3000.0, 8), t)))
        samples[int(at_s * RATE) :][: len(t)] += (rng.uniform(1.0, 3.0) * wave).astype(np.float32)
    found = match(detect(np.clip(samples, -1.0, 1.0), RATE), truth, tolerance_s=0.01)
    assert found.pairs >= 0.8 * len(truth)  # 0.57 once
    assert len(found.false_index) == 0


def test_a_commutator_and_a_rumble_are_no_impacts() -> None:
    rng = np.random.default_rng(15)
    phase = np.cumsum(450.0 * (1.0 + 0.02 * np.sin(np.arange(30 * RATE) / RATE))) / RATE
    pulses = np.diff(np.floor(phase), prepend=0.0) * (1.0 + 0.3 * rng.standard_normal(len(phase)))
    brush = sosfilt(butter(2, (1500.0, 9000.0), "bandpass", fs=RATE, output="sos"), pulses)
    rumble = sosfilt(butter(4, (50.0, 300.0), "bandpass", fs=RATE, output="sos"), rng.standard_normal(len(phase)))
    for wave in (brush / np.std(brush) + 2.0 * noise(STEADY["pink"], RATE, 30.0, 15, gain_db=20.0), rumble):
        samples = np.round(0.03 * wave / np.std(wave) * 32768.0) / 32768.0  # 16 bits, no dither
        assert len(detect(samples.astype(np.float32), RATE)) <= 1


def test_noise_whose_level_wanders_holds_hardly_an_impact() -> None:
    """It makes two faint candidates a second in all bands; they outnumber the clear ones, so they are its own."""
    count, seconds = 0, 40.0
    for seed in range(3):
        rng = np.random.default_rng((77, seed))
        rumble, wander = rng.standard_normal((2, int(seconds * RATE)))
        rumble = sosfilt(butter(3, (40.0, 400.0), "bandpass", fs=RATE, output="sos"), rumble)
        wander = sosfilt(butter(2, 15.0, fs=RATE, output="sos"), wander)
        wave = rumble / np.std(rumble) * (1.0 + 0.25 * wander / np.std(wander))
        above = noise(STEADY["pink"], RATE, seconds, seed)
        wave += 0.3 * above / np.std(above)
        count += len(detect((0.02 * wave).astype(np.float32), RATE))
    assert count <= 1


@pytest.mark.parametrize("level_db", [-26.0, -45.0])
def test_noise_that_is_switched_softly_is_known_for_it(level_db: float) -> None:
    rng = np.random.default_rng(12)
    envelope, at_s, count = np.zeros(40 * RATE), 0.4, 0
    edge = 0.5 - 0.5 * np.cos(np.pi * np.arange(RATE // 100) / (RATE // 100))  # 10 ms
    while at_s < 39.0:
        part = envelope[int(at_s * RATE) :][: int(rng.uniform(0.08, 0.4) * RATE)]
        part[:] = 10 ** (rng.uniform(-12.0, 0.0) / 20)
        part[: len(edge)] *= edge
        part[-len(edge) :] *= edge[::-1]
        at_s += len(part) / RATE + rng.uniform(0.05, 0.4)
        count += 1
    wave = _band(rng, len(envelope)) * envelope
    samples = noise(STEADY["pink"], RATE, 40.0, 12, gain_db=-25.0)
    samples += (wave / np.std(wave) * 10 ** (level_db / 20)).astype(np.float32)
    assert len(detect(samples, RATE)) <= 0.2 * count  # 83 and 84 of 86 once


@pytest.mark.parametrize(
    ("contact_ms", "gap_s", "second_db", "least"),
    [
        (0.1, 0.015, 0.0, 46),
        (0.1, 0.015, -3.0, 42),
        (0.1, 0.02, -6.0, 32),
        (1.0, 0.015, 0.0, 43),
        (1.0, 0.02, -3.0, 36),
    ],
)
def test_a_second_stroke_on_what_still_rings_is_found(
    contact_ms: float, gap_s: float, second_db: float, least: int
) -> None:
    """Both excite the same notes: only what the ring so far does not foretell shows the second.

    Of a soft contact (1 ms) the low band alone tells.
    """
    both = extra = 0
    for seed in range(4):
        samples, truth = _pairs(seed, gap_s, (0.0, second_db), contact_s=(contact_ms / 1e3, contact_ms / 1e3))
        heard = detect(samples, RATE)
        found = np.isin(np.arange(len(truth)), match(heard, truth, tolerance_s=0.005).truth_index)
        both += int(found.reshape(-1, 2).all(axis=1).sum())
        extra += len(heard) - int(found.sum())
    assert both >= least  # of 48
    assert extra <= 2


def _spoken(rng: np.random.Generator, seconds: float) -> Wave:
    """Return a voice whose pulses close abruptly, RMS 1: jitter, breath, vowels that glide into one another."""
    count, hop = int(seconds * RATE), RATE // 200
    hz = rng.uniform(85.0, 220.0) * 2 ** (0.2 * np.interp(np.arange(count), *_knots(rng, count, 0.3)))
    phase = np.cumsum(hz * (1.0 + 0.01 * np.interp(np.arange(count), *_knots(rng, count, 0.008)))) / RATE
    since = phase % 1.0
    flow = np.where(since < 0.6, np.exp(3.6 * since) * np.sin(np.pi * since / 0.45), 0.0)
    flow -= 8.0 * np.exp(-(since - 0.6) / 0.04) * (since >= 0.6)
    wave = flow + 0.3 * (since < 0.6) * rng.standard_normal(count)
    for low, high, width_hz in ((280.0, 750.0, 70.0), (800.0, 2200.0, 90.0), (2300.0, 2900.0, 140.0)):
        centre = np.interp(np.arange(0, count, hop), *_knots(rng, count, 0.2, (low, high)))
        radius, state = np.exp(-np.pi * width_hz / RATE), np.zeros(2)
        for k, f in enumerate(centre):
            turn = 2.0 * radius * np.cos(2 * np.pi * f / RATE)
            part = slice(k * hop, (k + 1) * hop)
            wave[part], state = lfilter([1.0 - turn + radius**2], [1.0, -turn, radius**2], wave[part], zi=state)
    syllables = np.interp(np.arange(count), *_knots(rng, count, 0.12, (-1.0, 1.0)))
    wave = wave * np.clip(syllables + 0.4, 0.0, 1.0) ** 2
    return np.asarray(wave / np.std(wave))


@functools.cache
def _voice(seed: int) -> Wave:
    """Return 30 s of such a voice."""
    return _spoken(np.random.default_rng(seed), 30.0)


def _knots(
    rng: np.random.Generator, count: int, every_s: float, span: tuple[float, float] = (-1.0, 1.0)
) -> tuple[Wave, Wave]:
    """Return places and values to draw a line through that wanders."""
    at = np.arange(0.0, count + every_s * RATE, every_s * RATE)
    return at, rng.uniform(*span, len(at))


@pytest.mark.parametrize("level_db", [-26.0, -45.0])
def test_the_pulses_of_voices_that_glide_are_no_impacts(level_db: float) -> None:
    heard = 0
    for seed in range(4):
        samples = noise(STEADY["pink"], RATE, 30.0, seed, gain_db=-25.0)
        samples += (10 ** (level_db / 20) * _voice(seed)).astype(np.float32)
        heard += len(detect(samples, RATE))
    assert heard <= 3


def test_strokes_louder_than_a_voice_are_heard_amid_it() -> None:
    rng = np.random.default_rng(5)
    samples, truth = noise(STEADY["pink"], RATE, 40.0, 5, gain_db=-25.0), np.arange(2.0, 39.0, 0.9)
    samples += (10 ** (-45.0 / 20) * _spoken(rng, 40.0)).astype(np.float32)
    quiet = samples.copy()
    for at_s in truth:
        wave = click(RATE, rng, decay_s=0.02)
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += (snr_gain(wave, quiet, RATE, rng.uniform(15.0, 35.0)) * wave).astype(
            np.float32
        )
    assert match(detect(samples, RATE), truth, tolerance_s=0.01).pairs >= len(truth) - 1


@pytest.mark.parametrize("hz", [60.0, 120.0])
def test_what_is_struck_amid_the_buzz_of_a_supply_is_no_pulse_of_it(hz: float) -> None:
    rng, t = np.random.default_rng(1), np.arange(12 * RATE) / RATE
    buzz = sum(np.sin(2 * np.pi * hz * k * t) / k for k in range(1, 40))
    samples = noise(STEADY["pink"], RATE, 12.0, 1, gain_db=-20.0) + (0.02 * buzz / np.std(buzz)).astype(np.float32)
    truth = np.arange(1.0, 11.0, 0.6)
    for at_s in truth:
        wave = modes(rng.uniform(300, 2500, 8), rng.uniform(0.01, 0.03, 8), rng.uniform(0.3, 1.0, 8), RATE, 0.25)
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += (0.01 * wave / np.std(wave[: RATE // 50])).astype(np.float32)
    matched = match(detect(samples, RATE), truth, tolerance_s=0.01)
    assert matched.pairs >= len(truth) - 1
    assert len(matched.false_index) == 0


def test_dry_clicks_in_a_room_are_no_train() -> None:
    rng, truth = np.random.default_rng(2), []
    samples = noise(STEADY["pink"], RATE, 12.0, 2, gain_db=-10.0)
    walls = [(0.0, 1.0), *((rng.uniform(0.004, 0.03), rng.uniform(0.15, 0.4)) for _ in range(5))]
    for at_s in np.arange(1.0, 11.0, 0.5):
        for late_s in np.cumsum(rng.uniform(0.03, 0.035, 4)):
            wave, start = 0.1 * click(RATE, rng, decay_s=0.0005), int((at_s + late_s) * RATE)
            for after_s, gain in walls:
                samples[start + int(after_s * RATE) :][: len(wave)] += (gain * wave).astype(np.float32)
            truth.append(start / RATE)
    matched = match(detect(samples, RATE), np.array(truth), tolerance_s=0.001)
    assert len(truth) - matched.pairs <= 4  # of 80
    assert len(matched.false_index) <= 1


@pytest.mark.parametrize("seed", [2, 3])
def test_beats_of_notes_in_equal_intervals_are_no_pulses(seed: int) -> None:
    # Six notes some 100 to 300 Hz apart beat as regularly as a voice, each stroke amid those before it.
    rng = np.random.default_rng(seed)
    samples, t = noise(STEADY["pink"], RATE, 22.0, seed, gain_db=-65.0), np.arange(int(1.2 * RATE)) / RATE
    hz = (rng.uniform(400, 1100) + rng.uniform(70, 350) * np.arange(6) * rng.uniform(0.998, 1.002, 6))[:, None]
    truth = np.arange(1.0, 20.0, 0.25) + rng.uniform(-0.1, 0.1, 76)
    for at_s in truth:
        rings = rng.uniform(0.2, 1.0, 6)[:, None] * np.exp(-t / np.linspace(0.5, 0.25, 6)[:, None])
        wave = (rings * np.sin(2 * np.pi * hz * t)).sum(axis=0) * (1 - np.exp(-t / 0.0002))
        wave *= np.minimum(1.0, (1.2 - t) / 0.2) * 10 ** (rng.uniform(-26, -6) / 20) / np.abs(wave).max()
        start = int(at_s * RATE)
        samples[start : start + len(wave)] += wave.astype(np.float32)
    matched = match(detect(samples, RATE), truth, tolerance_s=0.01)
    assert len(truth) - matched.pairs <= 1
    assert len(matched.false_index) <= 2


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("level_db", [-26.0, -45.0])
@pytest.mark.parametrize("band_hz", [(100.0, 3_000.0), (1_000.0, 8_000.0)])
def test_noise_switched_on_within_10_ms_is_no_impact(band_hz: tuple[float, float], level_db: float, seed: int) -> None:
    rng, seconds, at_s = np.random.default_rng(seed), 20.0, 0.3
    samples, ramp = np.zeros(int(seconds * RATE)), int(0.010 * RATE)
    rise = np.sin(0.5 * np.pi * np.arange(ramp) / ramp) ** 2
    sos = butter(2, band_hz, "bandpass", fs=RATE, output="sos")
    while at_s < seconds - 1.0:
        burst = sosfilt(sos, rng.standard_normal(int(rng.uniform(0.1, 0.5) * RATE) + RATE // 10))[RATE // 10 :]
        burst[:ramp] *= rise
        burst[-ramp:] *= rise[::-1]
        samples[int(at_s * RATE) :][: len(burst)] += burst * 10 ** (rng.uniform(-10.0, 0.0) / 20) / np.std(burst)
        at_s += len(burst) / RATE + rng.uniform(0.05, 0.6)
    background = noise(STEADY["pink"], RATE, seconds, seed, gain_db=-30.0)
    found = detect(background + (10 ** (level_db / 20) * samples).astype(np.float32), RATE)
    assert np.sum(found < 5.0) <= 2, "nothing is known yet"
    assert np.sum(found >= 5.0) <= 1


def test_one_pulse_more_is_told_alike_wherever_the_piece_begins() -> None:
    # Pulses whose low notes step up by about as much as one pulse more may: at the threshold every answer counts.
    rate, rng = 16_000, np.random.default_rng(1)
    grid, since = frame_grid(rate), np.arange(400) / rate
    low = np.exp(-since / 0.006) * np.sin(2 * np.pi * 330 * since)
    high = np.exp(-since / 0.003) * np.sin(2 * np.pi * 1900 * since)
    at = np.arange(145, 7600, 145)
    onset, floor = at[len(at) // 2], 1e-4 * rng.standard_normal(8000)
    for gain in np.linspace(2.4, 2.7, 60):
        pulses = np.zeros(8000)
        pulses[at] = np.where(at < onset, 1.0, gain)
        sound = np.convolve(pulses, low)[:8000] + np.convolve(pulses > 0, high)[:8000]
        samples = (floor + 0.05 * sound).astype(np.float32)
        asked = np.ones(1, bool)
        told = {
            bool(trains(samples[s:], decimated(samples[s:], grid.step), grid, np.array([onset - s]), asked)[0][0])
            for s in grid.hop * np.arange(5)
        }
        assert len(told) == 1, gain


def test_the_buzz_of_the_mains_is_no_news_to_the_ring_of_an_impact() -> None:
    """Its crests come 20 ms apart, longer than a young ring can tell; they came before it, too."""
    seconds = 20.0
    rng = np.random.default_rng(31)
    t = np.arange(int(seconds * RATE)) / RATE
    samples = noise({"noise_db": -70.0}, RATE, seconds, 31).astype(np.float64)
    samples += sum(0.05 / k * np.sin(2.0 * np.pi * 50.0 * k * t + k) for k in range(1, 20))
    truth = []
    for at_s in 1.5 + 0.6 * np.arange(29) + rng.uniform(0.0, 0.2, 29):
        tones, gains = rng.uniform(300.0, 7000.0, 9), rng.lognormal(0.0, 0.5, 9) * np.exp(2j * np.pi * rng.random(9))
        wave = modes(tones, rng.uniform(0.005, 0.06, 9), gains, RATE, 0.4)
        wave = 10.0 ** (rng.uniform(-24.0, -3.0) / 20.0) * wave / np.abs(wave).max()
        samples[int(at_s * RATE) :][: len(wave)] += wave
        truth.append(int(at_s * RATE) / RATE + truth_start(wave) / RATE)
    found = match(detect(samples.astype(np.float32), RATE), np.array(truth), tolerance_s=0.01)
    assert found.pairs == len(truth)
    assert len(found.false_index) <= 8
