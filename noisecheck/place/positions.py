"""Where an impact was, from its arrivals at microphones in known places: least squares, an ellipse, the station.

The unknowns are the place and the moment of the impact; each microphone's residual is weighted by its own variance.
The covariance of the solution gives the ellipse; where there are more microphones than unknowns, the residuals of the
run, and the scatter of the places of each station, say by how much it must be widened.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.place.delays import Arrivals
from noisecheck.place.evidence import UNKNOWN, Evidence

__all__ = ["Array", "Positions", "array_of", "arrival_evidence", "fitted_speed", "locate", "sound_speed_mps"]

Floats = NDArray[np.float64]

STATION_CAP: Final = 9.0
UNPLACED_CAP: Final = 6.0
CHI2_95_2: Final = 5.991
"""95 % point of the chi-squared distribution with two degrees of freedom."""
BENDING_MPS: Final = 400.0
"""Middle of 196 to 620 m/s, bending waves of 3 mm acrylic from 1 to 10 kHz (thin-plate theory)."""
REACH_MM: Final = 40.0
"""Impacts at a station lie within about so much of its stated place (two standard deviations)."""
_SAME_MM: Final = 5.0
_LEAST_MM: Final = 10.0  # a whole array within this was given in metres
_FLAT: Final = 0.05
_STEPS: Final = 12
_TRIED: Final = 2
_STILL_MM: Final = 0.2  # steps end: the next one would be far shorter still
_TAIL: Final = 0.02
_APART: Final = 2.0
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


def sound_speed_mps(temperature_c: float) -> float:
    """Return the speed of sound in air, ``331.3 sqrt(1 + T / 273.15)`` m/s."""
    return 331.3 * math.sqrt(1.0 + temperature_c / 273.15)


@dataclass(frozen=True)
class Array:
    """Air microphones in known places, and what they cannot tell apart."""

    channels: tuple[int, ...]
    position_mm: Floats
    """(m, 3)."""
    speed_mps: float
    plane_mm: float
    """Height in which impacts are looked for where the array cannot tell heights."""
    dimensions: int
    """3, 2, or 1 where there is only a hyperbola (two microphones) or a mirror image (all in a line)."""
    stations: tuple[str, ...]
    station_mm: Floats
    """Places of the stations that have one, (stations, 3)."""
    notes: tuple[str, ...] = ()

    @property
    def longest_s(self) -> float:
        """Longest time sound takes from one microphone to another."""
        apart = np.linalg.norm(self.position_mm[:, None] - self.position_mm[None], axis=2)
        return float(apart.max()) / 1e3 / self.speed_mps

    def due_s(self, place_mm: Floats) -> Floats:
        """Return travel times from places (..., 3) to the microphones, (..., m)."""
        way = np.linalg.norm(place_mm[..., None, :] - self.position_mm, axis=-1)
        return np.asarray(way / 1e3 / self.speed_mps, np.float64)


@dataclass(frozen=True)
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


def _three(position: Sequence[float]) -> list[float]:
    return [*position, 0.0][:3]


def array_of(rig: Rig, *, kind: Literal["air", "contact"] = "air", without: Collection[int] = ()) -> Array | None:
    """Return the array of a rig's microphones of one kind with positions, or None with fewer than two places.

    Contact pickups hear bending waves, whose speed the rig does not say: see :func:`fitted_speed`. Microphones on the
    channels ``without`` are left out.

    Raises:
        InputError: positions that must have been given in metres.
    """
    placed = [m for m in rig.microphones if m.kind == kind and m.position_mm is not None and m.channel not in without]
    everything = [_three(m.position_mm) for m in placed if m.position_mm is not None]
    where = {s.name: _three(s.position_mm) for s in rig.stations if s.position_mm is not None}
    if len(everything) < 2:
        return None
    cloud = np.array(everything, np.float64)
    whole = np.concatenate([cloud, np.array(list(where.values()), np.float64).reshape(-1, 3)])
    reach = float(np.ptp(whole, axis=0).max())
    if 0.0 < reach < _LEAST_MM:
        raise InputError(
            f"position_mm: microphones and stations lie within {reach:g} mm of each other: were they given in metres?"
        )
    notes: list[str] = []
    keep: list[int] = []
    for i in range(len(cloud)):
        twin = next((k for k in keep if np.linalg.norm(cloud[i] - cloud[k]) < _SAME_MM), None)
        if twin is None:
            keep.append(i)
        else:
            notes.append(
                f"microphones {placed[twin].channel} and {placed[i].channel} stand in the same place: their arrival "
                "times tell nothing apart, so only the first is used"
            )
    if len(keep) < 2:
        return None
    cloud = cloud[keep]
    spread = np.linalg.svd(cloud - cloud.mean(axis=0), compute_uv=False)
    rank = int((spread > max(_FLAT * spread[0], _SAME_MM)).sum())
    heights = [p[2] for p in where.values()] or cloud[:, 2].tolist()
    dimensions = (
        3 if rank == 3 and len(cloud) >= 5 and _has_height(rig, kind) else (2 if len(cloud) >= 3 and rank >= 2 else 1)
    )
    speed = sound_speed_mps(rig.rig.temperature_c) if kind == "air" else BENDING_MPS
    made = Array(
        tuple(placed[i].channel for i in keep), cloud, speed, float(np.mean(heights)), dimensions,
        tuple(where), np.array(list(where.values()), np.float64).reshape(-1, 3), tuple(notes),
    )  # fmt: skip
    return replace(made, notes=(*notes, *_blind_spots(made)))


def _has_height(rig: Rig, kind: str) -> bool:
    return all(m.position_mm is not None and len(m.position_mm) == 3 for m in rig.microphones if m.kind == kind)


def _blind_spots(array: Array) -> list[str]:
    notes = []
    if array.dimensions == 1 and len(array.position_mm) == 2:
        notes.append(
            "two microphones give one time difference, a hyperbola: stations can be told apart, places not be found"
        )
    elif array.dimensions == 1:
        notes.append("the microphones stand in a line: a place and its mirror image across that line sound alike")
    due = array.due_s(array.station_mm)
    due = due - due.mean(axis=1, keepdims=True)
    blur = 0.5 * REACH_MM / 1e3 / array.speed_mps
    for a in range(len(array.stations)):
        for b in range(a + 1, len(array.stations)):
            if np.sqrt(((due[a] - due[b]) ** 2).sum()) < _APART * blur:
                notes.append(
                    f"arrival times cannot tell '{array.stations[a]}' from '{array.stations[b]}': sound takes the same "
                    "times from both to these microphones"
                )
    return notes


def locate(arrivals: Arrivals, array: Array) -> Positions:
    """Return the places of impacts by weighted least squares (Gauss-Newton, from the stations and the middle).

    Args:
        arrivals: at the array's microphones, in its order.
        array: from :func:`array_of`; with fewer than two dimensions every place is unknown.

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
        array: from :func:`array_of`.
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
