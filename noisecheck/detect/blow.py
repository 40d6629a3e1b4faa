"""Whether a sound is one blow that dies away, or goes on: a voice, a motor that starts, a gain that jumps.

The energy of a blow is spent at its onset, and then it falls: in most of its bands within tens of milliseconds, however
long a few of them ring. What is driven stays as loud or grows. A later blow may fall instead of the first (balls that
rattle), so what counts is the deepest fall from any moment after the onset to a later one. Levels are the highest of
12 ms, which hold a pulse of any voice (80 Hz and more), so that the pauses between its pulses are no fall.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.spectra import FrameGrid

__all__ = ["NEUTRAL", "frames_around", "how_far_it_falls"]

Floats = NDArray[np.float32]

_STEP_S: Final = 0.004
_BEFORE: Final = 7
"""Steps before the onset that are looked at..."""
_AFTER: Final = 18
"""... and after it."""
_HELD: Final = 3
"""A level is the highest of so many steps."""
_ABOVE_DB: Final = 1.5
"""By so much the sound must exceed what came before it to count."""
_WIDEST: Final = 5.0
"""Bands of more bins count for that share as one of so many."""
_HEARD_DB: Final = 0.5
NEUTRAL: Final = (100.0, 0.0)
"""Where nothing can be told: at the end of a recording, or under the ring of a louder sound."""
_BATCH: Final = 256


def frames_around(grid: FrameGrid) -> tuple[int, int]:
    """Return how many frames before and after that of an onset can change the result."""
    step = grid.frames(_STEP_S)
    return _BEFORE * step, _AFTER * step


def how_far_it_falls(
    energy: Floats, at: NDArray[np.int64], grid: FrameGrid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return by how many dB each sound falls within 70 ms, and what is left of it then.

    The first is the mean of the bands that stood out; the second is the share left of what they stood out, in dB.

    Args:
        energy: fine band energies, (frames, bands).
        at: frames of the onsets, (m,).
        grid: frames and bands.
    """
    parts = [_falls(energy, at[i : i + _BATCH], grid) for i in range(0, len(at), _BATCH)]
    if not parts:
        return np.empty(0), np.empty(0)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def _falls(energy: Floats, at: NDArray[np.int64], grid: FrameGrid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    step = grid.frames(_STEP_S)
    index = at[:, None] + step * np.arange(-_BEFORE, _AFTER + 1)
    level = np.take(energy, np.clip(index, 0, len(energy) - 1), axis=0)
    level += np.float32(1e-16)
    np.log10(level, out=level)
    held = level[:, : 1 - _HELD]
    for k in range(1, _HELD):
        held = np.maximum(held, level[:, k : level.shape[1] - _HELD + 1 + k])
    # The quiet is the lower of the last level that ends a step before the onset, and the median of it and four earlier.
    a, b, c, d, last = (held[:, k] for k in range(_BEFORE - _HELD + 1))
    low, high = np.maximum(np.minimum(a, b), np.minimum(c, d)), np.minimum(np.maximum(a, b), np.maximum(c, d))
    quiet = np.minimum(np.maximum(low, high), last)
    above = held[:, _BEFORE:] - (quiet + np.float32(0.1 * _ABOVE_DB))[:, None]
    np.maximum(above, np.float32(0.0), out=above)
    # Bands alike tell what the sound is; wide ones tell more surely how much of it is left.
    width = np.minimum(grid.fine_width, np.float32(_WIDEST))
    total, share = np.einsum("ijk->ij", above), np.einsum("ijk,k->ij", above, width)
    bands = np.einsum("ijk->ij", (above > 0).astype(np.float32))
    top, fall = _deepest(total)
    fall_db = 10.0 * (fall / np.maximum(np.take_along_axis(bands, top, axis=1), np.float32(1.0))).max(axis=1)
    top, fall = _deepest(share)
    lost = (fall / np.maximum(np.take_along_axis(share, top, axis=1), np.float32(1e-4))).max(axis=1)
    heard = (share.max(axis=1) > 0.1 * _HEARD_DB * width.sum()) & (index[:, -1] < len(energy))
    made = (fall_db, NEUTRAL[0]), (1.0 - lost, NEUTRAL[1])
    fall_db, left = (np.where(heard, value, neutral).astype(np.float64) for value, neutral in made)
    return fall_db, left


def _deepest(level: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return, for each step that others come before, which of these was the highest, and the fall from it."""
    early = level[:, :-_HELD]
    highest = np.maximum.accumulate(early, axis=1)
    which = np.maximum.accumulate(np.where(early >= highest, np.arange(early.shape[1]), 0), axis=1)
    return which, highest - level[:, _HELD:]
