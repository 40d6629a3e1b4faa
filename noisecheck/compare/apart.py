"""Runs that read far off from others of their kind: recorded with another gain, most likely."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Final

import numpy as np

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.summary import RunSummary, index_of

__all__ = ["runs_apart", "say_apart"]

_LEAST: Final = 3  # of two runs either may be the odd one
_OFF_DB: Final = 10.0  # 3 cm at 10 cm make 2.3 dB: putting a microphone back does not do it
_FAR: Final = 3.5 * 1.4826  # a modified z-score above 3.5 (Iglewicz and Hoaglin 1993)
_ROUNDS: Final = 5  # of median polish (Tukey 1977): kinds and sessions settle within two or three


def runs_apart(summaries: Sequence[RunSummary]) -> dict[str, float]:
    """Return by how many dB a test run lies off the others of its kind, by name, for each that lies far off.

    Of a kind are runs alike in every column of the run sheet that tells what was tried. Medians of kinds and of
    sessions are taken out by turns: what all runs of a session are off by is the session's gain, not theirs.
    """
    i = index_of("lae_db")
    rows = [s for s in of_role(summaries, "test") if s.used and math.isfinite(s.mean[i])]
    kinds = _members([(s.station, *_kind(s)) for s in rows])
    rows = [rows[n] for own in kinds for n in own if len(own) >= _LEAST]
    if not rows:
        return {}
    rest = np.array([s.mean[i] for s in rows])
    parts = [_members([(s.station, *_kind(s)) for s in rows]), _members([s.run.session for s in rows])]
    for _ in range(_ROUNDS):
        for own in (n for part in parts for n in part):
            rest[own] -= np.median(rest[own])
    runs = _members([s.run.name for s in rows])
    off = np.array([np.median(rest[own]) for own in runs])
    least = max(_OFF_DB, _FAR * float(np.median(np.abs(off))))
    return {rows[own[0]].run.name: float(v) for own, v in zip(runs, off, strict=True) if abs(v) > least}


def say_apart(off_db: Mapping[str, float]) -> tuple[str, ...]:
    """Return a sentence for each run that :func:`runs_apart` found."""
    return tuple(
        f"run {name} reads {value:+.1f} dB against the others of its kind: if its gain was another, it is a session of "
        "its own"
        for name, value in off_db.items()
    )


def _members(keys: Sequence[Hashable]) -> list[list[int]]:
    """Return the rows of each key, in the order of their first."""
    found: dict[Hashable, list[int]] = {}
    for number, key in enumerate(keys):
        found.setdefault(key, []).append(number)
    return list(found.values())


def _kind(summary: RunSummary) -> tuple[str, ...]:
    run = summary.run
    return (run.revision, run.treatment, run.value("drop_height_mm"), *map(str, summary.channels), *run.extra.values())
