"""What rings freely: is the force behind a sound over within milliseconds, and is a sound but an earlier one's ring?

A predictor fitted to the ring of a sound foresees it; what it does not foresee is what drives the sound. Of what was
struck most of that comes with the blow, however softly it rises and however long it grows; noise and voices are driven
to the end.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.prediction import changes, filtered, fitted_closely, own_error

__all__ = ["foreseen", "rings_freely"]

Floats = NDArray[np.float32]

_ORDER: Final = 24
_FITTED_S: Final = (0.008, 0.050)
_BLOW_S: Final = (-0.002, 0.010)
_BLOCK_S: Final = 0.002
_RING_S: Final = (0.018, 0.050)
_OVER: Final = 2.5
"""What is not foreseen is so many times stronger in some block of the blow than in the ring (4 dB)..."""
_NOTES: Final = 3.2
"""... and the ring is foreseen as well as noise in bursts never is (a chain's are stronger where they begin, too)."""

_FORESEEN: Final = 316.0
"""A ring is foreseen by a predictor that leaves 25 dB less of it (no voice grants more than 20, in 98 of 100)."""


def foreseen(
    low: Floats, rate: float, at: NDArray[np.int64], fitted: tuple[float, float], told: tuple[float, float]
) -> NDArray[np.bool_]:
    """Return which sounds a predictor fitted closely to one span of them foresees in another, down to a faint rest.

    However the notes of a ring beat, they are foreseen; what is struck or driven anew is not.

    Args:
        low: one channel, decimated, (n,).
        rate: its frames a second.
        at: positions, (m,).
        fitted: seconds from each position between which the predictor is fitted.
        told: those between which it foresees; they begin no earlier.
    """
    if not len(at):
        return np.empty(0, np.bool_)
    (begin, end), (first, last) = ((round(s * rate) for s in span) for span in (fitted, told))
    # (The fit looks at its span and as much more as the predictor is long.)
    wave = changes(low, at, begin - _ORDER, max(last, end + _ORDER)).astype(np.float64)
    error = filtered(wave, fitted_closely(wave, end - begin, _ORDER)[0])
    energy, left = ((part[:, first - begin : last - begin] ** 2).sum(axis=1) for part in (wave[:, _ORDER:], error))
    return np.asarray(energy > _FORESEEN * left)


def rings_freely(low: Floats, rate: float, at: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which sounds ring freely after the first 10 ms.

    Args:
        low: one channel, decimated, (n,).
        rate: its frames a second.
        at: onsets, (m,).
    """
    if not len(at):
        return np.empty(0, np.bool_)
    begin, end = round(_BLOW_S[0] * rate), round(_RING_S[1] * rate)
    fitted = round(_FITTED_S[0] * rate), round(_FITTED_S[1] * rate)
    error = own_error(low, at, fitted, begin, end, order=_ORDER)
    wave = changes(low, at, begin, end)
    block = max(1, round(_BLOCK_S * rate))
    blow = error[:, : (round(_BLOW_S[1] * rate) - begin) // block * block] ** 2
    ring = slice(round(_RING_S[0] * rate) - begin, None)
    left = (error[:, ring] ** 2).mean(axis=1)
    strongest = blow.reshape(len(at), -1, block).mean(axis=2).max(axis=1)
    notes = (wave[:, ring] ** 2).mean(axis=1) > _NOTES * left
    return np.asarray(notes & (strongest > _OVER * left))
