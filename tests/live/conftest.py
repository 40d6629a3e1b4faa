"""A machine of two stations, a microphone at each; one ball stuck, one stray sound, one ball held up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.simulate import parse_scene, render_run

RATE = 16_000
SECONDS = 100.0
RIG = """
[[microphone]]
channel = 0
station = "landing"
[[microphone]]
channel = 1
station = "tray"
[[station]]
name = "landing"
next = "tray"
transit_s = [0.6, 0.9]
[[station]]
name = "tray"
target = true
[feed]
station = "landing"
period_s = 1.6
"""
SCENE: dict[str, Any] = {
    "scene": {"seed": 5, "rate_hz": RATE, "format": "wav", "subtype": "PCM_24"},
    "microphone": [
        {"channel": 0, "position_mm": [0.0, 150.0, 100.0], "full_scale_pa": 120.0},
        {"channel": 1, "position_mm": [900.0, 150.0, 100.0], "full_scale_pa": 120.0},
    ],
    "station": [
        {"name": "landing", "position_mm": [0.0, 0.0, 0.0], "next": "tray", "transit_s": [0.6, 0.9],
         "surface": "acrylic", "rebounds": 2, "drop_height_mm": 100.0},
        {"name": "tray", "position_mm": [900.0, 0.0, 0.0], "target": True, "surface": "wood", "rebounds": 1,
         "drop_height_mm": 60.0},
    ],
    "feed": {"station": "landing", "period_s": 1.6, "balls": 58, "jitter": 0.03},
    "background": {"noise_db": -75.0, "motor_db": -70.0, "motor_hz": 50.0, "hiss_db": -105.0},
    "run": [{"run": "run", "seconds": SECONDS, "fault": [
        {"kind": "stuck", "ball": 20, "station": "tray"},
        {"kind": "stray", "time_s": 51.3, "level_db": 0.0},
    ]}],
}  # fmt: skip


@pytest.fixture(scope="session")
def sound() -> tuple[NDArray[np.float32], Any]:
    """Samples (frames, 2) and the truth of the run."""
    scene = parse_scene(SCENE)
    samples, truth = render_run(scene, scene.runs()[0])
    return np.asarray(samples, np.float32), truth


@pytest.fixture
def machine(tmp_path: Path, sound: tuple[NDArray[np.float32], Any]) -> Path:
    """A campaign folder with its rig file, and the sound beside it as ``sound.wav``."""
    import soundfile

    folder = tmp_path / "clock"
    folder.mkdir()
    (folder / "rig.toml").write_text(RIG)
    soundfile.write(tmp_path / "sound.wav", sound[0], RATE, subtype="PCM_24")
    return folder
