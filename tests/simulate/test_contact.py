"""Contact and free fall against published tables and numerical integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from noisecheck.simulate.contact import (
    GRAVITY_MPS2,
    MATERIALS,
    Ball,
    contact_time_s,
    drop_speed_mps,
    effective_modulus_pa,
    fall_height_m,
    impulse_ns,
    pulse_spectrum,
)

STEEL = MATERIALS["steel"]


def test_hertz_table(reference) -> None:
    rows = reference("contact_hertz")
    assert len(rows) > 100
    for row in rows:
        ball = Ball(float(row["D_mm"]) / 1e3, float(row["m_g"]) / 1e3, STEEL)
        modulus, speed = float(row["Estar_Pa"]), float(row["v_mps"])
        assert drop_speed_mps(float(row["drop_m"])) == pytest.approx(speed, rel=1e-4)
        # Four printed figures of E* and mass bound the agreement.
        assert contact_time_s(ball, modulus, speed) * 1e6 == pytest.approx(float(row["tc_us"]), rel=5e-4)


@pytest.mark.parametrize("surface", ["steel", "glass", "aluminium", "acrylic"])
def test_our_materials_are_those_of_the_table(reference, surface: str) -> None:
    for row in reference("contact_hertz"):
        if row["surface"] == surface and row["ball"] == "steel":
            ball = Ball.solid(float(row["D_mm"]) / 1e3, STEEL)
            modulus = effective_modulus_pa(STEEL, MATERIALS[surface])
            assert contact_time_s(ball, modulus, float(row["v_mps"])) * 1e6 == pytest.approx(
                float(row["tc_us"]), rel=3e-3
            )


def test_measured_small_ball(reference) -> None:
    row = reference("contact_measured")[0]
    ball = Ball.solid(float(row["diameter_mm"]) / 1e3, STEEL)
    modulus = effective_modulus_pa(STEEL, STEEL)
    # "About 5 us"; the speed is not printed, a small ball falls at 1 to 2 m/s.
    assert contact_time_s(ball, modulus, 2.0) * 1e6 < 5.5
    assert contact_time_s(ball, modulus, 1.0) * 1e6 > 4.5


def test_mclaskey_and_glaser_form() -> None:
    ball = Ball.solid(0.0127, STEEL)
    for surface in ("glass", "acrylic"):
        other = MATERIALS[surface]
        d = sum((1 - m.poisson**2) / (math.pi * m.young_pa) for m in (STEEL, other))
        tc = 4.53 * (4 * STEEL.density_kgm3 * math.pi * d / 3) ** 0.4 * ball.radius_m * 1.4**-0.2
        modulus = effective_modulus_pa(STEEL, other)
        assert contact_time_s(ball, modulus, 1.4) == pytest.approx(tc, rel=2e-3)


def test_against_integrated_equation_of_motion() -> None:
    ball = Ball.solid(0.0127, STEEL)
    modulus = effective_modulus_pa(STEEL, MATERIALS["acrylic"])
    stiffness = 4 / 3 * modulus * math.sqrt(ball.radius_m)

    def motion(_: float, y: np.ndarray) -> list[float]:
        return [y[1], -stiffness / ball.mass_kg * max(y[0], 0.0) ** 1.5]

    def leaves(t: float, y: np.ndarray) -> float:
        return float(y[0]) if t > 1e-6 else 1.0

    leaves.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(motion, (0, 1e-3), [0.0, 1.4], events=leaves, rtol=1e-10, atol=1e-14, max_step=2e-6)
    assert run.t_events[0][0] == pytest.approx(contact_time_s(ball, modulus, 1.4), rel=2e-4)


def test_height_laws(reference) -> None:
    law = {row["quantity"]: float(row["db_per_doubling"]) for row in reference("height_scaling")}
    ball, modulus = Ball.solid(0.0127, STEEL), effective_modulus_pa(STEEL, MATERIALS["glass"])
    low, high = drop_speed_mps(0.1), drop_speed_mps(0.2)
    impulse = 20 * math.log10(impulse_ns(ball, high, 0.6) / impulse_ns(ball, low, 0.6))
    assert impulse == pytest.approx(law["impulse"], abs=0.01)
    # Envelope of the force spectrum far above the cut-off: RMS over many lobes.
    freq = np.linspace(1e6, 5e6, 200_001)
    spectra = [impulse_ns(ball, v, 0.6) * pulse_spectrum(freq, contact_time_s(ball, modulus, v)) for v in (low, high)]
    rise = 10 * math.log10(np.mean(spectra[1] ** 2) / np.mean(spectra[0] ** 2))
    assert rise == pytest.approx(law["spectrum_above_cutoff"], abs=0.05)


def test_pulse_spectrum_points(reference) -> None:
    for row in reference("contact_pulse_spectrum"):
        value = float(pulse_spectrum(np.array([float(row["f_tc"])]), 1.0)[0])
        if row["level_db"] == "null":
            assert abs(value) < 1e-4
        else:
            assert 20 * math.log10(value) == pytest.approx(float(row["level_db"]), abs=0.03)


@pytest.mark.parametrize("contact_s", [40e-6, 3e-3])
def test_pulse_spectrum_is_the_transform_of_the_pulse(contact_s: float) -> None:
    time = (np.arange(200_000) + 0.5) * contact_s / 200_000
    freq = np.array([0.0, 0.4, 1.2, 2.0, 2.6, 9.3, 40.2]) / contact_s
    step = time[1] - time[0]
    pulse = np.sin(np.pi * time / contact_s) ** 1.5
    pulse /= np.sum(pulse) * step
    expected = [np.sum(pulse * np.exp(-2j * np.pi * f * (time - contact_s / 2))) * step for f in freq]
    np.testing.assert_allclose(pulse_spectrum(freq, contact_s), np.real(expected), atol=2e-6)


def test_softer_is_longer_and_free_fall_inverts() -> None:
    ball = Ball.solid(0.0127, STEEL)
    times = [
        contact_time_s(ball, effective_modulus_pa(STEEL, MATERIALS[s]), 1.4)
        for s in ("steel", "acrylic", "cork", "felt", "rubber")
    ]
    assert times == sorted(times)
    assert fall_height_m(drop_speed_mps(0.37)) == pytest.approx(0.37)
    assert GRAVITY_MPS2 == 9.80665
