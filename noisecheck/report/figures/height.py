"""Levels of runs against drop height, with the line of each treatment."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from noisecheck.core.records import record
from noisecheck.report.figures.style import FAINT, LABEL, MARKERS, SERIES, Floats, new_figure, put, style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Rise", "rises"]


@record
class Rise:
    """Run means (dB) of one group at their drop heights (mm), and its line from the lowest to the highest."""

    label: str
    height_mm: Floats
    level_db: Floats
    line_mm: tuple[float, float]
    line_db: tuple[float, float]


def rises(groups: Sequence[Rise], *, unit: str) -> Figure:
    """Return levels over height (logarithmic: a doubling is the same step everywhere), a marker and line a group."""
    figure, axes = new_figure(400, 290)
    with style():
        axes.set_xscale("log")
        for number, one in enumerate(groups):
            colour, marker = SERIES[number % len(SERIES)], MARKERS[number % len(MARKERS)]
            axes.plot(one.line_mm, one.line_db, color=colour, linewidth=1.4)
            axes.plot(one.height_mm, one.level_db, marker, ms=6, color=colour, label=one.label[:LABEL])
        heights = np.unique(np.concatenate([g.height_mm for g in groups]))
        ticks = heights[:: max(len(heights) // 6, 1)]
        axes.set_xticks(ticks, [f"{h:g}" for h in ticks])
        axes.minorticks_off()
        axes.set_xlim(heights[0] / 1.15, heights[-1] * 1.6)
        for number, one in enumerate(groups):
            colour = SERIES[number % len(SERIES)]
            end = (one.line_mm[1], one.line_db[1])
            axes.annotate(one.label[:12], end, xytext=(10, -4), textcoords="offset points", color=colour)
        axes.grid(axis="y", color=FAINT, linewidth=0.6)
        axes.set_xlabel("drop height, mm")
        axes.set_ylabel(f"L_AE, {unit}")
        put(figure, left=58, right=10, top=10, bottom=46)
    return figure
