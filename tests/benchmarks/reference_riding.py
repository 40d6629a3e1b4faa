"""How often reference drops show that loud sound was turned down: ``python tests/benchmarks/reference_riding.py 200``.

Each take has two ends of 3 to 6 drops of one ball on one plate (random height, material, rebounds, scatter of levels
and places), recorded well and through one of three gains: the simulator's (peaks, release 0.3 to 2 s), one on the mean
square with a hold, and a peak limiter that looks 0.5 ms ahead and is back in 20 to 200 ms. Printed for each: found by
rebounds, by the noise floor (``audio.riding``, of either end), and by whether the first of several drops reads louder
than the later ones (a t test, one-sided, 0.5 %), where the gain rides by 3 dB and more. Arguments: takes, first seed.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent))
from riding import RATE, gain_of, held_and_ramped, smoothed, swing_db

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import ArrayRecording
from noisecheck.compare.compression import compression_of, shortfalls
from noisecheck.core.table import Impacts
from noisecheck.flow.trains import find_drops
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.simulate import parse_scene
from noisecheck.simulate.render import render_run

LAWS = ("slow, on peaks", "slow, on the mean square", "peak limiter")


def scene(seed: int) -> dict:
    """Return two ends of a take of reference drops."""
    rng = np.random.default_rng((seed, 77))
    surface = str(rng.choice(["steel", "glass", "acrylic", "wood", "brass", "aluminium", "rubber"]))
    station = {
        "name": "reference", "position_mm": [0, 0, 0], "target": True, "surface": surface,
        "drop_height_mm": float(rng.uniform(30, 200)), "rebounds": int(rng.integers(1, 7)),
        "level_scatter_db": float(rng.uniform(0.2, 1.2)), "speed_scatter": float(rng.uniform(0.005, 0.03)),
        "spot_mm": float(rng.uniform(2, 15)), "restitution_scatter": float(rng.uniform(0.01, 0.05)),
        "plate": {"loss_factor": float(10 ** rng.uniform(-2, -0.8)), "thickness_mm": float(rng.uniform(2, 10))},
    }  # fmt: skip
    gain = float(rng.uniform(-25, 5))
    return {
        "scene": {"rate_hz": RATE, "seed": seed},
        "microphone": [{"channel": 0, "position_mm": [0, float(rng.uniform(100, 400)), 150], "gain_db": gain}],
        "station": [station],
        "feed": {"period_s": float(rng.uniform(1.2, 3)), "balls": int(rng.integers(3, 7)), "jitter": 0.08,
                 "first_s": 3.0},
        "background": {"noise_db": float(rng.uniform(-75, -50)), "noise_slope_db": -3.0, "hiss_db": -80.0},
        "run": [{"run": "start"}, {"run": "end"}],
    }  # fmt: skip


def limited(clean: np.ndarray, threshold_db: float, release_s: float) -> np.ndarray:
    """Return the recording (frames, channels) through a peak limiter that looks 0.5 ms ahead."""
    step = RATE // 2000
    hops = -(-len(clean) // step)
    peak = np.abs(np.pad(clean[:, 0], (0, hops * step - len(clean)))).reshape(hops, step).max(axis=1)
    aim = np.minimum(threshold_db - 20.0 * np.log10(np.maximum(peak, 1e-9)), 0.0)
    keep, now, gain = np.exp(-0.0005 / release_s), 0.0, np.empty(hops)
    for k, value in enumerate(np.minimum(aim, np.append(aim[1:], 0.0)).tolist()):
        now = gain[k] = min(value, now * keep)
    return clean * np.interp(np.arange(len(clean)), (np.arange(hops) + 0.5) * step, 10.0 ** (gain / 20.0))[:, None]


def ridden(clean: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the recording with its gain ridden, and the gain in dB every 10 ms."""
    rng = np.random.default_rng((seed, 1))
    peak, ratio = 20 * np.log10(np.abs(clean).max()), float(rng.uniform(2, 8))
    threshold = peak - float(rng.uniform(4, 16)) / (1 - 1 / ratio)
    if seed % 3 == 2:
        out = limited(clean, peak - float(rng.uniform(3, 14)), float(10 ** rng.uniform(-1.7, -0.7)))
    elif seed % 3:
        out = held_and_ramped(clean, threshold, ratio, rng)
    else:
        out = smoothed(clean, threshold, ratio, rng, seed)
    return out, gain_of(out, clean)


def first_is_louder(ends: list[Impacts]) -> bool:
    """Whether the first drop of each end reads louder than the later ones."""
    apart, rest = [], []
    for table in ends:
        level = table["lae_db"]
        _, rebound = find_drops(table["time_s"], level, np.zeros(len(level), np.int64), longest_first_s=0.7)
        drops = level[(rebound == 0) & (level > level.max(initial=-np.inf) - 6.0)]
        if len(drops) >= 3:
            apart.append(drops[0] - drops[1:].mean())
            rest.append(drops[1:])
    if not apart:
        return False
    free = sum(len(r) - 1 for r in rest)
    variance = sum(float(np.sum((r - r.mean()) ** 2)) for r in rest) / free
    error = np.sqrt(variance * sum(1 + 1 / len(r) for r in rest)) / len(rest)
    return bool(np.mean(apart) > max(0.5, error * stats.t.ppf(0.995, free)))


def main(count: int, first: int) -> None:
    tally: Counter[str] = Counter()
    for seed in range(first, first + count):
        made = parse_scene(scene(seed))
        kinds: dict[str, list[tuple[Impacts, bool]]] = {"good": [], "ridden": []}
        depth = []
        for run in made.runs():
            clean, truth = render_run(made, run)
            if np.abs(clean).max() >= 0.999:
                break  # clipped: not what is asked
            riding, gain_db = ridden(clean, seed)
            depth.append(swing_db(gain_db, clean, truth.times_s()))
            for kind, x in (("good", clean), ("ridden", riding)):
                recording = ArrayRecording((np.round(x * 32768) / 32768).astype(np.float32), RATE)
                heard = listen(lambda recording=recording: recording, settings=ListenSettings()).impacts
                floor = check_health(recording, onsets=heard.data["frame"]).riding.found
                kinds[kind].append((heard, bool(floor)))
        if len(depth) < 2:
            continue
        for kind, ends in kinds.items():
            if kind == "ridden" and np.mean(depth) < 3.0:
                continue
            tables = [table for table, _ in ends]
            group = kind if kind == "good" else f"{LAWS[seed % 3]}"
            rebounds = compression_of(tables)
            tally[f"{group}, takes"] += 1
            tally[f"{group}, by rebounds"] += rebounds is not None
            tally[f"{group}, by the floor"] += any(f for _, f in ends)
            tally[f"{group}, by either"] += rebounds is not None or any(f for _, f in ends)
            tally[f"{group}, by the first of several drops"] += first_is_louder(tables)
            testable = max(map(len, shortfalls(tables))) >= 4
            tally[f"{group}, with four drops of two rebounds"] += testable
            tally[f"{group}, with four drops of two rebounds, by rebounds"] += testable and rebounds is not None
    for name, number in sorted(tally.items()):
        print(f"{name}: {number}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30, int(sys.argv[2]) if len(sys.argv) > 2 else 10000)
