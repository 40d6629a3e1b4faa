"""Two clocks of a run split over files: time in its recording, and time of the run with what lies between files."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.split import Gap

__all__ = ["recorded_s", "with_gaps"]


def recorded_s(time_s: float, *, gaps: Sequence[Gap], rate: int) -> float:
    """Return the time in the recording of a time of the run, which counts what lies between split files."""
    lost = 0.0
    for gap in gaps:
        if time_s > gap.frame / rate + lost:
            lost += gap.seconds
    return time_s - lost


def with_gaps(
    time_s: NDArray[np.float64], rate: int, gaps: Sequence[Gap]
) -> tuple[NDArray[np.float64], tuple[tuple[float, float], ...]]:
    """Return times of the run with what lies between split files counted, and those spans."""
    shifted = time_s.copy()
    spans = []
    lost = 0.0
    for gap in gaps:
        at = gap.frame / rate
        shifted[time_s >= at] += gap.seconds
        spans.append((at + lost, at + lost + gap.seconds))
        lost += gap.seconds
    return shifted, tuple(spans)
