"""What was asked of a campaign, and the sentences that answer it: shown, not shown, and what would settle it."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from noisecheck.bench.runsheet import Run, csv_rows, read_text, separator_of
from noisecheck.compare.differences import Comparison, Difference
from noisecheck.compare.joint import join_flow
from noisecheck.compare.plan import EffectPlan, plan_effects, spread_of
from noisecheck.compare.trend import machine_stations
from noisecheck.core.errors import InputError, listed, one_line
from noisecheck.core.files import csv_text
from noisecheck.core.records import record
from noisecheck.pipeline.campaign import CampaignResult, comparable_columns, compare_campaign
from noisecheck.pipeline.revisions import unjudged_requirements
from noisecheck.report.context import Context, Place, Said, Section
from noisecheck.report.words import capital

__all__ = ["Asked", "View", "ask", "asked_sentence", "column_word", "difference_cells", "opening", "value_word"]

_FIRST: Final = ("not usable", "stuck")
"""What is said before all else: no figure of an unfit recording holds, and a stuck ball can wreck the machine."""
_CALIBRATION: Final = """[calibration]
file = "calibrator.wav"
level_db = 94.0"""
_ROUTE: Final = """[[station]]
name = "landing"
next = "tray"

[[station]]
name = "tray"
target = true"""
_CONDITIONS: Final = ("treatment", "revision", "drop_height_mm")
_MOST_TESTS: Final = 12
_WORDS: Final = {"drop_height_mm": "drop height"}


@record
class View:
    """One comparison at one station (``""``: all stations alike), with its plans."""

    station: str
    comparison: Comparison
    plans: tuple[EffectPlan, ...]

    def difference(self, value: str) -> Difference:
        """Return the difference in L_AE of a value."""
        return self.comparison.of(value)

    @property
    def largest(self) -> tuple[float, float]:
        """Return the largest difference in L_AE that is shown, and of all, in dB: by these views are put in order."""
        found = [d for d in self.comparison.differences if d.measure == "lae_db" and math.isfinite(d.difference_db)]
        shown = [d for d in found if d.verdict in ("quieter", "louder")]
        return _size(shown), _size(found)


@record
class Asked:
    """A column of the run sheet by which runs differ, compared at each station."""

    column: str
    baseline: str
    values: tuple[str, ...]
    views: tuple[View, ...]
    same_as: tuple[str, ...] = ()
    """Other columns that divide the runs in just the same way."""

    @property
    def comparisons(self) -> tuple[Comparison, ...]:
        """Return the comparison of each view."""
        return tuple(v.comparison for v in self.views)

    @property
    def places(self) -> tuple[View, ...]:
        """Return the views of single stations, or the only one there is; the largest difference first."""
        places = tuple(v for v in self.views if v.station) or self.views
        return tuple(sorted(places, key=lambda v: v.largest, reverse=True))


def _size(differences: Sequence[Difference]) -> float:
    return max((abs(d.difference_db) for d in differences), default=0.0)


def column_word(column: str) -> str:
    """Return a column's name in words."""
    return _WORDS.get(column, one_line(column).replace("_", " "))


def value_word(column: str, value: str) -> str:
    """Return a value as it is said: ``120 mm``, ``revision B``, ``felt``."""
    if column == "drop_height_mm":
        return f"{value} mm"
    return f"revision {one_line(value)}" if column == "revision" else one_line(value)


def difference_cells(d: Difference) -> dict[str, Any]:
    """Return a difference as tables of the page show it."""
    exact = d.to_dict()
    low, high = exact["ci_db"] or (None, None)
    return {
        "difference": exact["difference_db"],
        "low": low,
        "high": high,
        "p": exact["p"],
        "verdict": "indicative only" if d.indicative and math.isfinite(d.difference_db) else d.verdict,
        "runs": d.runs,
    }


def ask(result: CampaignResult) -> tuple[Asked, ...]:
    """Return a comparison for each column by which the test runs differ, over all stations and at each."""
    tests = result.campaign.of_role("test")
    stations = sorted(machine_stations(result.summaries, result.campaign.rig))
    asked: list[Asked] = []
    divided: dict[tuple[int, ...], int] = {}
    for column in comparable_columns(result.campaign.runs):
        values = [r.value(column) for r in tests]
        first = list(dict.fromkeys(values))
        shape = tuple(first.index(v) for v in values)
        if shape in divided:
            same = asked[divided[shape]]
            asked[divided[shape]] = Asked(same.column, same.baseline, same.values, same.views, (*same.same_as, column))
            continue
        views: list[View] = []
        for station in ["", *stations] if len(stations) > 1 else [""]:
            baseline = views[0].comparison.baseline if views else None
            try:
                comparison = compare_campaign(result, by=column, baseline=baseline, station=station or None)
            except InputError:  # that station was never heard with the baseline
                continue
            spread = spread_of(result.summaries, by=column, station=station or None)
            views.append(View(station, comparison, plan_effects(comparison, spread)))
        if views:
            whole = views[0].comparison
            others = tuple(g.value for g in whole.groups if g.value != whole.baseline)
            divided[shape] = len(asked)
            asked.append(Asked(column, whole.baseline, others, tuple(views)))
    return tuple(asked)


def asked_sentence(asked: Sequence[Asked]) -> str:
    """Return what was asked, as one question; empty where nothing was."""
    parts = [f"the {column_word(a.column)} (against {value_word(a.column, a.baseline)})" for a in asked]
    return f"Does {' or '.join(parts)} change how loud an impact is?" if parts else ""


def opening(context: Context, sections: Sequence[Section]) -> list[Said]:
    """Return the sentences at the head of the page, in the order they are read."""
    said: list[Said] = []
    for question in context.asked:
        for value in question.values:
            answer = _answer(question, value)
            flow = _flow(context, question, value) if answer.status == "quieter" else ""
            said.append(replace(answer, text=f"{answer.text} {flow}") if flow else answer)
    for section in sections:
        said += section.said
    said += _open_ends(context, said, sections)
    return sorted(said, key=lambda s: s.status not in _FIRST)


def _flow(context: Context, question: Asked, value: str) -> str:
    """Return how the balls ran with it and before, so that quiet alone is never taken for better."""
    verdicts = join_flow(question.views[0].comparison, context.flows, rig=context.result.campaign.rig)[1]
    flow = next((v.flow for v in verdicts if v.value == value), None)
    if flow is None or not (flow.base.balls and flow.value.balls):
        return ""
    before, after = flow.base, flow.value
    text = f"Balls held up or stuck: {after.events} of {after.balls:,}, against {before.events} of {before.balls:,}"
    if flow.verdict != "worse":
        return f"{text}; not shown to be more."
    what = "more" if after.events > before.events else "more of them stuck"
    return f"{text}: {what} than chance allows, so this is no improvement."


def _range(d: Difference) -> str:
    if d.at_least:
        return f"95 % bound; {abs(d.difference_db):.1f} dB by what could be measured"
    low, high = sorted(abs(v) for v in d.ci_db)
    return f"95 % interval {low:.1f} to {high:.1f} dB"


def _answer(question: Asked, value: str) -> Said:
    name, base = value_word(question.column, value), value_word(question.column, question.baseline)
    found = [(v, v.difference(value)) for v in question.places if _has(v.comparison, value)]
    shown = [(v, d) for v, d in found if d.verdict in ("quieter", "louder") and not d.indicative]
    if shown:
        return _shown(name, base, shown, found)
    refused = [d for _, d in found if d.verdict == "not comparable"]
    if len(refused) == len(found):
        reason = refused[0].warnings[0] if refused and refused[0].warnings else "no level can be compared"
        return Said("not comparable", f"{name} against {base}: {one_line(reason)}.", "")
    view, d = max(((v, d) for v, d in found if math.isfinite(d.difference_db)), key=lambda p: abs(p[1].difference_db))
    if d.indicative:
        way = "quieter" if d.difference_db < 0 else "louder"
        where = f" at {view.station}" if view.station else ""
        text = f"{name} against {base}: reads {abs(d.difference_db):.1f} dB {way}{where}, but this is indicative only."
        unlike = [
            f"{v.station} ({one_line(o.warnings[0])})" for v, o in found if o.verdict == "not comparable" and o.warnings
        ]
        text += f" Not comparable at {listed(unlike)}." if unlike else ""
        step = d.warnings[0].split(":", 1)[-1].strip() if d.warnings else ""
        return Said("not yet shown", text, _sentence(step))
    low, high = min(d.ci_db[0] for _, d in found if d.verdict != "not comparable"), max(
        d.ci_db[1] for _, d in found if d.verdict != "not comparable"
    )  # fmt: skip
    text = f"{name} against {base}: no difference shown; what there is lies {_between(low, high)} (95 % interval)."
    plan = next((p for p in view.plans if p.value == value), None)
    step = _anew("record anew, for what there is proves nothing", [d for _, d in found])
    return Said("no difference shown", text.replace("-", "\N{MINUS SIGN}"), step or _settle(plan))


def _anew(step: str, differences: Sequence[Difference]) -> str:
    """Return a step with what means lack; empty where they lack nothing."""
    lacking = next((d.lacking for d in differences if d.lacking), "")
    return _sentence(f"{step}: {one_line(lacking)}") if lacking else ""


def _between(low: float, high: float) -> str:
    if math.isfinite(low) and math.isfinite(high):
        return f"between {low:+.1f} and {high:+.1f} dB"
    if math.isfinite(low) or math.isfinite(high):
        return f"above {low:+.1f} dB" if math.isfinite(low) else f"below {high:+.1f} dB"
    return "anywhere"


def _has(comparison: Comparison, value: str) -> bool:
    return any(d.value == value and d.measure == "lae_db" for d in comparison.differences)


def _shown(name: str, base: str, shown: list[tuple[View, Difference]], found: list[tuple[View, Difference]]) -> Said:
    shown = sorted(shown, key=lambda p: -abs(p[1].difference_db))
    view, d = shown[0]
    at = f" at {one_line(view.station)}" if view.station else ""
    text = f"{name} against {base}: {d.size}{at} ({_range(d)})"
    more = [f"{o.size} at {one_line(v.station)}" for v, o in shown[1:]]
    none = [one_line(v.station) for v, o in found if o.verdict == "no difference shown"]
    unlike = [one_line(v.station) for v, o in found if o.verdict == "not comparable"]
    if more:
        text += ", " + ", ".join(more)
    if none:
        text += f"; no difference shown at {listed(none)}"
    if unlike:
        text += f"; not comparable at {listed(unlike)}"
    return Said(d.verdict, text + ".", _anew("record anew to know more than a bound", [o for _, o in shown]))


def _settle(plan: EffectPlan | None) -> str:
    if plan is None or not plan.needed:
        return "Record at least three runs a side, the microphone re-placed for each."
    row = plan.needed[-1]
    runs = row["80%"]
    if runs is None:
        return "No number of runs up to a thousand would show a difference this small."
    return f"A difference of {row['difference_db']:g} dB would be shown four times in five by {runs} runs a side."


def _sentence(text: str) -> str:
    if not text:
        return ""
    named = "." in text.split(" ", 1)[0].rstrip(".")  # a file's name keeps its small letter
    return (text if named else capital(text)) + "."


def _open_ends(context: Context, said: Sequence[Said], sections: Sequence[Section]) -> list[Said]:
    """Return what the page cannot show yet, each with what would settle it."""
    result, asked = context.result, context.asked
    found: list[Said] = []
    if not any(len(r.impacts) for r in result.runs):
        text = "No impact was heard in any run." if result.runs else "No run was measured."
        found.append(Said("not yet shown", text, "Check that the recordings hold what they should, and their gain."))
    if not asked and result.tests:
        found.append(_nothing_compared(result))
    followed = bool(context.ledgers) or any(s.place == Place.FLOW for s in sections)
    if any(s.status == "quieter" for s in said) and not followed:
        text = "Whether what is quieter also holds balls up: no ball was followed here."
        route = any(s.next for s in result.campaign.rig.stations)
        step = "Say in rig.toml which station comes after which, and in runs.csv how many balls were fed."
        if route:
            step = "Have every station on the balls' way heard: a microphone each, or taps to teach their sounds."
        found.append(Said("not yet shown", text, step, "" if route else _route(result)))
    if unjudged := unjudged_requirements(result):
        step = "Name the revision of each run in runs.csv: A, for instance, for the machine as it is."
        found.append(Said("not yet shown", _sentence(unjudged), step))
    levels = {v for s in result.summaries for v in s.db_re}
    if "full scale" in levels:
        text = "Absolute levels: nothing says what sound pressure full scale is. Differences hold, at equal gain."
        step = "Record a sound calibrator with the same gain and name the file in rig.toml."
        found.append(Said("not yet shown", text, step, _CALIBRATION))
    found += [Said("note", _sentence(one_line(note))) for note in result.campaign.notes]
    return found


def _route(result: CampaignResult) -> str:
    """Return the lines that name the balls' way; where the rig file has stations, what to add to each."""
    names = [json.dumps(s.name, ensure_ascii=False) for s in result.campaign.rig.stations]
    if len(names) < 2:
        return _ROUTE
    ends = [*(f"next = {name}" for name in names[1:]), "target = true"]
    return "\n".join(
        f"# to the [[station]] {name}, if balls run in this order\n{end}" for name, end in zip(names, ends, strict=True)
    )


def _nothing_compared(result: CampaignResult) -> Said:
    """Return what the run sheet lacks for a comparison; its rows and columns stay, whatever is put into them."""
    tests = [r.run for r in result.tests]
    same = [c for c in _CONDITIONS if all(r.value(c) for r in tests)]
    each = "three runs or more of each, the microphone re-placed for each"
    if same:
        alike = ", ".join(f"{column_word(c)} {value_word(c, tests[0].value(c)).removeprefix(f'{c} ')}" for c in same)
        text = f"Nothing is compared: all test runs have the same conditions ({alike})."
        step = f"Change one of them, record {each}, and add a row for each to runs.csv, below those it has."
        return Said("not yet shown", text, step)
    text = "Nothing is compared: the run sheet names no conditions that differ."
    columns = "treatment, revision or drop_height_mm"
    step = f"Say in runs.csv what was done to the place in each test run ({columns}), with {each}"
    lines, there = _test_rows(result.campaign.folder / "runs.csv", tests)
    keep = (
        "The rows of test runs, as they stand, with a treatment to fill in; all else in it stays"
        if there
        else "For instance"
    )
    return Said("not yet shown", text, f"{step}. {keep}:", lines)


def _test_rows(sheet: Path, tests: Sequence[Run]) -> tuple[str, bool]:
    """Return header and rows of the test runs of a run sheet, with a column ``treatment``; whether the sheet exists."""
    text = read_text(sheet) if any(r.line for r in tests) else ""
    delimiter = separator_of(text) if text else ","
    if text:
        lines = {r.line for r in tests}
        head, *rows = [cells for n, (line, cells) in enumerate(csv_rows(sheet, text)) if n == 0 or line in lines]
    else:
        head, rows = ["run", "file"], [[r.name, r.files[0]] for r in tests]
    if "treatment" not in [c.strip() for c in head]:
        rows = [[*row, *[""] * (len(head) - len(row) + 1)] for row in rows]
        head = [*head, "treatment"]
    shown = csv_text(([one_line(c) for c in row] for row in [head, *rows[:_MOST_TESTS]]), delimiter)
    return shown + ("..." if len(rows) > _MOST_TESTS else ""), bool(text)
