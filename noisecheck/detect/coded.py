"""First arrivals in sound that a lossy codec has smeared.

A transform codec spreads its error evenly over a block, so an impact is announced by a faint copy of itself up to a
block (some 20 ms) before it comes: pre-echo (Bosi & Goldberg 2003, Introduction to Digital Audio Coding and Standards;
from memory). It lies well below the impact; the arrival is where the impact itself begins.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["AHEAD_S", "past_pre_echo"]

AHEAD_S: Final = 0.020
_BELOW: Final = 0.2
"""Share of the steepest step at which an arrival begins (14 dB below)."""


def past_pre_echo(samples: NDArray[np.float32], at: NDArray[np.int64], rate: int) -> NDArray[np.int64]:
    """Return onsets moved from the pre-echo to the impact itself.

    Args:
        samples: one channel, (n,).
        at: (m,) positions of onsets in ``samples``.
        rate: frames a second.

    The first sample within 20 ms whose step from the one before reaches a fifth of the steepest step there. Steps, not
    samples, so that hum and slow thuds beneath do not count; where noise hides the impact, nothing moves.
    """
    if not len(at):
        return at
    reach = np.arange(-1, int(AHEAD_S * rate))
    places = np.clip(at[:, None] + reach, 0, len(samples) - 1)
    steps = np.abs(np.diff(samples[places], axis=1))
    return np.asarray(at + np.argmax(steps >= _BELOW * steps.max(axis=1, keepdims=True), axis=1), np.int64)
