"""The sound around each onset, in the low band: enough to tell whether two impacts sound the same."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.windows import stretches
from noisecheck.detect.spectra import frame_grid

__all__ = ["WaveGrid", "wave_grid", "waves_at"]

Floats = NDArray[np.float32]

_PAST_S: Final = 0.030
_LEAD_S: Final = 0.001
_SOUND_S: Final = 0.025
_LAG_S: Final = 0.006


@dataclass(frozen=True)
class WaveGrid:
    """How a wave is cut, in samples of the low band."""

    rate: float
    """Samples a second."""
    step: int
    """Frames of the recording a sample."""
    past: int
    """What was heard before, up to..."""
    lead: int
    """... so long before the onset, where the sound itself begins..."""
    sound: int
    """... that goes on so long after it..."""
    lag: int
    """... and may have begun so much earlier or later."""

    @property
    def length(self) -> int:
        """Samples of a wave."""
        return self.past + self.lead + self.sound + self.lag


@lru_cache(maxsize=16)
def wave_grid(rate: int) -> WaveGrid:
    """Return how waves are cut at a sample rate in Hz."""
    step = frame_grid(rate).step
    own = rate / step
    return WaveGrid(own, step, *(int(s * own) for s in (_PAST_S, _LEAD_S, _SOUND_S, _LAG_S)))


def waves_at(low: Floats, rate: int, onset: NDArray[np.int64]) -> Floats:
    """Return the wave around each onset, (m, length) of :class:`WaveGrid`; zeros where the sound does not reach so far.

    Args:
        low: one channel, decimated, (n,).
        rate: frames a second, before.
        onset: frames, (m,).
    """
    grid = wave_grid(rate)
    begin = onset // grid.step - grid.lead - grid.past
    waves = stretches(low, begin, grid.length)
    waves[(begin < 0) | (begin + grid.length > len(low))] = 0.0
    return waves
