"""Signals used by several tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

RATES = (8000, 22050, 44100, 48000, 96000, 192000)


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
