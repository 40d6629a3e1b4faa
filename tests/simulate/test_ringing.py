"""Ball-stop noise and plates against handbook tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lti

from noisecheck.core.units import sound_speed_mps
from noisecheck.place.array import BENDING_MPS
from noisecheck.simulate.contact import (
    MATERIALS,
    Ball,
    contact_time_s,
    drop_speed_mps,
    effective_modulus_pa,
    impulse_ns,
    pulse_spectrum,
)
from noisecheck.simulate.ringing import (
    Plate,
    coincidence_hz,
    modal_transfer,
    plate_modes,
    ring_time_s,
    sphere_transfer,
)

STEEL = MATERIALS["steel"]
BANDS = {"SEL_0.5-2k": (500, 2000), "SEL_2-8k": (2000, 8000), "SEL_8-20k": (8000, 20000), "SEL_0.1-20k": (100, 20000)}


def _stop_noise(row: dict[str, str]) -> dict[str, float]:
    size, rate = 1 << 16, 2e6
    freq = np.fft.rfftfreq(size, 1 / rate)
    ball = Ball.solid(float(row["D_mm"]) / 1e3, STEEL)
    speed = drop_speed_mps(float(row["drop_m"]))
    tc = contact_time_s(ball, effective_modulus_pa(STEEL, MATERIALS[row["surface"]]), speed)
    spectrum = impulse_ns(ball, speed, 0.8) * pulse_spectrum(freq, tc) * np.exp(-1j * np.pi * freq * tc)
    spectrum = spectrum * sphere_transfer(freq, ball, distance_m=0.3, cos_angle=1.0, sound_mps=343.2)
    out = {"peak_dB_unlimited": 20 * math.log10(np.abs(np.fft.irfft(spectrum, size) * rate).max() / 20e-6)}
    for name, (low, high) in BANDS.items():
        inside = (freq >= low) & (freq < high)
        out[name] = 10 * math.log10(2 * np.sum(np.abs(spectrum[inside]) ** 2) * freq[1] / 4e-10)
    return out


def test_ball_stop_table_and_its_rise_per_doubling(reference) -> None:
    rows = reference("acceleration_noise_sphere")
    found = [_stop_noise(row) for row in rows]
    for row, level in zip(rows, found, strict=True):
        for name, value in level.items():
            # The table's own contact times are rounded to 0.1 us and its bands end on bins.
            assert value == pytest.approx(float(row[name]), abs=0.25), (row, name)
    for i in range(1, len(rows)):
        if rows[i]["surface"] == rows[i - 1]["surface"] and rows[i]["D_mm"] == rows[i - 1]["D_mm"]:
            for name in ("peak_dB_unlimited", *BANDS):
                rise = found[i][name] - found[i - 1][name]
                assert rise == pytest.approx(float(rows[i][name]) - float(rows[i - 1][name]), abs=0.15)


def test_small_far_ball_is_the_compact_dipole() -> None:
    # p = rho0 a^3 / (2 r c) dA/dt (Koss & Alfredson 1973) for k a << 1 << k r.
    ball, freq = Ball.solid(0.002, STEEL), np.array([2000.0])
    exact = abs(sphere_transfer(freq, ball, distance_m=5.0, cos_angle=1.0, sound_mps=343.2)[0])
    compact = 1.204 * ball.radius_m**3 / (2 * 5.0 * 343.2) * 2 * math.pi * 2000.0 / ball.mass_kg
    assert exact == pytest.approx(compact, rel=0.01)


def test_plate_modes_and_coincidence(reference) -> None:
    # Only steel and aluminium have published constants; the table's other materials are from memory.
    rows = [r for r in reference("plate_modes") if r["material"] in ("steel", "aluminium")]
    assert len(rows) == 2
    for row in rows:
        plate = Plate(MATERIALS[row["material"]], 0.3, 0.2, float(row["h_mm"]) / 1e3, 0.01)
        freq, numbers = plate_modes(plate, 2000.0)
        by_number = {tuple(n): f for n, f in zip(numbers.tolist(), freq.tolist(), strict=True)}
        for name, mode in (("f11", (1, 1)), ("f21", (2, 1)), ("f12", (1, 2)), ("f22", (2, 2)), ("f31", (3, 1))):
            assert by_number[mode] == pytest.approx(float(row[name]), rel=3e-3)
        assert coincidence_hz(plate, 343.2) == pytest.approx(float(row["f_coincidence_Hz"]), rel=3e-3)
        assert np.all(np.diff(freq) >= 0)
        # Simply supported: f11 tells sqrt(D / (rho h)), and with it group speeds and the spacing of modes.
        stiffness = by_number[1, 1] / (math.pi / 2 * (1 / 0.3**2 + 1 / 0.2**2))
        for name, hz in (("cg_1k_mps", 1e3), ("cg_2k", 2e3), ("cg_5k", 5e3), ("cg_10k", 1e4)):
            assert 2 * math.sqrt(stiffness * 2 * math.pi * hz) == pytest.approx(float(row[name]), rel=3e-3)
        many, _ = plate_modes(plate, 60_000.0)
        assert (60_000 - 20_000) / np.sum(many > 20_000) == pytest.approx(float(row["mode_spacing_Hz"]), rel=0.05)


def test_speed_taken_for_bending_waves_is_the_middle_of_thin_acrylic(reference) -> None:
    row = next(r for r in reference("plate_modes") if (r["material"], r["h_mm"]) == ("acrylic", "3.0"))
    assert pytest.approx((float(row["cg_1k_mps"]) + float(row["cg_10k"])) / 2, rel=0.03) == BENDING_MPS


def test_loss_factors_are_within_a_factor_two_of_print(reference) -> None:
    for row in reference("loss_factors"):
        ours = MATERIALS[row["material"]].loss_factor
        assert 0.5 * float(row["lowest"]) <= ours <= 2.0 * float(row["highest"]), row


def test_square_plate_factors(reference) -> None:
    plate = Plate(STEEL, 0.25, 0.25, 0.002, 0.01)
    scale = math.sqrt(STEEL.young_pa * 0.002**2 / (STEEL.density_kgm3 * 0.25**4 * (1 - 0.3**2)))
    freq, _ = plate_modes(plate, 4000.0)
    distinct = np.unique(np.round(2 * np.pi * freq / scale, 4))
    # Harris lists by node lines (1,1), (2,1), (2,2), (3,1), (3,2), (4,1).
    expected = [float(r["factor"]) for r in reference("plate_square_factors")]
    np.testing.assert_allclose(distinct[: len(expected)], expected, rtol=1.5e-3)


def test_modes_are_damped_sines_as_scipy_has_them() -> None:
    size, rate, freq_hz, loss = 1 << 15, 48000.0, 700.0, 0.05
    freq = np.fft.rfftfreq(size, 1 / rate)
    ours = np.fft.irfft(modal_transfer(freq, np.array([freq_hz]), np.ones((1, 1)), loss_factor=loss)[0], size) * rate
    w, a = 2 * np.pi * freq_hz, loss * np.pi * freq_hz
    system = lti([w], [1.0, 2 * a, a * a + w * w])
    time = np.arange(4800) / rate
    _, expected = system.impulse(T=time)
    # A jump in slope at the start is cut off at half the rate: compare after it.
    np.testing.assert_allclose(ours[20:4800], expected[20:], atol=0.01 * np.abs(expected).max())


@pytest.mark.parametrize(("loss", "t60_ms"), [(0.001, 2200.0), (0.02, 110.0), (0.1, 22.0)])
def test_ring_time(loss: float, t60_ms: float) -> None:
    # T60 = 2.2 / (eta f): Cremer & Heckl, Structure-Borne Sound (decay of a lossy resonator), at 1 kHz.
    assert 1e3 * ring_time_s(1000.0, loss) == pytest.approx(t60_ms, rel=1e-6)
    size, rate = 1 << 18, 48000.0
    freq = np.fft.rfftfreq(size, 1 / rate)
    ring = np.fft.irfft(modal_transfer(freq, np.array([1000.0]), np.ones((1, 1)), loss_factor=loss)[0], size)
    span = round(rate / 1000.0)
    level = 10 * np.log10(np.mean(ring[: (size // span) * span].reshape(-1, span) ** 2, axis=1))
    use = slice(2, max(int(0.6 * t60_ms), 4))
    fall = np.polyfit(np.arange(len(level))[use], level[use], 1)[0]
    assert -60.0 / fall == pytest.approx(t60_ms, rel=0.02)


def test_speed_of_sound_at_20_degrees() -> None:
    assert sound_speed_mps(20.0) == pytest.approx(343.2, abs=0.05)
