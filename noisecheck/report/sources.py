"""Which station makes most of the noise, and what quieting it would bring."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

from noisecheck.compare.trend import machine_stations
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.errors import listed, one_line
from noisecheck.core.table import Impacts
from noisecheck.core.units import rounded
from noisecheck.pipeline.references import machine_impacts
from noisecheck.place.ranking import QUIETER_DB, Ranking, StationShare, rank_stations
from noisecheck.report.context import Context, Place, Said, Section, newest_first
from noisecheck.report.words import capital

__all__ = ["sources_section"]


def sources_section(context: Context) -> Section | None:
    """Return each station's share of the noise; None where fewer than two stations were heard."""
    tests = context.result.tests
    levels = {str(v) for r in tests for v in set(r.impacts["db_re"])}
    if len(levels) > 1:
        return _refused(
            "Some runs are calibrated and others not: their exposures do not add, so the stations are not ranked.",
            "Calibrate all recordings, or rank the calibrated ones alone.",
        )
    if not levels:
        return None
    rig = context.result.campaign.rig
    if len(context.kinds) > 1:
        return _refused(
            "Contact pickups heard some impacts and air microphones others: their levels do not add, so the stations "
            "are not ranked.",
            "Record all stations by microphones of one kind to rank them.",
        )
    values = newest_first((r.run.revision for r in tests), rig.revisions.order)
    # Exposures are added as recorded: a run far off the others of its kind would decide alone.
    apart = context.result.apart_db
    level = [r for r in tests if r.run.name not in apart]
    parts = [(v, [machine_impacts(r.impacts) for r in level if r.run.revision == v]) for v in values]
    ranked = [(v, rank_stations(Impacts.concat(t))) for v, t in parts]
    if not any(sum(bool(r.station) for r in k.rows) > 1 for _, k in ranked):
        return None
    tables = [_table(v, k) for v, k in ranked if k.rows]
    document = [{"revision": v, **_document(k)} for v, k in ranked]
    machine = machine_stations(context.result.summaries, rig)
    data = {"tables": tables, "revisions": len(tables) > 1, "unit": context.unit, "apart": [*map(one_line, apart)]}
    return Section(
        "sources",
        "Where the noise comes from",
        Place.SOURCES,
        "sources.html",
        data,
        _said(*ranked[0], machine),
        document,
    )


def _refused(text: str, step: str) -> Section:
    data: dict[str, Any] = {"tables": [], "refusal": text}
    said = (Said("note", text, step),)
    return Section("sources", "Where the noise comes from", Place.SOURCES, "sources.html", data, said)


def _table(revision: str, ranking: Ranking) -> dict[str, Any]:
    return {
        "revision": one_line(revision),
        "rows": [_row(r) for r in ranking.rows],
        "total": rounded(ranking.total_lae_db),
        # what is not worth quieting stands in its own column
        "notes": [one_line(n) for n in ranking.notes if n.startswith("unplaced")],
        "without_level": ranking.without_level,
    }


def _row(r: StationShare) -> dict[str, Any]:
    return {
        "station": one_line(r.station) or "unplaced",
        "impacts": r.impacts,
        "lae": rounded(r.lae_db),
        "percent": round(100 * r.share, 1),
        "falls": [rounded(f) for f in r.falls_db],
        "alone": math.isinf(r.falls_db[-1]),
        "worth": r.worth_quieting,
        "bands": [
            {
                "nominal": f"{f:g}",
                "share": rounded(100 * float(share), 1),
                "falls": [rounded(float(v)) for v in falls],
                "alone": math.isinf(falls[-1]),
            }
            for f, share, falls in zip(NOMINAL_THIRD_HZ, r.band_share, r.band_falls_db.T, strict=True)
        ],
    }


def _document(ranking: Ranking) -> dict[str, Any]:
    return {
        "total_lae_db": rounded(ranking.total_lae_db),
        "quieter_db": [q if math.isfinite(q) else None for q in QUIETER_DB],
        "stations": [
            {
                "station": r.station,
                "impacts": r.impacts,
                "lae_db": rounded(r.lae_db),
                "share": round(r.share, 5),
                "total_falls_db": [rounded(f) for f in r.falls_db],
                "worth_quieting": r.worth_quieting,
                "band_share": [rounded(float(b)) for b in r.band_share],
                "band_falls_db": [[rounded(float(f)) for f in row] for row in r.band_falls_db],
            }
            for r in ranking.rows
        ],
        "notes": list(ranking.notes),
    }


def _said(revision: str, ranking: Ranking, machine: Collection[str]) -> tuple[Said, ...]:
    placed = [r for r in ranking.rows if r.station in machine and r.impacts]
    if len(placed) < 2:
        return ()
    first = placed[0]
    where = f"In revision {one_line(revision)}, " if revision else ""
    text = capital(f"{where}{one_line(first.station)} makes {100 * first.share:.0f} % of the noise")
    text += f"; 6 dB quieter there lowers the total by {first.falls_db[1]:.1f} dB."
    spared = [one_line(r.station) for r in placed if not r.worth_quieting]
    if spared:
        each = "it" if len(spared) == 1 else "any of them"
        text += f" Not worth quieting: {listed(spared)} (silencing {each} would not lower the total by 1 dB)."
    return (Said("source", text),)
