"""How often gain riding is found and falsely found, over simulated scenes: ``python tests/benchmarks/riding.py 200``.

Each scene (random pace, pads, ringing, noise, motor, chain, speech) is judged as recorded well and as recorded with the
gain riding (random ratio, attack, release 0.3 to 2 s), both in 16 bits, with the impacts that detection finds. How deep
the gain rides is its swing: from where it recovers to (its 95th percentile) to where loud impacts push it (median of
the louder half); a constant reduction is no riding. Cases from 1 to 3 dB are told apart, those below 1 dB left out.

Every other scene rides by another law than the simulator's (a mean-square detector, a hold, and a release in constant
dB a second), so that what is found does not hang on one law.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator

import numpy as np

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import ArrayRecording
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.simulate import parse_scene
from noisecheck.simulate.faults import RecorderFaults
from noisecheck.simulate.parts import Recorder
from noisecheck.simulate.render import render_run

RATE = 48000
HOP = 480


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


def held_and_ramped(clean: np.ndarray, threshold: float, ratio: float, rng: np.random.Generator) -> np.ndarray:
    """Return the recording ridden on its mean square (5 to 30 ms), with a hold and a release of constant slope."""
    step = RATE // 1000
    hops = -(-len(clean) // step)
    power = np.pad(clean[:, 0].astype(np.float64) ** 2, (0, hops * step - len(clean))).reshape(hops, step).mean(axis=1)
    smooth = np.exp(-0.001 / float(rng.uniform(0.005, 0.03)))
    hold = round(1000 * float(rng.uniform(0.0, 0.3)))
    slope = float(rng.uniform(4.0, 30.0)) / 1000.0
    # A mean square lies below the peaks that the threshold was set by: 12 dB is common for such sounds.
    threshold -= 12.0
    gain, mean, now, held = np.empty(hops), 0.0, 0.0, 0
    for k, value in enumerate(power.tolist()):
        mean = value + (mean - value) * smooth
        aim = min(threshold - 10.0 * np.log10(max(mean, 1e-12)), 0.0) * (1.0 - 1.0 / ratio)
        if aim <= now:
            now, held = aim, hold
        elif held:
            held -= 1
        else:
            now = min(now + slope, aim)
        gain[k] = now
    shape = np.interp(np.arange(len(clean)), (np.arange(hops) + 0.5) * step, 10.0 ** (gain / 20.0))
    return np.clip(clean * shape[:, None], -1.0, 1.0)


def ridden(clean: np.ndarray, number: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the recording with its gain ridden, and the gain in dB every 10 ms."""
    rng = np.random.default_rng((number, 1))
    ratio = float(rng.uniform(2, 8))
    frames = len(clean) // 960
    peaks = np.abs(clean[: frames * 960]).reshape(frames, 960).max(axis=1)
    level = 20 * np.log10(np.percentile(peaks, 97))
    threshold = level - float(rng.uniform(4, 16)) / (1 - 1 / ratio)
    if number % 2:
        out = held_and_ramped(clean, threshold, ratio, rng)
    else:
        out = smoothed(clean, threshold, ratio, rng, number)
    return out, gain_of(out, clean)


def smoothed(clean: np.ndarray, threshold: float, ratio: float, rng: np.random.Generator, seed: int) -> np.ndarray:
    """Return the recording through a recorder's gain control that acts on the mean square."""
    settings = Recorder(
        agc_threshold_db=float(threshold), agc_ratio=ratio, agc_attack_s=float(10 ** rng.uniform(-3, -2)),
        agc_release_s=float(rng.uniform(0.3, 2.0)),
    )  # fmt: skip
    return RecorderFaults(settings, rate=RATE, seed=(seed,)).apply(clean.astype(np.float64))


def gain_of(out: np.ndarray, clean: np.ndarray) -> np.ndarray:
    """Return the gain every 10 ms, dB."""
    frames = len(clean) // HOP
    powers = [(x[: frames * HOP].astype(np.float64) ** 2).reshape(frames, HOP).mean(axis=1) for x in (out, clean)]
    return 10 * np.log10(np.maximum(powers[0], 1e-20) / np.maximum(powers[1], 1e-20))


def swing_db(gain_db: np.ndarray, clean: np.ndarray, times_s: list[float]) -> float:
    """Return how far loud impacts push the gain below where it recovers to, dB."""
    at = [round(t * RATE / HOP) for t in times_s]
    at = [f for f in at if f + 12 < len(gain_db)]
    if not at:
        return 0.0
    peaks = np.array([np.abs(clean[f * HOP : (f + 8) * HOP]).max() for f in at])
    dips = np.array([gain_db[f : f + 12].min() for f in at])
    return float(np.percentile(gain_db, 95) - np.median(dips[peaks >= np.median(peaks)]))


def recordings(number: int) -> Iterator[tuple[str, float, np.ndarray, np.ndarray]]:
    """Yield what was done, the swing in dB, samples (frames, 1) and detected onsets, for the two of one scene."""
    scene = parse_scene(random_scene(number))
    clean, truth = render_run(scene, scene.runs()[0])
    clean = clean / max(1.0, 1.02 * np.abs(clean).max())
    riding, gain_db = ridden(clean, number)
    swing = swing_db(gain_db, clean, truth.times_s())
    for kind, depth, x in (("good", 0.0, clean), ("ridden", swing, riding)):
        samples = (np.round(x * 32768) / 32768).astype(np.float32)
        heard = listen(lambda samples=samples: ArrayRecording(samples, RATE), settings=ListenSettings())
        yield kind, depth, samples, heard.impacts.data["frame"]


def main(count: int, first: int = 0) -> None:
    tally: Counter[str] = Counter()
    for number in range(first, first + count):
        for kind, depth, samples, onsets in recordings(number):
            if kind == "ridden" and depth < 1.0:
                continue
            riding = check_health(ArrayRecording(samples, RATE), onsets=onsets).riding
            group = "good" if kind == "good" else "3 dB and more" if depth >= 3.0 else "1 to 3 dB"
            law = "" if kind == "good" else " held" if number % 2 else " exponential"
            tally[f"{group}{law}: {riding.found}"] += 1
            if riding.found is not (kind == "ridden"):
                print(number, group, f"{depth:.1f} dB", len(onsets), riding, flush=True)
    print(dict(sorted(tally.items())))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
