"""Where an impact was, from its arrivals at microphones in known places: least squares, an ellipse, the station.

The unknowns are the place and the moment of the impact; each microphone's residual is weighted by its own variance.
The covariance of the solution gives the ellipse; where there are more microphones than unknowns, the residuals of the
run, and the scatter of the places of each station, say by how much it must be widened.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.place.array import REACH_MM, Array
from noisecheck.place.delays import Arrivals
from noisecheck.place.evidence import UNKNOWN, Evidence

__all__ = ["Positions", "arrival_evidence", "fitted_speed", "locate"]

Floats = NDArray[np.float64]

STATION_CAP: Final = 9.0
UNPLACED_CAP: Final = 6.0
CHI2_95_2: Final = 5.991
"""95 % point of the chi-squared distribution with two degrees of freedom."""
_STEPS: Final = 12
_TRIED: Final = 2
_STILL_MM: Final = 0.2  # steps end: the next one would be far shorter still
_TAIL: Final = 0.02
_REDUNDANT: Final = 10
_ALIKE: Final = (5, 10.0)  # impacts at a station from which their scatter speaks, and as many that speak for 1
_EXPLAINED: Final = 8.0
_SCALES: Final = (0.3, 16.0)
_CLEARLY: Final = 3.0
_ROUGH_S: Final = 30e-6  # nothing of a station's arrivals is believed to be known better
_DULL_S: Final = 30e-6
_LOST: Final = 0.03  # share of single arrivals that are off altogether...
_LOST_S: Final = 0.0007  # ... by so much
_ALIKE_SHARE: Final = 0.35  # of the variance: what is off in all arrivals of a station (simulated: 0.2 and more)


@record
class Positions:
    """Places found. Rows are NaN where the place is not known."""

    mm: Floats
    """(n, 2 or 3)."""
    covariance_mm2: Floats
    """Of the place in the plan, (n, 2, 2)."""
    widened: float = 1.0
    """Factor on standard deviations that the residuals of the run asked for."""

    @property
    def ellipse(self) -> Floats:
        """Return (half axis, half axis, angle of the first from x in radians) of the 95 % ellipse, mm, (n, 3)."""
        out = np.full((len(self.mm), 3), np.nan)
        good = np.isfinite(self.covariance_mm2).all(axis=(1, 2))
        values, vectors = np.linalg.eigh(self.covariance_mm2[good])
        out[good, 0] = np.sqrt(CHI2_95_2 * np.maximum(values[:, 1], 0.0))
        out[good, 1] = np.sqrt(CHI2_95_2 * np.maximum(values[:, 0], 0.0))
        out[good, 2] = np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])
        return out


def locate(arrivals: Arrivals, array: Array) -> Positions:
    """Return the places of impacts by weighted least squares (Gauss-Newton, from the stations and the middle).

    Args:
        arrivals: at the array's microphones, in its order.
        array: from :func:`~noisecheck.place.array.array_of`; with fewer than two dimensions every place is unknown.

    Raises:
        InputError: arrivals at another number of microphones.
    """
    n, m = arrivals.seconds.shape
    if m != len(array.position_mm):
        raise InputError(f"arrivals at {m} microphones, but the array has {len(array.position_mm)}")
    d = max(array.dimensions, 2)
    lost = Positions(np.full((n, d), np.nan), np.full((n, 2, 2), np.nan))
    good = np.flatnonzero(np.isfinite(arrivals.seconds).all(axis=1))
    if array.dimensions < 2 or not len(good):
        return lost
    seconds, weight = arrivals.seconds[good], 1.0 / arrivals.variance[good]
    extent = float(np.ptp(np.concatenate([array.position_mm, array.station_mm]), axis=0).max())
    middle = array.position_mm.mean(axis=0)
    # In the plan the height is that of the start: a station's own, elsewhere the stations' mean.
    if d == 2:
        middle = np.array([middle[0], middle[1], array.plane_mm])
    starts = [middle, *array.station_mm]
    starts += [middle + 0.5 * extent * np.array([math.cos(a), math.sin(a), 0.0]) for a in np.arange(6) * math.pi / 3]
    place, covariance = np.full((len(good), 3), np.nan), np.full((len(good), d, d), np.nan)
    best, redundant = np.full(len(good), np.inf), m - d - 1
    # Costs at all starts are cheap; only from the best few is a solution looked for.
    order = np.argsort(_costs(seconds, weight, array.due_s(np.array(starts, np.float64))), axis=1)
    for rank in range(min(_TRIED, len(starts))):
        at = np.array(starts, np.float64)[order[:, rank]]
        # What fits as well as noise lets it fit is not looked for again.
        again = np.flatnonzero(~(best <= max(redundant, 1e-9)))
        if not len(again):
            break
        moving = again
        for _ in range(_STEPS):
            step, _, _ = _step(array, at[moving], seconds[moving], weight[moving], d)
            length = np.linalg.norm(step, axis=1)
            at[moving, :d] += step * np.minimum(1.0, 0.5 * extent / np.maximum(length, 1e-9))[:, None]
            moving = moving[length >= _STILL_MM]
            if not len(moving):
                break
        at = at[again]
        _, inverse, cost = _step(array, at, seconds[again], weight[again], d)
        far = np.linalg.norm(at - middle, axis=1) > 5.0 * extent
        cost = np.where(far | ~np.isfinite(cost), np.inf, cost)
        better = cost < best[again] - 1e-9
        rows = again[better]
        best[rows], place[rows], covariance[rows] = cost[better], at[better], inverse[better]
    found = np.isfinite(best)
    widened = 1.0
    if redundant > 0:
        from scipy.stats import chi2
    if redundant > 0 and found.sum() >= _REDUNDANT:
        widened = math.sqrt(max(float(np.median(best[found])) / float(chi2.median(redundant)), 1.0))
    lost.mm[good[found]] = place[found][:, :d]
    wide, misfit = np.full(len(good), widened**2), None
    if redundant > 0:
        misfit = best / float(chi2.ppf(0.95, redundant))
        # Residuals no noise explains: one arrival of this impact is off, and it cannot be told which.
        own = best / float(chi2.median(redundant))
        wide = np.where(best > widened**2 * float(chi2.ppf(0.95, redundant)), np.maximum(own, wide), wide)
    scale = _scattered(place[:, :2], covariance[:, :2, :2], misfit, array.station_mm[:, :2])
    # What is off at a microphone in all impacts of a station alike shows in no scatter.
    told = np.where(np.isfinite(scale), scale + _ALIKE_SHARE, wide)
    lost.covariance_mm2[good[found]] = (covariance[:, :2, :2] * told[:, None, None])[found]
    return Positions(lost.mm, lost.covariance_mm2, widened)


def _scattered(xy: Floats, covariance: Floats, misfit: Floats | None, station_xy: Floats) -> Floats:
    """Return by how much places scatter beyond their covariances at the station they are at, (n,); NaN at none.

    Onset errors are a mixture whose shares and sizes differ from source to source, and impacts at one station come
    from about one place: 95 % of them must lie within their ellipses about the middle of them all. What scatters much
    more than the residuals explain (``misfit``, 1 where 95 % are as expected) did come from different places.
    """
    out = np.full(len(xy), np.nan)
    known = np.asarray(np.isfinite(xy).all(axis=1) & np.isfinite(covariance).all(axis=(1, 2)))
    if not len(station_xy) or not known.any():
        return out
    away = np.linalg.norm(np.where(known[:, None], xy, 1e9)[:, None] - station_xy, axis=2)
    nearest = away.argmin(axis=1)
    spread = np.sqrt(np.trace(np.where(known[:, None, None], covariance, 0.0), axis1=1, axis2=2))
    near = known & (away.min(axis=1) < 2.0 * REACH_MM + 3.0 * spread)
    for k in range(len(station_xy)):
        rows = np.flatnonzero(near & (nearest == k))
        if len(rows) < _ALIKE[0]:
            continue
        off = xy[rows] - np.median(xy[rows], axis=0)
        squared = np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance[rows]), off)
        scale = float(np.quantile(squared, 0.95)) / CHI2_95_2
        if misfit is not None:
            scale = min(scale, _EXPLAINED * max(float(np.quantile(misfit[rows], 0.95)), 0.5))
        out[rows] = np.clip((len(rows) * scale + _ALIKE[1]) / (len(rows) + _ALIKE[1]), *_SCALES)
    return out


def _costs(seconds: Floats, weight: Floats, due_s: Floats) -> Floats:
    """Return the weighted squared residual of each impact at each place, (n, places), its moment free."""
    total = weight.sum(axis=1, keepdims=True)
    off = (weight * seconds).sum(axis=1, keepdims=True) - weight @ due_s.T
    squared = (weight * seconds**2).sum(axis=1, keepdims=True) - 2.0 * (weight * seconds) @ due_s.T
    return np.asarray(squared + weight @ (due_s**2).T - off**2 / total, np.float64)


def _step(array: Array, at: Floats, seconds: Floats, weight: Floats, d: int) -> tuple[Floats, Floats, Floats]:
    """Return (Gauss-Newton step (n, d), covariance of the place (n, d, d), weighted squared residual (n,))."""
    way = at[:, None, :] - array.position_mm
    distance = np.maximum(np.linalg.norm(way, axis=2), 1.0)
    gradient = way[:, :, :d] / distance[:, :, None] / 1e3 / array.speed_mps
    off = seconds - distance / 1e3 / array.speed_mps
    total = weight.sum(axis=1, keepdims=True)
    # The moment of the impact is eliminated: everything is taken about its weighted mean.
    off = off - (weight * off).sum(axis=1, keepdims=True) / total
    gradient = gradient - (weight[:, :, None] * gradient).sum(axis=1, keepdims=True) / total[:, :, None]
    normal = np.einsum("nmi,nm,nmj->nij", gradient, weight, gradient)
    scale = np.trace(normal, axis1=1, axis2=2)[:, None, None]
    normal = normal + 1e-9 * scale * np.eye(d) + 1e-12 * np.eye(d)
    inverse = np.linalg.inv(normal)
    step = np.einsum("nij,nmj,nm,nm->ni", inverse, gradient, weight, off)
    return step, inverse, np.asarray((weight * off**2).sum(axis=1))


def fitted_speed(arrivals: Arrivals, array: Array) -> Array:
    """Return the array with the speed (100 to 1600 m/s) at which arrivals fit the stations best, for contact pickups.

    With fewer than ten impacts or two placed stations the speed is left as it is.
    """
    if len(arrivals) < _REDUNDANT or len(array.stations) < 2:
        return array
    tried = [replace(array, speed_mps=float(c)) for c in np.geomspace(100.0, 1600.0, 49)]

    def fit(candidate: Array) -> float:
        each = [_fit(arrivals, candidate, place, 1.0) for place in candidate.station_mm]
        return float(np.nanmedian(np.max(each, axis=0)))

    return max(tried, key=fit)


def arrival_evidence(arrivals: Arrivals, array: Array, stations: Sequence[str], *, widened: float = 1.0) -> Evidence:
    """Return what arrivals say of the stations: how well each one's due times fit, within its reach.

    Works with two microphones too, where places cannot be found. Stations without a position are left open.

    Args:
        arrivals: at the array's microphones.
        array: from :func:`~noisecheck.place.array.array_of`.
        stations: stations of the answer.
        widened: from :func:`locate`, factor on the standard deviations.
    """
    n, m = arrivals.seconds.shape
    heard = np.isfinite(arrivals.seconds).all(axis=1)
    none = np.full(n, -(m - 1) * math.log(2.0 * max(array.longest_s, 1e-4)))
    likelihood = np.repeat(none[:, None] + UNKNOWN, len(stations), axis=1)
    for k, name in enumerate(array.stations):
        if name not in stations:
            continue
        fit = _fit(arrivals, array, array.station_mm[k], widened)
        fit = np.where(heard, _but_one(fit, none, arrivals, array, array.station_mm[k], widened), none)
        likelihood[:, list(stations).index(name)] = np.logaddexp(fit + math.log(1.0 - _TAIL), none + math.log(_TAIL))
    likelihood[~heard], none[~heard] = 0.0, 0.0
    evidence = Evidence(tuple(stations), likelihood, none, array.notes)
    return evidence.capped(stations=STATION_CAP, unplaced=UNPLACED_CAP)


def _but_one(fit: Floats, none: Floats, arrivals: Arrivals, array: Array, place_mm: Floats, widened: float) -> Floats:
    """Return the fits with what does not fit tried again without each microphone in turn.

    Of dull impacts one arrival may be lost altogether; clear ones that do not fit come from elsewhere.
    """
    m = arrivals.seconds.shape[1]
    dull = np.median(arrivals.variance, axis=1) > _DULL_S**2
    rows = np.flatnonzero(dull & (fit < none + _CLEARLY))
    if m < 4 or not len(rows):
        return fit
    some = Arrivals(arrivals.seconds[rows], arrivals.variance[rows] * widened**2)
    best = fit[rows] + math.log1p(-m * _LOST)
    for i in range(m):
        lost = some.variance.copy()
        lost[:, i] += _LOST_S**2
        best = np.logaddexp(best, _fit(Arrivals(some.seconds, lost), array, place_mm, 1.0) + math.log(_LOST))
    out = fit.copy()
    out[rows] = best
    return out


def _fit(arrivals: Arrivals, array: Array, place_mm: Floats, widened: float) -> Floats:
    """Return the log density of the arrivals if all came from within reach of one place, (n,)."""
    variance = arrivals.variance * widened**2 + _ROUGH_S**2
    way = place_mm - array.position_mm
    slope = way / np.maximum(np.linalg.norm(way, axis=1), 1.0)[:, None] / 1e3 / array.speed_mps
    # Differences from the first microphone: impacts anywhere within reach move all arrivals together.
    moved = 0.5 * REACH_MM * (slope[1:] - slope[0])
    off = arrivals.seconds - array.due_s(place_mm)
    off = off[:, 1:] - off[:, :1]
    spread = (
        np.broadcast_to(moved @ moved.T + 1e-14 * np.eye(len(moved)), (len(off), len(moved), len(moved)))
        + variance[:, 0, None, None]
    )
    at = np.arange(len(moved))
    spread[:, at, at] += variance[:, 1:]
    inverse = np.linalg.inv(np.where(np.isfinite(spread), spread, np.eye(len(moved))))
    fit = -0.5 * np.einsum("ni,nij,nj->n", off, inverse, off) + 0.5 * np.linalg.slogdet(inverse)[1]
    return np.asarray(fit - 0.5 * len(moved) * math.log(2.0 * math.pi), np.float64)
