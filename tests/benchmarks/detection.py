"""Ways to find impacts, side by side: python tests/benchmarks/detection.py

Each way has one threshold. It is set on simulated takes (seed 1) for the best F, and then judged on other simulated
takes (seed 2) and, where they are at hand, on the real scenes. Matching is one to one within 10 ms.
"""

from __future__ import annotations

import csv
import itertools
import os
import time
from collections.abc import Callable
from pathlib import Path

import librosa
import numpy as np
import soundfile
from numpy.typing import NDArray
from pieces import busy_scene
from scipy.linalg import solve_toeplitz
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, lfilter, sosfilt

from noisecheck.audio.recording import ArrayRecording
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.score import match
from noisecheck.simulate import parse_scene, render_run

Floats = NDArray[np.float64]
Score = Callable[[Floats, int], tuple[Floats, int]]
"""A curve that peaks where impacts begin, and its hop in frames."""
HOP_S = 0.0005
BANDS_HZ = (100, 300, 800, 2000, 5000, 12000)


def _peaks(curve: Floats, hop: int, threshold: float, rate: int) -> NDArray[np.int64]:
    apart = int(0.012 * rate / hop)
    top = (curve == maximum_filter1d(curve, 2 * apart + 1)) & (curve > threshold)
    return np.flatnonzero(top).astype(np.int64) * hop


def _bands(x: Floats, rate: int) -> list[Floats]:
    edges = [f for f in BANDS_HZ if f < 0.45 * rate]
    found = []
    for low, high in itertools.pairwise(edges):
        found.append(sosfilt(butter(2, (low, high), "bandpass", fs=rate, output="sos"), x))
    return found


def _before_after(power: Floats, before: int, after: int) -> tuple[Floats, Floats]:
    """Mean power of the frames before and from each frame on."""
    total = np.concatenate(([0.0], np.cumsum(power)))
    at = np.arange(len(power))
    low, high = np.maximum(at - before, 0), np.minimum(at + after, len(power))
    return (total[at] - total[low]) / before + 1e-14, (total[high] - total[at]) / after + 1e-14


def band_rise(x: Floats, rate: int) -> tuple[Floats, int]:
    """Greatest rise in dB of the energy of any band over 5 ms."""
    hop, span = int(HOP_S * rate), int(0.005 * rate)
    rises = []
    for band in _bands(x, rate):
        a, b = _before_after(band**2, span, span)
        rises.append(10 * np.log10(b[::hop] / a[::hop]))
    return np.max(rises, axis=0), hop


def sta_lta(x: Floats, rate: int) -> tuple[Floats, int]:
    """Short over long average, 2 and 60 ms."""
    hop = int(HOP_S * rate)
    a, b = _before_after(x**2, int(0.06 * rate), int(0.002 * rate))
    return 10 * np.log10(b[::hop] / a[::hop]), hop


def residual(x: Floats, rate: int) -> tuple[Floats, int]:
    """Short over long average of the error of a linear predictor of order 24, fitted to each 40 ms."""
    block, out = int(0.04 * rate), np.zeros_like(x)
    for start in range(block, len(x), block):
        past = x[start - block : start]
        auto = np.correlate(past, past, "full")[block - 1 : block + 24]
        auto[0] = auto[0] * 1.0001 + 1e-12
        taps = solve_toeplitz(auto[:-1], auto[1:])
        piece = x[start - 24 : start + block]
        out[start : start + block] = lfilter(np.concatenate(([1.0], -taps)), 1.0, piece)[24:]
    return sta_lta(out, rate)


def damped(x: Floats, rate: int) -> tuple[Floats, int]:
    """Log likelihood ratio, over bands, of a decay that begins here against one that goes on."""
    hop, span = int(HOP_S * rate), int(0.01 * rate)
    ratio: Floats = np.zeros(len(x[::hop]))
    for band in _bands(x, rate):
        a, b = _before_after(band**2, span, span)
        r = np.maximum(b[::hop] / a[::hop], 1.0)
        ratio += 0.5 * 12 * (r - 1.0 - np.log(r)) / r
    return ratio, hop


def aic(x: Floats, at: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Refine: the split of 12 ms into two stretches of noise that fits best (Akaike's criterion)."""
    out = []
    for frame in at.tolist():
        low = max(frame - int(0.006 * rate), 0)
        piece = x[low : frame + int(0.006 * rate)]
        n = len(piece)
        k = np.arange(8, n - 8)
        first, every = np.cumsum(piece**2), float(np.sum(piece**2))
        cost = k * np.log(first[k - 1] / k + 1e-16) + (n - k) * np.log((every - first[k - 1]) / (n - k) + 1e-16)
        out.append(low + int(k[np.argmin(cost)]))
    return np.array(out, np.int64)


def cumulative(x: Floats, at: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Refine: where cumulative energy leaves its straight line furthest below."""
    out = []
    for frame in at.tolist():
        low = max(frame - int(0.006 * rate), 0)
        energy = np.cumsum(x[low : frame + int(0.006 * rate)] ** 2)
        out.append(low + int(np.argmin(energy - energy[-1] * np.arange(1, len(energy) + 1) / len(energy))))
    return np.array(out, np.int64)


def from_score(score: Score, refine: Callable[[Floats, NDArray[np.int64], int], NDArray[np.int64]] | None) -> object:
    def found(x: Floats, rate: int, thresholds: Floats) -> list[Floats]:
        curve, hop = score(x, rate)
        curve = uniform_filter1d(curve, 3)
        at = [_peaks(curve, hop, t, rate) for t in thresholds]
        return [np.unique(refine(x, a, rate) if refine and len(a) else a) / rate for a in at]

    return found


def from_librosa(backtrack: bool) -> object:
    def found(x: Floats, rate: int, thresholds: Floats) -> list[Floats]:
        hop = int(0.002 * rate)
        curve = librosa.onset.onset_strength(y=x.astype(np.float32), sr=rate, hop_length=hop, n_fft=1024)
        found = []
        for threshold in thresholds:
            at = librosa.onset.onset_detect(onset_envelope=curve, sr=rate, hop_length=hop, delta=float(threshold))
            if backtrack and len(at):
                at = np.unique(librosa.onset.onset_backtrack(at, curve))
            found.append(at * hop / rate)
        return found

    return found


def ours(x: Floats, rate: int, thresholds: Floats) -> list[Floats]:
    recording = ArrayRecording(x.astype(np.float32)[:, None], rate)
    heard = listen(lambda: recording, settings=ListenSettings())
    return [heard.onsets.frame / rate for _ in thresholds]


METHODS = {
    "noisecheck": (ours, np.zeros(1)),
    "band energy rise": (from_score(band_rise, None), np.arange(3.0, 24.0)),
    "STA/LTA, AIC": (from_score(sta_lta, aic), np.arange(3.0, 24.0)),
    "STA/LTA, cumulative energy": (from_score(sta_lta, cumulative), np.arange(3.0, 24.0)),
    "prediction error, AIC": (from_score(residual, aic), np.arange(3.0, 24.0)),
    "damped-oscillation likelihood ratio, AIC": (from_score(damped, aic), np.arange(2.0, 40.0, 2.0)),
    "librosa onset_detect, 2 ms hop": (from_librosa(False), np.geomspace(0.01, 2.0, 20)),
    "the same, backtracked": (from_librosa(True), np.geomspace(0.01, 2.0, 20)),
}


def simulated(seed: int) -> tuple[Floats, int, Floats]:
    """Return 60 s of a busy ball clock: samples, rate, onsets at the microphone."""
    scene = parse_scene(busy_scene(60.0, seed=seed))
    samples, truth = render_run(scene, scene.runs()[0])
    return np.asarray(samples[:, 0], np.float64), 48_000, np.sort([i.arrival_s[0] for i in truth.impacts])


def real() -> list[tuple[Floats, int, Floats]]:
    """Return the real scenes where they are at hand."""
    folder = Path(os.environ.get("NOISECHECK_SHARED", Path(__file__).parents[3] / "shared")) / "real"
    scenes = []
    for path in sorted(folder.glob("*.flac")):
        samples, rate = soundfile.read(path, always_2d=True)
        rows = csv.DictReader(path.with_suffix(".truth.csv").open())
        scenes.append((samples[:, 0], rate, np.array([float(r["time_s"]) for r in rows])))
    return scenes


def main() -> None:
    """Print the table."""
    tune, others = simulated(1), [("simulated", [simulated(2)]), ("real", real())]
    print("| method | F simulated | F real | false real | error real, median ms | within 1 ms | CPU s a minute |")
    print("|---|---|---|---|---|---|---|")
    for name, (method, thresholds) in METHODS.items():
        begun = time.process_time()
        tried = method(tune[0], tune[1], thresholds)  # type: ignore[operator]
        spent = time.process_time() - begun
        best = int(np.argmax([match(t, tune[2], tolerance_s=0.01).f_measure for t in tried]))
        cells = []
        for _, takes in others:
            found = [match(method(x, r, thresholds[[best]])[0], t, tolerance_s=0.01) for x, r, t in takes]  # type: ignore[operator]
            hits, lost = sum(m.pairs for m in found), sum(len(m.missed_index) for m in found)
            false = sum(len(m.false_index) for m in found)
            error = np.abs(np.concatenate([m.error_s for m in found])) if found else np.empty(0)
            cells.append((2 * hits / max(2 * hits + lost + false, 1), false, error))
        (f_made, _, _), (f_real, false, error) = cells
        rest = f"{1000 * np.median(error):.2f} | {100 * np.mean(error < 1e-3):.0f} %" if len(error) else "- | -"
        print(f"| {name} | {f_made:.3f} | {f_real:.3f} | {false} | {rest} | {spent:.1f} |", flush=True)


if __name__ == "__main__":
    main()
