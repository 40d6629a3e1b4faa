"""Sounds that are alike, where nothing says which station made them: to listen to, and to name."""

from __future__ import annotations

import math

import numpy as np

from noisecheck.core.errors import one_line
from noisecheck.core.units import rounded
from noisecheck.pipeline.grouping import grouped
from noisecheck.report.clips import Moment, clips_at
from noisecheck.report.context import Context, Place, Said, Section
from noisecheck.report.figures.levels import spectrum_card
from noisecheck.report.figures.svg import inline_svg

__all__ = ["groups_section"]


def groups_section(context: Context) -> Section | None:
    """Return a card for each group; None where stations are known, or fewer than two groups are found."""
    result = context.result
    if result.campaign.rig.stations or any(r.run.station for r in result.tests):
        return None
    found = grouped([(r.run, r.impacts) for r in result.runs])
    if len(found.groups.groups) < 2:
        return None
    examples = [found.example(k) for k in range(len(found.groups.groups))]
    moments = [Moment(run, at) for run, at in examples]
    clips = clips_at(result, moments, most_bytes=context.clip_bytes // 5)
    level = found.impacts["lae_db"]
    cards = []
    for number, (group, moment) in enumerate(zip(found.groups.groups, moments, strict=True)):
        mine = level[found.groups.member == number]
        text = f"Mean spectrum of group {group.name} in one-third octaves, re its own total"
        cards.append(
            {
                "name": group.name,
                "count": group.count,
                "lae": rounded(float(np.nanmedian(mine)) if np.isfinite(mine).any() else math.nan, 1),
                "centroid": rounded(group.centroid_hz, 1),
                "decay": rounded(group.decay_ms, 1),
                "chart": inline_svg(spectrum_card(group.spectrum_db), key=f"g{number}", label=text),
                "clip": clips.get(moment),
                "run": one_line(moment.run),
                "time": round(moment.time_s, 3),
            }
        )
    line = found.line
    none = int((found.groups.member < 0).sum())
    several = any(r.channels > 1 for r in result.runs)
    owned = " Surer, where each station has its own microphone: say which in [[microphone]] (channel, station)."
    owned = owned if several else ""
    said = Said(
        "note",
        f"Nothing says where impacts happened. By their sound alone they fall into {len(cards)} groups.",
        f"Listen to the groups below and put this line under [rig] in rig.toml with your names in place of the letters "
        f"(two groups may be one station; a pad changes the sound of its place, so it may have two).{owned}",
        line,
    )
    document = {
        "groups": [{k: c[k] for k in ("name", "count", "lae", "centroid", "decay", "run", "time")} for c in cards],
        "in_no_group": none,
    }
    data = {"cards": cards, "line": line, "none": none, "unit": context.unit}
    return Section("groups", "Sounds that are alike", Place.SOURCES, "groups.html", data, (said,), document)
