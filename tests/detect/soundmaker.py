"""Sounds with known truth for the tests and the table of detection: impacts, rings, and noise that is no impact."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from noisecheck.detect.alike import Alike
from noisecheck.detect.candidates import Candidates, cell_frames, find_candidates, lead_frames, tail_frames
from noisecheck.detect.channels import Onsets, merge_channels
from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.simulate.backdrop import Backdrop
from noisecheck.simulate.parts import Background

Samples = NDArray[np.float32]

SCENES = ("scene1", "scene2", "scene3")
STEADY = {
    "pink": {"noise_db": -45.0},
    "white": {"noise_db": None, "hiss_db": -50.0},
    "motor": {"noise_db": -65.0, "motor_db": -35.0, "gear_db": -45.0},
    "chain": {"noise_db": -65.0, "motor_db": -50.0, "chain_db": -40.0},
}
SPEECH = {"speech": {"noise_db": -60.0, "speech_db": -30.0, "speech_every_s": 6.0}}


def real_folder() -> Path | None:
    """Return the folder of real scenes with truth, if it is there."""
    beside = Path(__file__).resolve().parents[2].parent / "shared"
    folder = Path(os.environ.get("NOISECHECK_SHARED", beside)) / "real"
    return folder if (folder / "scene1.flac").exists() else None


def real_scene(folder: Path, name: str) -> tuple[Samples, int, NDArray[np.float64]]:
    """Return samples, rate and true times (s) of a real scene."""
    samples, rate = soundfile.read(folder / f"{name}.flac", dtype="float32")
    with (folder / f"{name}.truth.csv").open() as file:
        truth = np.array([float(row["time_s"]) for row in csv.DictReader(file)])
    return samples, rate, truth


def noise(kind: dict[str, float | None], rate: int, seconds: float, seed: int, *, gain_db: float = 0.0) -> Samples:
    """Return background of one channel, (n,)."""
    made = Backdrop(Background.model_validate(kind), rate=rate, channels=1, seed=(seed, 77))
    tiles = [made.tile(rate)[:, 0] for _ in range(int(np.ceil(seconds)))]
    return (10 ** (gain_db / 20) * np.concatenate(tiles)[: int(seconds * rate)]).astype(np.float32)


def click(rate: int, rng: np.random.Generator, *, decay_s: float = 0.006) -> NDArray[np.float64]:
    """Return a contact of 0.2 ms (half a sine) followed by the ring it starts, peak 1; it begins at sample 0."""
    t = np.arange(int(0.08 * rate)) / rate
    contact = np.where(t < 0.0002, np.sin(np.pi * (t + 0.5 / rate) / 0.0002), 0.0)
    wave = contact.copy()
    for hz in rng.uniform(0.06, 0.42, 5) * min(rate, 48_000):
        wave += 0.25 * np.sin(2 * np.pi * hz * t) * np.exp(-t / decay_s)
    return np.asarray(wave / np.abs(wave).max())


def thud(rate: int, rng: np.random.Generator, *, rise_s: float = 0.010) -> NDArray[np.float64]:
    """Return a soft thud, peak 1: low notes that grow for ``rise_s`` and die away over 40 ms; begins at sample 0."""
    t = np.arange(int(0.25 * rate)) / rate
    grow = np.where(t < rise_s, np.sin(0.5 * np.pi * t / rise_s), 1.0) * np.exp(-np.maximum(t - rise_s, 0) / 0.020)
    wave = sum(
        a * np.sin(2 * np.pi * hz * t + p)
        for hz, p, a in zip(
            rng.uniform(120, 900, 6), rng.uniform(0, 2 * np.pi, 6), np.linspace(1.0, 0.4, 6), strict=True
        )
    )
    wave = grow * np.asarray(wave)
    return np.asarray(wave / np.abs(wave).max())


def ring(rate: int, seconds: float, rng: np.random.Generator, *, t60_s: float = 2.0) -> NDArray[np.float64]:
    """Return a metallic ring, peak 1: nine pairs of beating modes from 600 Hz to 5 kHz."""
    t = np.arange(int(seconds * rate)) / rate
    wave = np.zeros(len(t))
    for hz in rng.uniform(600, min(5000.0, 0.35 * rate), 9):
        for f in (hz, hz + rng.uniform(2, 25)):
            wave += rng.uniform(0.3, 1.0) * np.sin(2 * np.pi * f * t + rng.uniform(0, 6.28)) * 10 ** (-3 * t / t60_s)
    return np.asarray(wave / np.abs(wave).max())


def modes(
    hz: NDArray[np.float64], decay_s: NDArray[np.float64], amplitude: NDArray[np.float64], rate: int, seconds: float
) -> NDArray[np.float64]:
    """Return the sum of sine modes (k,) that start together and die away, (n,).

    As powers of their poles, in steps of the square root of the length: a hundredth of the time of so many sines.
    """
    count = int(seconds * rate)
    step = int(np.ceil(np.sqrt(count)))
    log_pole = (2j * np.pi * hz - 1.0 / decay_s) / rate
    coarse, fine = (np.exp(np.arange(step)[:, None] * by * log_pole) for by in (step, 1))
    return np.asarray(((coarse * amplitude) @ fine.T).imag.ravel()[:count])


def truth_start(wave: NDArray[np.float64]) -> int:
    """Return the first sample within 30 dB of the peak: the first arrival as the real scenes define it."""
    return int(np.flatnonzero(np.abs(wave) > 10 ** (-30 / 20) * np.abs(wave).max())[0])


def snr_gain(wave: NDArray[np.float64], background: Samples, rate: int, snr_db: float) -> float:
    """Return the gain that puts the RMS of the wave's loudest 10 ms ``snr_db`` above the background's."""
    span = int(0.010 * rate)
    power = np.convolve(wave**2, np.ones(span) / span)[: len(wave)].max()
    return float(10 ** (snr_db / 20) * np.sqrt(np.mean(background.astype(np.float64) ** 2) / power))


def candidates(samples: Samples, rate: int, *, tile_s: float = 60.0) -> Candidates:
    """Return the candidates of one channel, tile by tile as a long file is worked through."""
    cell = cell_frames(rate)
    tile = max(1, round(tile_s * rate / cell)) * cell
    parts = []
    for start in range(0, len(samples), tile):
        stop = min(start + tile, len(samples))
        origin = max(0, start - lead_frames(rate))
        piece = samples[origin : stop + tail_frames(rate)]
        parts.append(find_candidates(piece, rate, origin=origin, start=start, stop=stop))
    return Candidates.concat(parts)


def detect(samples: Samples, rate: int, *, false_per_hour: float = 0.1, tile_s: float = 60.0) -> NDArray[np.float64]:
    """Return the times (s) of the impacts found in one channel, (n,)."""
    return detect_channels(samples[:, None], rate, false_per_hour=false_per_hour, tile_s=tile_s).frame / rate


def detect_channels(
    samples: Samples, rate: int, *, false_per_hour: float = 0.1, tile_s: float = 60.0, spread_s: float = 0.010
) -> Onsets:
    """Return the impacts found in samples (n, channels)."""
    found = [candidates(np.ascontiguousarray(c), rate, tile_s=tile_s) for c in samples.T]
    of_each = DetectSettings(false_per_hour=false_per_hour).shared_by(len(found))
    odds = [decide(c, rate, of_each) for c in found]
    return Alike(rate, len(found)).retimed(merge_channels(found, odds, rate, spread_s=spread_s), found)


def impacts_in_noise(
    rate: int, snr_db: float, kind: str, seed: int, *, count: int = 24, apart_s: float = 0.4, background: str = "pink"
) -> tuple[Samples, NDArray[np.float64]]:
    """Return samples and true times of clicks or thuds at one level in noise."""
    rng = np.random.default_rng((seed, 5))
    seconds = 3.0 + apart_s * (count + 1)
    out = noise(STEADY[background], rate, seconds, seed)
    clean = out.copy()
    truth = []
    for n in range(count):
        wave = click(rate, rng) if kind == "click" else thud(rate, rng)
        at = int((3.0 + apart_s * (n + rng.uniform(-0.2, 0.2))) * rate)
        wave = wave * snr_gain(wave, clean, rate, snr_db)
        out[at : at + len(wave)] += wave.astype(np.float32)
        truth.append((at + truth_start(wave)) / rate)
    return out, np.array(truth)


def pairs_15_ms_apart(seed: int, second_db: float) -> tuple[Samples, NDArray[np.float64]]:
    """Return pairs of clicks 15 ms apart at 30 dB, and all true times."""
    rate, rng = 48_000, np.random.default_rng(seed)
    samples = noise(STEADY["pink"], rate, 10.0, seed)
    clean, truth = samples.copy(), []
    for at_s in np.arange(2.0, 9.0, 0.4):
        for late, gain_db in ((0.0, 0.0), (0.015, second_db)):
            wave = click(rate, rng)
            wave *= snr_gain(wave, clean, rate, 30) * 10 ** (gain_db / 20)
            at = int((at_s + late) * rate)
            samples[at : at + len(wave)] += wave.astype(np.float32)
            truth.append((at + truth_start(wave)) / rate)
    return samples, np.array(truth)


def with_echoes(seed: int) -> tuple[Samples, NDArray[np.float64]]:
    """Return clicks with reflections 14 and 20 dB down, 18 and 31 ms later; the clicks alone are true."""
    rate, rng = 48_000, np.random.default_rng(seed)
    samples = noise(STEADY["pink"], rate, 12.0, seed)
    clean, truth = samples.copy(), []
    for at_s in np.arange(2.0, 11.0, 0.6):
        wave = click(rate, rng)
        wave *= snr_gain(wave, clean, rate, 35)
        for late_s, gain_db in ((0.0, 0.0), (0.018, -14.0), (0.031, -20.0)):
            at = int((at_s + late_s) * rate)
            samples[at : at + len(wave)] += (wave * 10 ** (gain_db / 20)).astype(np.float32)
        truth.append(at_s)
    return samples, np.array(truth)
