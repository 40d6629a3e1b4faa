"""Background correction, exposure and peaks against ISO 3744, ISO 1996-1 and IEC 61672-1 Table 5."""

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
    peak_candidates,
    true_peaks,
)
from noisecheck.measure.weighting import running

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


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
def test_c_peak_table(rate: int, reference: Reference) -> None:
    """IEC 61672-1:2013 Table 5, with at most a tenth of the class 1 limit used at 500 Hz and above."""
    for row in reference("cpeak"):
        f = float(row["exact_Hz"])
        t = np.arange(round(3.5 * rate)) / rate
        (steady,) = running(np.sin(2 * np.pi * f * t).astype(np.float32), rate, ("C",))
        steady_db = 10 * np.log10(np.mean(steady[rate : 3 * rate].astype(float) ** 2))
        length = 1.0 if row["signal"] == "one cycle" else 0.5
        sign = -1.0 if row["signal"].startswith("negative") else 1.0
        worst = 0.0
        for shift in (0.0, 0.25, 0.5, 0.75):  # the cycle may begin anywhere between two samples
            # the cycle is made at 16 times the rate and brought down, as a converter's filter would
            fine = (np.arange(16 * rate // 4) - 16 * 1000 - 16 * shift) / (16 * rate)
            cycle = np.where((fine >= 0) & (fine < length / f), sign * np.sin(2 * np.pi * f * fine), 0.0)
            spectrum = np.fft.rfft(cycle)[: len(cycle) // 32 + 1]
            signal = np.fft.irfft(spectrum, len(cycle) // 16).astype(np.float32) / 16
            (c,) = running(signal, rate, ("C",))
            peak = 20 * np.log10(true_peaks(c, peak_candidates(c)[None, :])[0])
            worst = max(worst, abs(peak - steady_db - float(row["reference_difference_dB"])))
        assert worst <= (0.2 if f < 8000 else 0.5) * float(row["class1_limit_pm_dB"]), (row, worst)


def test_peaks_lie_between_samples() -> None:
    """Bursts of tones up to 0.9 of Nyquist: within 0.03 dB, where samples alone read low."""
    t = np.arange(-600, 600)
    low = []
    for part in np.linspace(0.02, 0.9, 23):
        for phase in np.linspace(0, np.pi, 7):
            burst = (np.cos(np.pi * part * (t - 0.37) + phase) * np.exp(-(((t - 0.37) / 60) ** 2))).astype(np.float32)
            peak = true_peaks(burst, peak_candidates(burst)[None, :])[0]
            fine = np.arange(-120, 120, 1 / 64)
            truth = np.abs(np.cos(np.pi * part * (fine - 0.37) + phase) * np.exp(-(((fine - 0.37) / 60) ** 2))).max()
            assert abs(20 * np.log10(peak / truth)) < 0.03, (part, phase)
            low.append(20 * np.log10(np.abs(burst).max() / truth))
    assert min(low) < -0.3


def test_peaks_do_not_depend_on_their_neighbours() -> None:
    rng = np.random.default_rng(0)
    noise = rng.standard_normal(100_000).astype(np.float32)
    at = np.stack([1000 * i + peak_candidates(noise[1000 * i : 1000 * i + 1000]) for i in range(100)])
    together = true_peaks(noise, at)
    assert np.array_equal(together, [true_peaks(noise, row[None, :])[0] for row in at])


def test_blocks(rate: int) -> None:
    noise = np.random.default_rng(0).standard_normal(1003).astype(np.float32)
    block = block_frames(rate)
    assert block / rate == pytest.approx(0.0005, rel=0.05)
    assert block_sums(noise, block).sum() == pytest.approx(float(np.sum(noise.astype(float) ** 2)), rel=1e-5)
