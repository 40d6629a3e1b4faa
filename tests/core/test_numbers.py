"""Units and bands, against the standards' own figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.bands import (
    NOMINAL_THIRD_HZ,
    band_column,
    octave_midbands,
    third_octave_edges,
    third_octave_midbands,
)
from noisecheck.core.table import band_names
from noisecheck.core.units import (
    P_REF_PA,
    energy_sum_db,
    from_power_db,
    many,
    nth,
    power_db,
    to_frames,
    to_seconds,
)


def test_midbands_round_to_the_nominal_ones() -> None:
    """IEC 61260-1:2014, 5.4 and annex E: nominal midbands are the exact ones rounded, 25 Hz to 20 kHz."""
    exact = third_octave_midbands()
    assert exact.shape == (30,)
    assert exact[16] == pytest.approx(1000.0)
    np.testing.assert_allclose(exact, NOMINAL_THIRD_HZ, rtol=0.01)  # the furthest is 1.6 kHz, exactly 1 584.89 Hz
    assert exact[18] == pytest.approx(1584.893, abs=5e-4)
    assert exact[0] == pytest.approx(25.119, abs=5e-4)


def test_edges_meet_and_are_one_tenth_of_a_decade_apart() -> None:
    """IEC 61260-1:2014, 5.5: band edges are the midband times and over G^(1/6)."""
    edges, middle = third_octave_edges(), third_octave_midbands()
    assert edges.shape == (31,)
    np.testing.assert_allclose(np.diff(np.log10(edges)), 0.1, atol=1e-12)
    np.testing.assert_allclose(np.sqrt(edges[1:] * edges[:-1]), middle)
    assert (edges[16], edges[17]) == (pytest.approx(891.251, abs=1e-3), pytest.approx(1122.018, abs=1e-3))


def test_octaves_are_every_third_band() -> None:
    np.testing.assert_allclose(octave_midbands(), third_octave_midbands()[1::3])


def test_band_columns_are_the_nominal_ones() -> None:
    assert band_column(31.5) == "le_31.5hz"
    assert (band_names()[0], band_names()[-1], len(band_names())) == ("le_25hz", "le_20000hz", 30)


def test_reference_pressure_against_published_levels() -> None:
    """1 Pa is 93.98 dB re 20 uPa (ISO 1683 reference value)."""
    assert P_REF_PA == 20e-6
    assert float(power_db((1.0 / P_REF_PA) ** 2)) == pytest.approx(93.979, abs=1e-3)


def test_power_and_level_are_inverse_and_nothing_is_minus_infinity() -> None:
    levels = np.array([-120.0, -3.01, 0.0, 94.0])
    np.testing.assert_allclose(power_db(from_power_db(levels)), levels)
    assert power_db([0.0, -1.0]).tolist() == [-math.inf, -math.inf]


def test_one_is_no_plural() -> None:
    assert [many(n, "run") for n in (0, 1, 2, 10_000)] == ["0 runs", "1 run", "2 runs", "10,000 runs"]


def test_two_equal_levels_add_three_db() -> None:
    """Handbook rule (ISO 1996-1 energy sum): equal levels 3.01 dB, ten of them 10 dB."""
    assert energy_sum_db([60.0, 60.0]) == pytest.approx(63.0103, abs=1e-4)
    assert energy_sum_db([60.0] * 10) == pytest.approx(70.0)
    assert energy_sum_db([]) == -math.inf


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 48000, 96000, 192000])
def test_frames_and_seconds_go_there_and_back(rate: int) -> None:
    frames = np.array([0, 1, 7, rate - 1, 123_456_789, 35 * 3600 * rate])
    assert [to_frames(float(s), rate) for s in to_seconds(frames, rate)] == frames.tolist()
    assert to_frames(0.5 / rate, rate) == 1  # half a frame is rounded up, wherever it is
    assert to_frames(1000 + 0.5 / rate, rate) - 1000 * rate in (0, 1)


def test_background_correction_of_the_standards(reference) -> None:
    """Energy difference of published examples (tests/references/standards_background_correction.csv)."""
    rows = reference("standards_background_correction")
    margin, correction = (k for k in list(rows[0])[:2])
    checked = 0
    for row in rows:
        try:
            m, k = float(row[margin]), float(row[correction])
        except ValueError:
            continue
        assert float(-power_db(1 - from_power_db(-m))) == pytest.approx(abs(k), abs=0.06)
        checked += 1
    assert checked >= 3


def test_ordinals() -> None:
    said = [nth(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 101, 111, 1003)]
    assert said == ["1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "101st", "111th", "1,003rd"]
