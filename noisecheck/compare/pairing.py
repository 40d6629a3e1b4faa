"""The model two groups of runs are set against each other by: what is held equal, sessions, and what is the unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.linear import estimable, weights_of
from noisecheck.compare.shapes import shapes_apart
from noisecheck.compare.summary import RunSummary
from noisecheck.core.errors import listed
from noisecheck.core.records import record
from noisecheck.core.units import many

__all__ = ["Pairing", "paired"]


@record
class Pairing:
    """How two groups of runs are set against each other; ``refusal`` says why they are not.

    ``units`` are the runs used (reference runs may be among them); each unit is the mean of the summaries in its
    ``members``. ``design`` is (units, parameters), ``contrast`` (parameters,), ``groups`` (units,) 0 for the
    baseline, 1 for the value, 2 for reference drops.
    """

    refusal: str = ""
    warnings: tuple[str, ...] = ()
    members: tuple[tuple[RunSummary, ...], ...] = ()
    groups: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    design: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    contrast: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    balanced_for: tuple[str, ...] = ()
    """Conditions held equal on both sides, such as ``drop_height_mm`` or ``session``."""
    gain: tuple[str, float] = "", 0.0
    """Why the value's side may have been recorded with more gain, and by how many dB (less: below 0)."""

    @property
    def sizes(self) -> tuple[int, int]:
        """Number of units of the baseline and of the value that the difference rests on."""
        counts = weights_of(self.design, self.contrast) != 0
        return int(np.sum(counts & (self.groups == 0))), int(np.sum(counts & (self.groups == 1)))


def paired(
    rows: list[RunSummary],
    groups: NDArray[np.int64],
    keys: list[tuple[str, ...]],
    references: Sequence[RunSummary],
    names: tuple[str, str],
    held: tuple[str, ...],
    warnings: list[str],
    rise: NDArray[np.float64] | None,
    *,
    mixed: bool = False,
) -> Pairing:
    """Return the model for runs that may be compared, or why no session tells their sides apart.

    Args:
        rows: runs of both sides, one summary each.
        groups: 0 for the baseline, 1 for the value, (runs,).
        keys: what is held equal: the block of each run.
        references: reference drops, one summary a recording.
        names: of both sides.
        held: conditions that ``keys`` hold equal, by name.
        warnings: said so far; what is to be said of sessions is added.
        rise: 10 lg of each run's height re the one at which sides are compared, where that differs.
        mixed: sessions are what is compared, so they are not held equal.
    """
    sessions = [s.run.session for s in rows]
    members = tuple((s,) for s in rows)
    if mixed or len(set(sessions)) == 1:
        design, contrast = _design(groups, keys, None, rise)
        return Pairing("", tuple(warnings), members, groups, design, contrast, held)
    for cells in (True, False):
        design, contrast = _design(groups, keys, sessions, rise, cells=cells)
        if estimable(design, contrast):
            warnings += _idle(weights_of(design, contrast), sessions, held)
            return Pairing("", tuple(warnings), members, groups, design, contrast, (*held, "session"))
    every = [s for s in references if s.used and s.run.session in sessions and s.db_re == rows[0].db_re]
    kinds, unlike = shapes_apart(every)
    for kind in dict.fromkeys(kinds.values()):
        ties = [s for s in every if kinds[s.run.session] == kind]
        tie_key = ("\0reference",) * max(len(keys[0]), 1)
        all_groups = np.concatenate([groups, np.full(len(ties), 2, np.int64)])
        all_sessions = sessions + [s.run.session for s in ties]
        far = None if rise is None else np.concatenate([rise, np.zeros(len(ties))])
        design, contrast = _design(all_groups, keys + [tie_key] * len(ties), all_sessions, far, cells=False)
        if estimable(design, contrast):
            warnings.append("the sessions are tied by their reference drops")
            if len({s.run.session for s in ties}) == len(ties):
                warnings.append("one reference recording a session has no spread of its own: record it at both ends")
            warnings += unlike.values()
            both = (*members, *((s,) for s in ties))
            return Pairing("", tuple(warnings), both, all_groups, design, contrast, (*held, "session"))
    return _sessions_as_units(rows, groups, keys, names, held, warnings, tuple(unlike.values()), rise)


def _idle(weights: NDArray[np.float64], sessions: Sequence[str], held: Sequence[str]) -> list[str]:
    """Say which runs the difference does not rest on: their sessions do not set the sides against each other."""
    idle = [s for s, w in zip(sessions, weights, strict=True) if w == 0]
    if not idle:
        return []
    own = [s or "(none)" for s in dict.fromkeys(idle)]
    alike = " in the same conditions" if held else ""
    runs = f"{many(len(idle), 'run')} of session{'s' * (len(own) > 1)} {listed(own)}"
    return [
        f"{runs} {'says' if len(idle) == 1 else 'say'} nothing of the difference, since the other side was not "
        f"recorded there{alike}: it rests on the {len(sessions) - len(idle)} other runs"
    ]


def _sessions_as_units(
    rows: list[RunSummary],
    groups: NDArray[np.int64],
    keys: list[tuple[str, ...]],
    names: tuple[str, str],
    held: tuple[str, ...],
    warnings: list[str],
    untied: tuple[str, ...],
    rise: NDArray[np.float64] | None,
) -> Pairing:
    """Compare where no session holds both sides: session means are the unit, or nothing is."""
    units: dict[tuple[int, str, tuple[str, ...]], list[RunSummary]] = {}
    for row, group, key in zip(rows, groups, keys, strict=True):
        units.setdefault((int(group), row.run.session, key), []).append(row)
    counts = [len({s for g, s, _ in units if g == group}) for group in (0, 1)]
    warnings += untied
    if max(counts) >= 2 and rise is not None:
        text = f"{names[0]} and {names[1]} share neither a drop height nor a session: they cannot be told apart"
        return Pairing(refusal=text, warnings=tuple(warnings))
    if min(counts) >= 2:
        warnings.append("no session holds both sides: sessions, not runs, are the unit")
        unit_groups = np.array([g for g, _, _ in units], np.int64)
        design, contrast = _design(unit_groups, [k for _, _, k in units], None, None, cells=False)
        members = tuple(tuple(v) for v in units.values())
        return Pairing("", tuple(warnings), members, unit_groups, design, contrast, held)
    listed = [sorted({r.run.session or "(none)" for r, g in zip(rows, groups, strict=True) if g == k}) for k in (0, 1)]
    text = f"{names[0]} was recorded in session {', '.join(listed[0])}, {names[1]} in session {', '.join(listed[1])}"
    if rows[0].db_re != ("20 uPa",):
        return Pairing(
            refusal=f"{text}, levels are not calibrated and no reference drop ties the sessions: the recorder's gain "
            "may differ" + "".join(f"; {w}" for w in untied),
            warnings=tuple(warnings),
        )
    warnings.append(f"{text}: whatever else changed between the sessions is part of the difference")
    design, contrast = _design(groups, keys, None, rise)
    return Pairing("", tuple(warnings), tuple((s,) for s in rows), groups, design, contrast, held)


def _design(
    groups: NDArray[np.int64],
    keys: list[tuple[str, ...]],
    sessions: list[str] | None,
    rise: NDArray[np.float64] | None,
    *,
    cells: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return design and contrast: a mean for each side and block (or additive blocks), slopes, and session shifts.

    A mean for each cell lets a treatment act differently at each height without widening the interval; it needs
    two runs in every cell. The contrast is the mean over blocks of value minus baseline.
    """
    blocks = [k for k in dict.fromkeys(keys) if k[:1] != ("\0reference",)]
    block = np.array([blocks.index(k) if k in blocks else -1 for k in keys])
    columns: list[NDArray[np.float64]] = []
    weights: list[float] = []
    sizes = [np.sum((groups == g) & (block == b)) for g in (0, 1) for b in range(len(blocks))]
    if cells and min(sizes) >= 2:
        for g in (0, 1):
            for b in range(len(blocks)):
                columns.append(((groups == g) & (block == b)).astype(np.float64))
                weights.append((1.0 if g else -1.0) / len(blocks))
    else:
        columns += [(groups == g).astype(np.float64) for g in (0, 1)]
        weights += [-1.0, 1.0]
        columns += [(block == b).astype(np.float64) for b in range(1, len(blocks))]
        weights += [0.0] * (len(blocks) - 1)
    if np.any(groups == 2):
        columns.append((groups == 2).astype(np.float64))
        weights.append(0.0)
    if rise is not None:
        columns += [(groups == g) * rise for g in (0, 1)]
        weights += [0.0, 0.0]
    for session in list(dict.fromkeys(sessions or []))[1:]:
        columns.append(np.array([s == session for s in sessions or []], np.float64))
        weights.append(0.0)
    return np.column_stack(columns), np.array(weights)
