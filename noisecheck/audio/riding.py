"""Gain riding: the noise floor against the time since the last loud impact.

A recorder that turns its gain down for a loud sound lets it come back over tenths of a second to seconds, and
the floor with it: quiet after an impact, then louder, alike in all bands. Nothing in a room does that: ringing only
dies away, and a ball that rolls on is not heard alike in all bands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["GainRiding", "find_onsets", "judge_riding"]

_EDGES_S: Final = (0.0, 0.11, 0.17, 0.25, 0.37, 0.55, 0.8, 1.2, 1.8, 2.7, 4.0, 6.0, 9.0)
_RISE_DB: Final = 6.0
_LOUD_DB: Final = 10.0
_BAND_SHARE: Final = 0.3  # of the bands may be free of ringing, and it is still seen
_LEAST_FRAMES: Final = 6
_FOUND_DB: Final = 1.5
_SURE: Final = 5.0


@dataclass(frozen=True)
class GainRiding:
    """What the floor does after loud impacts; ``found`` is None where it cannot be told."""

    found: bool | None
    rise_db: float = 0.0
    """How much lower the floor is soon after a loud impact than later."""
    at_s: float = 0.0
    """Time after an impact at which it is lowest."""
    curve: tuple[tuple[float, float], ...] = ()
    """(seconds since the last loud impact, floor in dB re its highest)."""
    why_not: str = ""


def find_onsets(levels_db: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return frames whose level from 500 Hz up (the upper bands of ``levels_db``) is 6 dB above the two before."""
    if len(levels_db) < 3:
        return np.empty(0, np.int64)
    total = 10.0 * np.log10(np.sum(10.0 ** (levels_db[:, -min(6, levels_db.shape[1]) :] / 10.0), axis=1) + 1e-20)
    before = np.maximum(total[1:-1], total[:-2])
    rise = np.concatenate([[0.0, 0.0], total[2:] - before])
    # A sound that begins late in a frame is at its loudest in the next.
    found = np.flatnonzero(rise >= _RISE_DB)
    return found[np.concatenate([[True], np.diff(found) > 1])] if len(found) else found


def judge_riding(levels_db: NDArray[np.float32], onsets: NDArray[np.int64], frame_s: float) -> GainRiding:
    """Judge gain riding from octave band levels (frames, bands) and the frames in which impacts begin."""
    onsets = onsets[(onsets >= 0) & (onsets < len(levels_db) - 1)]
    if len(onsets) < 3:
        return GainRiding(None, why_not="fewer than 3 impacts were heard")
    total = np.max(levels_db, axis=1)
    strength = np.maximum(total[onsets], total[onsets + 1])
    loud = onsets[strength >= np.percentile(strength, 90) - _LOUD_DB]
    index = np.arange(len(levels_db))
    last = np.searchsorted(loud, index, side="right") - 1
    since = (index - loud[np.maximum(last, 0)]) * frame_s
    to_next = np.append(onsets, len(levels_db) + 9)[np.searchsorted(onsets, index, side="left")] - index
    since_any = index - onsets[np.maximum(np.searchsorted(onsets, index, side="right") - 1, 0)]
    use = (last >= 0) & (to_next > 1) & (since_any > 1)
    if np.count_nonzero(use) < 3 * _LEAST_FRAMES:
        return GainRiding(None, why_not="impacts follow one another too closely for the floor between them to be heard")
    levels, since, last = levels_db[use], since[use], last[use]
    # Each band against its own usual floor, then a low quantile across bands: ringing lifts some, gain moves all.
    deviation = np.quantile(levels - np.median(levels, axis=0), _BAND_SHARE, axis=1)
    place = np.digitize(since, _EDGES_S) - 1
    curve: list[tuple[float, float, float]] = []
    for k in range(len(_EDGES_S)):
        inside = place == k
        values, owners = deviation[inside], last[inside]
        groups = len(np.unique(owners))
        if len(values) < _LEAST_FRAMES or groups < 3:
            continue
        spread = 1.4826 * float(np.median(np.abs(values - np.median(values)))) + 0.2
        curve.append((float(np.median(since[inside])), float(np.median(values)), 1.25 * spread / np.sqrt(groups)))
    if len(curve) < 2 or curve[-1][0] < 0.35:
        return GainRiding(None, why_not="impacts follow one another too closely for the floor between them to be heard")
    highest = max(v for _, v, _ in curve)
    plain = tuple((round(t, 3), round(v - highest, 2)) for t, v, _ in curve)
    rise, error, at = 0.0, 0.0, 0.0
    for i, (t, low, e) in enumerate(curve[:-1]):
        for _, high, e2 in curve[i + 1 :]:
            if high - low > rise:
                rise, error, at = high - low, float(np.hypot(e, e2)), t
    return GainRiding(bool(rise >= _FOUND_DB and rise >= _SURE * error), round(rise, 2), round(at, 3), plain)
