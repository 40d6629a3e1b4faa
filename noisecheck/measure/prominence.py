"""Prominence of impulsive sound and its adjustment, NT ACOU 112:2002 and ISO/PAS 1996-3:2022."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.measure.levels import block_frames, block_sums
from noisecheck.measure.weighting import FAST_S, running, time_weighted

__all__ = ["Onset", "adjustment_db", "fast_levels", "impulse_onsets", "prominence"]

_GRADIENT: Final = 10.0  # dB/s, NT ACOU 112 clause 4.5, ISO/PAS 1996-3 clause 3.3
_MERGE_S: Final = 0.05  # ISO/PAS 1996-3 clause 4 d


@record
class Onset:
    """One rise of the A-weighted fast level."""

    start_s: float
    end_s: float
    onset_rate: float
    """Slope of the least-squares line from start to end in dB/s."""
    level_difference_db: float
    prominence: float


def prominence(onset_rate: ArrayLike, level_difference_db: ArrayLike) -> NDArray[np.float64]:
    """Return ``P = 3 lg(onset rate) + 2 lg(level difference)`` (dB/s and dB), NT ACOU 112:2002 clause 7.

    -inf where either is not positive.
    """
    rate, difference = np.asarray(onset_rate, np.float64), np.asarray(level_difference_db, np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(3.0 * np.log10(np.maximum(rate, 0.0)) + 2.0 * np.log10(np.maximum(difference, 0.0)))


def adjustment_db(p: ArrayLike) -> NDArray[np.float64]:
    """Return ``K_I = 1.8 (P - 5)`` dB for P above 5, else 0, NT ACOU 112:2002 clause 8."""
    return np.asarray(1.8 * np.maximum(np.asarray(p, np.float64) - 5.0, 0.0))


def fast_levels(
    samples: NDArray[np.float32], rate: float, *, interval_s: float = 0.01
) -> tuple[NDArray[np.float64], float]:
    """Return (A-weighted fast levels in dB, the interval in s) of one channel, shape (frames,).

    The first level is that at the end of the first interval, which must last 10 to 25 ms, ISO/PAS 1996-3:2022
    clause 4. The onset rate of one short impact depends on it (about 890 dB/s at 10 ms, 1450 at 20 ms), so say
    which was used.
    """
    if not 0.01 <= interval_s <= 0.025:
        raise InputError(f"interval {interval_s} s is outside 0.010 to 0.025 s: milliseconds given as seconds?")
    (weighted,) = running(samples, rate, ("A",))
    block = block_frames(rate)
    power = time_weighted(block_sums(weighted, block) / block, block / rate, constant_s=FAST_S)
    every = max(round(interval_s * rate / block), 1)
    return 10.0 * np.log10(np.maximum(power[every - 1 :: every], 1e-30)), every * block / rate


def impulse_onsets(levels_db: ArrayLike, interval_s: float) -> list[Onset]:
    """Return the rises of a fast level, in order: where it climbs by more than 10 dB/s.

    ``levels_db`` has shape (steps,). Rises less than 50 ms apart are one.
    """
    level = np.asarray(levels_db, np.float64)
    if level.ndim != 1:
        raise InputError(f"levels have shape {level.shape}, not (steps,): one channel at a time")
    rising = np.concatenate([[False], np.diff(level) > _GRADIENT * interval_s, [False]])
    starts = np.flatnonzero(~rising[:-1] & rising[1:])
    ends = np.flatnonzero(rising[:-1] & ~rising[1:])
    merged: list[list[int]] = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if merged and (start - merged[-1][1]) * interval_s < _MERGE_S and level[end] > level[merged[-1][1]]:
            merged[-1][1] = end
        else:
            merged.append([start, end])
    found = []
    for start, end in merged:
        part = level[start : end + 1]
        t = (np.arange(len(part)) - 0.5 * (len(part) - 1)) * interval_s
        rate, difference = float(t @ part / (t @ t)), float(part[-1] - part[0])
        found.append(Onset(start * interval_s, end * interval_s, rate, difference, float(prominence(rate, difference))))
    return found
