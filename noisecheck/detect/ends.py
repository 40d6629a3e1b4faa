"""Ends: what stops all at once, with nothing new behind it, was not struck.

A ring that is cut off splashes over all bands for as long as a frame reaches over the cut, and no predictor foresees
silence. But nothing that rings dies away within milliseconds, and what is struck adds to some band for longer.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.novelty import Novelty
from noisecheck.detect.spectra import FrameGrid

__all__ = ["mere_ends"]

_FRAMES_S: Final = ((-0.005, -0.004, -0.003), (0.004, 0.005, 0.006, 0.007))
"""Centres of frames before and after an onset that hardly reach over it..."""
_EARLIER_S: Final = (-0.026, -0.024, -0.022, -0.020, -0.018, -0.016)
"""... and before what may have been struck within the last milliseconds, long enough that rings beat little."""
_STANDS_OUT: Final = 32.0
"""Of some band so far above its background..."""
_FALLS: Final = 64.0
"""... so much is gone: 18 dB within 10 ms. Rings and beats under strokes that show in no band any more fall by 15..."""
_SILENT: Final = 4.0
"""... down to the background: what strikes a plate and damps its ring leaves a softer one..."""
_GROWS: Final = 1.6
"""... while no other such band grows by 2 dB (a stroke that cancels some notes adds to others)..."""
_GAINS: Final = 6.0
"""... and none at all is so many times louder than before, or than earlier, and than its background: chance makes
hardly any."""


def mere_ends(onset: NDArray[np.int64], found: Novelty, grid: FrameGrid) -> NDArray[np.bool_]:
    """Return which sounds, (m,), are no more than the end of another.

    Args:
        onset: samples, (m,).
        found: evidence and band energies.
        grid: frames and bands.
    """
    at, last = onset // grid.hop, len(found.energy) - 1
    before, after, earlier = (
        np.mean([found.energy[np.clip(at + round(s * grid.rate / grid.hop), 0, last)] for s in seconds], axis=0)
        for seconds in (*_FRAMES_S, _EARLIER_S)
    )
    floor = found.floor_at(at)
    rang = before > np.float32(_STANDS_OUT) * floor
    gone = rang & (before > np.float32(_FALLS) * after) & (after < np.float32(_SILENT) * floor)
    louder = after > np.float32(_GAINS) * np.maximum(np.minimum(before, earlier), floor)
    louder |= rang & (after > np.float32(_GROWS) * before)
    return np.asarray(gone.any(axis=1) & ~louder.any(axis=1), np.bool_)
