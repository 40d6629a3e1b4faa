"""What the user's ear corrected, and how to correct more."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict

from noisecheck.bench.corrections import COLUMNS, KINDS, Correction
from noisecheck.core.errors import one_line
from noisecheck.core.files import csv_text
from noisecheck.report.context import Context, Place, Section

__all__ = ["corrections_section"]


def corrections_section(context: Context) -> Section | None:
    """Return the corrections of the campaign and the lines that make more; None where nothing was heard."""
    given = context.result.campaign.corrections
    runs = [r for r in context.result.runs if len(r.impacts)]
    if not runs and not given:
        return None
    run = one_line(runs[0].run.name) if runs else "take1"
    station = one_line(context.stations[0]) if context.stations else "bend"
    lines = [",".join(COLUMNS), f"{run},12.310,not a ball,,a door", f"{run},14.052,station,{station},"]
    data = {
        "rows": [{k: one_line(v) if isinstance(v, str) else v for k, v in asdict(c).items()} for c in given],
        "lines": "\n".join([*lines, f"{run},17.400,missed,{station},faint"]),
        "kinds": KINDS,
        "now": _as_csv(given),
    }
    document = [{k: v for k, v in asdict(c).items() if k != "line"} for c in given]
    return Section("corrections", "Corrected by ear", Place.EVENTS + 1, "corrections.html", data, document=document)


def _as_csv(given: Iterable[Correction]) -> str:
    """Return corrections as ``corrections.csv`` would hold them."""
    return csv_text([COLUMNS, *((c.run, f"{c.time_s:.3f}", c.what, c.station, c.note) for c in given)])
