"""The machine from above: where stations and microphones are, and where impacts were found."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import one_line
from noisecheck.core.table import Impacts
from noisecheck.core.units import rounded
from noisecheck.pipeline.references import machine_impacts
from noisecheck.place.ranking import rank_stations
from noisecheck.report.context import Context, Place, Section, newest_first
from noisecheck.report.figures.plan import Spotted, plan
from noisecheck.report.figures.svg import inline_svg

__all__ = ["plan_section"]

Floats = NDArray[np.float64]
_NOWHERE: Final = np.empty((0, 2)), np.empty((0, 3))


def plan_section(context: Context) -> Section | None:
    """Return the plan with a table of what was found at each station; None where fewer than two places are stated."""
    rig = context.result.campaign.rig
    stated = {s.name: (s.position_mm[0], s.position_mm[1]) for s in rig.stations if s.position_mm is not None}
    microphones = [m for m in rig.microphones if m.position_mm is not None]
    if len(stated) + len(microphones) < 2:
        return None
    found = _found(context)
    shares = _shares(context)
    names = [*dict.fromkeys([*context.stations, *stated])]
    numbers = {name: n for n, name in enumerate(context.stations)}
    spotted = [
        Spotted(
            one_line(name),
            f" {100 * shares[name]:.0f} %" if name in shares else "",
            stated.get(name),
            *found.get(name, _NOWHERE),
            numbers.get(name, len(numbers)),
        )
        for name in names
    ]
    if "" in found:
        spotted.append(Spotted("unplaced", "", None, *found[""], -1))
    listed = [(str(m.channel), m.position_mm[0], m.position_mm[1]) for m in microphones if m.position_mm is not None]
    text = "The machine from above: stations, microphones and places found; the table says the same"
    rows = [_row(s) for s in spotted if len(s.found_mm)]
    data = {
        "chart": inline_svg(plan(spotted, listed), key="p", label=text),
        "rows": rows,
        "shares": bool(shares),
        "newest": one_line(_newest(context)),
        "ways": any(len(s.found_mm) for s in spotted),
    }
    document = {
        "stations": [
            {"station": s.name, "stated_mm": s.stated_mm, **{k: v for k, v in _row(s).items() if k != "station"}}
            for s in spotted
        ]
    }
    return Section("plan", "The machine from above", Place.SOURCES + 1, "plan_view.html", data, document=document)


def _found(context: Context) -> dict[str, tuple[Floats, Floats]]:
    """Return places and ellipses of the test runs' impacts by station."""
    parts: dict[str, list[tuple[Floats, Floats]]] = {}
    for run in context.result.tests:
        if run.found is None:
            continue
        for code, name in enumerate(run.impacts.names["station"]):
            here = run.found.known & (run.impacts.data["station"] == code)
            if here.any():
                parts.setdefault(name, []).append((run.found.xy_mm[here], run.found.ellipse[here]))
    return {
        name: (np.concatenate([p for p, _ in rows]), np.concatenate([e for _, e in rows]))
        for name, rows in parts.items()
    }


def _newest(context: Context) -> str:
    names = [r.run.revision for r in context.result.tests]
    return next(iter(newest_first(names, context.result.campaign.rig.revisions.order)), "")


def _shares(context: Context) -> dict[str, float]:
    """Return each station's share of the A-weighted exposure of the newest revision, where levels may be added."""
    newest = _newest(context)
    tests = [machine_impacts(r.impacts) for r in context.result.tests if r.run.revision == newest]
    if len({str(v) for t in tests for v in set(t["db_re"])}) != 1 or len(context.kinds) > 1:
        return {}
    return {r.station: r.share for r in rank_stations(Impacts.concat(tests)).rows if r.station}


def _row(s: Spotted) -> dict[str, Any]:
    if not len(s.found_mm):
        return {"station": s.name, "impacts": 0}
    middle = np.median(s.found_mm, axis=0)
    away = None if s.stated_mm is None else float(np.hypot(*(middle - s.stated_mm)))
    return {
        "station": s.name,
        "impacts": len(s.found_mm),
        "x": round(float(middle[0]), 1),
        "y": round(float(middle[1]), 1),
        "away": None if away is None else round(away, 1),
        "half_axis": rounded(float(np.median(s.ellipse[:, 0])), 1),
    }
