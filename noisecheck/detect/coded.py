"""What a lossy codec makes of an impact, and of the noise between.

A transform codec spreads its error evenly over a block, so an impact is announced by a faint copy of itself up to a
block (some 20 ms) before it comes: pre-echo (Bosi & Goldberg 2003, Introduction to Digital Audio Coding and Standards;
from memory). It lies well below the impact; the arrival is where the impact itself begins, and the copy is none.
Bands in which a codec keeps nothing, above its upper limit foremost, open for a block now and then: that is no sound.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import medians
from noisecheck.core.windows import stretches
from noisecheck.detect.spectra import FrameGrid

__all__ = ["AHEAD_S", "announcing", "filled", "kept_bands", "past_pre_echo"]

AHEAD_S: Final = 0.020
_BELOW: Final = 0.2
"""Share of the steepest step at which an arrival begins (14 dB below)."""
_ANNOUNCED_S: Final = 0.030
"""Half a block of 2048 samples and what a frame sees before it; announcements lay 13 to 30 ms before the impact..."""
_ANNOUNCED: Final = 100.0
"""... and 22 to 39 dB below it (Vorbis at its usual quality)..."""
_EVEN_S: Final = (0.004, 0.010, 0.003)
_EVEN: Final = 3.0
"""... with hardly more in the first 3 ms than from 4 to 10 ms; of what is struck these first fell by 8 to 16 dB."""
_FILLED: Final = 0.3
_NOTHING: Final = 1e-3
"""A band whose background is so small a share of that of the middle band holds nothing: rooms fall by far less."""


def past_pre_echo(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Return onsets moved from the pre-echo to the impact itself.

    Args:
        samples: one channel, (n,).
        at: (m,) positions of onsets in ``samples``.
        rate: frames a second.

    The first sample within 20 ms whose step from the one before reaches a fifth of the steepest step there. Steps, not
    samples, so that hum and slow thuds beneath do not count; where noise hides the impact, nothing moves. What dies
    away before is an impact itself.
    """
    if not len(at):
        return at
    steps = np.abs(np.diff(stretches(samples, at - 1, int(AHEAD_S * rate) + 1), axis=1))
    later = np.argmax(steps >= _BELOW * steps.max(axis=1, keepdims=True), axis=1)
    later[(later > _EVEN_S[1] * rate) & _dies_away(samples, at, rate)] = 0
    return np.asarray(at + later, np.int64)


def _dies_away(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.bool_]:
    """Return what changes far more at once than some milliseconds later, (m,)."""
    begin, end, first = (int(s * rate) for s in _EVEN_S)
    changes = np.diff(stretches(samples, at, end), axis=1) ** 2
    return np.asarray(changes[:, :first].mean(axis=1) >= _EVEN * changes[:, begin:].mean(axis=1))


def filled(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the same, (n,), with its spectrum turned round beneath it, 10 dB lower.

    What opens and closes in bands that hold nothing else would surprise any predictor; low notes, where rooms are
    loudest, cover it. Whatever begins begins as before. Which samples are raised must not depend on where a piece
    begins, so these begin with an even sample of the recording.
    """
    return np.asarray(samples * np.where(np.arange(len(samples)) % 2, 1.0 - _FILLED, 1.0 + _FILLED).astype(np.float32))


def announcing(
    samples: NDArray[np.float32],
    onset: NDArray[np.int64],
    new: NDArray[np.float32],
    level: NDArray[np.float64],
    peaks: NDArray[np.int64],
    grid: FrameGrid,
) -> NDArray[np.int64]:
    """Return which sounds only announce a much louder one: the error of a block, spread evenly, does not die away.

    Args:
        samples: one channel, (n,).
        onset: frames of the sounds in it, (m,).
        new: energy that is new, per frame of the grid.
        level: its peak at each sound, (m,).
        peaks: frames of the grid of the sounds, (m,).
        grid: frames and bands.
    """
    ahead = stretches(new, peaks, grid.frames(_ANNOUNCED_S) + 1).max(axis=1)
    some = np.flatnonzero(ahead > _ANNOUNCED * level)
    return some[~_dies_away(samples, onset[some], grid.rate)]


def kept_bands(floor: NDArray[np.float32], bands: int) -> NDArray[np.bool_]:
    """Return in which bands a codec keeps the background, like ``floor``: (cells, bands), of channels side by side."""
    each = floor.reshape(len(floor), -1, bands)
    return np.asarray(each > np.float32(_NOTHING) * medians(each, -1)[:, :, None]).reshape(floor.shape)
