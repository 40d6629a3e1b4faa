"""The one place where seconds and frames, energies and levels are converted, and numbers put into words and JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "P_REF_PA",
    "energy_sum_db",
    "from_power_db",
    "json_values",
    "many",
    "nth",
    "power_db",
    "rounded",
    "rounded_pair",
    "significant",
    "sound_speed_mps",
    "to_frames",
    "to_seconds",
]

P_REF_PA: Final = 20e-6
"""Reference sound pressure in air, ISO 1683:2015 Table 1 (Pa)."""

_TINY: Final = 1e-300


def to_frames(seconds: float, rate: float) -> int:
    """Return the nearest whole frame (int) to ``seconds`` at ``rate`` frames a second."""
    return math.floor(seconds * rate + 0.5)


def to_seconds(frames: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Return seconds (float64, same shape) for frame positions at ``rate`` frames a second."""
    return np.asarray(frames, dtype=np.float64) / rate


def power_db(power: ArrayLike) -> NDArray[np.float64]:
    """Return ``10 lg(power)`` in dB (float64, same shape); powers of zero or less give -inf."""
    p = np.asarray(power, dtype=np.float64)
    return np.where(p > 0, 10.0 * np.log10(np.maximum(p, _TINY)), -np.inf)


def from_power_db(level_db: ArrayLike) -> NDArray[np.float64]:
    """Return the power ratio ``10^(L/10)`` (float64, same shape) of levels in dB."""
    return np.power(10.0, np.asarray(level_db, dtype=np.float64) / 10.0)


def energy_sum_db(levels_db: ArrayLike) -> float:
    """Return the level of the summed energies (dB); an empty input gives -inf."""
    return float(power_db(np.sum(from_power_db(levels_db))))


def sound_speed_mps(temperature_c: float) -> float:
    """Return the speed of sound in dry air, ``331.3 sqrt(1 + T / 273.15)`` m/s."""
    return 331.3 * math.sqrt(1.0 + temperature_c / 273.15)


def many(count: int, what: str) -> str:
    """Return a count with its noun: ``1 run``, ``2 runs``."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def nth(number: int) -> str:
    """Return an ordinal: ``1st``, ``2nd``, ``11th``."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number:,}{ending}"


def rounded(value: float | None, digits: int = 3) -> float | None:
    """Return a number as JSON and pages take it: rounded, None where there is none or it is not finite."""
    return round(float(value), digits) if value is not None and math.isfinite(value) else None


def rounded_pair(low: float, high: float, digits: int = 3) -> list[float | None] | None:
    """Return an interval as JSON takes it: two rounded numbers, None for an open end; None where it is not known."""
    return None if math.isnan(low) else [rounded(low, digits), rounded(high, digits)]


def significant(value: float, digits: int = 3) -> float | None:
    """Return a number of so many significant digits, as JSON takes it; None where it is not finite."""
    return float(f"{value:.{digits}g}") if math.isfinite(value) else None


def json_values(value: Any) -> Any:
    """Return a result as JSON takes it: lists, texts and numbers, None for what is not finite."""
    if isinstance(value, Mapping):
        return {str(k): json_values(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [json_values(v) for v in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, str | int | bool) else str(value)
