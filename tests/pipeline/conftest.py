from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from noisecheck.simulate import parse_scene, render_run

RATE = 8_000


def scene(seconds: float, *, channels: int = 1, seed: int = 3) -> dict[str, Any]:
    """A ball every 1.4 s, six contacts each, over two stations."""
    return {
        "scene": {"seed": seed, "rate_hz": RATE, "format": "wav", "subtype": "PCM_24"},
        "microphone": [
            {"channel": c, "position_mm": [900.0 * c, 200.0, 100.0], "full_scale_pa": 60.0} for c in range(channels)
        ],
        "station": [
            {"name": "landing", "position_mm": [0.0, 0.0, 0.0], "next": "tray", "transit_s": [0.6, 0.9],
             "surface": "acrylic", "rebounds": 3, "drop_height_mm": 120.0},
            {"name": "tray", "position_mm": [900.0, 0.0, 0.0], "target": True, "surface": "wood", "rebounds": 1},
        ],
        "feed": {"station": "landing", "period_s": 1.4, "balls": int(seconds / 1.4), "jitter": 0.05},
        "background": {"noise_db": -68.0, "motor_db": -66.0, "motor_hz": 50.0, "hiss_db": -102.0},
        "run": [{"run": "run", "seconds": seconds}],
    }  # fmt: skip


def write(path: Path, seconds: float, *, channels: int = 1, seed: int = 3, first_s: float = 0.0) -> Path:
    import soundfile

    made = parse_scene(scene(seconds, channels=channels, seed=seed))
    samples, _ = render_run(made, made.runs()[0])
    soundfile.write(path, samples[int(first_s * RATE) :], RATE, subtype="PCM_24")
    return path


@pytest.fixture(scope="session")
def stereo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six and a half minutes, two channels: seven tiles, the last one short."""
    return write(tmp_path_factory.mktemp("audio") / "stereo.wav", 390.0, channels=2)


@pytest.fixture(scope="session")
def mono(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("audio") / "mono.wav", 200.0)
