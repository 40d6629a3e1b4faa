"""Gain riding: the noise floor against the gain that a recorder would have after what it just heard.

A recorder that turns its gain down for a loud sound lets it come back over tenths of a second to seconds, and
the floor with it: lower after an impact, then rising, by the same number of decibels in every band where the floor
is heard. Ringing does the opposite. So for a few release times and thresholds the reduction that such a recorder would
be at is worked out frame by frame from the levels, and each band's floor is held against it by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["GainRiding", "find_onsets", "judge_riding"]

_RISE_DB: Final = 6.0
_RELEASES_S: Final = (0.15, 0.3, 0.6, 1.2, 2.4)
_THRESHOLDS_DB: Final = (20.0, 14.0, 8.0)  # below the loudest impacts
_RINGING_DB: Final = 6.0  # a band so far above its usual floor is not at its floor
_BAND_SHARE: Final = 0.4  # of the bands must agree
_FOUND_DB: Final = 1.2
_SURE: Final = 4.5
_LEAST_GROUPS: Final = 4
_LEAST_FRAMES: Final = 30
_EDGES_S: Final = (0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4)
_TOO_CLOSE: Final = "impacts follow one another too closely for the floor between them to be heard"

Levels = NDArray[np.float32]


@dataclass(frozen=True)
class GainRiding:
    """What the floor does after loud impacts; ``found`` is None where it cannot be told."""

    found: bool | None
    rise_db: float = 0.0
    """How much lower the floor is right after a loud impact than once the gain is back."""
    release_s: float = 0.0
    """Time constant at which the gain comes back (nearest of those tried)."""
    curve: tuple[tuple[float, float], ...] = ()
    """(seconds since the last loud impact, median floor in dB re its highest)."""
    why_not: str = ""


def find_onsets(levels_db: Levels) -> NDArray[np.int64]:
    """Return frames whose level from 500 Hz up (the upper bands of ``levels_db``) is 6 dB above the two before."""
    if len(levels_db) < 3:
        return np.empty(0, np.int64)
    total = _total(levels_db[:, -min(6, levels_db.shape[1]) :])
    before = np.maximum(total[1:-1], total[:-2])
    rise = np.concatenate([[0.0, 0.0], total[2:] - before])
    # A sound that begins late in a frame is at its loudest in the next.
    found = np.flatnonzero(rise >= _RISE_DB)
    return found[np.concatenate([[True], np.diff(found) > 1])] if len(found) else found


def _total(levels_db: Levels) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(np.sum(10.0 ** (levels_db.astype(np.float64) / 10.0), axis=1) + 1e-20))


def judge_riding(levels_db: Levels, onsets: NDArray[np.int64], frame_s: float) -> GainRiding:
    """Judge gain riding from octave band levels (frames, bands) and the frames in which impacts begin."""
    onsets = onsets[(onsets >= 0) & (onsets < len(levels_db) - 1)]
    if len(onsets) < _LEAST_GROUPS:
        return GainRiding(None, why_not="too few impacts were heard")
    total = _total(levels_db)
    strength = np.maximum(total[onsets], total[onsets + 1])
    top = float(np.percentile(strength, 90))
    loud = onsets[strength >= top - _THRESHOLDS_DB[-1]]
    index = np.arange(len(levels_db))
    to_next = np.append(onsets, len(levels_db) + 9)[np.searchsorted(onsets, index, side="left")] - index
    since_any = index - onsets[np.maximum(np.searchsorted(onsets, index, side="right") - 1, 0)]
    owner = np.searchsorted(loud, index, side="right")
    use = (to_next > 1) & ((since_any > 1) | (since_any < 0))
    if len(np.unique(owner[use])) < _LEAST_GROUPS or np.count_nonzero(use) < _LEAST_FRAMES:
        return GainRiding(None, why_not=_TOO_CLOSE)
    reduction = _reductions(total, top, frame_s)[use]
    floor = levels_db[use].astype(np.float64)
    rise, sure = _agreement(floor, reduction, owner[use])
    best = int(np.argmax(sure))
    groups = len(np.unique(owner[use]))
    if not np.isfinite(sure[best]):
        return GainRiding(None, why_not=_TOO_CLOSE)
    since = (index - loud[np.maximum(owner - 1, 0)])[use] * frame_s
    found = bool(sure[best] >= _SURE * (1.0 + 4.0 / groups) and rise[best] >= _FOUND_DB)
    return GainRiding(
        found, round(float(rise[best]), 2), _RELEASES_S[best % len(_RELEASES_S)], _curve(floor, since, owner[use] > 0)
    )


def _reductions(total: NDArray[np.float64], top: float, frame_s: float) -> NDArray[np.float64]:
    """Return the reduction of a recorder with each threshold and release, dB (frames, thresholds * releases)."""
    over = np.maximum(total[:, None] - (top - np.repeat(_THRESHOLDS_DB, len(_RELEASES_S))), 0.0)
    keep = np.exp(-frame_s / np.tile(_RELEASES_S, len(_THRESHOLDS_DB)))
    out = np.empty_like(over)
    now = np.zeros(over.shape[1])
    for i in range(len(over)):
        now = np.maximum(now * keep, over[i])
        out[i] = now
    return out


def _agreement(
    floor: NDArray[np.float64], reduction: NDArray[np.float64], owner: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return for each recorder tried how far the floor falls with its reduction (dB), and how many errors that is.

    The errors are those of groups of frames that follow one loud impact, not of frames. Of the bands, the
    one at ``_BAND_SHARE`` speaks: at least that share fall so far, so surely.
    """
    tried, bands = reduction.shape[1], floor.shape[1]
    rise, sure = np.full((tried, bands), -np.inf), np.full((tried, bands), -np.inf)
    _, group = np.unique(owner, return_inverse=True)
    for b in range(bands):
        at_floor = floor[:, b] < np.median(floor[:, b]) + _RINGING_DB
        y, g = floor[at_floor, b], group[at_floor]
        if len(y) < _LEAST_FRAMES:
            continue
        s = reduction[at_floor]
        span = np.percentile(s, 95, axis=0) - np.percentile(s, 5, axis=0)
        s = s - s.mean(axis=0)
        power = np.sum(s**2, axis=0)
        good = (power > 1e-9) & (span > 0.5)
        beta = np.where(good, (s.T @ (y - y.mean())) / np.maximum(power, 1e-9), 0.0)
        scores = s * ((y - y.mean())[:, None] - s * beta)
        sums = np.zeros((int(group.max()) + 1, tried))
        np.add.at(sums, g, scores)
        error = np.sqrt(np.sum(sums**2, axis=0)) / np.maximum(power, 1e-9)
        rise[good, b] = (-beta * span)[good]
        sure[good, b] = (-beta / np.maximum(error, 1e-9))[good]
    rank = bands - max(int(np.ceil(_BAND_SHARE * bands)), 1)
    return np.sort(rise, axis=1)[:, rank], np.sort(sure, axis=1)[:, rank]


def _curve(floor: NDArray[np.float64], since: NDArray[Any], use: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Return the floor (a low quantile across bands, each against its own median) by time since a loud impact."""
    deviation = np.quantile(floor - np.median(floor, axis=0), 0.3, axis=1)
    place = np.digitize(since, _EDGES_S)
    points = [
        (float(np.median(since[inside])), float(np.median(deviation[inside])))
        for k in range(len(_EDGES_S) + 1)
        if np.count_nonzero(inside := use & (place == k)) >= 6
    ]
    highest = max((v for _, v in points), default=0.0)
    return tuple((round(t, 3), round(v - highest, 2)) for t, v in points)
