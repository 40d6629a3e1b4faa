"""Noise against flow."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from noisecheck.core.records import record
from noisecheck.report.figures.style import (
    FAINT,
    INK,
    LABEL,
    PAPER,
    SERIES,
    new_figure,
    put,
    style,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Spot", "noise_and_flow"]


@record
class Spot:
    """One point of :func:`noise_and_flow`: a level (dB) and a risk (per thousand), each with its interval."""

    label: str
    level: float
    level_low: float
    level_high: float
    risk: float
    risk_low: float
    risk_high: float
    unbeaten: bool


def noise_and_flow(spots: Sequence[Spot], *, unit: str) -> Figure:
    """Return noise (across) against balls held up or stuck (up), with intervals both ways.

    Filled points are beaten by none in both; a stepped line joins them: nothing found lies below and left of it.
    """
    figure, axes = new_figure(460, 330)
    with style():
        edge = sorted((s for s in spots if s.unbeaten), key=lambda s: s.level)
        level = np.array([[s.level, s.level_low, s.level_high] for s in spots])
        level[np.isinf(level)] = np.nan
        low, high = float(np.nanmin(level)), float(np.nanmax(level))
        room = max(0.08 * (high - low), 1.0)
        ends = low - 2 * room, high + 3 * room  # of intervals without end: they run out of the picture
        risk = np.array([[s.risk, s.risk_low, s.risk_high] for s in spots])
        highest = max(float(np.nanmax(risk)), 1.0)
        for s in spots:
            axes.plot(np.clip([s.level_low, s.level_high], *ends), [s.risk] * 2, color=INK, linewidth=1.0)
            axes.plot([s.level] * 2, [s.risk_low, s.risk_high], color=INK, linewidth=1.0)
        if len(edge) > 1:
            x, y = [s.level for s in edge], [s.risk for s in edge]
            axes.step(x, y, where="post", color=SERIES[1], linewidth=1.6, linestyle=(0, (4, 2)))
        for s in spots:
            face = SERIES[0] if s.unbeaten else PAPER
            axes.plot([s.level], [s.risk], "o", ms=8, mfc=face, mec=INK, mew=1.0)
            axes.annotate(s.label[:LABEL], (s.level, s.risk), xytext=(7, 6), textcoords="offset points")
        axes.set_xlim(low - room, high + 2 * room)
        axes.set_ylim(-0.04 * highest, 1.1 * highest)
        axes.grid(color=FAINT, linewidth=0.6)
        axes.set_xlabel(f"L_AE of one ball, all stations, {unit}")
        axes.set_ylabel("held up or stuck, per thousand balls")
        put(figure, left=58, right=14, top=10, bottom=46)
    return figure
