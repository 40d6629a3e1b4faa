"""From copies found or not to how faint an impact may be and what share of the run's impacts is heard.

All by sums over grids of what is likely: no search that could end elsewhere, the same figures every time.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record

__all__ = ["KNOWN_SHARE", "LEAST_KNOWN", "SURE_Z", "Curve", "NearBy", "Span", "curve_of", "loud_enough", "share_of"]

Floats = NDArray[np.float64]
SURE_Z: Final = 3.0902
"""99.9 % of a normal distribution lie below so many standard deviations."""
_WIDTH_DB: Final = (2.5, 0.8)
"""Width of the curve believed before anything is tried, and the natural log of the factor it may well be off."""
_STRETCH: Final = np.exp(0.3 * np.array([NormalDist().inv_cdf((k + 0.5) / 9) for k in range(9)]))
"""Factors by which the curve's ends may be further from its middle than the width tells: thresholds are hardly normal
that far out."""
_ALIKE: Final = 1.5
"""So many copies tell as much as one that were independent of the others: they are of few impacts, in few pieces."""
_WIDTHS_DB: Final = np.geomspace(0.3, 20.0, 24)
_MIDDLES: Final = 41
_Z: Final = np.linspace(-1.5, 9.0, 61)
_SPREADS: Final = np.geomspace(0.35, 7.0, 24)
_NODES: Final = (np.arange(5) + 0.5) / 5
_LEAST_SPREAD_DB: Final = 0.5
_CURVES: Final = 48
_DRAWS: Final = 4 * _CURVES
_MOST_LEVELS: Final = 250
"""Levels are never just what they are taken to be: more of them would make too sure."""
LEAST_KNOWN: Final = 8
"""Levels needed to tell of a shape at all..."""
KNOWN_SHARE: Final = 1 / 3
"""... and so many of all: where nearly all drown, the few that do not tell nothing of the rest."""
_LEAST_LOW: Final = 16
"""So many of the lowest levels known, fewer would not show how far levels spread, or..."""
_TOLD_BY: Final = 0.3
"""... of the levels heard so many, the lowest, tell how many lie below what can be heard: levels are seldom normal as a
whole, and what is far above the limit tells little of what is below."""
_BOUND: Final = (0.9, 0.1)
"""Where levels are not known, of those below this part of them, and of all levels, no more is told than how many they
are: what a faint one seems to be is noise."""


@record
class Span:
    """A figure and the ends of its interval."""

    value: float
    low: float
    high: float


@record
class Curve:
    """What is likely of the curve of found against level: a normal distribution of thresholds.

    ``middle`` (dB, rows), ``width`` (dB, columns) and their probability.
    """

    middle: Floats
    width: Floats
    weight: Floats

    def at(self, z: float) -> Span:
        """Return the level ``z`` widths above the middle, with its 95 % interval."""
        level = (self.middle[:, None, None] + z * self.width[None, :, None] * _STRETCH).ravel()
        order = np.argsort(level, kind="stable")
        total = np.cumsum(np.repeat(self.weight.ravel() / len(_STRETCH), len(_STRETCH))[order])
        low, value, high = np.interp([0.025, 0.5, 0.975], total, level[order])
        return Span(float(value), float(low), float(high))

    def draws(self, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Return ``count`` middles and widths as likely as they are."""
        index = _drawn(self.weight.ravel(), count, rng)
        row, column = np.divmod(index, len(self.width))
        return self.middle[row], self.width[column]


def _drawn(weight: Floats, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return indices drawn evenly through a distribution, in random order."""
    at = (np.arange(count) + rng.random(count)) / count
    index = np.searchsorted(np.cumsum(weight), at * weight.sum())
    return rng.permutation(np.minimum(index, len(weight) - 1))


def _normed(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def curve_of(level_db: Floats, found: NDArray[np.bool_]) -> Curve:
    """Return what copies in the clear say of the curve.

    Args:
        level_db: of each copy, (n,).
        found: whether it was found, (n,).
    """
    from scipy.special import log_ndtr

    width = _WIDTHS_DB
    prior = -0.5 * ((np.log(width) - np.log(_WIDTH_DB[0])) / _WIDTH_DB[1]) ** 2
    sign = np.where(found, 1.0, -1.0)
    low, high = float(level_db.min()) - 8.0, float(level_db.max()) + 8.0
    for _ in range(3):  # ever closer to where it is
        middle = np.linspace(low, high, _MIDDLES)
        z = sign * (level_db - middle[:, None, None]) / width[None, :, None]
        weight = _normed(log_ndtr(z).sum(axis=2) / _ALIKE + prior)
        likely = np.flatnonzero(weight.sum(axis=1) > 1e-5)
        low, high = middle[max(likely[0] - 1, 0)], middle[min(likely[-1] + 1, _MIDDLES - 1)]
    return Curve(middle, width, weight)


def loud_enough(curve: Curve, level_db: Floats, known: NDArray[np.bool_], rng: np.random.Generator) -> Floats:
    """Return draws of the share of impacts, away from others, that is loud enough to be heard.

    Levels are taken to be normal in their lower part, where the curve leaves out the faint ones; so many of them were
    left out as the shape of the rest tells (a truncated normal distribution).

    Args:
        curve: of copies some time after other impacts.
        level_db: levels of the impacts heard so, (n,).
        known: which of them are no mere upper bounds, (n,): ``LEAST_KNOWN`` at least.
        rng: for the draws.
    """
    from scipy.special import log_ndtr, ndtr, ndtri

    middle, width = curve.draws(_CURVES, rng)
    if len(level_db) > _MOST_LEVELS:
        order = np.argsort(level_db, kind="stable")
        some = order[np.linspace(0, len(order) - 1, _MOST_LEVELS).round().astype(np.int64)]
        level_db, known = level_db[some], known[some]
    bound = _bound_of(level_db, known)
    told = level_db[known & (level_db > bound)]
    under = int((level_db <= bound).sum())
    top = max(float(np.quantile(level_db, _TOLD_BY)), float(np.sort(told)[min(_LEAST_LOW, len(told)) - 1]))
    low = told[told <= top]
    spread = max(float(np.std(low)), _LEAST_SPREAD_DB) * _SPREADS
    at = rng.random((_CURVES, _DRAWS // _CURVES))
    share = np.empty_like(at)
    left_out = (len(told) + under) * log_ndtr(_Z)[:, None]
    for k in range(_CURVES):
        wide = np.hypot(spread, width[k])
        mean = middle[k] + _Z[:, None] * wide
        square = np.sum(low**2) - 2.0 * mean * low.sum() + len(low) * mean**2
        fits = -len(low) * np.log(spread) - 0.5 * square / spread**2
        fits += (len(told) - len(low)) * log_ndtr((mean - top) / spread) - left_out
        if under:  # heard, at some level below the bound
            part = np.maximum(ndtr((bound - mean) / spread), 1e-12)
            level = mean[..., None] + spread[:, None] * ndtri(part[..., None] * _NODES)
            heard = part * ndtr((level - middle[k]) / width[k]).mean(axis=-1)
            fits += under * np.log(np.maximum(heard, 1e-300))
        weight = np.cumsum(_normed(fits).sum(axis=1))
        share[k] = ndtr(np.interp(at[k], weight, _Z))
    return share.ravel()


def _bound_of(level_db: Floats, known: NDArray[np.bool_]) -> float:
    """Return the level down to which levels are told one by one; ``LEAST_KNOWN`` known ones lie above it."""
    if known.all():
        return -np.inf
    part, low = _BOUND
    left = np.sort(level_db[known])[-min(LEAST_KNOWN, int(known.sum()))]
    bound = min(float(np.quantile(level_db[~known], part)), float(np.quantile(level_db, low)))
    return min(bound, float(np.nextafter(left, -np.inf)))


@record
class NearBy:
    """Impacts that come within a span of time after another one, and copies put there."""

    near: int
    """Impacts heard in the span..."""
    near_s: float
    """... and the time in which they could come."""
    tried: int
    """Copies of levels like the run's own, put into the span..."""
    found: int
    """... and how many of them were found."""

    def came(self, most_per_s: Floats | None, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Return draws of how many a second came and of how many of them were missed.

        How many came is told by those heard, but is not taken to be more than ``most_per_s`` unless they were heard.
        """
        lost = rng.beta(self.tried - self.found + 0.5, self.found + 0.5, _DRAWS)
        near_s = max(self.near_s, 1e-9)
        rate = rng.gamma(self.near + 1.0, 1.0, _DRAWS) / (near_s * np.maximum(1.0 - lost, 1e-3))
        if most_per_s is not None:
            rate = np.minimum(rate, np.maximum(most_per_s, self.near / near_s))
        return rate, rate * near_s * lost


def share_of(loud: Floats, heard: int, near: Sequence[NearBy], rng: np.random.Generator) -> tuple[float, float, float]:
    """Return the share of a run's impacts that is heard: the 5 % end, the median and the 95 % end of what is likely.

    Args:
        loud: draws from :func:`loud_enough`.
        heard: impacts heard in all.
        near: what is known of impacts soon after another, the latest span first: in each of them no more are taken to
            come unheard than in the one after it. Of the first nothing is missed.
        rng: for the draws.
    """
    most: Floats | None = None
    unheard = np.zeros(_DRAWS)
    for span in near:
        rate, missed = span.came(most, rng)
        unheard += missed if most is not None else 0.0
        most = rate
    low, value, high = np.quantile(1.0 / (1.0 / loud + unheard / max(heard, 1)), [0.05, 0.5, 0.95])
    return float(low), float(value), float(high)
