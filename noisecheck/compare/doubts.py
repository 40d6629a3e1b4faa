"""What means of runs lack: impacts that clipped, drops that the background drowned; and how far that reaches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from noisecheck.core.errors import listed

if TYPE_CHECKING:
    from noisecheck.compare.summary import RunSummary

__all__ = ["doubts_of", "first_doubt", "missing_db", "moved_by"]

Which = Literal["too_low", "too_high"]


def doubts_of(rows: Sequence[RunSummary]) -> dict[str, Any]:
    """Return what means of one run at several stations make together: the worst of their doubts."""
    return {
        "too_low": first_doubt(rows, "too_low"),
        "lacks_db": max((r.lacks_db for r in rows if r.too_low), default=0.0),
        "too_high": first_doubt(rows, "too_high"),
        "exceeds_db": max((r.exceeds_db for r in rows if r.too_high), default=0.0),
    }


def first_doubt(rows: Iterable[RunSummary], which: Which) -> str:
    """Return why the first mean in doubt is, and which other runs are likewise."""
    found: dict[str, str] = {}
    for row in rows:
        if text := getattr(row, which):
            found.setdefault(row.run.name, text)
    if not found:
        return ""
    first, *others = found
    if not others:
        return found[first]
    return f"{found[first]} (so {'are those' if len(others) > 1 else 'is that'} of {listed(others)})"


def missing_db(rows: Sequence[RunSummary]) -> tuple[float, float]:
    """Return by how many dB the mean of several runs may be too high, and too low, for what theirs lack."""
    return (
        float(np.mean([r.exceeds_db if r.too_high else 0.0 for r in rows])),
        float(np.mean([r.lacks_db if r.too_low else 0.0 for r in rows])),
    )


def moved_by(weights: Sequence[float], units: Sequence[Sequence[RunSummary]], sign: int) -> tuple[str, float]:
    """Return why a sum of weighted means may truly be lower (``sign`` -1) or higher (1), and by how many dB."""
    rows: list[tuple[Which, RunSummary]] = []
    most = 0.0
    for unit, weight in zip(units, weights, strict=True):
        which: Which = "too_low" if weight * sign > 0 else "too_high"
        by = missing_db(unit)[which == "too_low"]
        if weight and by:
            most += abs(weight) * by
            rows += [(which, s) for s in unit]
    first: Which = rows[0][0] if rows else "too_low"
    return first_doubt((s for which, s in rows if which == first), first), most
