"""Where each group stands on one scale: levels with intervals from runs, sessions tied to one recorder gain.

Runs recorded without a calibrator can be set against one another only inside a session, or across sessions that
hold something in common: the same reference drop, or the same design at the same height. Sessions so linked form
one scale, given as of its first session; what stands on different scales is said not to be comparable.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.doubts import first_doubt, missing_db
from noisecheck.compare.linear import Estimates, estimate, mean_known, t_interval
from noisecheck.compare.shapes import shapes_apart
from noisecheck.compare.summary import LEVELS, LOGARITHMIC, RunSummary, index_of
from noisecheck.core.records import record
from noisecheck.core.table import band_names

__all__ = ["QUANTITIES_SHOWN", "Figure", "Scale", "Standing", "standing"]

Floats = NDArray[np.float64]
Cell = tuple[str, ...]
QUANTITIES_SHOWN: Final = (*LEVELS, *LOGARITHMIC)
_CONDITIONS: Final = ("revision", "treatment", "drop_height_mm")
_REFERENCE: Final = "\0reference"
_BAND: Final = {name: number for number, name in enumerate(band_names())}


@record
class Figure:
    """One quantity of one group: value, standard error, degrees of freedom, two-sided interval.

    The interval takes in what the mean may lack (impacts that clipped, balls that were drowned): an end is infinite
    where that is not known.

    Logarithmic quantities (decay, centroid) stay natural logarithms here; ``to_dict`` gives ms and Hz.
    """

    quantity: str
    value: float
    error: float
    df: float
    low: float
    high: float
    runs: int
    bound: bool = False
    """Whether it is a band that lies in the background in most runs: the sound there is at most as loud."""
    too_low: str = ""
    lacks_db: float = 0.0
    too_high: str = ""
    exceeds_db: float = 0.0
    """Why the level of a run behind it is too low, or too high, where it is, and by less than how much."""

    def to_dict(self) -> dict[str, Any]:
        """Return the figure as plain values in dB, ms or Hz; no interval where there are too few runs."""

        def cell(value: float) -> float | None:
            if not math.isfinite(value):
                return None
            return round(math.exp(value), 2) if self.quantity in LOGARITHMIC else round(value, 3)

        ci = None if math.isnan(self.low) else [cell(self.low), cell(self.high)]
        return {"value": cell(self.value), "ci": ci, "runs": self.runs}


@record
class Scale:
    """Sessions whose levels can be set against one another, and by what."""

    sessions: tuple[str, ...]
    db_re: str
    tied_by: str
    """``one session``, ``calibration``, ``reference drops`` or ``the same runs in each`` (of one design)."""

    def to_dict(self) -> dict[str, Any]:
        """Return the scale as plain values."""
        return {"sessions": list(self.sessions), "db_re": self.db_re, "tied_by": self.tied_by}


@record
class Standing:
    """Figures of every group at one station; ``scale_of`` says on which scale each group stands."""

    figures: Mapping[str, Mapping[str, Figure]]
    scale_of: Mapping[str, int]
    scales: tuple[Scale, ...]
    notes: tuple[str, ...] = ()

    def of(self, value: str, quantity: str = "lae_db") -> Figure | None:
        """Return one figure, None where the group was not heard here."""
        return self.figures.get(value, {}).get(quantity)

    def comparable(self, first: str, second: str) -> bool:
        """Return whether two groups stand on one scale."""
        return first in self.scale_of and self.scale_of[first] == self.scale_of.get(second)


def standing(
    rows: Sequence[RunSummary],
    references: Sequence[RunSummary],
    *,
    by: str,
    quantities: Sequence[str] = QUANTITIES_SHOWN,
    confidence: float = 0.95,
) -> Standing:
    """Return the figures of each group of the column ``by`` from one summary a run.

    Every combination of revision, treatment and drop height is a cell with its own mean; a group's figure is the mean
    of its cells, alike, so that an unequal number of runs at each height does not shift it. Without calibration each
    session has its own shift. With it, sessions are the unit where a group was recorded in several.
    """
    used = [r for r in rows if r.used and r.run.value(by)]
    ties = [r for r in references if r.used]
    everything = [*used, *ties]
    kinds, unlike = shapes_apart(ties)
    cells = [_cell_of(r, by) for r in used]
    # Reference drops that sound another way are another thing: they tie nothing.
    cells += [(f"{_REFERENCE} {kinds[r.run.session]}", r.station, r.run.value("drop_height_mm")) for r in ties]
    scales, scale = _scales(everything, cells, len(used))
    columns = [index_of(q) for q in quantities]
    y = np.array([r.mean[columns] for r in everything]).reshape(len(everything), len(columns))
    noise = np.array([np.nan_to_num(r.sd[columns]) ** 2 / np.maximum(r.n[columns], 1) for r in everything])
    sampling = noise.reshape(len(everything), len(columns))
    figures: dict[str, dict[str, Figure]] = {}
    where: dict[str, int] = {}
    notes: list[str] = list(unlike.values())
    for value in dict.fromkeys(r.run.value(by) for r in used):
        own = [i for i, c in enumerate(cells) if c[0] == value]
        counts = np.bincount([scale[i] for i in own])
        at = where[value] = int(counts.argmax())
        if counts.sum() > counts[at]:
            notes.append(
                f"{value}: {counts.sum() - counts[at]} runs are left out: no reference drop or common run ties their "
                "sessions to the others"
            )
        mine = [i for i, s in enumerate(scale) if s == at]
        sessions = [everything[i].run.session for i in mine]
        calibrated = scales[at].db_re == "20 uPa"
        if calibrated or len(set(sessions)) == 1:
            mine = [i for i in mine if cells[i][0] == value]
            sessions = [""] * len(mine)
        found = _estimates(y[mine], sampling[mine], [cells[i] for i in mine], sessions, value, confidence)
        if calibrated:
            found = _sessions_as_units(y[mine], [everything[i].run.session for i in mine], [cells[i] for i in mine],
                                       found, confidence)  # fmt: skip
        on_scale = [i for i in own if scale[i] == at]
        n = np.isfinite(y[on_scale]).sum(axis=0)
        drowned = np.mean([used[i].bound for i in on_scale], axis=0) > 0.5
        rows_of: dict[Cell, list[RunSummary]] = {}
        for i in on_scale:
            rows_of.setdefault(cells[i], []).append(used[i])
        exceeds_db, lacks_db = np.mean([missing_db(v) for v in rows_of.values()], axis=0).tolist()
        too_low, too_high = (first_doubt([used[i] for i in on_scale], k) for k in ("too_low", "too_high"))
        doubts = (too_low, lacks_db, too_high, exceeds_db)
        figures[value] = {
            q: Figure(
                q,
                float(found.value[k]),
                float(found.error[k]),
                float(found.df[k]),
                float(found.low[k]) - (0.0 if q in LOGARITHMIC else exceeds_db),
                float(found.high[k]) + (0.0 if q in LOGARITHMIC else lacks_db),
                int(n[k]),
                q in _BAND and bool(drowned[_BAND[q]]),
                *(() if q in LOGARITHMIC else doubts),
            )
            for k, q in enumerate(quantities)
        }
    return Standing(figures, where, tuple(scales), tuple(notes))


def _cell_of(row: RunSummary, by: str) -> Cell:
    return (row.run.value(by), *(row.run.value(c) for c in _CONDITIONS if c != by))


def _scales(rows: Sequence[RunSummary], cells: Sequence[Cell], tests: int) -> tuple[list[Scale], list[int]]:
    """Return the scales, and that of each row: sessions linked by common cells (all, where calibrated)."""
    parent: dict[Any, Any] = {}

    def root(node: Any) -> Any:
        parent.setdefault(node, node)
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    def node_of(row: RunSummary) -> Any:
        unit = " and ".join(row.db_re)
        return (unit, "") if unit == "20 uPa" else (unit, row.run.session)

    for row, cell in zip(rows, cells, strict=True):
        parent[root(node_of(row))] = root((" and ".join(row.db_re), cell, "cell"))
    numbers: dict[Any, int] = {}
    for row in rows[:tests]:
        numbers.setdefault(root(node_of(row)), len(numbers))
    scale = [numbers.get(root(node_of(row)), -1) for row in rows]
    scales = []
    for number in range(len(numbers)):
        mine = [i for i, s in enumerate(scale) if s == number]
        sessions = tuple(dict.fromkeys(rows[i].run.session for i in mine if i < tests))
        how = "the same runs in each"
        if len(sessions) == 1:
            how = "one session"
        elif rows[mine[0]].db_re == ("20 uPa",):
            how = "calibration"
        elif len({rows[i].run.session for i in mine if i >= tests} & set(sessions)) > 1:
            how = "reference drops"
        scales.append(Scale(sessions, " and ".join(rows[mine[0]].db_re), how))
    return scales, scale


def _estimates(
    y: Floats, sampling: Floats, cells: list[Cell], sessions: list[str], value: str, confidence: float
) -> Estimates:
    """Return a group's figures by the first model that leaves a spread: cells, additive conditions, group alone."""
    firsts = list(dict.fromkeys(c[0] for c in cells))
    groups = np.array([firsts.index(c[0]) for c in cells], np.int64)
    best = Estimates(*np.full((6, y.shape[1]), np.nan))
    for model in (_by_cell, _additive, _alone):
        columns, weights = model(cells, value)
        for session in list(dict.fromkeys(sessions))[1:]:
            columns.append([float(s == session) for s in sessions])
            weights.append(0.0)
        design = np.array(columns).T
        found = estimate(y, design, np.array(weights), groups, confidence=confidence, sampling=sampling)
        take = ~np.isfinite(best.error) & (np.isfinite(found.error) | ~np.isfinite(best.value))
        best = Estimates(*(np.where(take, getattr(found, f), getattr(best, f)) for f in _FIELDS))
        if np.isfinite(best.error[np.isfinite(y).any(axis=0)]).all():
            break
    return best


_FIELDS: Final = ("value", "error", "df", "low", "high", "p")


def _by_cell(cells: list[Cell], value: str) -> tuple[list[list[float]], list[float]]:
    kinds = list(dict.fromkeys(cells))
    share = sum(k[0] == value for k in kinds)
    columns = [[float(c == k) for c in cells] for k in kinds]
    return columns, [1.0 / share if k[0] == value else 0.0 for k in kinds]


def _additive(cells: list[Cell], value: str) -> tuple[list[list[float]], list[float]]:
    firsts = list(dict.fromkeys(c[0] for c in cells))
    columns = [[float(c[0] == f) for c in cells] for f in firsts]
    weights = [float(f == value) for f in firsts]
    own = list(dict.fromkeys(c for c in cells if c[0] == value))
    rest = [c[1:] for c in cells]
    for part in list(dict.fromkeys(r for r in rest))[1:]:
        columns.append([float(r == part) for r in rest])
        weights.append(sum(c[1:] == part for c in own) / len(own))
    return columns, weights


def _alone(cells: list[Cell], value: str) -> tuple[list[list[float]], list[float]]:
    firsts = list(dict.fromkeys(c[0] for c in cells))
    return [[float(c[0] == f) for c in cells] for f in firsts], [float(f == value) for f in firsts]


def _sessions_as_units(
    y: Floats, sessions: list[str], cells: list[Cell], found: Estimates, confidence: float
) -> Estimates:
    """Return the figures with the spread of session means where that is larger than that of runs."""
    names = list(dict.fromkeys(sessions))
    if len(names) < 2:
        return found
    rest = np.array(y)
    for kind in dict.fromkeys(cells):
        rows = [c == kind for c in cells]
        rest[rows] = y[rows] - mean_known(y[rows])
    units = np.array([mean_known(rest[[s == name for s in sessions]]) for name in names])
    count = np.isfinite(units).sum(axis=0)
    variance = np.nansum((units - mean_known(units)) ** 2, axis=0) / np.maximum(count - 1, 1)
    error = np.where(count > 1, np.sqrt(variance / np.maximum(count, 1)), 0.0)
    wider = (count > 1) & ~(found.error >= error)
    error, df = np.where(wider, error, found.error), np.where(wider, np.maximum(count - 1.0, 1.0), found.df)
    low, high, p = t_interval(found.value, error, df, confidence=confidence)
    return Estimates(found.value, error, df, low, high, p)
