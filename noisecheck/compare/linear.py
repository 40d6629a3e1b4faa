"""One contrast of a linear model on run means, with an interval that holds for few runs and unequal spreads.

Ordinary least squares, the variance by HC2 (squared residuals over one minus leverage), and Satterthwaite degrees
of freedom under group-wise spreads (Bell & McCaffrey 2002; Imbens & Kolesar 2016, Review of Economics and
Statistics 98). Without blocks this is Welch's t interval; with one run a group in each session, the paired t
interval; both are tested to be equal to scipy's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.records import record

__all__ = [
    "COPIES",
    "FALSE_DISCOVERY",
    "Estimates",
    "benjamini_hochberg",
    "estimable",
    "estimate",
    "least_squares",
    "mean_interval",
    "mean_known",
    "residual_square",
    "t_interval",
    "weights_of",
]

Floats = NDArray[np.float64]
_LEVERAGE_LEFT = 1e-9
FALSE_DISCOVERY = 0.05
"""Share of what is said to differ, among many comparisons at once, that may be chance."""
COPIES = 1e-6
"""Share of the within-run variance below which run means cannot come from recordings of their own."""


@record
class Estimates:
    """Estimates for several quantities at once, each array of shape (quantities,); NaN where there is no interval."""

    value: Floats
    error: Floats
    df: Floats
    low: Floats
    high: Floats
    p: Floats
    """Two-sided."""


def estimable(design: Floats, contrast: Floats) -> bool:
    """Return whether the runs tell this contrast apart from everything else in the model (rank condition)."""
    return bool(np.allclose(contrast @ np.linalg.pinv(design) @ design, contrast, atol=1e-8))


def weights_of(design: Floats, contrast: Floats) -> Floats:
    """Return what each run weighs in the estimate of a contrast, (runs,); exactly 0 where it tells nothing of it."""
    weight = contrast @ np.linalg.pinv(design)
    return np.where(np.abs(weight) > _LEVERAGE_LEFT, weight, 0.0)


def estimate(
    values: Floats,
    design: Floats,
    contrast: Floats,
    groups: NDArray[np.int64],
    *,
    confidence: float = 0.95,
    sampling: Floats | None = None,
) -> Estimates:
    """Return the contrast of each column of ``values`` (runs, quantities), with intervals and p values.

    ``design`` is (runs, parameters), ``contrast`` (parameters,), ``groups`` (runs,) says which runs share one
    spread. ``sampling`` (runs, quantities) is each run mean's variance from the impacts inside it: it stands in where
    run means agree to the last digit, as copies of one recording do. Columns that contain NaN use the runs that have
    a value, if these still tell the contrast.
    """
    count = values.shape[1]
    out = np.full((6, count), np.nan)
    patterns: dict[bytes, list[int]] = {}
    for q in range(count):
        patterns.setdefault(np.isfinite(values[:, q]).tobytes(), []).append(q)
    for columns in patterns.values():
        rows = np.isfinite(values[:, columns[0]])
        if rows.any() and estimable(design[rows], contrast):
            part = None if sampling is None else np.nan_to_num(sampling[rows][:, columns])
            out[:, columns] = _solve(values[rows][:, columns], design[rows], contrast, groups[rows], confidence, part)
    return Estimates(*out)


def _solve(
    y: Floats, design: Floats, contrast: Floats, groups: NDArray[np.int64], confidence: float, sampling: Floats | None
) -> Floats:
    inverse = np.linalg.pinv(design)
    weight = contrast @ inverse
    value = weight @ y
    annihilator = np.eye(len(y)) - design @ inverse
    left = np.diag(annihilator)
    counts = np.abs(weight) > _LEVERAGE_LEFT
    if np.any(counts & (left < _LEVERAGE_LEFT)):  # a single run carries part of the answer: no spread to be had
        return np.vstack([value, np.full((5, y.shape[1]), np.nan)])
    residual = annihilator @ y
    free = np.where(left > _LEVERAGE_LEFT, left, 1.0)
    share = np.where(counts, weight**2 / free, 0.0)
    variance = share @ residual**2
    form = annihilator @ (share[:, None] * annihilator)
    member = (groups[:, None] == np.unique(groups)[None, :]).astype(np.float64)
    usable = member * (left > _LEVERAGE_LEFT)[:, None]
    spread = (usable.T @ (residual**2 / free[:, None])) / np.maximum(usable.sum(axis=0), 1)[:, None]
    spread = np.where(spread.sum(axis=0) > 0, spread, 1.0)
    trace = (member.T @ np.diag(form)) @ spread
    square = np.einsum("gq,gh,hq->q", spread, member.T @ form**2 @ member, spread)
    df = trace**2 / np.maximum(square, 1e-300)
    if sampling is not None:
        least = weight**2 @ sampling
        variance = np.where(variance < COPIES * least, least, variance)
    error = np.sqrt(variance)
    return np.vstack([value, error, df, *t_interval(value, error, df, confidence=confidence)])


def t_interval(
    value: ArrayLike, error: ArrayLike, df: ArrayLike, *, confidence: float = 0.95
) -> tuple[Floats, Floats, Floats]:
    """Return lower end, upper end and two-sided p value of Student's t for a value and its standard error."""
    from scipy.special import stdtr, stdtrit

    value, error, df = (np.asarray(v, np.float64) for v in (value, error, df))
    half = stdtrit(df, 0.5 + confidence / 2) * error
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(error > 0, np.abs(value) / error, np.where(np.abs(value) > 0, np.inf, 0.0))
    p = np.where(np.isfinite(error), 2 * stdtr(df, -t), np.nan)
    return value - half, value + half, p


def mean_known(table: Floats) -> Floats:
    """Return the mean of the rows that have a value, column by column; NaN where none has."""
    valid = np.isfinite(table)
    n = valid.sum(axis=0)
    return np.where(n > 0, np.where(valid, table, 0.0).sum(axis=0) / np.maximum(n, 1), np.nan)


def mean_interval(table: Floats, *, confidence: float = 0.95) -> tuple[Floats, Floats, Floats]:
    """Return the mean of the rows (runs) that have a value, column by column, and its t interval; NaN with one row."""
    mean, valid = mean_known(table), np.isfinite(table)
    n = valid.sum(axis=0)
    spread = np.where(valid, (table - mean) ** 2, 0.0).sum(axis=0) / np.maximum(n - 1, 1)
    error = np.where(n > 1, np.sqrt(spread / np.maximum(n, 1)), np.nan)
    low, high, _ = t_interval(mean, error, np.maximum(n - 1, 1), confidence=confidence)
    return mean, low, high


def benjamini_hochberg(p: ArrayLike) -> Floats:
    """Return adjusted p values holding the false-discovery rate (Benjamini & Hochberg 1995); NaN stays NaN."""
    p = np.asarray(p, np.float64)
    q = np.full(p.shape, np.nan)
    valid = np.flatnonzero(np.isfinite(p))
    order = valid[np.argsort(p[valid])][::-1]
    ranks = np.arange(len(order), 0, -1)
    q[order] = np.minimum(np.minimum.accumulate(p[order] * len(order) / ranks), 1.0)
    return q


def least_squares(values: Floats, design: Floats, contrast: Floats) -> Estimates:
    """Return the contrast, at 95 %, of each column of ``values`` (runs, quantities) by least squares with one spread.

    NaN where there are no more runs than parameters or the runs do not tell the contrast.
    """
    df = len(values) - int(np.linalg.matrix_rank(design))
    if not estimable(design, contrast):
        return Estimates(*np.full((6, values.shape[1]), np.nan))
    inverse = np.linalg.pinv(design)
    value = contrast @ inverse @ values
    if df < 1:
        return Estimates(value, *np.full((5, values.shape[1]), np.nan))
    variance = np.sum((values - design @ (inverse @ values)) ** 2, axis=0) / df
    error = np.sqrt(variance * float(contrast @ inverse @ inverse.T @ contrast))
    return Estimates(value, error, np.full(value.shape, float(df)), *t_interval(value, error, df))


def residual_square(values: Floats, design: Floats) -> tuple[Floats, int]:
    """Return the residual sum of squares of each column and the residual degrees of freedom."""
    rest = values - design @ (np.linalg.pinv(design) @ values)
    return np.sum(rest**2, axis=0), len(values) - int(np.linalg.matrix_rank(design))
