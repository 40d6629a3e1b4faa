"""Gain riding: the noise floor against the gain that a recorder would have after what it just heard.

A recorder that turns its gain down for a loud sound lets it come back over tenths of a second to seconds, and
the floor with it: lower after an impact, then rising, by the same number of decibels in every band where the floor
is heard. Ringing does the opposite. So for a few release times and thresholds the reduction that such a recorder would
be at is worked out from the peaks it kept, and the floor between impacts is held against it by least squares: all bands
together, each as much as it is steady, after taking out what changes slowly. How sure that is follows from
the scatter between the gaps between loud impacts, each of which counts once.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record

__all__ = ["GainRiding", "find_onsets", "judge_riding"]

_RISE_DB: Final = 6.0
_RELEASES_S: Final = (0.15, 0.3, 0.6, 1.2, 2.4)
_THRESHOLDS_DB: Final = (32.0, 26.0, 20.0, 14.0, 8.0)  # below the peaks of the loudest impacts
_RINGING_DB: Final = 6.0  # a band so far above its usual floor is not at its floor
_SLOW_S: Final = 4.0  # half of the time over which slow changes (a motor, speech, a room) are taken out
_STEADY_DB: Final = 0.25  # no band is steadier than the steps of the samples let be seen
_LEAST_SPAN_DB: Final = 0.5
_AGREE: Final = 0.4  # of the common slope that a band must show by itself to agree
_SHARE: Final = 0.5  # of the bands, by weight, must agree
_FOUND_DB: Final = 0.5
_SURE: Final = 4.5
_LEAST_GROUPS: Final = 4
_LEAST_FRAMES: Final = 30
_MOST_FRAMES: Final = 1 << 16  # 47 min at 43 ms: a recorder does not change its ways
_EDGES_S: Final = (0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4)
_TOO_CLOSE: Final = "impacts follow one another too closely for the floor between them to be heard"

Levels = NDArray[np.float32]


@record
class GainRiding:
    """What the floor does after loud impacts; ``found`` is None where it cannot be told."""

    found: bool | None
    rise_db: float = 0.0
    """How much lower the floor is, between impacts, with the gain down than with it back; at impacts it is more."""
    release_s: float = 0.0
    """Time constant at which the gain comes back: which of those tried fits best, so a rough figure only."""
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


def judge_riding(
    levels_db: Levels, peaks_db: NDArray[np.float32], onsets: NDArray[np.int64], frame_s: float
) -> GainRiding:
    """Judge gain riding.

    Args:
        levels_db: octave band levels, dB (frames, bands).
        peaks_db: largest absolute sample of each frame, dB re full scale (frames,).
        onsets: frames in which impacts begin.
        frame_s: length of a frame, s.
    """
    levels_db, peaks = levels_db[:_MOST_FRAMES], peaks_db[:_MOST_FRAMES].astype(np.float64)
    onsets = onsets[(onsets >= 0) & (onsets < len(levels_db) - 1)]
    if len(onsets) < _LEAST_GROUPS:
        return GainRiding(None, why_not="too few impacts were heard")
    strength = np.maximum(peaks[onsets], peaks[onsets + 1])
    top = float(np.percentile(strength, 90))
    loud = onsets[strength >= top - _THRESHOLDS_DB[-1]]
    index = np.arange(len(levels_db))
    to_next = np.append(onsets, len(levels_db) + 9)[np.searchsorted(onsets, index, side="left")] - index
    since_any = index - onsets[np.maximum(np.searchsorted(onsets, index, side="right") - 1, 0)]
    owner = np.searchsorted(loud, index, side="right")
    use = (to_next > 1) & ((since_any > 1) | (since_any < 0))
    groups = len(np.unique(owner[use]))
    if groups < _LEAST_GROUPS or np.count_nonzero(use) < _LEAST_FRAMES:
        return GainRiding(None, why_not=_TOO_CLOSE)
    floor, half = levels_db[use].astype(np.float64), round(_SLOW_S / frame_s)
    rise, sure, share, weighty = _agreement(floor, _reductions(peaks, top, frame_s)[use], owner[use], index[use], half)
    best = int(np.argmax(sure))
    if not np.isfinite(sure[best]):
        return GainRiding(None, why_not=_TOO_CLOSE)
    since = (index - loud[np.maximum(owner - 1, 0)])[use] * frame_s
    found = bool(
        sure[best] >= _SURE * (1.0 + 4.0 / weighty[best]) and rise[best] >= _FOUND_DB and share[best] >= _SHARE
    )
    curve = _curve(floor, since, owner[use] > 0, index[use], half)
    return GainRiding(found, round(float(rise[best]), 2), _RELEASES_S[best % len(_RELEASES_S)], curve)


def _reductions(peaks: NDArray[np.float64], top: float, frame_s: float) -> NDArray[np.float64]:
    """Return the reduction of a recorder with each threshold and release, dB (frames, thresholds * releases)."""
    over = np.maximum(peaks[:, None] - (top - np.repeat(_THRESHOLDS_DB, len(_RELEASES_S))), 0.0)
    keep = np.exp(-frame_s / np.tile(_RELEASES_S, len(_THRESHOLDS_DB)))
    out = np.empty_like(over)
    now = np.zeros(over.shape[1])
    for i in range(len(over)):
        now = np.maximum(now * keep, over[i])
        out[i] = now
    return out


def _agreement(
    floor: NDArray[np.float64], reduction: NDArray[np.float64], owner: NDArray[np.int64], index: NDArray[np.int64],
    half: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Return for each recorder tried how far the floor falls with its reduction, how sure, and in what share of bands.

    Args:
        floor: band levels of the frames between impacts, dB (frames, bands).
        reduction: of each recorder tried, dB (frames, tried).
        owner: which loud impact a frame follows (frames,); errors are those of such groups, not of frames.
        index: place of each frame in the recording (frames,).
        half: frames on either side over which slow changes are taken out.

    Returns:
        Fall in dB, fall in standard errors, share of the weight of bands that agree, and how many groups of equal
        weight would tell as much as these (Carter, Schnepel & Steigerwald 2017, effective number of clusters; from
        memory: few groups, or a few weighty ones, make errors look small), each (tried,).
    """
    _, group = np.unique(owner, return_inverse=True)
    span = np.percentile(reduction, 95, axis=0) - np.percentile(reduction, 5, axis=0)
    parts: list[tuple[float, NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]] = []
    for b in range(floor.shape[1]):
        y = floor[:, b] - np.median(floor[:, b])
        at_floor = np.flatnonzero(y < _RINGING_DB)
        if len(at_floor) < _LEAST_FRAMES:
            continue
        weight = 1.0 / max(float(np.median(np.abs(np.diff(y[at_floor])))), _STEADY_DB) ** 2
        y = _without_slow(y[at_floor, None], index[at_floor], half)[:, 0]
        parts.append((weight, group[at_floor], y, _without_slow(reduction[at_floor], index[at_floor], half)))
    tried = reduction.shape[1]
    if not parts:
        return np.zeros(tried), np.full(tried, -np.inf), np.zeros(tried), np.ones(tried)
    power = np.array([w * np.sum(s**2, axis=0) for w, _, _, s in parts])
    product = np.array([w * (s.T @ y) for w, _, y, s in parts])
    whole = np.maximum(power.sum(axis=0), 1e-9)
    slope = product.sum(axis=0) / whole
    sums = np.zeros((int(group.max()) + 1, tried))
    weights = np.zeros_like(sums)
    for w, g, y, s in parts:
        np.add.at(sums, g, w * s * (y[:, None] - s * slope))
        np.add.at(weights, g, w * s**2)
    weighty = np.maximum(weights.sum(axis=0) ** 2 / np.maximum(np.sum(weights**2, axis=0), 1e-18), 1.0)
    error = np.sqrt(np.sum(sums**2, axis=0)) / whole
    agree = product / np.maximum(power, 1e-9) <= _AGREE * slope
    share = np.sum(power * agree, axis=0) / whole
    sure = np.where(span > _LEAST_SPAN_DB, -slope / np.maximum(error, 1e-9), -np.inf)
    return -slope * span, sure, share, weighty


def _without_slow(x: NDArray[np.float64], index: NDArray[np.int64], half: int) -> NDArray[np.float64]:
    """Return ``x`` (frames, m) less its mean over the frames at most ``half`` away."""
    sums = np.concatenate([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)])
    low = np.searchsorted(index, index - half)
    high = np.searchsorted(index, index + half, side="right")
    return np.asarray(x - (sums[high] - sums[low]) / (high - low)[:, None])


def _curve(
    floor: NDArray[np.float64], since: NDArray[Any], use: NDArray[np.bool_], index: NDArray[np.int64], half: int
) -> tuple[tuple[float, float], ...]:
    """Return the floor (a low quantile across bands, less slow changes) by time since a loud impact."""
    deviation = np.quantile(floor - np.median(floor, axis=0), 0.3, axis=1)
    deviation = _without_slow(deviation[:, None], index, half)[:, 0]
    place = np.digitize(since, _EDGES_S)
    points = [
        (float(np.median(since[inside])), float(np.median(deviation[inside])))
        for k in range(len(_EDGES_S) + 1)
        if np.count_nonzero(inside := use & (place == k)) >= 6
    ]
    highest = max((v for _, v in points), default=0.0)
    return tuple((round(t, 3), round(v - highest, 2)) for t, v in points)
