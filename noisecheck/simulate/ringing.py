"""What a contact pulse makes audible: the ball that stops, and the plate that rings.

All transfer functions are pressure at 1 m reference geometry per newton of contact force, on a frequency grid;
the time convention is ``exp(+j 2 pi f t)`` and the travel time is left to the caller.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.simulate.contact import Ball, Material

__all__ = [
    "AIR_DENSITY_KGM3",
    "Plate",
    "coincidence_hz",
    "modal_transfer",
    "mode_spacing_hz",
    "plate_modes",
    "radiated_weights",
    "ring_time_s",
    "sphere_transfer",
]

_PIECE: Final = 4096
AIR_DENSITY_KGM3: Final = 1.204
"""Density of air at 20 degrees Celsius and 101.325 kPa."""


def ring_time_s(freq_hz: float, loss_factor: float) -> float:
    """Return the time to fall by 60 dB, ``2.2 / (eta f)``, in seconds."""
    return 2.2 / (loss_factor * freq_hz)


@dataclass(frozen=True, slots=True)
class Plate:
    """A simply supported rectangular plate."""

    material: Material
    length_m: float
    width_m: float
    thickness_m: float
    loss_factor: float

    @property
    def stiffness_nm(self) -> float:
        """Bending stiffness ``E h^3 / (12 (1 - nu^2))``."""
        return self.material.young_pa * self.thickness_m**3 / (12.0 * (1.0 - self.material.poisson**2))

    @property
    def surface_density_kgm2(self) -> float:
        """Mass of a square metre, kg/m2."""
        return self.material.density_kgm3 * self.thickness_m

    @property
    def mass_kg(self) -> float:
        """Mass of the whole plate, kg."""
        return self.surface_density_kgm2 * self.length_m * self.width_m


def plate_modes(plate: Plate, top_hz: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return mode frequencies in Hz, rising, shape (n,), and their (m, n) numbers, shape (n, 2), up to ``top_hz``.

    ``f_mn = (pi / 2) sqrt(D / (rho h)) ((m / a)^2 + (n / b)^2)`` (Harris, Shock and Vibration Handbook, plates).
    """
    factor = math.pi / 2.0 * math.sqrt(plate.stiffness_nm / plate.surface_density_kgm2)
    largest = math.sqrt(max(top_hz, 0.0) / factor)
    m = np.arange(1, int(largest * plate.length_m) + 2)
    n = np.arange(1, int(largest * plate.width_m) + 2)
    freq = factor * ((m[:, None] / plate.length_m) ** 2 + (n[None, :] / plate.width_m) ** 2)
    numbers = np.stack(np.broadcast_arrays(m[:, None], n[None, :]), axis=-1).reshape(-1, 2).astype(np.int64)
    flat = freq.ravel()
    order = np.argsort(flat, kind="stable")
    order = order[flat[order] <= top_hz]
    return flat[order], numbers[order]


def mode_spacing_hz(plate: Plate) -> float:
    """Return the mean distance of neighbouring modes at high frequencies, ``2 sqrt(D / (rho h)) / S``, in Hz."""
    return 2.0 * math.sqrt(plate.stiffness_nm / plate.surface_density_kgm2) / (plate.length_m * plate.width_m)


def coincidence_hz(plate: Plate, sound_mps: float) -> float:
    """Return the coincidence frequency ``c^2 / (2 pi) sqrt(rho h / D)`` in Hz."""
    return sound_mps**2 / (2.0 * math.pi) * math.sqrt(plate.surface_density_kgm2 / plate.stiffness_nm)


def sphere_transfer(
    freq_hz: NDArray[np.float64], ball: Ball, *, distance_m: float, cos_angle: float, sound_mps: float
) -> NDArray[np.complex128]:
    """Return pressure per newton of contact force of a rigid oscillating sphere ("ball stops"), shape of ``freq_hz``.

    First-order spherical wave, exact; for a small ball far away it is ``rho0 a^3 cos / (2 r c) dA/dt`` (Koss &
    Alfredson, J. Sound Vib. 27 (1973) 59; Koss, J. Sound Vib. 36 (1974) 541). Travel time ``(r - a) / c`` left out.
    """
    k = 2.0 * np.pi * freq_hz / sound_mps
    x, y = k * distance_m, k * ball.radius_m
    # Velocity U = F / (j w m); p = rho0 c U cos (x - j) y^3 / (x^2 (y^2 - 2 j y - 2)); y^3 / (x^2 w) is finite at 0.
    scale = AIR_DENSITY_KGM3 * sound_mps * cos_angle / ball.mass_kg
    ratio = y * (ball.radius_m / distance_m) ** 2 / (2.0 * np.pi)
    over_w = np.divide(ratio, freq_hz, out=np.zeros_like(ratio), where=freq_hz > 0)
    return np.asarray(scale * over_w / 1j * (x - 1j) / (y**2 - 2j * y - 2.0), np.complex128)


def modal_transfer(
    freq_hz: NDArray[np.float64],
    mode_hz: NDArray[np.float64],
    weights: NDArray[np.float64],
    *,
    loss_factor: NDArray[np.float64] | float,
) -> NDArray[np.complex128]:
    """Return the sum of damped sines ``w_m exp(-eta w t / 2) sin(w t)``, one row a set of weights, shape (sets, bins).

    ``weights`` has shape (sets, modes); ``loss_factor`` is one for all or one a mode. Worked through in
    pieces of the grid, so memory does not grow with it.
    """
    out = np.empty((len(weights), len(freq_hz)), np.complex128)
    omega_m = 2.0 * np.pi * mode_hz[:, None]
    decay = np.broadcast_to(np.asarray(loss_factor, np.float64), mode_hz.shape)[:, None] * omega_m / 2.0
    for start in range(0, len(freq_hz), _PIECE):
        omega = 2.0 * np.pi * freq_hz[None, start : start + _PIECE]
        response = omega_m / ((decay + 1j * omega) ** 2 + omega_m**2)
        # Summed mode by mode: a matrix product's last bits depend on the threads and kernels of its library.
        piece = np.zeros((len(weights), omega.shape[1]), np.complex128)
        for mode in range(len(mode_hz)):
            piece += weights[:, mode, None] * response[mode]
        out[:, start : start + _PIECE] = piece
    return out


def radiated_weights(
    plate: Plate, mode_hz: NDArray[np.float64], shape_at_spot: NDArray[np.float64], *, sound_mps: float
) -> NDArray[np.float64]:
    """Return each mode's pressure at 1 m per newton second, shape of ``shape_at_spot`` (spots, modes).

    A mode struck with impulse J moves at ``4 J phi / M``; its power ``rho0 c S sigma <v^2>`` is spread over a half
    sphere. Radiation efficiency ``sigma = 1 / (1 + (fc / f)^2)`` is a smooth stand-in of our own for the baffled plate.
    """
    sigma = 1.0 / (1.0 + (coincidence_hz(plate, sound_mps) / mode_hz) ** 2)
    area = plate.length_m * plate.width_m
    per_speed = AIR_DENSITY_KGM3 * sound_mps * np.sqrt(sigma * area / (8.0 * math.pi))
    return np.asarray(shape_at_spot * (4.0 / plate.mass_kg) * per_speed, np.float64)
