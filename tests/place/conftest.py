"""Impacts made of known sounds, without audio: for the ways of placing that look at the table only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.core.table import Impacts

Make = Callable[..., Impacts]
NOISE_DB = -75.0
"""Background of the made tables: as loud in every band, re full scale squared times 1 s for one impact's window."""
BANDS_HZ = 1000.0 * (10**0.3) ** ((np.arange(30) - 16) / 3.0)
DEGREES = np.maximum(2.0 * 0.1 * 0.2316 * BANDS_HZ, 1.0)
"""Degrees of freedom of noise in a third octave over 0.1 s: twice bandwidth times time."""


def band_shapes(count: int, seed: int, rough_db: float = 6.0) -> NDArray[np.float64]:
    """Return band shapes (count, 30) with humps in different places."""
    rng = np.random.default_rng(seed)
    band = np.arange(30)
    top = np.linspace(11, 25, count)[:, None] + rng.uniform(-0.8, 0.8, (count, 1))
    return -0.25 * (band - top) ** 2 * 0.6 + rng.normal(0.0, rough_db / 2, (count, 30))


@pytest.fixture(scope="session")
def shapes() -> Callable[..., NDArray[np.float64]]:
    """Return the function that makes band shapes."""
    return band_shapes


@pytest.fixture(scope="session")
def made() -> Make:
    """Return a function that makes a measured table of impacts with given shapes and levels."""

    def make(
        shape: NDArray[np.float64],
        *,
        level_db: NDArray[np.float64] | float = -35.0,
        scatter_db: float = 1.5,
        decay_ms: float = 80.0,
        seed: int = 0,
    ) -> Impacts:
        rng = np.random.default_rng(seed)
        n = len(shape)
        relative = shape - 10 * np.log10(np.sum(10 ** (shape / 10), axis=1, keepdims=True))
        signal = relative + np.broadcast_to(np.asarray(level_db, float), n)[:, None]
        signal = signal + rng.normal(0.0, scatter_db, (n, 30))
        # What is left of the background after subtraction, never less than half of what was measured.
        noise = 10 ** (NOISE_DB / 10) * rng.gamma(DEGREES / 2, 2 / DEGREES, (n, 30))
        gross = 10 ** (signal / 10) + noise
        bands = 10 * np.log10(np.maximum(gross - 10 ** (NOISE_DB / 10), 0.5 * gross))
        from noisecheck.simulate.truth import a_weighting_power

        weight = a_weighting_power(BANDS_HZ)
        total, below = (gross * weight).sum(axis=1), 10 ** (NOISE_DB / 10) * weight.sum()
        return Impacts.of(
            n,
            frame=np.arange(n) * 4800,
            time_s=np.arange(n) * 0.1,
            bands=bands.astype(np.float32),
            lae_db=10 * np.log10(np.maximum(total - below, 0.5 * total)),
            margin_db=10 * np.log10(total / below),
            decay_ms=decay_ms * np.exp(rng.normal(0, 0.1, n)),
            centroid_hz=1000.0,
        )

    return make
