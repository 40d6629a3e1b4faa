"""The impacts themselves: a strip for each run, clips of those worth hearing, and a table to sort, filter and open."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from noisecheck.core.errors import one_line
from noisecheck.core.flags import FLAG_MEANING, Flag, flag_words
from noisecheck.core.units import rounded
from noisecheck.pipeline.run import RunResult
from noisecheck.report.answers import value_word
from noisecheck.report.clips import FULL, Clip, Wanted, clips_of
from noisecheck.report.context import Context, Place, Section
from noisecheck.report.detail import detail_data, event_id
from noisecheck.report.figures.svg import inline_svg
from noisecheck.report.figures.time import MOST_MARKS, strip
from noisecheck.report.picked import Picked, odd_impacts, pick
from noisecheck.report.words import take_common

__all__ = ["events_section"]

_MOST_ROWS: Final = 2000
_MOST_STRIPS: Final = 100
_MOST_PICKED: Final = 240
_MOST_RINGS: Final = 80
_COMMON: Final = Flag.UNCALIBRATED  # said once for the page, not in each of thousands of rows


def events_section(context: Context) -> Section | None:
    """Return strips, clips and the table of impacts; None where nothing was heard."""
    result = context.result
    if not any(len(r.impacts) for r in result.runs):
        return None
    picked = pick(result, most=_MOST_PICKED)
    odd = {r.run.name: odd_impacts(r) for r in result.runs}
    links = {(p.run, p.row) for p in picked}
    kept, left = _kept(context, links, odd)
    wanted = [Wanted(p.run, p.row, FULL) for p in sorted(picked, key=lambda p: p.rank)]
    heard = {(w.run, w.row) for w in wanted}
    wanted += [Wanted(*one) for one in kept if one not in heard]
    clips = clips_of(result, wanted, most_bytes=context.impact_bytes)
    everything = np.concatenate([r.impacts.data["lae_db"] for r in result.runs])
    level = everything[np.isfinite(everything)]
    limits = (-1.0, 1.0)
    if level.size:
        limits = (float(np.floor(level.min() / 10) * 10), float(np.ceil((level.max() + 2) / 10) * 10))
    runs = []
    for number, run in enumerate(r for r in result.runs if len(r.impacts)):
        chosen = [p for p in picked if p.run == run.run.name]
        runs.append(_run(context, number, run, chosen, clips, odd[run.run.name], limits))
    tests = [r["notes"] for r in runs if r["role"] == "test"]
    common = take_common(tests, "test runs" if len(tests) == len(result.tests) else "test runs with impacts")
    rows = _rows(context, kept, links, odd)
    flags = int(np.bitwise_or.reduce(result.impacts.data["flags"], initial=0))
    return Section(
        key="events",
        title="Every impact",
        place=Place.EVENTS,
        template="events.html",
        data={
            "runs": runs,
            "common": common,
            "rows": rows,
            "left": left,
            "stations": [one_line(s) for s in context.stations],
            "unplaced": bool(context.stations) and bool(np.any(result.impacts.data["station"] == 0)),
            "unit": context.unit,
            "flags": [(flag_words(int(f)), meaning) for f, meaning in FLAG_MEANING.items() if flags & f],
            "roles": sorted({r.run.role for r in result.runs if len(r.impacts)}),
            "unheard": len(wanted) - len(clips),
            "detail": detail_data(context, kept, clips),
        },
        document={"picked": [_picked_document(context, p) for p in picked]},
    )


def _run(
    context: Context,
    number: int,
    run: RunResult,
    picked: list[Picked],
    clips: dict[Wanted, Clip],
    odd: dict[int, tuple[str, ...]],
    limits: tuple[float, float],
) -> dict[str, Any]:
    table = run.impacts
    ringed = np.zeros(len(table), bool)
    loudest_first = sorted(odd, key=lambda r: -_level(run, r))
    ringed[loudest_first[:_MOST_RINGS]] = True
    chart = ""
    if number < _MOST_STRIPS:
        numbers = {name: i for i, name in enumerate(context.stations)}
        codes = np.array([numbers.get(n, -1) for n in table.names["station"]], np.int64)
        if not context.stations:
            codes = np.zeros(len(table.names["station"]), np.int64)
        figure = strip(
            table.data["time_s"],
            table.data["lae_db"],
            codes[table.data["station"]],
            ringed,
            seconds=run.seconds,
            limits=limits,
            unit="dB",
        )
        text = f"Impacts of run {one_line(run.run.name)} over time, height is L_AE; the table of impacts gives the same"
        chart = inline_svg(figure, key=f"s{number}", label=text)
    facts = [value_word(c, run.run.value(c)) for c in ("treatment", "revision", "drop_height_mm") if run.run.value(c)]
    facts += [one_line(run.run.session)] if run.run.session else []
    return {
        "name": one_line(run.run.name),
        "role": run.run.role,
        "facts": facts,
        "notes": [one_line(n) for n in (run.run.notes, *run.notes) if n],
        "impacts": len(table),
        "odd": len(odd),
        "odd_left": len(odd) - sum(p.odd for p in picked),
        "thinned": bool(chart) and len(table) > MOST_MARKS,
        "seconds": run.seconds,
        "chart": chart,
        "clips": [
            {
                "id": f"hear{event_id(context, p.run, p.row)}",
                "event": event_id(context, p.run, p.row),
                "clip": clips.get(Wanted(p.run, p.row, FULL)),
                "why": p.why,
                "odd": p.odd,
                **_one(run, p.row),
            }
            for p in sorted(picked, key=lambda p: (not p.odd, -_level(run, p.row)))
        ],
    }


def _level(run: RunResult, row: int) -> float:
    return float(np.nan_to_num(run.impacts.data["lae_db"][row], nan=-999.0))


def _one(run: RunResult, row: int) -> dict[str, Any]:
    table = run.impacts

    def cell(name: str, digits: int) -> float | None:
        return rounded(table.data[name][row], digits)

    return {
        "time": round(float(table.data["time_s"][row]), 6),
        "station": one_line(table.names["station"][table.data["station"][row]]),
        "channel": int(table.data["channel"][row]),
        "lae": cell("lae_db", 2),
        "peak": cell("lzpeak_db", 2),
        "margin": cell("margin_db", 2),
        "decay": cell("decay_ms", 1),
        "centroid": cell("centroid_hz", 0),
        "flags": flag_words(int(table.data["flags"][row]) & ~int(_COMMON)).replace(";", ", ").replace("_", " "),
    }


def _kept(
    context: Context, links: set[tuple[str, int]], odd: dict[str, dict[int, tuple[str, ...]]]
) -> tuple[list[tuple[str, int]], int]:
    """Return the (run, row) of the table and how many impacts are left to the CSV: odd ones first, then by run.

    Where not all fit, the odd, the picked and the loudest are kept.
    """
    ranked = []
    for number, run in enumerate(context.result.runs):
        level = np.nan_to_num(run.impacts.data["lae_db"], nan=-999.0)
        strange = odd[run.run.name]
        for row in range(len(level)):
            common = (run.run.name, row) not in links and row not in strange
            ranked.append((common, -float(level[row]), number, row, run.run.name))
    kept = sorted(ranked)[:_MOST_ROWS]
    kept.sort(key=lambda k: (-len(odd[k[4]].get(k[3], ())), k[2], k[3]))
    return [(name, row) for *_, row, name in kept], len(ranked) - len(kept)


def _rows(
    context: Context,
    kept: list[tuple[str, int]],
    links: set[tuple[str, int]],
    odd: dict[str, dict[int, tuple[str, ...]]],
) -> list[dict[str, Any]]:
    runs = context.result.by_name
    return [
        {
            "id": event_id(context, name, row),
            "run": one_line(name),
            "number": row + 1,
            "heard": f"hear{event_id(context, name, row)}" if (name, row) in links else "",
            "odd": "; ".join(odd[name].get(row, ())),
            "rebound": int(runs[name].impacts.data["rebound"][row]),
            **_one(runs[name], row),
        }
        for name, row in kept
    ]


def _picked_document(context: Context, picked: Picked) -> dict[str, Any]:
    run = context.result.by_name[picked.run]
    one = _one(run, picked.row)
    document: dict[str, Any] = {
        "id": event_id(context, picked.run, picked.row),
        "run": picked.run,
        "time_s": one["time"],
        "station": one["station"],
        "channel": one["channel"],
    }
    return {**document, "lae_db": one["lae"], "lzpeak_db": one["peak"], "odd": picked.odd, "why": list(picked.why)}
