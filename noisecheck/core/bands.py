"""One-third-octave and octave midbands and edges, IEC 61260-1:2014 clauses 5.2 to 5.6 (base 10)."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOMINAL_THIRD_HZ", "G", "band_column", "octave_midbands", "third_octave_edges", "third_octave_midbands"]

G: Final = 10.0**0.3
"""Octave ratio, base 10."""

NOMINAL_THIRD_HZ: Final[tuple[float, ...]] = (
    25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000,
    2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
"""Nominal midbands of the 30 one-third-octave bands measured, in Hz."""

_FIRST_INDEX: Final = -16  # 25 Hz is 1000 * G**(-16/3)


def third_octave_midbands() -> NDArray[np.float64]:
    """Return the 30 exact midband frequencies in Hz, shape (30,)."""
    return np.asarray(1000.0 * G ** ((np.arange(30) + _FIRST_INDEX) / 3.0), np.float64)


def third_octave_edges() -> NDArray[np.float64]:
    """Return the 31 band edges in Hz, shape (31,); band ``b`` lies between ``edges[b]`` and ``edges[b + 1]``."""
    return np.asarray(1000.0 * G ** ((np.arange(31) + _FIRST_INDEX - 0.5) / 3.0), np.float64)


def octave_midbands() -> NDArray[np.float64]:
    """Return the exact octave midbands 31.5 Hz to 16 kHz in Hz, shape (10,)."""
    return np.asarray(1000.0 * G ** np.arange(-5, 5), np.float64)


def band_column(nominal_hz: float) -> str:
    """Return the column name of a band's exposure level, such as ``le_31.5hz``."""
    return f"le_{nominal_hz:g}hz"
