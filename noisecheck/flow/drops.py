"""Drops and rebounds: what the intervals of one ball's fall tell of it.

For a ball that rebounds with restitution e, intervals shrink as ``T2 = e T1`` and the height of the fall follows
from the sound alone, ``h0 = g T1^4 / (8 T2^2)``. Derivation: T = 2 v / g for a flight that leaves at speed v, and
v1 = e sqrt(2 g h0). Air drag and spin are left out: light balls read several per cent high (table tennis +2 to +7 %).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.order import distinct, median, robust_sd

__all__ = [
    "G_MPS2",
    "Drops",
    "describe_drops",
    "heard_height_m",
    "odd_drops",
]

G_MPS2: Final = 9.80665
"""Standard acceleration of free fall, 3rd CGPM 1901 (from memory)."""


def heard_height_m(t1_s: ArrayLike, t2_s: ArrayLike) -> NDArray[np.float64]:
    """Return the height in m a ball fell from before its first contact, from its first two intervals in s.

    ``h0 = g T1^4 / (8 T2^2)``, same shape as the inputs; NaN where an interval is not above 0.
    """
    t1, t2 = np.asarray(t1_s, np.float64), np.asarray(t2_s, np.float64)
    good = (t1 > 0) & (t2 > 0)
    return np.where(good, G_MPS2 * t1**4 / (8.0 * np.where(good, t2, 1.0) ** 2), np.nan)


@dataclass(frozen=True)
class Drops:
    """One row a drop, all arrays of shape (drops,); NaN where the drop has too few rebounds."""

    drop: NDArray[np.int64]
    time_s: NDArray[np.float64]
    """First contact."""
    station: NDArray[np.int64]
    contacts: NDArray[np.int64]
    t1_s: NDArray[np.float64]
    t2_s: NDArray[np.float64]
    restitution: NDArray[np.float64]
    """``T2 / T1``: restitution at the first rebound's landing."""
    restitution_all: NDArray[np.float64]
    """The same from all intervals together (constant e, straight line through their logarithms)."""
    height_m: NDArray[np.float64]
    """Height the sound tells, ``g T1^4 / (8 T2^2)``."""
    height_sd_m: NDArray[np.float64]
    """Its standard uncertainty, from timing and from the scatter of the restitution."""
    scatter: NDArray[np.float64]
    """Relative scatter of the intervals about a constant restitution (needs 3 intervals)."""

    def __len__(self) -> int:
        return len(self.drop)


def describe_drops(
    time_s: ArrayLike,
    drop: ArrayLike,
    rebound: ArrayLike,
    station: ArrayLike = -1,
    *,
    timing_sd_s: float = 5e-4,
    restitution_scatter: float = 0.01,
) -> Drops:
    """Return what the intervals of each drop tell.

    Args:
        time_s, drop, rebound: (n,) as in the impact table; rows of drop -1 are left out.
        station: (n,) codes or one for all.
        timing_sd_s: standard uncertainty of one contact time.
        restitution_scatter: relative scatter of the restitution from contact to contact, where a drop has too few
            intervals to show its own (0.01: the golf balls on marble of tests/references).

    Raises:
        InputError: arrays of different lengths.
    """
    t, d, r = (np.asarray(v) for v in (time_s, drop, rebound))
    if not t.shape == d.shape == r.shape:
        raise InputError(f"times {t.shape}, drops {d.shape} and rebounds {r.shape} must be equally long")
    s = np.broadcast_to(np.asarray(station, np.int64), t.shape)
    keep = np.flatnonzero(d >= 0)
    order = keep[np.lexsort((r[keep], d[keep]))]
    t, d, r, s = t[order].astype(np.float64), d[order], r[order], s[order]
    first = np.flatnonzero(np.r_[True, d[1:] != d[:-1]]) if d.size else np.empty(0, np.int64)
    count = np.diff(np.r_[first, d.size])
    t1, t2 = np.full(len(first), np.nan), np.full(len(first), np.nan)
    for k, column in ((1, t1), (2, t2)):
        rows = np.flatnonzero(count > k)
        # A rebound that was not heard leaves a hole in the numbers: then there is no such interval.
        whole = (r[first[rows] + k] == k) & (r[first[rows] + k - 1] == k - 1)
        column[rows[whole]] = (t[first[rows] + k] - t[first[rows] + k - 1])[whole]
    e = t2 / t1
    e_all, scatter = e.copy(), np.full(len(first), np.nan)
    whole = r[np.r_[first[1:], r.size][: len(first)] - 1] - r[first] == count - 1 if len(first) else np.empty(0, bool)
    for row_count in distinct(count[(count > 3) & whole]):
        rows = np.flatnonzero((count == row_count) & whole)
        log_t = np.log(np.diff(t[first[rows, None] + np.arange(row_count)], axis=1))
        n = np.arange(row_count - 1) - (row_count - 2) / 2.0
        slope = log_t @ n / (n @ n)
        rest = log_t - log_t.mean(axis=1, keepdims=True) - slope[:, None] * n
        e_all[rows] = np.exp(slope)
        scatter[rows] = np.sqrt(np.sum(rest**2, axis=1) / max(row_count - 3, 1))
    height = heard_height_m(t1, t2)
    # ln h = 4 ln T1 - 2 ln T2, and the middle contact is in both; e's own scatter enters through T2.
    timing = np.sqrt((4 / t1) ** 2 + (4 / t1 + 2 / t2) ** 2 + (2 / t2) ** 2) * timing_sd_s
    own = np.where(np.isnan(scatter), restitution_scatter, np.maximum(scatter, restitution_scatter))
    return Drops(
        drop=d[first].astype(np.int64),
        time_s=t[first],
        station=s[first].astype(np.int64),
        contacts=count.astype(np.int64),
        t1_s=t1,
        t2_s=t2,
        restitution=e,
        restitution_all=e_all,
        height_m=height,
        height_sd_m=height * np.hypot(timing, 2.0 * own),
        scatter=scatter,
    )


def odd_drops(drops: Drops, *, group: ArrayLike | None = None, score: float = 3.5) -> NDArray[np.bool_]:
    """Return which drops do not belong with their neighbours, shape (drops,).

    Modified z-scores ``0.6745 (x - median) / MAD`` above ``score`` (Iglewicz & Hoaglin 1993, 3.5): of the logarithm of
    the height within a group (station by default; give the stated height where it changes), and of the scatter of the
    intervals over all. A spread below the drops' own uncertainty is taken as that, so that alike drops do not make odd
    ones. Fewer than 4 drops have no outliers.
    """
    groups = np.asarray(drops.station if group is None else group)
    odd = np.zeros(len(drops), bool)
    for value in distinct(groups):
        rows = np.flatnonzero((groups == value) & (drops.height_m > 0))
        if len(rows) >= 4:
            own = max(0.02, median(drops.height_sd_m[rows] / drops.height_m[rows]))
            odd[rows] |= np.abs(_modified_z(np.log(drops.height_m[rows]), own)) > score
    rows = np.flatnonzero(np.isfinite(drops.scatter))
    if len(rows) >= 4:
        odd[rows] |= _modified_z(drops.scatter[rows], 0.005) > score
    return odd


def _modified_z(x: NDArray[np.float64], least_sd: float) -> NDArray[np.float64]:
    off = x - median(x)
    return np.asarray(off / max(robust_sd(off, 0.0), least_sd))
