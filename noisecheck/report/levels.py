"""How loud each run was at each station: the run means that all comparisons stand on."""

from __future__ import annotations

from typing import Any

from noisecheck.compare.summary import LEVELS, index_of
from noisecheck.core.errors import one_line
from noisecheck.core.units import rounded
from noisecheck.report.context import Context, Place, Section
from noisecheck.report.noise import SYMBOLS
from noisecheck.report.words import fold_alike

__all__ = ["levels_section"]


def levels_section(context: Context) -> Section | None:
    """Return the table of run means; None where no run has impacts."""
    rows = []
    for s in context.result.summaries:
        if not s.impacts:
            continue
        rows.append(
            {
                "run": one_line(s.run.name),
                "role": s.run.role,
                "station": one_line(s.station),
                "impacts": s.impacts,
                "used": s.used,
                "levels": [rounded(s.value(q)) for q in LEVELS],
                "energy": rounded(float(s.energy[index_of("lae_db")])),
                "sd": rounded(float(s.sd[index_of("lae_db")])),
                "centroid": rounded(s.value("centroid_hz")),
            }
        )
    if not rows:
        return None
    notes = [one_line(w) for w in fold_alike(w for s in context.result.summaries for w in s.warnings)]
    data: dict[str, Any] = {"rows": rows, "unit": context.unit, "symbols": SYMBOLS, "levels": LEVELS, "notes": notes}
    return Section("levels", "Levels, run by run", Place.LEVELS, "levels.html", data)
