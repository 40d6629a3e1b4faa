"""Background correction and exposure against ISO 3744 and ISO 1996-1."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from noisecheck.measure.levels import (
    background_correction_db,
    block_frames,
    block_sums,
    exposure_level_db,
    net_exposure,
)

Reference = Callable[[str], list[dict[str, str]]]


def test_background_correction(reference: Reference) -> None:
    rows = reference("background_correction")
    ours = background_correction_db([float(r["delta_L_dB"]) for r in rows])
    assert ours == pytest.approx([float(r["K1_dB"]) for r in rows], abs=6e-5)


def test_background_correction_worked_examples(reference: Reference) -> None:
    for row in reference("background_examples"):
        total, background = float(row["total_dB"]), float(row["background_dB"])
        ours = float(background_correction_db(total - background))
        assert ours == pytest.approx(float(row["exact_K1_dB"]), abs=6e-5)
        net = 10 * np.log10(net_exposure(10 ** (total / 10), 10 ** (background / 10)))
        assert net == pytest.approx(float(row["exact_source_level_dB"]), abs=6e-5)


def test_background_correction_is_held_below_3_db() -> None:
    """ISO 3746:2010 clause 8.3.3: 3.0 dB, and the result is an upper bound."""
    assert background_correction_db([-20.0, 0.0, 2.9]) == pytest.approx([3.0206] * 3, abs=1e-4)
    assert net_exposure(1.0, 2.0) == pytest.approx(10 ** (-0.30206), rel=1e-4)


def test_exposure_level_of_a_second_is_its_level() -> None:
    """ISO 1996-1: L_E = L_eq + 10 lg(T / 1 s); a full-scale sine has -3.01 dB."""
    t = np.arange(48000) / 48000
    sine = np.sin(2 * np.pi * 1000 * t)
    assert float(exposure_level_db(sine, 48000)) == pytest.approx(-3.0103, abs=1e-3)
    assert float(exposure_level_db(np.tile(sine, 2), 48000)) == pytest.approx(0.0, abs=1e-3)


def test_blocks(rate: int) -> None:
    noise = np.random.default_rng(0).standard_normal(1003).astype(np.float32)
    block = block_frames(rate)
    assert block / rate == pytest.approx(0.0005, rel=0.05)
    assert block_sums(noise, block).sum() == pytest.approx(float(np.sum(noise.astype(float) ** 2)), rel=1e-5)
