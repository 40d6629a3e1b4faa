"""How levels rise with drop height: a slope for each treatment and band, with its interval, never assumed."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.height import DOUBLING, HeightFit, HeightStudy, fit_heights
from noisecheck.compare.summary import RunSummary, index_of, one_station
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.errors import one_line
from noisecheck.core.table import band_names
from noisecheck.core.units import rounded
from noisecheck.pipeline.flowing import drop_height
from noisecheck.report.context import Context, Place, Section
from noisecheck.report.figures.height import Rise, rises
from noisecheck.report.figures.svg import inline_svg
from noisecheck.report.words import sentence

__all__ = ["heights_section"]

_MOST_PICTURES: Final = 4


def heights_section(context: Context) -> Section | None:
    """Return slopes with height at each station; None where no group of runs has two drop heights."""
    tests = of_role(context.result.summaries, "test")
    studies = {name: fit_heights(tests, station=name or None) for name in context.stations or ("",)}
    studies = {name: study for name, study in studies.items() if study.fits}
    heard = _heard(context)
    if not studies and not heard:
        return None
    ranked = sorted(studies, key=lambda name: -_steepest(studies[name]))
    stations = [_station(number, name, studies[name], tests) for number, name in enumerate(ranked)]
    moved = [name for name in ranked if any(f.shown for f in _totals(studies[name]))]
    return Section(
        key="heights",
        title="Noise and drop height",
        place=Place.NOISE + 1,
        template="heights.html",
        data={
            "stations": stations,
            "still": [one_line(n) for n in ranked if n not in moved and n],
            "unit": context.unit,
            "heard": heard,
            "doubted": [sentence(s) for s in context.result.doubtful_heights],
        },
        document={**{name or "all": study.to_dict() for name, study in studies.items()}, "heard_by_rebounds": heard},
    )


def _heard(context: Context) -> list[dict[str, Any]]:
    """Return the drop height that the rebounds of each run tell, beside the stated one, mm."""
    found = []
    for r in context.result.runs:
        told = (
            drop_height(r.impacts, r.run, context.result.campaign.rig) if r.run.role in ("test", "reference") else None
        )
        if told is not None:
            station, heard = told
            stated = r.run.drop_height_mm
            found.append(
                {
                    "run": one_line(r.run.name),
                    "station": one_line(station),
                    "stated_mm": stated,
                    "heard_mm": rounded(1000 * heard.height_m, 1),
                    "low_mm": rounded(1000 * heard.low_m, 1),
                    "high_mm": rounded(1000 * heard.high_m, 1),
                    "off_percent": None if stated is None else rounded(100 * (1000 * heard.height_m / stated - 1), 1),
                    "drops": heard.drops,
                    "odd_drops": heard.odd,
                }
            )
    return found


def _totals(study: HeightStudy) -> list[HeightFit]:
    return [f for f in study.fits if f.quantity == "lae_db"]


def _steepest(study: HeightStudy) -> float:
    return max((abs(f.slope) for f in _totals(study) if f.shown), default=0.0)


def _station(number: int, name: str, study: HeightStudy, tests: list[RunSummary]) -> dict[str, Any]:
    fits = _totals(study)
    chart = ""
    if number < _MOST_PICTURES and any(f.shown for f in fits):
        rows = [s for s in one_station(tests, name or None) if s.used and s.run.drop_height_mm is not None]
        where = f" at {one_line(name)}" if name else ""
        text = f"L_AE of runs against drop height{where}, with a line for each treatment; the table gives the slopes"
        chart = inline_svg(rises([_rise(f, rows) for f in fits], unit="dB"), key=f"h{number}", label=text)
    return {
        "name": one_line(name),
        "chart": chart,
        "sentences": [sentence(s) for s in study.sentences],
        "notes": [sentence(s) for s in study.notes],
        "rows": [
            {
                "group": one_line(f.group) or "all runs",
                "runs": f.runs,
                "rise": rounded(f.db_per_doubling),
                "low": rounded(f.slope_ci[0] * DOUBLING),
                "high": rounded(f.slope_ci[1] * DOUBLING),
                "level": rounded(f.level_db) if f.range_mm[0] <= f.reference_mm <= f.range_mm[1] else None,
                "range": f"{f.range_mm[0]:g} to {f.range_mm[1]:g}",
            }
            for f in fits
        ],
        "reference": round(fits[0].reference_mm, 1) if fits else None,
        "groups": [one_line(f.group) or "all runs" for f in fits],
        "bands": [
            {"nominal": f"{hz:g}", "rises": [_band(study, f.group, band) for f in fits]}
            for hz, band in zip(NOMINAL_THIRD_HZ, band_names(), strict=True)
        ],
    }


def _band(study: HeightStudy, group: str, band: str) -> dict[str, float | None]:
    try:
        fit = study.of(group, band)
    except KeyError:
        return {"rise": None, "low": None, "high": None}
    low, high = (rounded(v * DOUBLING) for v in fit.slope_ci)
    return {"rise": rounded(fit.db_per_doubling), "low": low, "high": high}


def _rise(fit: HeightFit, rows: list[RunSummary]) -> Rise:
    mine = [r for r in rows if r.run.value("treatment") == fit.group]
    ends = [fit.level_db + fit.slope * 10 * math.log10(h / fit.reference_mm) for h in fit.range_mm]
    return Rise(
        one_line(fit.group) or "all runs",
        np.array([r.run.drop_height_mm for r in mine], np.float64),
        np.array([r.mean[index_of("lae_db")] for r in mine], np.float64),
        fit.range_mm,
        (ends[0], ends[1]),
    )
