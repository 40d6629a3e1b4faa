"""What each recording is good for: one line where all are fit, near the top of the page where some are not."""

from __future__ import annotations

from typing import Any, Final

from noisecheck.audio.health import Fitness, Health
from noisecheck.core.errors import listed, one_line
from noisecheck.pipeline.run import RunResult
from noisecheck.report.context import Context, Place, Said, Section
from noisecheck.report.words import take_common

__all__ = ["health_section"]

_WHAT: Final = ("levels", "counts", "times", "bands")
_MOST_NAMED: Final = 4
_VERDICTS: Final = ("not usable", "bound only", "usable")


def health_section(context: Context) -> Section | None:
    """Return what the recordings are good for; None where none was looked at and nothing is noted."""
    runs = [r for r in context.result.runs if r.health is not None or r.notes]
    if not runs:
        return None
    checked = [(r, r.health) for r in runs if r.health is not None]
    counts = {w: {v: [r for r, h in checked if _fit(h, w).verdict == v] for v in _VERDICTS} for w in _WHAT}
    unfit = any(counts[w]["not usable"] for w in _WHAT)
    bounds = any(counts[w]["bound only"] for w in _WHAT)
    rows = [_row(r) for r in runs]
    shared = take_common([row["notes"] for row in rows], "recordings")
    # the worst first, else in the order of the run sheet
    rows.sort(key=lambda row: min((_VERDICTS.index(c["verdict"]) for c in row["cells"]), default=len(_VERDICTS)))
    data = {
        "what": _WHAT,
        "rows": rows,
        "shared": shared,
        "checked": len(checked),
        "unchecked": len(context.result.runs) - len(checked),
        "fine": bool(checked) and not unfit and not bounds,
        "unfit": unfit,
        "reference": context.result.references.to_dict(),
        "summary": [_summary(w, {v: len(counts[w][v]) for v in _VERDICTS}) for w in _WHAT] if checked else [],
    }
    said = _said({w: counts[w]["not usable"] for w in _WHAT}, len(checked))
    return Section(
        key="health",
        title="What the recordings are good for",
        place=Place.UNFIT if unfit else Place.HEALTH,
        template="health.html",
        data=data,
        said=said,
    )


def _fit(health: Health, what: str) -> Fitness:
    found: Fitness = getattr(health, what)
    return found


def _row(run: RunResult) -> dict[str, Any]:
    health = run.health
    cells, reasons = [], list[str]()
    if health is not None:
        cells = [{"what": w, "verdict": _fit(health, w).verdict} for w in _WHAT]
        for what in _WHAT:
            reasons += [f"{what}: {one_line(reason)}" for reason in _fit(health, what).reasons]
    notes = [*(health.notes if health is not None else ()), *run.notes]
    return {
        "run": one_line(run.run.name),
        "cells": cells,
        "reasons": reasons,
        "notes": [one_line(n) for n in dict.fromkeys(notes)],
    }


def _summary(what: str, counts: dict[str, int]) -> str:
    total = sum(counts.values())
    if counts["usable"] == total:
        return f"{what} usable in all"
    parts = [f"{v} in {counts[v]}" for v in ("usable", "bound only", "not usable") if counts[v]]
    return f"{what} {', '.join(parts)}"


def _said(unfit: dict[str, list[RunResult]], checked: int) -> tuple[Said, ...]:
    """Return a sentence for each set of recordings unfit for the same."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for what, runs in unfit.items():
        if runs:
            alike.setdefault(tuple(r.run.name for r in runs), []).append(what)
    return tuple(_unfit(whats, unfit[whats[0]], checked) for whats in alike.values())


def _unfit(whats: list[str], runs: list[RunResult], checked: int) -> Said:
    names = [one_line(r.run.name) for r in runs[:_MOST_NAMED]]
    more = f" and {len(runs) - _MOST_NAMED} more" if len(runs) > _MOST_NAMED else ""
    # the first reason of each; where they differ, that of the first recording is said to be its own
    reasons = [[one_line(r) for w in whats if run.health for r in _fit(run.health, w).reasons[:1]] for run in runs]
    first = next(iter(reasons[0]), "")
    shared = all(first in own for own in reasons)
    why = "" if not first else f": {first}" if shared else f"; {names[0]}: {first}"
    share = f"{len(runs)} of {checked} recordings" if checked > 1 else "the recording"
    step = "Read below what is wrong, put it right and record again; what is marked usable still holds."
    text = f"{listed(whats).capitalize()} of {share} are not usable ({', '.join(names)}{more}){why}."
    return Said("not usable", text, step)
