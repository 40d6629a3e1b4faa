"""By revision: levels, flow and requirements; noise against flow in one picture; what the last revision changed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from noisecheck.compare.differences import Difference
from noisecheck.compare.flowing import LINK, GroupFlow, Rate
from noisecheck.compare.scorecard import Judged
from noisecheck.compare.standing import Figure
from noisecheck.compare.tradeoff import Point, Tradeoff
from noisecheck.compare.trend import RevisionTrend, Trend
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.units import rounded
from noisecheck.flow.findings import KIND_WORDS, either_way
from noisecheck.pipeline.revisions import changed_campaign, tradeoff_campaign, trend_campaign
from noisecheck.report.answers import difference_cells
from noisecheck.report.context import Context, Place, Said, Section
from noisecheck.report.figures.svg import inline_svg
from noisecheck.report.figures.tradeoff import Spot, noise_and_flow
from noisecheck.report.words import brief, capital, fold_alike

if TYPE_CHECKING:
    from noisecheck.bench.rig import Requirement

__all__ = ["trend_section"]

_MOST_ROWS: Final = 400
_MEASURES: Final = {
    "lae_db": ("L_AE", "dB"),
    "lzpeak_db": ("L_Zpeak", "dB"),
    "lcpeak_db": ("L_Cpeak", "dB"),
    "lafmax_db": ("L_AFmax", "dB"),
    "total_lae_db": ("L_AE of one ball over all stations", "dB"),
    "decay_ms": ("decay", "ms"),
    "centroid_hz": ("centroid", "Hz"),
    "restitution": ("restitution", ""),
    "held_up_per_thousand": ("balls held up", "per thousand"),
    "failures_per_million": ("balls stuck", "per million"),
}
"""Word and unit of what a requirement may limit, besides bands."""


def trend_section(context: Context) -> Section | None:
    """Return how revisions stand; where the run sheet names none, noise against flow by treatment alone."""
    try:
        trend = trend_campaign(context.result)
    except InputError:
        return _without_revisions(context)
    stations = list(dict.fromkeys(s for r in trend.revisions for s in r.levels))
    links = list(dict.fromkeys(n for r in trend.revisions for n in r.flow.transit_spread_s))
    between = _changed(context, trend)
    data = {
        "unit": context.unit,
        "stations": [one_line(s) for s in stations],
        "links": [one_line(n.replace(LINK, " to ")) for n in links],
        "revisions": [_revision(r, stations, links) for r in trend.revisions],
        "flow": any(r.flow.balls for r in trend.revisions),
        "changes": [one_line(c.sentence) for c in trend.changes],
        "joint": [
            f"{one_line(c.after)} against {one_line(c.before)}, all stations: {one_line(c.joint.sentence)}"
            for c in trend.changes
            if c.joint is not None
        ],
        "cards": _cards(trend),
        "rules": list(dict.fromkeys(one_line(j.verdict.rule) for r in trend.revisions for j in r.card.judged)),
        "pictures": _pictures(trend.tradeoff, context.unit),
        "between": between,
        "notes": [one_line(n) for n in fold_alike(trend.notes)],
        "scales": len(trend.scales) > 1,
    }
    title = "Revision by revision" if len(trend.revisions) > 1 else "Requirements"
    return Section("trend", title, Place.TREND, "trend.html", data, _said(trend), trend.to_dict())


def _without_revisions(context: Context) -> Section | None:
    tradeoff = tradeoff_campaign(context.result)
    pictures = _pictures(tradeoff, context.unit)
    if not pictures:
        return None
    title = "Noise against flow"
    return Section("trend", title, Place.TREND, "pictures.html", {"pictures": pictures}, (), tradeoff.to_dict())


def _revision(r: RevisionTrend, stations: list[str], links: list[str]) -> dict[str, Any]:
    spread = r.flow.transit_spread_s
    return {
        "name": one_line(r.revision),
        "treatments": [one_line(t) for t in r.treatments],
        "runs": r.runs,
        "levels": [_bounded(r.levels.get(s, {}).get("lae_db")) for s in stations],
        "total": _bounded(r.total),
        "balls": r.flow.balls,
        "held_up": _bounded(r.flow.held_up),
        "stuck": r.flow.counts.get("stuck", 0),
        # rounded down it would not be shown
        "failures": math.ceil(r.flow.failures.upper) if math.isfinite(r.flow.failures.upper) else None,
        "spread": [rounded(spread[n].value) if n in spread else None for n in links],
        "verdict": r.card.verdict if r.card.judged else "",
    }


def _bounded(found: Figure | Rate | None) -> dict[str, float | None]:
    """Return a value with its bounds; all None where there is none."""
    return {k: None if found is None else rounded(getattr(found, k)) for k in ("value", "low", "high")}


def _cards(trend: Trend) -> list[dict[str, Any]]:
    """Return one row a requirement with its verdict in each revision, newest last."""
    rows: dict[str, dict[str, Any]] = {}
    for revision in trend.revisions:
        for j in revision.card.judged:
            r = j.requirement
            row = rows.setdefault(
                r.id,
                {
                    "id": one_line(r.id),
                    "text": one_line(r.text),
                    "strict": r.strict,
                    "what": one_line(_asked(r)),
                    "verdicts": {},
                },
            )
            # an older revision is not recorded again: only the newest is told what would settle it
            step = _next(j) if revision is trend.newest else ""
            row["verdicts"][revision.revision] = {"verdict": j.verdict.verdict, "found": _found(j), "next": step}
    return list(rows.values())


def _asked(r: Requirement) -> str:
    """Return what a requirement limits, in words with its unit."""
    word, unit = _MEASURES.get(r.measure, (f"L_E at {r.measure.removeprefix('le_').removesuffix('hz')} Hz", "dB"))
    where = f" at {r.station}" if r.station else ""
    limit = f"{r.limit:,g}".replace("-", "\N{MINUS SIGN}")
    return f"{word}{where} {r.sense} {limit} {unit}".rstrip()


def _found(j: Judged) -> str:
    v = j.verdict
    if not math.isfinite(v.value):
        return "not measured"
    text = brief(v.value)
    if math.isfinite(v.odds):
        text += f", odds {either_way(v.odds)}"
    return text.replace("-", "\N{MINUS SIGN}")


def _next(j: Judged) -> str:
    return one_line(j.verdict.next_step) if j.verdict.verdict == "not yet shown" else ""


def _pictures(tradeoff: Tradeoff, unit: str) -> list[dict[str, Any]]:
    """Return the picture of revisions, and of treatments where they divide the runs in another way."""
    found = []
    shape: list[tuple[float, float]] = []
    for kind in ("revision", "treatment"):
        points = tradeoff.of(kind)
        here = [(p.noise.value, p.risk.value) for p in points]
        if len(points) < 2 or here == shape:
            continue
        shape = here
        scales = sorted({p.scale for p in points})
        for scale in scales:
            mine = [p for p in points if p.scale == scale]
            spots = [_spot(p) for p in mine]
            text = f"L_AE of one ball against balls held up or stuck per thousand, by {kind}; the table says the same"
            figure = noise_and_flow(spots, unit=unit)
            found.append(
                {
                    "kind": kind,
                    "chart": inline_svg(figure, key=f"f{kind}{scale}", label=text),
                    "rows": [_point(p) for p in mine],
                    "several": len(scales) > 1,
                }
            )
    return found


def _spot(p: Point) -> Spot:
    return Spot(
        one_line(p.value),
        p.noise.value,
        p.noise.low,
        p.noise.high,
        p.risk.value,
        p.risk.low,
        p.risk.high,
        p.on_frontier,
    )


def _point(p: Point) -> dict[str, Any]:
    return {
        "value": one_line(p.value),
        "noise": _bounded(p.noise),
        "risk": _bounded(p.risk),
        "events": p.risk.events,
        "balls": p.risk.balls,
        "against": one_line(p.against),
    }


def _changed(context: Context, trend: Trend) -> dict[str, Any] | None:
    """Return what the newest revision changed against the one before it."""
    if len(trend.revisions) < 2:
        return None
    before, after = trend.revisions[-2].revision, trend.revisions[-1].revision
    c = changed_campaign(context.result, trend, before=before, after=after)
    return {
        "before": one_line(before),
        "after": one_line(after),
        "stations": [_difference(name, d) for name, d in c.stations.items()],
        "flow": [_flow(f) for f in c.flow],
        "requirements": [
            {
                "id": one_line(r.after.requirement.id),
                "text": one_line(r.after.requirement.text),
                "before": r.before.verdict.verdict,
                "after": r.after.verdict.verdict,
                "changed": r.changed,
            }
            for r in c.requirements
        ],
        "odd": [
            {
                "kind": KIND_WORDS[o.kind],
                "station": one_line(o.station),
                "status": o.word,
                "before": o.before,
                "after": o.after,
                "examples": [f"run {one_line(e.run)}, {e.time_s:.2f} s" for e in o.examples[:3]],
            }
            for o in c.odd[:_MOST_ROWS]
        ],
    }


def _difference(name: str, d: Difference) -> dict[str, Any]:
    why = one_line(d.why.sentence) if d.why is not None and d.why.kind != "nothing shown" else ""
    return {"station": one_line(name) or "all impacts", "why": why, **difference_cells(d)}


def _flow(f: GroupFlow) -> dict[str, Any]:
    return {"balls": f.balls, "held_up": _bounded(f.held_up), "stuck": f.counts.get("stuck", 0)}


def _stands(j: Judged) -> str:
    return f"{one_line(j.requirement.id)} {j.verdict.verdict}"


def _said(trend: Trend) -> tuple[Said, ...]:
    """Return how the newest revision stands against what must be met."""
    newest = trend.newest
    strict = [j for j in newest.card.judged if j.requirement.strict]
    if not newest.card.judged:
        return ()
    name = f"Revision {one_line(newest.revision)}"
    hoped = [j for j in newest.card.judged if not j.requirement.strict]
    met, of = newest.card.score
    wished = f" Of what it should meet {met} of {of} met: {', '.join(_stands(j) for j in hoped)}." if hoped else ""
    steps = "; ".join(f"{one_line(j.requirement.id)}: {_next(j)}" for j in (*strict, *hoped) if _next(j))
    steps = steps and capital(steps) + "."
    if not strict:
        return (Said("note", f"{name}: nothing it must meet is asked.{wished}", steps),)
    words = [_stands(j) for j in strict]
    if trend.verdict == "met":
        return (Said("met", f"{name} meets everything it must: {', '.join(words)}.{wished}", steps),)
    text = f"{name} {'fails' if trend.verdict == 'not met' else 'is not yet shown to meet'} what it must meet: "
    return (Said(trend.verdict, f"{text}{', '.join(words)}.{wished}", steps),)
