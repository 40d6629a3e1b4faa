"""Placing by sound: what each station sounds like, taught by taps or by runs at one known station.

A station's sound is the shape of its band levels and its decay; the level is free, so a quiet drop at the landing is
still the landing. Residuals share one covariance, shrunk towards a multiple of the identity (Ledoit and Wolf,
J. Multivariate Anal. 88 (2004) 365); the squared Mahalanobis distance, scaled by what taps left out of the teaching
showed, gives the likelihood of each station and, beyond a distance hardly any left-out tap reached, of none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.units import from_power_db, power_db
from noisecheck.place.spectra import BANDS, Sounds

__all__ = ["LEAST_TAPS", "SESSION_DB", "SoundModel", "calibrated", "fit_sounds", "own_bands"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_TAPS: Final = 5
"""A station needs as many impacts to be taught."""
_SIZE: Final = BANDS + 1
_LEVEL: Final = np.append(np.ones(BANDS), 0.0)  # how a change of level moves the values; decay stays
_FREE_DB: Final = 30.0  # spread of levels: as good as any
_FLOOR_DB: Final = 6.0  # spread of what is left of the background in a band
_BAND_DB: Final = 0.7
SESSION_DB: Final = 1.0
"""Spread of a band between sessions where it was not taught (microphone set up anew)."""
_OWN_BANDS: Final = 4.0
_DOUBT: Final = 0.5  # factor on the log likelihood ratio of "none": tails are heavier than normal
_SEEN: Final = 0.3
_CHUNK: Final = 512
_MOST_CAP: Final = 9.0
_PASSED: Final = 99.0  # percentile of left-out impacts that must not be called foreign
_FEW: Final = 3.0  # the fewer impacts, the less is known of how far they may stray
_LIMITS: Final = (2.0, 8.0)
_TEMPERATURES: Final = (1.0, 0.7, 0.5, 0.35, 0.25, 0.18, 0.12, 0.09)


@record
class SoundModel:
    """What the classes (stations, or treatments of stations) sound like."""

    mean: Floats
    """Band shapes and decay in dB, (classes, 31)."""
    covariance: Floats
    """Of the residuals of all classes, (31, 31)."""
    seen: Floats
    """How far above the background the teaching was, 0 to 1; below 0.3 a mean is an upper bound, (classes, 31). Of the
    decay, what is known of its mean: ``n / (n + 1)`` where it was measured ``n`` times."""
    scale: Floats
    """How much wider than that each class is, (classes,)."""
    limit: float = 3.0
    """Scaled squared distance for each degree of freedom beyond which an impact is none of them."""
    temperature: float = 1.0
    """Factor on log likelihood ratios of classes that makes left-out probabilities come true."""

    def widened(self, spread_db: float) -> SoundModel:
        """Return the model with so much independent spread added to every band (standard deviation)."""
        return replace(self, covariance=self.covariance + spread_db**2 * np.eye(len(self.covariance)))

    def log_likelihood(self, sounds: Sounds) -> tuple[Floats, Floats]:
        """Return (log likelihood of each class (n, classes), of none of them (n,))."""
        squared, freedom = self.distances(sounds)
        own = -0.5 * (squared / self.scale + freedom[:, None] * np.log(self.scale))
        none = -0.5 * freedom * (self.limit + np.log(self.scale)[own.argmax(axis=1)])
        best = own.max(axis=1)
        return self.temperature * (own - best[:, None]), _DOUBT * (none - best)

    def distances(self, sounds: Sounds) -> tuple[Floats, Floats]:
        """Return (squared Mahalanobis distance to each class (n, classes), degrees of freedom (n,))."""
        value, floor, share = _values(sounds)
        sure = np.column_stack([sounds.least_share, share[:, BANDS]])
        squared = np.empty((len(value), len(self.mean)))
        for at in range(0, len(value), _CHUNK):
            part = slice(at, at + _CHUNK)
            squared[part] = self._squared(value[part], floor[part], share[part], sure[part])
        known = floor > -np.inf
        rest = 0.5 * ((1.0 - share) ** 2 * known).sum(axis=1)
        return squared, np.maximum((share**2).sum(axis=1) + rest - 1.0, 1.0)

    def _squared(self, value: Floats, floor: Floats, share: Floats, sure: Floats) -> Floats:
        # What may be the background's is as uncertain as that: taps and run seldom stand out of it alike.
        spread = sure[:, :, None] * self.covariance * sure[:, None, :]
        level = share * _LEVEL
        spread += _FREE_DB**2 * level[:, :, None] * level[:, None, :]
        diagonal = np.arange(_SIZE)
        spread[:, diagonal, diagonal] += (1.0 - sure) ** 2 * _FLOOR_DB**2 + 0.25
        weight = share**2 * _LEVEL
        total = np.maximum(weight.sum(axis=1), 1e-9)
        known = floor > -np.inf
        below = from_power_db(floor)
        off = np.empty((len(value), _SIZE, len(self.mean)))
        for k, mean in enumerate(self.mean):
            level_db = (weight * (value - mean)).sum(axis=1) / total
            for _ in range(2):
                level_db += (weight * (value - _expected(level_db, mean, below))).sum(axis=1) / total
            rest = np.where(known | (share > 0), value - _expected(level_db, mean, below), 0.0)
            off[:, :, k] = np.where((rest < 0) & (self.seen[k] < _SEEN), rest * self.seen[k], rest)
            off[:, BANDS, k] *= np.sqrt(self.seen[k, BANDS])  # a mean of n is as far off as 1 / n more variance
        return np.asarray((off * np.linalg.solve(spread, off)).sum(axis=1), np.float64)


def _expected(level_db: Floats, mean: Floats, below: Floats) -> Floats:
    """Return the values a class would show at these levels above this background, (n, 31)."""
    out = level_db[:, None] * _LEVEL + mean
    out[:, :BANDS] = power_db(from_power_db(out[:, :BANDS]) + below[:, :BANDS])
    return out


def _values(sounds: Sounds) -> tuple[Floats, Floats, Floats]:
    """Return (values, background, own share), each (n, 31): 30 bands and the decay; no background is -inf."""
    carried, measured = np.isfinite(sounds.level_db), np.isfinite(sounds.decay_db)
    value = np.column_stack([np.where(carried, sounds.level_db, 0.0), np.where(measured, sounds.decay_db, 0.0)])
    floor = np.column_stack([np.where(carried, sounds.floor_db, -np.inf), np.full(len(sounds), -np.inf)])
    return value, floor, np.column_stack([sounds.share, measured.astype(np.float64)])


def own_bands(sounds: Sounds) -> Floats:
    """Return how many bands of each impact are its own rather than the background's, (n,)."""
    return np.asarray((sounds.share**2).sum(axis=1), np.float64)


def fit_sounds(sounds: Sounds, classes: Ints, count: int) -> SoundModel:
    """Return a model of ``count`` classes, not yet calibrated (see :func:`calibrated`).

    Args:
        sounds: taught impacts.
        classes: class of each, (n,).
        count: number of classes; each needs an impact with bands of its own.
    """
    from sklearn.covariance import ledoit_wolf

    good = own_bands(sounds) > _OWN_BANDS
    value, _, share = _values(sounds.where(good))
    of = classes[good]
    weight = share**2
    level = power_db((from_power_db(value[:, :BANDS]) * weight[:, :BANDS]).sum(axis=1))
    mean, seen = np.zeros((count, _SIZE)), np.zeros((count, _SIZE))
    for _ in range(4):
        for k in range(count):
            rows = of == k
            total = weight[rows].sum(axis=0)
            shape = (weight[rows] * (value[rows] - level[rows, None] * _LEVEL)).sum(axis=0) / np.maximum(total, 1e-6)
            mean[k] = np.where(total > 1e-3, shape, -60.0 * _LEVEL)
            seen[k] = share[rows].mean(axis=0)
            decays = share[rows, BANDS].sum()
            seen[k, BANDS] = decays / (decays + 1.0)
        pull = weight * _LEVEL
        level = (pull * (value - mean[of])).sum(axis=1) / pull.sum(axis=1)
    off = (value - level[:, None] * _LEVEL - mean[of]) * share / np.sqrt(np.maximum(weight.mean(axis=0), 1e-3))
    covariance, _ = ledoit_wolf(off, assume_centered=True)
    covariance = covariance * len(off) / max(len(off) - count, 1)
    return SoundModel(mean, covariance, seen, np.ones(count)).widened(_BAND_DB)


def calibrated(model: SoundModel, squared: Floats, freedom: Floats, classes: Ints, station_of: Ints) -> SoundModel:
    """Return the model with scales, limit and temperature from distances of impacts left out of its teaching.

    Args:
        model: fitted to all impacts.
        squared: squared distance of each impact to each class of a model taught without it, (n, classes).
        freedom: degrees of freedom, (n,).
        classes: true class of each, (n,).
        station_of: station of each class, (classes,).
    """
    own = squared[np.arange(len(classes)), classes] / freedom
    scale = np.ones(len(model.mean))
    middle = float(np.median(own))
    for k in range(len(scale)):
        mine = own[classes == k]
        # Few impacts say little of their own spread: ten of the common kind are added.
        scale[k] = (len(mine) * (np.median(mine) if len(mine) else middle) + 10 * middle) / (len(mine) + 10)
    scale = np.maximum(scale, 0.02)
    limit = float(np.clip(np.percentile(own / scale[classes], _PASSED) * (1.0 + _FEW / np.sqrt(len(own))), *_LIMITS))
    logs = -0.5 * (squared / scale + freedom[:, None] * np.log(scale))
    stations = int(station_of.max()) + 1
    by_station = np.stack([logs[:, station_of == s].max(axis=1) for s in range(stations)], axis=1)
    truth = by_station[np.arange(len(classes)), station_of[classes]]
    by_station = by_station - by_station.max(axis=1, keepdims=True)
    loss = []
    for t in _TEMPERATURES:
        total = np.log(np.exp(np.maximum(t * by_station, -_MOST_CAP)).sum(axis=1))
        lead = np.maximum(t * (truth - logs.max(axis=1)), -_MOST_CAP)
        loss.append(float((total - lead).mean()))
    best = _TEMPERATURES[int(np.argmin(np.array(loss) + 1e-6 * np.arange(len(loss))))]
    return replace(model, scale=scale, limit=limit, temperature=best)
