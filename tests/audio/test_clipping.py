"""A broad crest that noise makes flat by chance is no rail; one that is cut is."""

import numpy as np
import pytest

from noisecheck.audio.clipping import ClippingScan

RATE = 96_000


def _rings(rng: np.random.Generator) -> np.ndarray:
    t = np.arange(RATE // 20) / RATE
    f = 300.0 * rng.uniform(0.7, 1.4, 4)
    rings = np.exp(-t / 0.01) * np.sin(2 * np.pi * f[:, None] * t) * 10 ** (rng.normal(0, 0.04, (4, 1)))
    x = np.concatenate([rings.ravel(), np.zeros(len(t))])
    x *= 0.3 / np.abs(x).max()
    return np.asarray(x + rng.normal(0, 0.3 * 10 ** (-72 / 20), len(x)))


def _clipped(x: np.ndarray) -> int:
    scan = ClippingScan("float", 0.0, rate=RATE)
    scan.add(x.astype(np.float32), 0, 0, len(x))
    return len(scan.clipped()[1])


def test_noise_on_the_crest_of_a_low_note_is_no_rail() -> None:
    rng = np.random.default_rng(20)
    assert sum(_clipped(_rings(rng)) > 0 for _ in range(120)) == 0


@pytest.mark.parametrize("over_db", [0.5, 1.0, 3.0])
def test_the_same_notes_cut_by_so_much_are_found(over_db: float) -> None:
    rng = np.random.default_rng(21)
    rail = 0.3 * 10 ** (-over_db / 20)
    assert all(_clipped(np.clip(_rings(rng), -rail, rail)) > 0 for _ in range(20))
