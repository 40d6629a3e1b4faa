"""Check values of the standards (tests/references/standards_*.csv) and signals used by several tests."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

HERE = Path(__file__).parent
RATES = (8000, 22050, 44100, 48000, 96000, 192000)


@pytest.fixture(scope="session")
def reference() -> Callable[[str], list[dict[str, str]]]:
    """Return a function that reads the rows of a reference file; its first lines name the source."""

    def rows(name: str) -> list[dict[str, str]]:
        text = (HERE.parent / "references" / f"standards_{name}.csv").read_text()
        return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))

    return rows


@pytest.fixture(scope="session")
def shared() -> Path:
    """Return the folder of the real scenes, or skip."""
    folder = Path(os.environ.get("NOISECHECK_SHARED", HERE.parents[2] / "shared"))
    if not (folder / "real").is_dir():
        pytest.skip("the real scenes are not here (NOISECHECK_SHARED)")
    return folder / "real"


@pytest.fixture(scope="session")
def pink() -> Callable[[int, int, np.random.Generator], NDArray[np.float64]]:
    """Return a function that makes pink noise of RMS 1: (frames, rate, generator)."""

    def make(frames: int, rate: int, rng: np.random.Generator) -> NDArray[np.float64]:
        spectrum = np.fft.rfft(rng.standard_normal(frames))
        spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(frames, 1 / rate), 20.0))
        noise = np.fft.irfft(spectrum, frames)
        return noise / noise.std()

    return make


@pytest.fixture(params=RATES)
def rate(request: pytest.FixtureRequest) -> int:
    """Each sample rate the tool promises."""
    return int(request.param)
