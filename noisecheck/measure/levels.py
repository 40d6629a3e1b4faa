"""Correction for background, and the blocks that levels are summed from."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.units import from_power_db, power_db

__all__ = [
    "BOUND_DB",
    "LOW_DB",
    "background_correction_db",
    "block_frames",
    "block_sums",
    "exposure_level_db",
    "net_exposure",
]

LOW_DB: Final = 6.0
"""Below this difference the correction leaves the engineering grade, ISO 3744:2010 clause 8.2.3."""
BOUND_DB: Final = 3.0
"""Below this difference the correction is held and the result is an upper bound, ISO 3746:2010 clause 8.3.3."""
_BLOCK_S: Final = 0.0005


def background_correction_db(difference_db: ArrayLike) -> NDArray[np.float64]:
    """Return K1 in dB (same shape), to be subtracted from a level measured with the source on.

    ``K1 = -10 lg(1 - 10^(-0.1 dL))``, ISO 3744:2010 Eq. (16); held at its 3 dB value (3.02 dB) below 3 dB,
    ISO 3746:2010 clause 8.3.3, where the corrected level is an upper bound. Never apply it to a peak
    (ISO 11202:2010 clause 8). It is not set to zero above 15 dB, as the standards allow: that would bias by 0.14 dB.
    """
    difference = np.maximum(np.asarray(difference_db, np.float64), BOUND_DB)
    return np.asarray(-10.0 * np.log10(1.0 - from_power_db(-difference)), np.float64)


def net_exposure(gross: ArrayLike, background: ArrayLike) -> NDArray[np.float64]:
    """Return the exposure without its background (same shape), by the rule of :func:`background_correction_db`."""
    g, b = np.asarray(gross, np.float64), np.asarray(background, np.float64)
    return np.maximum(g - b, g * (1.0 - from_power_db(-BOUND_DB)))


def exposure_level_db(samples: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Return the sound exposure level L_E re (full scale)^2 * 1 s over the first axis, ISO 1996-1:2016 clause 3.1.8."""
    x = np.asarray(samples, np.float64)
    return power_db(np.sum(x * x, axis=0) / rate)


def block_frames(rate: float) -> int:
    """Return the frames in one block: 0.5 ms, the grid on which windows begin and end."""
    return max(round(_BLOCK_S * rate), 1)


def block_sums(signal: NDArray[np.float32], block: int) -> NDArray[np.float64]:
    """Return the sums of squares of whole blocks (float64, shape (blocks,)); the last one may be short."""
    whole = len(signal) // block * block
    rows, rest = signal[:whole].reshape(-1, block), signal[whole:]
    sums = np.einsum("ij,ij->i", rows, rows)
    if len(rest):
        sums = np.append(sums, np.einsum("i,i->", rest, rest))
    return np.asarray(sums, np.float64)
