"""The page: what was asked and shown comes first, then the sections, each one module; written whole or not at all."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from noisecheck.core.errors import one_line
from noisecheck.core.files import write_together
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.run import Told
from noisecheck.report.answers import ask, asked_sentence, opening
from noisecheck.report.blind import blind_section
from noisecheck.report.care import care_section
from noisecheck.report.context import Context, GroupColumn, Said, Section
from noisecheck.report.corrected import corrections_section
from noisecheck.report.ear import ear_section
from noisecheck.report.events import events_section
from noisecheck.report.exports import comparisons_csv, impacts_csv_chunks, json_text, summaries_csv
from noisecheck.report.figures.style import MARKERS
from noisecheck.report.figures.svg import Drawn, figure_files, gathered
from noisecheck.report.fitness import health_section
from noisecheck.report.groups import groups_section
from noisecheck.report.heights import heights_section
from noisecheck.report.ledger import flow_section
from noisecheck.report.levels import levels_section
from noisecheck.report.method import method_section
from noisecheck.report.noise import noise_section
from noisecheck.report.plan_view import plan_section
from noisecheck.report.sources import sources_section
from noisecheck.report.trend import trend_section
from noisecheck.report.words import number, signed, tight

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["MOST_BYTES", "SECTIONS", "Context", "GroupColumn", "Section", "results_document", "write_report"]

MOST_BYTES: Final = 10_000_000
"""A page is kept under this: larger ones make browsers slow."""
_CLIP_BYTES: Final = 6_600_000
_SPARE: Final = 100_000
_SCRIPTS: Final = ("page.js", "draw.js", "marks.js", "detail.js", "blind.js")
"""What runs on the page, in this order, as one script under one hash; a file may use what an earlier one defines."""

SECTIONS: Final[tuple[Callable[[Context], Section | None], ...]] = (
    sources_section,
    plan_section,
    groups_section,
    noise_section,
    heights_section,
    blind_section,
    ear_section,
    flow_section,
    trend_section,
    levels_section,
    events_section,
    corrections_section,
    health_section,
    care_section,
    method_section,
)
"""What makes the sections of every page; one that has nothing to say gives None."""


def write_report(
    result: CampaignResult,
    out_dir: str | Path,
    *,
    told: Told | None = None,
    more: Sequence[Section] = (),
    group_columns: Sequence[GroupColumn] = (),
    figures: bool = False,
) -> list[Path]:
    """Write ``report.html``, ``results.json``, ``impacts.csv``, ``comparisons.csv`` and ``summaries.csv``.

    Args:
        result: a measured campaign.
        out_dir: folder for the files, made if missing; all are replaced together or not at all.
        told: progress, share done and what is being done.
        more: sections of other parts (flow, source ranking, trend, health), put at their own places.
        group_columns: figures that stand beside the noise of each group, such as hold-ups per thousand.
        figures: whether to write every figure of the page as SVG and PNG too, into ``figures/``.

    Returns:
        The paths written, the page first.

    Raises:
        InputError: the folder cannot be written to.
    """
    out = Path(out_dir)
    tell = told or (lambda share, what: None)
    tell(0.0, "comparing")
    asked = ask(result)
    context = Context(result, asked, tuple(group_columns), _CLIP_BYTES)
    sections: list[Section] = list(more)
    drawn: list[Drawn] = []
    with gathered(drawn) if figures else nullcontext():
        for step, build in enumerate(SECTIONS):
            tell(0.1 + 0.7 * step / len(SECTIONS), "drawing the page")
            section = build(context)
            if section is not None:
                sections.append(section)
    sections.sort(key=lambda s: s.place)
    answers = opening(context, sections)
    document = results_document(context, sections, answers)
    page = _render(context, sections, answers)
    excess = len(page.encode()) - MOST_BYTES
    if excess > 0:  # clips are what can be spared
        tell(0.8, "making the page smaller")
        context = replace(context, clip_bytes=max(_CLIP_BYTES - excess - _SPARE, 0))
        again = {"events": events_section, "flow": flow_section}
        mine = {id(s) for s in more}
        sections = [again[s.key](context) or s if s.key in again and id(s) not in mine else s for s in sections]
        page = _render(context, sections, answers)
    pictures: dict[Path, str | bytes] = {}
    palette = _palette() if drawn else {}
    for step, one in enumerate(drawn):
        tell(0.85 + 0.1 * step / len(drawn), "drawing the figures")
        words = re.sub("[^a-z0-9]+", "-", re.split("[;,]", one.label.lower())[0])
        name = f"{one.key}-{words[:60].strip('-')}"
        svg, png = figure_files(one, palette)
        pictures |= {out / "figures" / f"{name}.svg": svg, out / "figures" / f"{name}.png": png}
    tell(0.95, "writing")
    paths = write_together(
        {
            out / "report.html": page,
            out / "results.json": json_text(document),
            out / "impacts.csv": impacts_csv_chunks(result.impacts),
            out / "comparisons.csv": comparisons_csv(c for a in asked for c in a.comparisons),
            out / "summaries.csv": summaries_csv(result.summaries),
            **pictures,
        }
    )
    tell(1.0, "written")
    return paths


def results_document(context: Context, sections: Sequence[Section], answers: Sequence[Said]) -> dict[str, Any]:
    """Return what ``results.json`` holds: runs, comparisons (as ``compare --json``), plans, and each section's own."""
    result, asked = context.result, context.asked
    return {
        "campaign": context_name(result),
        "notes": list(result.campaign.notes),
        "runs": [r.document for r in result.runs],
        "comparisons": [c.to_dict() for a in asked for c in a.comparisons],
        "plans": [
            {"by": a.column, "station": v.station or None, **p.to_dict()}
            for a in asked
            for v in a.views
            for p in v.plans
        ],
        "answers": [s.to_dict() for s in answers],
        **{s.key: s.document for s in sections if s.document is not None},
        "files": {"impacts": "impacts.csv", "comparisons": "comparisons.csv", "summaries": "summaries.csv"},
        "settings": result.settings,
        "made_with": result.made_with,
    }


def context_name(result: CampaignResult) -> str:
    """Return the machine's name from the rig file, else the folder's."""
    return one_line(result.campaign.rig.rig.name or result.campaign.folder.resolve().name or "campaign")


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    env = Environment(
        loader=PackageLoader("noisecheck.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["db"] = signed
    env.filters["num"] = number
    env.filters["line"] = one_line
    env.filters["tight"] = tight
    env.filters["drawn"] = Markup  # only for what figures.py made
    env.policies["json.dumps_kwargs"] = {"ensure_ascii": False, "allow_nan": False, "separators": (",", ":")}
    env.globals["markers"] = MARKERS
    return env


def _palette() -> dict[str, str]:
    """Return the colours of the light page by the names of their variables."""
    style = (files("noisecheck.report") / "templates" / "page.css").read_text(encoding="utf-8")
    return dict(re.findall(r"(--[\w]+):(#[0-9a-f]+)", style[: style.index("}")]))


def _render(context: Context, sections: Sequence[Section], answers: Sequence[Said]) -> str:
    from markupsafe import Markup

    env = _environment()
    folder = files("noisecheck.report") / "templates"
    style = (folder / "page.css").read_text(encoding="utf-8")
    script = '"use strict";\n' + "".join((folder / name).read_text(encoding="utf-8") for name in _SCRIPTS)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    facts: Mapping[str, Any] = {
        "name": context_name(context.result),
        "context": context,
        "sections": sections,
        "asked": asked_sentence(context.asked),
        "answers": answers,
        "style": Markup(style),
        "script": Markup(script),
        "script_hash": digest,
    }
    return env.get_template("page.html").render(facts)
