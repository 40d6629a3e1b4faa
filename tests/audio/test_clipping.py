"""A broad crest that noise makes flat by chance is no rail; one that is cut is."""

import numpy as np
import pytest

from noisecheck.audio.clipping import ClippingScan
from noisecheck.audio.recording import Coding

RATE = 96_000


def _rings(rng: np.random.Generator) -> np.ndarray:
    t = np.arange(RATE // 20) / RATE
    f = 300.0 * rng.uniform(0.7, 1.4, 4)
    rings = np.exp(-t / 0.01) * np.sin(2 * np.pi * f[:, None] * t) * 10 ** (rng.normal(0, 0.04, (4, 1)))
    x = np.concatenate([rings.ravel(), np.zeros(len(t))])
    x *= 0.3 / np.abs(x).max()
    return np.asarray(x + rng.normal(0, 0.3 * 10 ** (-72 / 20), len(x)))


def _clipped(x: np.ndarray, *, coding: Coding = "float", step: float = 0.0, tile: int = 0) -> int:
    scan = ClippingScan(coding, step, rate=RATE)
    tile = tile or len(x)
    for start in range(0, len(x), tile):
        low, stop = max(start - 256, 0), min(start + tile, len(x))
        scan.add(x[low : stop + 256].astype(np.float32), low, start, stop)
    return len(scan.clipped()[1])


def test_noise_on_the_crest_of_a_low_note_is_no_rail() -> None:
    rng = np.random.default_rng(20)
    assert sum(_clipped(_rings(rng)) > 0 for _ in range(120)) == 0


@pytest.mark.parametrize("over_db", [0.5, 1.0, 3.0])
def test_the_same_notes_cut_by_so_much_are_found(over_db: float) -> None:
    rng = np.random.default_rng(21)
    rail = 0.3 * 10 ** (-over_db / 20)
    assert all(_clipped(np.clip(_rings(rng), -rail, rail)) > 0 for _ in range(20))


def _clicks(rng: np.random.Generator, number: int = 12, *, same: bool = False) -> np.ndarray:
    """Sharp clicks of notes near the highest that the rate carries: no crest is wider than two samples."""
    t = np.arange(RATE // 100) / RATE
    f = rng.uniform(25_000, 40_000, (1 if same else number, 6))
    phase = rng.uniform(0, 2 * np.pi, f.shape)
    click = (np.sin(2 * np.pi * f[:, :, None] * t + phase[:, :, None]) * np.exp(-t / 5e-4)).sum(axis=1)
    click /= np.abs(click).max(axis=1, keepdims=True)
    level = np.ones((number, 1)) if same else 10 ** (rng.normal(0, 0.05, (number, 1)))
    return np.asarray((click * level).ravel())


@pytest.mark.parametrize("bits", [16, 24, 0])
def test_sharp_clicks_cut_at_a_rail_are_found_though_none_has_a_flat_top(bits: int) -> None:
    """Clicks of steel cut by 5 dB were told as fit, with peaks that all ended at the same value."""
    step = 2.0 ** (1 - bits) if bits else 0.0
    rng = np.random.default_rng(22)
    for over_db in (3.0, 6.0):
        rail = 0.9 * 10 ** (-over_db / 20)
        x = 0.9 * _clicks(rng)
        x += rng.normal(0, 1e-3, len(x))
        for whole, expected in ((x, 0), (np.clip(x, -rail, rail), 12)):
            cut = np.round(whole / step) * step if bits else whole
            found = {
                tile: _clipped(cut, coding="integer" if bits else "float", step=step, tile=tile) for tile in (0, 4000)
            }
            assert found[0] == found[4000]
            assert (found[0] == 0) == (expected == 0)
            assert found[0] >= expected // 2


def test_equal_clicks_tones_and_noise_end_at_no_rail() -> None:
    rng = np.random.default_rng(23)
    step = 2.0**-15
    t = np.arange(RATE) / RATE
    for x in (
        0.9 * _clicks(rng, same=True),
        0.9 * np.sin(2 * np.pi * 31_234.5 * t),
        0.9 * np.sin(2 * np.pi * 1000.0 * t),
        0.2 * rng.normal(0, 1, RATE) * 0.99,
    ):
        assert _clipped(np.round(x / step) * step, coding="integer", step=step) == 0


@pytest.mark.parametrize("coding", ["float", "integer"])
def test_crests_that_coarser_steps_made_equal_end_at_no_rail(coding: Coding) -> None:
    """The logarithmic scale of telephones has 16 steps between half and full scale, and no step of its own."""
    rng = np.random.default_rng(24)
    for _ in range(5):
        x = _clicks(rng, 100)
        assert _clipped(np.round(30 * x / np.abs(x).max()) / 32, coding=coding) == 0
