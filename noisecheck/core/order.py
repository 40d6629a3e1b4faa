"""Medians, quantiles and distinct values of plain arrays.

NumPy's own functions load its masked arrays first, a tenth of a short start, and take longer for few values.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["distinct", "median", "medians", "quantile", "quantiles", "robust_sd"]


def distinct(values: NDArray[Any]) -> NDArray[Any]:
    """Return the values that there are, (k,), in order; none of them may be NaN."""
    ordered = np.sort(values, axis=None)
    first = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return np.asarray(ordered[first])


def medians(values: NDArray[Any], axis: int) -> NDArray[Any]:
    """Return the median of numbers, none of them NaN, along an axis that has some; it is left out of the result."""
    count = values.shape[axis]
    middle = (count - 1) // 2, count // 2
    ordered = np.partition(values, middle, axis=axis)
    return np.asarray((ordered.take(middle[0], axis=axis) + ordered.take(middle[1], axis=axis)) / values.dtype.type(2))


def quantiles(values: NDArray[Any], share: float) -> NDArray[Any]:
    """Return what such a share of each row lies below, (rows,), between two values in proportion; none may be NaN."""
    at = share * (values.shape[1] - 1)
    below = max(min(int(at), values.shape[1] - 2), 0)
    above = min(below + 1, values.shape[1] - 1)
    ordered, part = np.partition(values, (below, above), axis=1), at - below
    low, high = ordered[:, below], ordered[:, above]
    return np.asarray(low + (high - low) * part if part < 0.5 else high - (high - low) * (1.0 - part))


def quantile(values: ArrayLike, share: float) -> float:
    """Return what such a share of numbers, (n,), lies below: NaN where one is NaN, or there are none."""
    known = _known(values)
    return float("nan") if known is None else float(quantiles(known[None], share)[0])


def median(values: ArrayLike) -> float:
    """Return the median of numbers, (n,): NaN where one is NaN, or there are none."""
    known = _known(values)
    return float("nan") if known is None else float(medians(known, 0))


def robust_sd(values: ArrayLike, middle: float) -> float:
    """Return the standard deviation of numbers about their median, from the median deviation: outliers count little."""
    return 1.4826 * median(np.abs(np.asarray(values) - middle))


def _known(values: ArrayLike) -> NDArray[np.float64] | None:
    known = np.asarray(values, np.float64).ravel()
    return known if len(known) and not np.isnan(known).any() else None
