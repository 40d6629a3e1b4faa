"""Background correction and exposure against ISO 3744 and ISO 1996-1."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from noisecheck.measure.levels import (
    block_frames,
    block_sums,
    net_exposure,
)

Reference = Callable[[str], list[dict[str, str]]]


def correction_db(difference_db: list[float]) -> np.ndarray:
    """Return K1 as applied: by how much a level that stands so far above its background is lowered."""
    gross = 10.0 ** (np.asarray(difference_db) / 10.0)
    return np.asarray(10.0 * np.log10(gross / net_exposure(gross, np.ones(len(gross)))))


def test_background_correction(reference: Reference) -> None:
    rows = reference("standards_background_correction")
    ours = correction_db([float(r["delta_L_dB"]) for r in rows])
    assert ours == pytest.approx([float(r["K1_dB"]) for r in rows], abs=6e-5)


def test_background_correction_worked_examples(reference: Reference) -> None:
    for row in reference("standards_background_examples"):
        total, background = float(row["total_dB"]), float(row["background_dB"])
        assert correction_db([total - background]) == pytest.approx(float(row["exact_K1_dB"]), abs=6e-5)
        net = 10 * np.log10(net_exposure(10 ** (total / 10), 10 ** (background / 10)))
        assert net == pytest.approx(float(row["exact_source_level_dB"]), abs=6e-5)


def test_background_correction_is_held_below_3_db() -> None:
    """ISO 3746:2010 clause 8.3.3: 3.0 dB, and the result is an upper bound."""
    assert correction_db([-20.0, 0.0, 2.9]) == pytest.approx([3.0206] * 3, abs=1e-4)
    assert net_exposure(1.0, 2.0) == pytest.approx(10 ** (-0.30206), rel=1e-4)


def test_blocks(rate: int) -> None:
    noise = np.random.default_rng(0).standard_normal(1003).astype(np.float32)
    block = block_frames(rate)
    assert block / rate == pytest.approx(0.0005, rel=0.05)
    assert block_sums(noise, block).sum() == pytest.approx(float(np.sum(noise.astype(float) ** 2)), rel=1e-5)
