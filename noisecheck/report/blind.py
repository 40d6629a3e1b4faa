"""Typical impacts of each group of runs, to be listened to without knowing which is which."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

from noisecheck.compare.differences import Group
from noisecheck.core.errors import one_line
from noisecheck.core.flags import LOST, NO_DROP, Flag
from noisecheck.core.records import record
from noisecheck.report.answers import Asked, View, column_word, value_word
from noisecheck.report.clips import ALONE, Wanted, clips_of
from noisecheck.report.context import Context, Place, Section

__all__ = ["blind_section", "typical"]

_EACH: Final = 3
"""Clips a group: with only one, its own accidents would be learnt instead of the treatment."""
_MOST_GROUPS: Final = 20
_BYTES: Final = 700_000
_SPOILT: Final = Flag.CLIPPED | Flag.OVERLAPPED | Flag.TRUNCATED | Flag.BOUND | Flag.LOW_MARGIN | LOST | NO_DROP
_LEAST_MARGIN_DB: Final = 10.0
_ROOM_S: Final = 0.1


def blind_section(context: Context) -> Section | None:
    """Return typical impacts by place and value; None where no two groups of one place may be compared by level."""
    places: list[dict[str, Any]] = []
    wanted: list[Wanted] = []
    for asked in context.asked:
        for view in asked.places:
            place = _place(context, asked, view)
            if place and len(wanted) + len(place["groups"]) * _EACH <= _MOST_GROUPS * _EACH:
                places.append(place)
                wanted += [w for g in place["groups"] for w in g["wanted"]]
    clips = clips_of(context.result, wanted, most_bytes=_BYTES)
    runs = context.result.by_name
    for place in places:
        for group in place["groups"]:
            group["clips"] = [
                {
                    "clip": clips[w],
                    "run": one_line(w.run),
                    "time": round(float(runs[w.run].impacts.data["time_s"][w.row]), 3),
                    "lae": round(float(runs[w.run].impacts.data["lae_db"][w.row]), 2),
                }
                for w in group.pop("wanted")
                if w in clips and math.isfinite(clips[w].lae_db)
            ]
        place["groups"] = [g for g in place["groups"] if g["clips"]]
    places = [p for p in places if len(p["groups"]) > 1 and p["groups"][0]["baseline"]]
    if not places:
        return None
    return Section("hear", "Hear the difference", Place.LISTEN, "blind.html", {"places": places})


def _place(context: Context, asked: Asked, view: View) -> dict[str, Any] | None:
    refused = {d.value for d in view.comparison.differences if d.measure == "lae_db" and d.verdict == "not comparable"}
    groups = [g for g in view.comparison.groups if g.value not in refused]
    groups.sort(key=lambda g: g.value != asked.baseline)
    alike = _alike(context, asked, groups)
    found = [
        {
            "value": value_word(asked.column, g.value),
            "baseline": g.value == asked.baseline,
            "wanted": [Wanted(*one, ALONE) for one in typical(context, runs, view.station)],
        }
        for g, runs in zip(groups, alike.runs, strict=True)
    ]
    found = [g for g in found if g["wanted"]]
    if len(found) < 2:
        return None
    words = [one_line(view.station) or "all impacts", *alike.held]
    if sum(1 for a in context.asked if a.places) > 1:
        words.append(f"by {column_word(asked.column)}")
    return {"name": ", ".join(words), "groups": found}


@record
class _Alike:
    """The runs of each group that are alike in all else, and in what, in words."""

    runs: tuple[tuple[str, ...], ...]
    held: tuple[str, ...]


def _alike(context: Context, asked: Asked, groups: Sequence[Group]) -> _Alike:
    """Hold every other column that was varied at its baseline, where that leaves runs in every group."""
    runs = tuple(g.run_names for g in groups)
    held = []
    for other in context.asked:
        if other is asked:
            continue
        fewer = tuple(
            tuple(n for n in names if context.result.campaign.run(n).value(other.column) == other.baseline)
            for names in runs
        )
        if all(fewer):
            runs = fewer
            held.append(value_word(other.column, other.baseline))
    return _Alike(runs, tuple(held))


def typical(context: Context, runs: Sequence[str], station: str) -> list[tuple[str, int]]:
    """Return up to three (run, row) of first contacts nearest to the median L_AE, of different runs if it can be.

    Impacts whose sound is not their own (overlapped, cut, clipped, faint) are left out, and those soon followed by
    another where enough others are there.
    """
    found: list[tuple[float, str, int, bool]] = []
    for name in (n for n in context.result.by_name if n in runs):
        table = context.result.by_name[name].impacts
        good = (table.data["rebound"] <= 0) & np.isfinite(table.data["lae_db"]) & ~table.flagged(_SPOILT)
        good &= ~(table.data["margin_db"] < _LEAST_MARGIN_DB)
        if station:
            good &= table.is_text("station", station)
        after = np.diff(table.data["time_s"], append=np.inf)
        found += [
            (float(table.data["lae_db"][row]), name, int(row), bool(after[row] >= _ROOM_S))
            for row in np.flatnonzero(good)
        ]
    if not found:
        return []
    middle = float(np.median([level for level, *_ in found]))
    roomy = [f for f in found if f[3]]
    found = sorted(roomy if len(roomy) >= _EACH else found, key=lambda f: (abs(f[0] - middle), f[1], f[2]))
    return [(run, row) for _, run, row, _ in _spread_over_runs(found)][:_EACH]


def _spread_over_runs(found: Iterable[tuple[float, str, int, bool]]) -> list[tuple[float, str, int, bool]]:
    """Return the best of each run first, then the second best of each, ..."""
    turn: dict[str, int] = {}
    ranked = []
    for place, one in enumerate(found):
        turn[one[1]] = turn.get(one[1], 0) + 1
        ranked.append((turn[one[1]], place, one))
    return [one for *_, one in sorted(ranked)]
