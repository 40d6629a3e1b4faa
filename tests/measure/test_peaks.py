"""Peaks between samples against IEC 61672-1 Table 5 and against bursts whose true peak is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.measure.peaks import CANDIDATES, peak_candidates, true_peaks
from noisecheck.measure.weighting import running
from noisecheck.measure.windows import around, block_maxima, first_at_or_below, gathered, in_groups, maxima

Reference = Callable[[str], list[dict[str, str]]]


def whole(signal: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return the candidates of a signal that is one event."""
    return peak_candidates(signal, len(signal), np.array([0]), np.array([1]))


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
def test_c_peak_table(rate: int, reference: Reference) -> None:
    """IEC 61672-1:2013 Table 5, with at most a tenth of the class 1 limit used at 500 Hz and above."""
    for row in reference("standards_cpeak"):
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
            peak = 20 * np.log10(true_peaks(c, whole(c))[0])
            worst = max(worst, abs(peak - steady_db - float(row["reference_difference_dB"])))
        assert worst <= (0.2 if f < 8000 else 0.5) * float(row["class1_limit_pm_dB"]), (row, worst)


def test_peaks_lie_between_samples() -> None:
    """Bursts of tones up to 0.9 of Nyquist: within 0.03 dB, where samples alone read low."""
    t = np.arange(-600, 600)
    low = []
    for part in np.linspace(0.02, 0.9, 23):
        for phase in np.linspace(0, np.pi, 7):
            burst = (np.cos(np.pi * part * (t - 0.37) + phase) * np.exp(-(((t - 0.37) / 60) ** 2))).astype(np.float32)
            peak = true_peaks(burst, whole(burst))[0]
            fine = np.arange(-120, 120, 1 / 64)
            truth = np.abs(np.cos(np.pi * part * (fine - 0.37) + phase) * np.exp(-(((fine - 0.37) / 60) ** 2))).max()
            assert abs(20 * np.log10(peak / truth)) < 0.03, (part, phase)
            low.append(20 * np.log10(np.abs(burst).max() / truth))
    assert min(low) < -0.3


def test_peaks_do_not_depend_on_their_neighbours() -> None:
    rng = np.random.default_rng(0)
    noise = rng.standard_normal(100_000).astype(np.float32)
    at = peak_candidates(noise, 10, 100 * np.arange(100), 100 * np.arange(1, 101))
    together = true_peaks(noise, at)
    assert np.array_equal(together, [true_peaks(noise, row[None, :])[0] for row in at])


def test_candidates_are_the_highest_crests_of_each_stretch() -> None:
    """Sample by sample: crests above 0.7 of the highest, highest first, the first of equal ones before the others."""
    rng = np.random.default_rng(3)
    signal = np.round(rng.standard_normal(1003), 1).astype(np.float32)
    signal[300:400] = 0.0
    block, edges = 10, np.sort(rng.choice(101, 24, replace=False))
    first, stop = edges[:-1], edges[1:]
    for a, b, found in zip(first * block, stop * block, peak_candidates(signal, block, first, stop), strict=True):
        size = np.abs(signal[a:b])
        end = len(size) - 1
        crests = [
            k
            for k in range(len(size))
            if size[k] >= max(size[max(k - 1, 0)], size[min(k + 1, end)])
            and (size[k] > np.float32(0.7) * size.max() or not size.any())
        ]
        expected = sorted(crests, key=lambda k: -size[k])[:CANDIDATES]
        assert found.tolist() == [int(a) + k for k in expected + [expected[0]] * (CANDIDATES - len(expected))]


@pytest.mark.parametrize("block", [1, 2, 3, 7, 8, 11, 22, 24, 48])
@pytest.mark.parametrize("frames", [1, 23, 4800, 70_001])
def test_block_maxima_are_the_highest_magnitudes(block: int, frames: int) -> None:
    signal = np.random.default_rng(block).standard_normal(frames).astype(np.float32)
    expected = np.maximum.reduceat(np.abs(signal), np.arange(0, frames, block))
    assert block_maxima(signal, block).tolist() == expected.tolist()


def test_samples_around_positions_are_zero_outside() -> None:
    signal = np.arange(1, 101, dtype=np.float32)
    for at in ([0, 50, 99], [10, 89]):
        padded = np.concatenate([np.zeros(7, np.float32), signal, np.zeros(7, np.float32)])
        assert around(signal, np.array(at), 7).tolist() == [padded[k : k + 15].tolist() for k in at]


def test_stretches_of_unequal_length() -> None:
    rng = np.random.default_rng(4)
    values = rng.standard_normal(5000)
    start = rng.integers(0, 4900, 50)
    length = np.minimum(rng.integers(1, 900, 50), 5000 - start)
    length[0], start[0] = 100, 4900
    seen = []
    for rows, width in in_groups(length):
        seen += rows.tolist()
        for row, held in zip(rows, gathered(values, start[rows], length[rows], width, blank=7.0), strict=True):
            assert held.tolist() == values[start[row] : start[row] + length[row]].tolist() + [7.0] * (
                width - length[row]
            )
    assert sorted(seen) == list(range(50))
    pieces = [values[a : a + n] for a, n in zip(start, length, strict=True)]
    assert maxima(values, start, start + length).tolist() == [p.max() for p in pieces]
    limits, least = np.full(5000, -2.5), np.where(np.arange(50) % 2, -1.0, -9.0)
    found = first_at_or_below(values, limits, least, start, start + length)
    for a, piece, low, k in zip(start, pieces, least, found, strict=True):
        below = np.flatnonzero(piece <= max(-2.5, low))
        assert k == (a + below[0] if len(below) else -1)
