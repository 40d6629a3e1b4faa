"""Impacts that a codec made, told by the grid on which they begin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import rayleigh

from noisecheck.audio.grid import codec_made


def test_onsets_anywhere_are_nobodys_grid() -> None:
    """One in 10,000 by the Rayleigh test: none to four in 10,000 trials (binomial, 99.6 %)."""
    rng = np.random.default_rng(3)
    found = sum(
        codec_made(np.sort(rng.integers(0, 3_000_000, 40)), "MPEG_LAYER_III") is not None for _ in range(10_000)
    )
    assert found <= 4


def test_the_limit_is_that_of_the_rayleigh_distribution() -> None:
    """For many onsets the resultant of n unit vectors is Rayleigh with scale sqrt(n / 2): p = 1e-4 at n R^2 = 9.21."""
    n = 400
    length = rayleigh.isf(1e-4, scale=np.sqrt(n / 2))
    assert length**2 / n == pytest.approx(9.21, abs=0.01)


@pytest.mark.parametrize("real", [0, 30, 60])
def test_what_begins_on_the_grid_is_counted(real: int) -> None:
    rng = np.random.default_rng(real)
    made = 576 * rng.choice(5000, 50, replace=False) + 200 + rng.integers(-40, 40, 50)
    told = codec_made(np.concatenate([made, rng.integers(0, 2_880_000, real)]), "MPEG_LAYER_III")
    assert told is not None
    assert told.count == pytest.approx(50, abs=8)
    assert codec_made(made, "PCM_16") is None
    assert told.holds(made).mean() > 0.95  # within 40 frames of the place, the quarter reaches 72
    elsewhere = rng.integers(0, 2_880_000, 4000)
    assert told.holds(elsewhere).mean() == pytest.approx(0.25, abs=0.03)
    assert told.share == pytest.approx(50 / (50 + 0.25 * real), abs=0.1)


def test_an_even_feed_whose_period_is_a_number_of_blocks_is_none() -> None:
    """1.2 s are 100 blocks of 576 frames at 48 kHz."""
    rng = np.random.default_rng(4)
    assert codec_made(57_600 * np.arange(60) + rng.integers(-60, 60, 60), "MPEG_LAYER_III") is None
