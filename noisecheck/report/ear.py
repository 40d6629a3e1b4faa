"""How impulsive and how loud impacts are to the ear, beside their levels."""

from __future__ import annotations

from noisecheck.core.errors import one_line
from noisecheck.core.units import rounded
from noisecheck.pipeline.annoyance import INTERVAL_S, annoyance
from noisecheck.report.context import Context, Place, Section

__all__ = ["ear_section"]


def ear_section(context: Context) -> Section | None:
    """Return prominence and loudness of each station and treatment; None where nothing was heard."""
    found = [a for a in annoyance(context.result) if a.station or not context.stations]
    if not found:
        return None
    rows = [
        {
            "station": one_line(a.station),
            "revision": one_line(a.revision),
            "treatment": one_line(a.treatment),
            "which": a.which,
            "impacts": a.impacts,
            "lae": round(a.lae_db, 2),
            "p": rounded(a.prominence, 2),
            "adjustment": rounded(a.adjustment_db, 2),
            "rate": rounded(a.onset_rate_db_s, 2),
            "sone": rounded(a.loudness_sone, 2),
        }
        for a in found
    ]
    data = {
        "rows": rows,
        "stations": any(r["station"] for r in rows),
        "revisions": len({r["revision"] for r in rows}) > 1,
        "treatments": any(r["treatment"] for r in rows),
        "loudness": any(r["sone"] is not None for r in rows),
        "why": next((a.why_no_loudness for a in found if a.why_no_loudness), ""),
        "interval_ms": round(1000 * INTERVAL_S),
        "unit": context.unit,
    }
    document = {"onset_interval_s": INTERVAL_S, "impacts": [a.to_dict() for a in found]}
    return Section("ear", "How impulsive to the ear", Place.LISTEN, "ear.html", data, document=document)
