"""Correction for background, and the blocks that levels are summed from."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.units import from_power_db

__all__ = [
    "BOUND_DB",
    "LOW_DB",
    "block_frames",
    "block_sums",
    "net_exposure",
]

LOW_DB: Final = 6.0
"""Below this difference the correction leaves the engineering grade, ISO 3744:2010 clause 8.2.3."""
BOUND_DB: Final = 3.0
"""Below this difference the correction is held and the result is an upper bound, ISO 3746:2010 clause 8.3.3."""
_BLOCK_S: Final = 0.0005


def net_exposure(gross: ArrayLike, background: ArrayLike) -> NDArray[np.float64]:
    """Return the exposure without its background (same shape, same unit).

    In dB this subtracts ``K1 = -10 lg(1 - 10^(-0.1 dL))``, ISO 3744:2010 Eq. (16); held at its 3 dB value (3.02 dB)
    below a difference of 3 dB, ISO 3746:2010 clause 8.3.3, where the level is an upper bound. Never for a peak
    (ISO 11202:2010 clause 8). K1 is not set to zero above 15 dB, as the standards allow: that would bias by 0.14 dB.
    """
    g, b = np.asarray(gross, np.float64), np.asarray(background, np.float64)
    return np.maximum(g - b, g * (1.0 - from_power_db(-BOUND_DB)))


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
