"""Simulated pieces for the benchmarks of speed and size: a busy ball clock, about eight impacts a second."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from noisecheck.simulate import RunRenderer, parse_scene

__all__ = ["busy_scene", "campaign_scene", "long_file", "write_piece"]

RATE = 48_000


def _station(name: str, x_mm: float, **more: Any) -> dict[str, Any]:
    return {"name": name, "position_mm": [x_mm, 0.0, 0.0], **more}


def busy_scene(seconds: float, *, channels: int = 1, seed: int = 1) -> dict[str, Any]:
    """Return a scene document: a ball every 1.12 s with nine contacts each, over three stations."""
    microphones = [
        {"channel": c, "position_mm": [400.0 + 150.0 * c, 250.0, 120.0], "full_scale_pa": 60.0} for c in range(channels)
    ]
    stations = [
        _station("landing", 0.0, next="bend", transit_s=[0.85, 1.25], surface="acrylic", rebounds=3,
                 drop_height_mm=120.0, plate={"material": "acrylic", "thickness_mm": 5.0, "loss_factor": 0.03}),
        _station("bend", 560.0, next="tray", transit_s=[0.55, 0.8], surface="wood", rebounds=1,
                 drop_height_mm=18.0, plate={"material": "wood", "thickness_mm": 9.0, "loss_factor": 0.05}),
        _station("tray", 1150.0, target=True, surface="steel", rebounds=2, restitution=0.45,
                 drop_height_mm=30.0, plate={"material": "steel", "thickness_mm": 1.5, "loss_factor": 0.02}),
    ]  # fmt: skip
    return {
        "scene": {"name": "busy clock", "seed": seed, "rate_hz": RATE, "format": "wav", "subtype": "PCM_24"},
        "ball": {"diameter_mm": 12.7, "material": "steel"},
        "microphone": microphones,
        "station": stations,
        "feed": {"station": "landing", "period_s": 1.12, "balls": int(seconds / 1.12), "first_s": 0.8, "jitter": 0.05},
        "room": {"t60_s": 0.4},
        "background": {"noise_db": -68.0, "motor_db": -66.0, "motor_hz": 50.0, "hiss_db": -102.0},
        "run": [{"run": "busy", "seconds": seconds}],
    }


def campaign_scene(
    seed: int,
    treatments: list[dict[str, Any]],
    *,
    seconds: float,
    feed: dict[str, Any],
    station: dict[str, Any],
    background: dict[str, Any],
) -> dict[str, Any]:
    """Return a small campaign: one station, two sessions, two runs of each treatment in each, the microphone moved."""
    runs = [
        {
            "run": f"{t['name']}-{s}-{{n}}", "repeat": 2, "session": s, "treatment": t["name"], "seconds": seconds,
            "replaced_mm": 8.0, "replaced_db": 0.5,
        }
        for t in treatments
        for s in ("day 1", "day 2")
    ]  # fmt: skip
    place = {"name": "landing", "position_mm": [0, 0, 0], "target": True, "drop_height_mm": 80}
    return {
        "scene": {"rate_hz": RATE, "seed": seed},
        "microphone": [{"channel": 0, "position_mm": [0, 250, 150], "station": "landing", "full_scale_pa": 126.0}],
        "station": [{**place, **station}],
        "treatment": [{"station": "landing", **t} for t in treatments],
        "feed": {"station": "landing", "first_s": 0.8, **feed},
        "background": {"noise_slope_db": -6.0, **background},
        "session": [{"name": "day 1"}, {"name": "day 2", "gain_db": -2.0}],
        "run": runs,
    }


def write_piece(path: Path, seconds: float, *, channels: int = 1, seed: int = 1) -> int:
    """Write a piece as 24-bit WAV; return how many impacts it truly holds."""
    scene = parse_scene(busy_scene(seconds, channels=channels, seed=seed))
    renderer = RunRenderer(scene, scene.runs()[0])
    with soundfile.SoundFile(path, "w", RATE, channels, "PCM_24", format="WAV") as file:
        for block in renderer.blocks():
            file.write(block)
    return len(renderer.truth.impacts)


def _turns(piece: NDArray[np.int32], count: int) -> Iterator[NDArray[np.int32]]:
    """Yield the piece again and again, each time at another gain and from another place, so that no two are alike."""
    rng = np.random.default_rng(7)
    for _ in range(count):
        gain = np.float32(10.0 ** (rng.uniform(-6.0, 0.0) / 20.0))
        turned = np.roll(piece, int(rng.integers(len(piece))), axis=0)
        yield (turned * gain).astype(np.int32)


def long_file(piece: Path, path: Path, turns: int) -> int:
    """Write ``turns`` repetitions of a piece into one RF64 file of 24 bits; return its size in bytes."""
    samples, rate = soundfile.read(piece, dtype="int32", always_2d=True)
    with soundfile.SoundFile(path, "w", rate, samples.shape[1], "PCM_24", format="RF64") as file:
        for turn in _turns(samples, turns):
            file.write(turn)
    return path.stat().st_size
