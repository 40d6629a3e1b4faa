"""What rounding makes of near silence: single steps of a converter, which no noise was added to, are no sound."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.novelty import Novelty
from noisecheck.detect.prediction import gather
from noisecheck.detect.spectra import FrameGrid

__all__ = ["mere_steps"]

_COARSEST: Final = 2.0**-7
"""The step of 8 bits, of full scale."""
_BESIDE_S: Final = (-0.005, 0.010)
"""The least change from one sample to the next, so long before and after an onset, is a step."""
_BEFORE_S: Final = (-0.100, -0.005)
"""Out of exact silence even single steps are news."""
_POWER: Final = 1.0 / 12.0
"""Of the noise that rounding to whole steps is, in squares of a step, where what is rounded exceeds some steps..."""
_QUIET: Final = 2.0
"""... with a background of less than twice that (noise added before rounding, as it should be, makes it three times)
some is rounded away at times..."""
_CRUMBS: Final = 12.0
"""... and comes back as single steps, and bursts of them: a whole step at each sample is twelve times that noise."""


def mere_steps(
    samples: NDArray[np.float32],
    onset: NDArray[np.int64],
    level: NDArray[np.float64],
    found: Novelty,
    grid: FrameGrid,
) -> NDArray[np.bool_]:
    """Return which sounds are no more than some steps of rounding out of what was rounded away.

    Args:
        samples: one channel, (n,), as they were stored: steps are powers of two of full scale 1.0.
        onset: samples, (m,).
        level: energy that is new there, (m,).
        found: evidence and band energies.
        grid: frames and bands.
    """
    steps = np.zeros(len(onset), np.bool_)
    bins = float(grid.fine_width.sum())
    before = found.floor_at(onset // grid.hop).sum(axis=1, dtype=np.float64)
    most = _COARSEST**2 * _POWER * bins
    some = np.flatnonzero((before < _QUIET * most) & (level < _CRUMBS * most))
    if len(some):
        step = _changes(samples, onset[some], grid.rate, _BESIDE_S)
        step = np.where(step > 0.0, step, np.float32(1.0)).min(axis=1)
        noise = step.astype(np.float64) ** 2 * _POWER * bins
        stored = (np.frexp(step)[0] == 0.5) & (step <= _COARSEST)
        some = some[stored & (before[some] < _QUIET * noise) & (level[some] < _CRUMBS * noise)]
        steps[some] = _changes(samples, onset[some], grid.rate, _BEFORE_S).any(axis=1)
    return steps


def _changes(
    samples: NDArray[np.float32], at: NDArray[np.int64], rate: int, span_s: tuple[float, float]
) -> NDArray[np.float32]:
    """Return by how much each sample in a span around each position differs from the one before it."""
    return np.asarray(np.abs(np.diff(gather(samples, at, *(round(s * rate) for s in span_s)), axis=1)))
