"""Noise before and after: differences at each station, the bands behind them, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.decay import OctaveDecay, decay_changes
from noisecheck.compare.differences import Difference, Group
from noisecheck.compare.hearing import JUST_NOTICEABLE
from noisecheck.compare.joint import JointVerdict, join_flow
from noisecheck.compare.linear import mean_interval
from noisecheck.compare.plan import EffectPlan
from noisecheck.compare.summary import BANDS, LEVELS, one_station
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.errors import one_line
from noisecheck.core.table import band_names
from noisecheck.core.units import rounded
from noisecheck.report.answers import Asked, View, column_word, difference_cells, value_word
from noisecheck.report.balls import flow_columns
from noisecheck.report.context import Context, GroupColumn, Place, Section
from noisecheck.report.figures.levels import Row, band_differences, band_levels, differences
from noisecheck.report.figures.svg import inline_svg
from noisecheck.report.words import capital, fold_alike, sentence

__all__ = ["SYMBOLS", "noise_section"]

Floats = NDArray[np.float64]
Key = tuple[str, str, str]
"""Column, station and value."""

SYMBOLS: Final = {
    "lae_db": ("L", "AE"),
    "lzpeak_db": ("L", "Zpeak"),
    "lcpeak_db": ("L", "Cpeak"),
    "lafmax_db": ("L", "AFmax"),
}
_MOST_CHARTS: Final = 24
"""Pairs of band charts drawn; beyond that the tables stand alone."""


def noise_section(context: Context) -> Section | None:
    """Return the section of differences; None where nothing can be compared."""
    if not context.asked:
        return None
    columns = (*flow_columns(context), *context.group_columns)
    drawn = _worth_drawing(context.asked)
    questions = [_question(context, number, a, columns, drawn) for number, a in enumerate(context.asked)]
    document = [
        {"by": q["column"], "station": v["station"] or None, "groups": v["flow"]}
        for q in questions
        for v in q["views"]
        if v["flow"]
    ]
    rang = [
        {"by": q["column"], "station": v["station"] or None, "value": x["name"], "octaves": x["decays"]}
        for q in questions
        for v in q["views"]
        for x in v["values"]
        if x["decays"]
    ]
    return Section(
        key="noise",
        title="Noise, before and after",
        place=Place.NOISE,
        template="noise.html",
        data={"questions": questions, "unit": context.unit, "thresholds": JUST_NOTICEABLE, "symbols": SYMBOLS},
        document={k: v for k, v in (("flow_beside_noise", document), ("octave_decays", rang)) if v} or None,
    )


def _worth_drawing(asked: Sequence[Asked]) -> set[Key]:
    """Return which (column, station, value) get band charts: the largest differences."""
    sized = []
    for question in asked:
        for view in question.places:
            for d in view.comparison.differences:
                if d.measure == "lae_db" and math.isfinite(d.difference_db):
                    sized.append((-abs(d.difference_db), question.column, view.station, d.value))
    return {(column, station, value) for _, column, station, value in sorted(sized)[:_MOST_CHARTS]}


def _question(
    context: Context,
    number: int,
    asked: Asked,
    columns: Sequence[GroupColumn],
    drawn: set[Key],
) -> dict[str, Any]:
    places = asked.places
    joint = {v.station: _joint(context, v) for v in asked.views}
    views = [_view(context, f"n{number}-{i}", asked, v, columns, drawn, joint[v.station]) for i, v in enumerate(places)]
    rows = []
    for view in places:
        for d in view.comparison.differences:
            if d.measure == "lae_db" and math.isfinite(d.difference_db):
                name = value_word(asked.column, d.value)
                label = f"{one_line(view.station)}: {name}" if view.station else name
                shown = d.verdict in ("quieter", "louder") and not d.indicative
                rows.append(Row(label, d.difference_db, *d.ci_db, shown))
    base = value_word(asked.column, asked.baseline)
    chart = ""
    if len(rows) > 1:
        text = f"Differences in L_AE against {base}, in dB with 95 % intervals; the table beside it gives the same"
        chart = inline_svg(differences(rows[:40]), key=f"n{number}", label=text)
    overview = [
        {
            "station": v.station,
            "value": value_word(asked.column, d.value),
            "joint": _flow_word(joint[v.station].get(d.value)),
            **difference_cells(d),
        }
        for v in (*places, *(w for w in asked.views if w not in places))
        for d in v.comparison.differences
        if d.measure == "lae_db"
    ]
    return {
        "id": f"noise-{number}",
        "column": asked.column,
        "word": column_word(asked.column),
        "baseline": base,
        "same_as": [column_word(c) for c in asked.same_as],
        "views": views,
        "chart": chart,
        "overview": overview,
        "several": len(asked.views) > 1,
        "followed": any(joint.values()),
        "notes": [one_line(w) for w in dict.fromkeys(w for c in asked.comparisons for w in c.warnings)],
    }


def _joint(context: Context, view: View) -> dict[str, JointVerdict]:
    """Return noise and flow in one verdict for each value whose balls were followed, as were the baseline's."""
    verdicts = join_flow(view.comparison, context.flows, rig=context.result.campaign.rig)[1] if context.flows else ()
    return {v.value: v for v in verdicts if v.flow.value.balls and v.flow.base.balls}


def _decays(
    decays: Mapping[tuple[str, str], Floats], station: str, base: Group, value: Group
) -> tuple[OctaveDecay, ...]:
    """Return decay times by octave at a station; none over several stations together."""
    logs = {run: d for (run, place), d in decays.items() if place == station}
    return decay_changes(logs, base.run_names, value.run_names)


def _flow_word(verdict: JointVerdict | None) -> str:
    """Return in a word or two what the flow makes of a change that is quieter."""
    if verdict is None or verdict.noise != "quieter":
        return ""
    if verdict.improvement:
        return "improvement"
    return "no improvement" if verdict.flow.verdict == "worse" else "flow not yet shown"


def _view(
    context: Context,
    key: str,
    asked: Asked,
    view: View,
    columns: Sequence[GroupColumn],
    drawn: set[Key],
    joint: dict[str, JointVerdict],
) -> dict[str, Any]:
    comparison = view.comparison
    groups = {g.value: g for g in comparison.groups}
    spread = {v: _band_interval(context, g, view.station or None) for v, g in groups.items()}
    base = groups[comparison.baseline]
    # Balls count in every run of a group, also where it has no level to compare.
    tests = [r.run for r in context.result.tests]
    names = {g.value: tuple(r.name for r in tests if r.value(asked.column) == g.value) for g in comparison.groups}
    flow = [
        {"value": g.value, **{c.name: rounded(c.value(names[g.value], view.station or None), 4) for c in columns}}
        for g in comparison.groups
    ]
    values = [
        _value(
            key, number, asked, view, d, base, groups[d.value], spread, (asked.column, view.station, d.value) in drawn
        )
        for number, d in enumerate(x for x in comparison.differences if x.measure == "lae_db")
    ]
    for value, d in zip(values, (x for x in comparison.differences if x.measure == "lae_db"), strict=True):
        value["decays"] = [
            o.to_dict() for o in _decays(context.result.octave_decays, view.station, base, groups[d.value])
        ]
        value["joint"] = capital(sentence(joint[d.value].sentence)) if d.value in joint else ""
    return {
        "station": view.station,
        "values": values,
        "unit": context.unit,
        "groups": [
            {
                "name": value_word(asked.column, g.value),
                **g.to_dict(),
                "flow": [(c, f[c.name]) for c in columns],
            }
            for g, f in zip(comparison.groups, flow, strict=True)
        ],
        "columns": columns,
        "flow": flow if columns else [],
        "warnings": [one_line(w) for w in fold_alike(w for d in comparison.differences for w in d.warnings)],
        "plans": [sentence(_plan_word(asked.column, p)) for p in view.plans],
    }


def _plan_word(column: str, plan: EffectPlan) -> str:
    return f"{value_word(column, plan.value)}:{plan.sentence.removeprefix(f'{plan.value}:')}"


def _band_interval(context: Context, group: Group, station: str | None) -> tuple[Floats, Floats]:
    """Return lower and upper ends of the t interval over run means in each band, (30,) each."""
    tests = one_station(of_role(context.result.summaries, "test"), station)
    means = np.array([s.mean[BANDS] for s in tests if s.run.name in group.run_names and s.used])
    _, low, high = mean_interval(means.reshape(-1, len(NOMINAL_THIRD_HZ)))
    return low, high


def _value(
    key: str,
    number: int,
    asked: Asked,
    view: View,
    d: Difference,
    base: Group,
    group: Group,
    spread: dict[str, tuple[Floats, Floats]],
    draw: bool,
) -> dict[str, Any]:
    name, before = value_word(asked.column, d.value), value_word(asked.column, base.value)
    levels = []
    for measure in LEVELS:
        own = view.comparison.of(d.value, measure)
        both = {"before": rounded(base.levels[measure], 4), "after": rounded(group.levels[measure], 4)}
        levels.append({"measure": measure, **both, **difference_cells(own)})
    bands = [
        {
            "nominal": f"{f:g}",
            "before": rounded(base.bands[b], 4),
            "after": rounded(group.bands[b], 4),
            **(d.bands.get(b) or {"difference_db": None, "ci_db": None, "q": None, "shown": False, "bound": None}),
        }
        for f, b in zip(NOMINAL_THIRD_HZ, band_names(), strict=True)
    ]
    why = ""
    if d.why is not None:
        why = capital(sentence(d.why.sentence.removeprefix(f"{d.value}:").strip()))
    heard = sentence(d.heard.sentence) if math.isfinite(d.difference_db) else ""
    charts = _charts(f"{key}-{number}", name, before, bands, spread[base.value], spread[group.value]) if draw else None
    return {
        "name": name,
        "before": before,
        "levels": levels,
        "bands": bands,
        "drowned": _drowned(bands, name, before),
        "any_band": any(b["difference_db"] is not None for b in bands),
        "why": why,
        "heard": heard,
        "charts": charts,
        **difference_cells(d),
        "refusal": capital(sentence(d.warnings[0])) if d.verdict == "not comparable" and d.warnings else "",
        "balanced": [column_word(c) for c in d.balanced_for],
    }


def _drowned(bands: Sequence[Mapping[str, Any]], name: str, before: str) -> str:
    """Return up to three sentences on the bands in which the background is louder than an impact."""

    def at(side: str) -> str:
        return ", ".join(b["nominal"] for b in bands if b["bound"] == side)

    both = at("both")
    parts = [f"At {both} Hz both lie in the background, which is no difference of impacts."] if both else []
    for side, who, way in (("value", name, "fell"), ("baseline", before, "rose")):
        if at(side):
            parts.append(f"At {at(side)} Hz {who} lies in the background: there it {way} at least as far as shown.")
    return " ".join(parts)


def _charts(
    key: str,
    name: str,
    before: str,
    bands: Sequence[dict[str, Any]],
    base_ci: tuple[Floats, Floats],
    group_ci: tuple[Floats, Floats],
) -> tuple[str, str] | None:
    def column(which: str) -> Floats:
        return np.array([math.nan if b[which] is None else b[which] for b in bands], np.float64)

    low_level, high_level, difference = column("before"), column("after"), column("difference_db")
    levels = np.concatenate([low_level, high_level])
    if not np.isfinite(difference).any() or not np.isfinite(levels).any():
        return None
    top = max(float(np.nanmax(levels)), float(np.nanmax(np.concatenate([base_ci[1], group_ci[1], levels]))))
    foot = float(np.nanmin(levels))
    limits = (math.floor((foot - 4) / 5) * 5.0, min(top, float(np.nanmax(levels)) + 25) + 2)
    ends = np.array([b["ci_db"] or (math.nan, math.nan) for b in bands], np.float64)
    far = 1.5 * float(np.nanmax(np.abs(difference))) + 5
    span = np.clip(np.concatenate([difference, *ends.T, [0.0]]), -far, far)
    reach = (float(np.nanmin(span)) - 1, float(np.nanmax(span)) + 1)
    shown = np.array([bool(b["shown"]) for b in bands])
    first = band_levels(low_level, base_ci, high_level, group_ci, limits=limits, unit="dB")
    second = band_differences(difference, ends[:, 0], ends[:, 1], shown, limits=reach)
    return (
        inline_svg(
            first, key=f"{key}l", label=f"Level in each one-third-octave band, {before} and {name}; table below"
        ),
        inline_svg(second, key=f"{key}d", label=f"Difference in each band, {name} against {before}; table below"),
    )
