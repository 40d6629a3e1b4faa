"""How long measuring takes (not detecting), and how right it is on larger samples. Run: python measure_speed.py"""

from __future__ import annotations

import time

import numpy as np
from numpy.typing import NDArray

from noisecheck.measure.events import measure_impacts
from noisecheck.measure.weighting import weighting_response

Floats = NDArray[np.float64]


def pink(frames: int, rate: int, rng: np.random.Generator) -> Floats:
    spectrum = np.fft.rfft(rng.standard_normal(frames)) / np.sqrt(np.maximum(np.fft.rfftfreq(frames, 1 / rate), 20.0))
    noise = np.fft.irfft(spectrum, frames)
    return noise / noise.std()


def lae_db(x: Floats, rate: int) -> float:
    nfft = 1 << (2 * len(x)).bit_length()
    weight = np.abs(weighting_response(np.fft.rfftfreq(nfft, 1 / rate), "A")) ** 2
    return float(10 * np.log10(2 * np.sum(weight * np.abs(np.fft.rfft(x, nfft)) ** 2) / nfft / rate))


def ring(rate: int, rng: np.random.Generator, t60: float) -> Floats:
    t = np.arange(round(1.3 * t60 * rate)) / rate
    top = min(6000.0, 0.35 * rate)
    modes = [rng.uniform(0.3, 1) * np.sin(2 * np.pi * rng.uniform(600, top) * t + rng.uniform(0, 6)) for _ in range(5)]
    return np.asarray(sum(modes) * np.exp(-6.9078 * t / t60), np.float64)


def speed(rate: int, per_second: float, seconds: int = 60) -> None:
    rng = np.random.default_rng(0)
    x = 1e-4 * pink(seconds * rate, rate, rng)
    onsets = np.sort((np.arange(1, seconds - 1, 1 / per_second) + rng.uniform(0, 0.03)) * rate).astype(np.int64)
    for onset in onsets:
        sound = ring(rate, rng, rng.uniform(0.02, 0.15))[: len(x) - onset]
        x[onset : onset + len(sound)] += 10 ** rng.uniform(-2, -0.7) * sound
    limits = np.append(onsets[1:], len(x))
    quiet = np.stack([onsets[:-1] + round(0.08 * rate), onsets[1:] - round(0.01 * rate)], 1)
    quiet = quiet[quiet[:, 1] > quiet[:, 0]]
    samples, channels = x.astype(np.float32)[:, None], np.zeros(len(onsets), int)
    best = np.inf
    for _ in range(6):
        start = time.process_time()
        measure_impacts(samples, rate, origin=0, onsets=onsets, channels=channels, limits=limits, quiet=quiet)
        best = min(best, time.process_time() - start)
    each = 1e6 * best / len(onsets)
    print(f"{rate:6d} Hz, {per_second:4.1f} impacts a second: {each:5.0f} us each, {seconds / best:5.0f} x real time")


def accuracy(rate: int, margin_db: float, t60: float, count: int = 300) -> None:
    rng = np.random.default_rng(1)
    gap = max(0.6, 2.5 * t60)
    frames = round((count * gap + 2) * rate)
    noise = 1e-3 * pink(frames, rate, rng)
    background = lae_db(noise, rate) - 10 * np.log10(frames / rate)
    onsets = rate + np.round(np.arange(count) * gap * rate).astype(np.int64) + rng.integers(0, 200, count)
    truth, peak, x = np.empty(count), np.empty(count), noise.copy()
    for i, onset in enumerate(onsets):
        sound = ring(rate, rng, t60)[: frames - onset]
        sound *= 10 ** ((background + 10 * np.log10(0.5 * t60) + margin_db - lae_db(sound, rate)) / 20)
        x[onset : onset + len(sound)] += sound
        truth[i] = lae_db(sound, rate)
        part = np.pad(sound[: rate // 5], 64)
        peak[i] = 20 * np.log10(np.abs(np.fft.irfft(np.fft.rfft(part), 8 * len(part))).max() * 8)
    quiet = np.stack([onsets[:-1] + round(min(2 * t60 + 0.1, gap - 0.05) * rate), onsets[1:] - round(0.01 * rate)], 1)
    found = measure_impacts(
        x.astype(np.float32)[:, None],
        rate,
        origin=0,
        onsets=onsets,
        channels=np.zeros(count, int),
        limits=np.append(onsets[1:], frames),
        quiet=quiet,
    )
    error, off = found["lae_db"] - truth, found["lzpeak_db"] - peak
    decay = found["decay_ms"] / (1e3 * t60) - 1
    print(
        f"{rate:6d} Hz, T60 {t60:4.2f} s, margin {margin_db:2.0f} dB "
        f"(peak {np.median(peak) - 20 * np.log10(noise.std()):2.0f} dB "
        f"above the noise's RMS): L_AE bias {error.mean():+.3f}, 95 % within "
        f"{np.percentile(np.abs(error), 95):.3f} dB; "
        f"L_Zpeak bias {off.mean():+.3f}, 95 % within {np.percentile(np.abs(off), 95):.3f} dB; decay "
        + (
            f"bias {100 * np.nanmean(decay):+.1f} %, sd {100 * np.nanstd(decay):.1f} %"
            if np.isfinite(decay).any()
            else "-"
        )
        + f", refused {100 * np.isnan(decay).mean():.0f} %"
    )


if __name__ == "__main__":
    for frames_a_second in (8000, 22050, 44100, 48000, 96000, 192000):
        speed(frames_a_second, 8.0)
    for rate_of_impacts in (1.0, 4.0, 16.0):
        speed(48000, rate_of_impacts)
    for decay_s in (0.03, 0.1, 0.5):
        for margin in (10.0, 20.0, 30.0, 40.0):
            accuracy(48000, margin, decay_s)
