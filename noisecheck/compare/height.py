"""Level against drop height: a slope of its own for each treatment and band, never an assumed one.

Ideal cases lie between 3.01 dB a doubling (exposure of ringing, proportional to v^2) and 4.52 dB (force spectrum
far above the contact cut-off, v^1.5 in amplitude), with v^2 proportional to height.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.doubts import missing_db, moved_by
from noisecheck.compare.linear import least_squares, residual_square, weights_of
from noisecheck.compare.summary import BANDS, QUANTITIES, RunSummary, index_of, one_station
from noisecheck.core.records import record
from noisecheck.core.units import rounded_pair, significant

__all__ = ["HeightFit", "HeightStudy", "fit_heights"]

Floats = NDArray[np.float64]
DOUBLING: Final = 10 * math.log10(2.0)
"""A doubling of height in 10 lg(h/h0)."""


@record
class HeightFit:
    """One line: level = ``level_db`` + ``slope`` * 10 lg(h / ``reference_mm``). Intervals NaN where too few runs."""

    group: str
    quantity: str
    runs: int
    slope: float
    slope_ci: tuple[float, float]
    level_db: float
    reference_mm: float
    range_mm: tuple[float, float]

    @property
    def db_per_doubling(self) -> float:
        """Rise for twice the height, in dB."""
        return self.slope * DOUBLING

    @property
    def shown(self) -> bool:
        """Whether the interval of the slope leaves out zero."""
        low, high = self.slope_ci
        return not math.isnan(low) and (low > 0) == (high > 0)

    @property
    def sentence(self) -> str:
        """The rise for each doubling of the drop height, its interval and where it holds, in words."""
        rise, (low, high) = self.db_per_doubling, (v * DOUBLING for v in self.slope_ci)
        name = f"{self.group}: " if self.group else ""
        where = f"measured from {self.range_mm[0]:g} to {self.range_mm[1]:g} mm in {self.runs} runs"
        if not math.isnan(low) and not self.shown:
            known = math.isfinite(low) and math.isfinite(high)
            ends_ = f" ({low:+.1f} to {high:+.1f})" if known else " (what clipped or was drowned has no level)"
            return f"{name}no change with drop height shown: {rise:+.1f} dB a doubling{ends_}, {where}"
        ends = sorted((abs(low), abs(high)))
        if math.isinf(ends[1]):
            way = f"{'adds' if rise >= 0 else 'takes'} at least {ends[0]:.1f} dB{'' if rise >= 0 else ' off'}"
            return f"{name}each doubling of the drop height {way} (what clipped or was drowned has no level), {where}"
        sure = f"({ends[0]:.1f} to {ends[1]:.1f})" if self.shown else "(indicative only: too few runs for an interval)"
        way = f"adds {rise:.1f} dB" if rise >= 0 else f"takes {-rise:.1f} dB off"
        return f"{name}each doubling of the drop height {way} {sure}, {where}"

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values."""
        low, high = self.slope_ci
        return {
            "group": self.group,
            "quantity": self.quantity,
            "runs": self.runs,
            "slope": round(self.slope, 4),
            "db_per_doubling": round(self.db_per_doubling, 3),
            "db_per_doubling_ci": rounded_pair(low * DOUBLING, high * DOUBLING),
            "level_db": round(self.level_db, 3),
            "reference_mm": round(self.reference_mm, 3),
            "range_mm": list(self.range_mm),
        }


@record
class HeightStudy:
    """Fits of every group and quantity, and for each quantity whether the groups may share one slope."""

    fits: tuple[HeightFit, ...]
    common_slope_p: dict[str, float]
    """p value of the F test of separate slopes against one (small: the slopes differ); NaN where not testable."""
    notes: tuple[str, ...] = ()
    common_slope: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """One slope for all groups and its interval, for each quantity that several groups have."""

    def of(self, group: str, quantity: str = "lae_db") -> HeightFit:
        """Return one fit; raises ``KeyError``."""
        for fit in self.fits:
            if (fit.group, fit.quantity) == (group, quantity):
                return fit
        raise KeyError((group, quantity))

    @property
    def sentences(self) -> tuple[str, ...]:
        """What L_AE does with height in each group, and whether one slope may hold for all, in words."""
        said = [f.sentence for f in self.fits if f.quantity == "lae_db"]
        p = self.common_slope_p.get("lae_db", math.nan)
        if math.isfinite(p) and p < 0.05:
            said.append(f"the slopes differ (p = {p:.2g}): what a change gains depends on the drop height")
        elif math.isfinite(p):
            rise, *ends = (v * DOUBLING for v in self.common_slope["lae_db"])
            said.append(f"one slope may hold for all (p = {p:.2g}): {rise:.1f} dB ({ends[0]:.1f} to {ends[1]:.1f})")
        return tuple(said)

    def to_dict(self) -> dict[str, Any]:
        """Return the study as plain values."""
        tests = {q: significant(p) for q, p in self.common_slope_p.items()}
        shared = {q: [round(v * DOUBLING, 3) for v in s] for q, s in self.common_slope.items() if math.isfinite(s[1])}
        return {
            "fits": [f.to_dict() for f in self.fits],
            "common_slope_p": tests,
            "common_db_per_doubling": {q: {"value": v[0], "ci": v[1:]} for q, v in shared.items()},
            "notes": list(self.notes),
        }


def fit_heights(summaries: Sequence[RunSummary], *, station: str | None = None) -> HeightStudy:
    """Return level against 10 lg(height) for each treatment, for L_AE, peaks and every band, with 95 % intervals.

    Runs are the unit. Groups recorded at a single height are left out with a note. Sessions are held equal where
    they can be told apart from height.
    """
    rows = [
        _heard(s) for s in one_station(of_role(summaries, "test"), station)
        if s.used and s.run.drop_height_mm is not None
    ]  # fmt: skip
    groups: dict[str, list[RunSummary]] = {}
    for row in rows:
        groups.setdefault(row.run.value("treatment"), []).append(row)
    notes = [f"{g or '(none)'}: one drop height only, no slope" for g, r in groups.items() if len(_heights(r)) < 2]
    groups = {g: r for g, r in groups.items() if len(_heights(r)) >= 2}
    if not groups:
        return HeightStudy((), {}, tuple(notes or ["no drop heights are given"]))
    reference = float(np.exp(np.mean([math.log(h) for r in groups.values() for h in _heights(r)])))
    names = [q for q in QUANTITIES if q.endswith(("_db", "hz")) and q != "centroid_hz"]
    fits = [f for g, r in groups.items() for f in _fits(g, r, names, reference)]
    tests = dict.fromkeys(names, math.nan)
    shared: dict[str, tuple[float, float, float]] = {}
    if len(groups) > 1:
        for q in names:
            tests[q], shared[q] = _common_slope(list(groups.values()), index_of(q), reference)
    return HeightStudy(tuple(fits), tests, tuple(notes), {q: s for q, s in shared.items() if math.isfinite(s[0])})


def _heard(row: RunSummary) -> RunSummary:
    """Return a summary without the bands that lie in the background: noise does not rise with height."""
    mean = row.mean.copy()
    mean[BANDS][row.bound] = math.nan
    return replace(row, mean=mean)


def _heights(rows: Sequence[RunSummary]) -> list[float]:
    return sorted({float(s.run.drop_height_mm or math.nan) for s in rows})


def _x(rows: Sequence[RunSummary], reference_mm: float) -> Floats:
    heights = np.array([s.run.drop_height_mm for s in rows], np.float64)
    return np.asarray(10 * np.log10(heights / reference_mm), np.float64)


def _fits(group: str, rows: list[RunSummary], names: list[str], reference: float) -> list[HeightFit]:
    x = _x(rows, reference)
    means = np.array([r.mean for r in rows])
    full = _with_sessions(np.column_stack([np.ones(len(x)), x]), rows)
    slope_of, level_of = np.zeros(full.shape[1]), np.zeros(full.shape[1])
    slope_of[1] = level_of[0] = 1.0
    heights = _heights(rows)
    weights = weights_of(full, slope_of).tolist()
    reach = [moved_by(weights, [[r] for r in rows], sign)[1] for sign in (-1, 1)]
    found = []
    for name in names:
        y = means[:, [index_of(name)]]
        if not np.isfinite(y).all():
            continue
        slope = least_squares(y, full, slope_of)
        down, up = reach
        level = least_squares(y, full, level_of)
        found.append(
            HeightFit(
                group=group,
                quantity=name,
                runs=len(rows),
                slope=float(slope.value[0]),
                slope_ci=(float(slope.low[0]) - down, float(slope.high[0]) + up),
                level_db=float(level.value[0]),
                reference_mm=reference,
                range_mm=(heights[0], heights[-1]),
            )
        )
    return found


def _with_sessions(design: Floats, rows: Sequence[RunSummary]) -> Floats:
    """Return the design with a shift for each session but the first, where that can be told from all else."""
    sessions = list(dict.fromkeys(r.run.session for r in rows))[1:]
    shifts = [np.array([r.run.session == s for r in rows], np.float64) for s in sessions]
    # each session's column is centred, so that an intercept stays the mean level over the runs
    full = np.column_stack([design, *(c - c.mean() for c in shifts)])
    told = len(rows) > full.shape[1] and np.linalg.matrix_rank(full) == full.shape[1]
    return full if told else design


def _common_slope(
    groups: list[list[RunSummary]], quantity: int, reference: float
) -> tuple[float, tuple[float, float, float]]:
    """Return the p value of separate slopes against one, and the one slope with its interval."""
    from scipy.special import fdtrc

    nothing = (math.nan, math.nan, math.nan)
    rows = [r for members in groups for r in members]
    y = np.array([[r.mean[quantity]] for r in rows])
    if not np.isfinite(y).all() or any(missing_db(rows)):
        return math.nan, nothing
    x = _x(rows, reference)
    of = np.repeat(np.arange(len(groups)), [len(members) for members in groups])
    member = (of[:, None] == np.arange(len(groups))).astype(np.float64)
    one = _with_sessions(np.column_stack([member, x]), rows)
    own = _with_sessions(np.column_stack([member, member * x[:, None]]), rows)
    if own.shape[1] - one.shape[1] != len(groups) - 1:  # sessions can be told from one slope, not from several
        one, own = one[:, : len(groups) + 1], own[:, : 2 * len(groups)]
    apart, df = residual_square(y, own)
    shared, _ = residual_square(y, one)
    slope = least_squares(y, one, np.eye(one.shape[1])[len(groups)])
    found = (float(slope.value[0]), float(slope.low[0]), float(slope.high[0]))
    if df < 1 or apart[0] <= 0:
        return math.nan, found
    f = (shared[0] - apart[0]) / (len(groups) - 1) / (apart[0] / df)
    return float(fdtrc(len(groups) - 1, df, max(f, 0.0))), found
