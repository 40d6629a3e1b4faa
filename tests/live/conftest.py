"""A machine of two stations, a microphone at each; one ball stuck, one stray sound."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.live import command
from noisecheck.simulate import parse_scene, render_run

sys.path.insert(0, str(Path(__file__).parent))
from machine import RIG, machine_scene

RATE = 16_000
SCENE = machine_scene(
    100.0,
    RATE,
    seed=5,
    balls=58,
    faults=[
        {"kind": "stuck", "ball": 20, "station": "tray"},
        {"kind": "stray", "time_s": 51.3, "level_db": 0.0},
    ],
)


@pytest.fixture(scope="session")
def sound() -> tuple[NDArray[np.float32], Any]:
    """Samples (frames, 2) and the truth of the run."""
    scene = parse_scene(SCENE)
    samples, truth = render_run(scene, scene.runs()[0])
    return np.asarray(samples, np.float32), truth


@pytest.fixture(autouse=True, scope="module")
def _whoever_ends_the_tests_ends_no_watch_instead() -> Iterator[None]:
    """A watch takes SIGTERM as its own end: one sent to the tests would only stop the watch that runs just then."""
    kept = {name: getattr(signal, name) for name in ("getsignal", "SIG_IGN", "SIGINT", "SIGTERM")}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(command, "signal", SimpleNamespace(signal=lambda *_: None, **kept))
        yield


def machine_in(folder: Path, samples: NDArray[np.float32]) -> Path:
    """Return a campaign folder with its rig file, and the sound beside it as ``sound.wav``."""
    import soundfile

    (folder / "clock").mkdir()
    (folder / "clock" / "rig.toml").write_text(RIG)
    soundfile.write(folder / "sound.wav", samples, RATE, subtype="PCM_24")
    return folder / "clock"


@pytest.fixture
def machine(tmp_path: Path, sound: tuple[NDArray[np.float32], Any]) -> Path:
    """A machine of its own for each test."""
    return machine_in(tmp_path, sound[0])


@pytest.fixture(scope="session")
def one_machine(tmp_path_factory: pytest.TempPathFactory, sound: tuple[NDArray[np.float32], Any]) -> Path:
    """One machine for all tests that only look at what a watch left."""
    return machine_in(tmp_path_factory.mktemp("watched"), sound[0])
