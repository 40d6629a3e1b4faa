"""How often gain riding is found and falsely found, over simulated scenes: ``python tests/benchmarks/riding.py 200``.

Each scene (random pace, pads, ringing, noise, motor, chain, speech) is judged as recorded well and as recorded with the
gain riding 3 to 15 dB (random ratio, attack, release 0.3 to 2 s), both in 16 bits.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import ArrayRecording
from noisecheck.simulate import parse_scene
from noisecheck.simulate.faults import RecorderFaults
from noisecheck.simulate.render import render_run
from noisecheck.simulate.scene import Recorder


def random_scene(number: int) -> dict:
    rng = np.random.default_rng(number)

    def maybe(share: float, low: float, high: float) -> float | None:
        return float(rng.uniform(low, high)) if rng.random() < share else None

    surface = str(rng.choice(["steel", "felt", "rubber", "cork", "wood"]))
    noise = float(rng.uniform(-70, -42))
    background = {
        "noise_db": noise, "noise_slope_db": float(rng.uniform(-6, 0)), "hiss_db": maybe(0.7, -85, -65),
        "motor_db": maybe(0.5, noise - 6, noise + 9), "gear_db": maybe(0.4, noise - 10, noise + 6),
        "chain_db": maybe(0.4, noise - 6, noise + 8), "speech_db": maybe(0.15, noise, noise + 15),
    }  # fmt: skip
    plate = {"loss_factor": float(10 ** rng.uniform(-2.0, -0.8))}
    period = float(rng.uniform(0.8, 4.0))
    return {
        "scene": {"rate_hz": 48000, "seed": number},
        "microphone": [{"channel": 0, "position_mm": [0, 250, 150], "gain_db": float(rng.uniform(0, 20))}],
        "station": [
            {"name": "landing", "position_mm": [0, 0, 0], "next": "bend", "transit_s": [0.8, 1.2],
             "drop_height_mm": float(rng.uniform(20, 200)), "surface": surface, "plate": plate},
            {"name": "bend", "position_mm": [450, 0, -60], "target": True, "surface": "wood",
             "drop_height_mm": float(rng.uniform(5, 40)), "plate": plate},
        ],
        "feed": {"period_s": period, "balls": int(min(60 / period, 40))},
        "background": {k: v for k, v in background.items() if v is not None},
        "run": [{"run": "a"}],
    }  # fmt: skip


def ridden(clean: np.ndarray, number: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng((number, 1))
    ratio = float(rng.uniform(2, 8))
    frames = len(clean) // 960
    peaks = np.abs(clean[: frames * 960]).reshape(frames, 960).max(axis=1)
    level = 20 * np.log10(np.percentile(peaks, 97))
    threshold = level - float(rng.uniform(4, 16)) / (1 - 1 / ratio)
    settings = Recorder(
        agc_threshold_db=float(threshold), agc_ratio=ratio, agc_attack_s=float(10 ** rng.uniform(-3, -2)),
        agc_release_s=float(rng.uniform(0.3, 2.0)),
    )  # fmt: skip
    out = RecorderFaults(settings, rate=48000, seed=(number,)).apply(clean.astype(np.float64))
    gain = np.sqrt(
        (out[: frames * 960] ** 2).reshape(frames, 960).mean(axis=1)
        / np.maximum((clean[: frames * 960].astype(np.float64) ** 2).reshape(frames, 960).mean(axis=1), 1e-20)
    )
    return out, 20 * np.log10(np.maximum(gain, 1e-6))


def main(count: int, first: int = 0) -> None:
    tally: Counter[str] = Counter()
    for number in range(first, first + count):
        scene = parse_scene(random_scene(number))
        clean, truth = render_run(scene, scene.runs()[0])
        clean = clean / max(1.0, 1.02 * np.abs(clean).max())
        riding, gain_db = ridden(clean, number)
        frames = [round(t * 50) for t in truth.times_s()]
        dips = [float(gain_db[f : f + 8].min()) for f in frames if f + 8 < len(gain_db)]
        depth = -float(np.median(dips))
        for kind, x in (("good", clean), ("ridden", riding)):
            health = check_health(ArrayRecording((np.round(x * 32768) / 32768).astype(np.float32), 48000))
            if kind == "ridden" and depth < 3.0:
                continue
            tally[f"{kind} {health.riding.found}"] += 1
            if health.riding.found is not (kind == "ridden"):
                print(number, kind, f"{depth:.1f} dB", health.riding, flush=True)
    print(dict(tally))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
