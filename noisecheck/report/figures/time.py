"""What happened over time: the impacts of a run, the transit times of a link."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.report.figures.style import (
    FAINT,
    INK,
    MARKERS,
    SERIES,
    Floats,
    new_figure,
    put,
    style,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["MOST_MARKS", "Passages", "strip", "transits"]

MOST_MARKS: Final = 450


def strip(
    time_s: Floats,
    level_db: Floats,
    station: NDArray[np.int64],
    odd: NDArray[np.bool_],
    *,
    seconds: float,
    limits: tuple[float, float],
    unit: str,
) -> Figure:
    """Return the impacts of a run over time: height is L_AE, marker shape (and colour) the station, a ring odd ones.

    ``station`` numbers the marker, -1 for unplaced. Of more than some hundred impacts each span of time shows its
    loudest and a line down to its quietest, so that a day's run stays as light as a minute's.
    """
    figure, axes = new_figure(460, 150)
    with style():
        known = np.isfinite(level_db)
        drawn = known.copy()
        if known.sum() > MOST_MARKS:
            drawn = np.zeros(len(known), bool)
            spans = np.minimum((time_s / max(seconds, 1e-9) * 150).astype(np.int64), 149)
            tops, feet, at = [], [], []
            for span in np.unique(spans[known]):
                rows = np.flatnonzero(known & (spans == span))
                top = rows[np.argmax(level_db[rows])]
                drawn[top] = True
                tops.append(level_db[top])
                feet.append(level_db[rows].min())
                at.append(time_s[top])
            gap = np.full(len(at), np.nan)
            x, y = np.column_stack([at, at, gap]).ravel(), np.column_stack([tops, feet, gap]).ravel()
            axes.plot(x, y, color=FAINT, linewidth=1.6)
        for number in range(-1, int(station.max(initial=-1)) + 1):
            part = drawn & (station == number)
            if not part.any():
                continue
            marker = "x" if number < 0 else MARKERS[number % len(MARKERS)]
            colour = INK if number < 0 else SERIES[number % len(SERIES)]
            axes.plot(time_s[part], level_db[part], marker, ms=5.5, color=colour, mec=colour, clip_on=False)
        ring = known & odd
        axes.plot(time_s[ring], level_db[ring], "o", ms=12, mfc="none", mec=INK, mew=1.2, clip_on=False)
        axes.set_xlim(0, seconds)
        axes.set_ylim(*limits)
        axes.grid(axis="y", color=FAINT, linewidth=0.6)
        axes.set_xlabel("time, s")
        axes.set_ylabel(f"L_AE, {unit}")
        axes.locator_params(axis="y", nbins=4)
        put(figure, left=58, right=20, top=8, bottom=38)
    return figure


@record
class Passages:
    """Transit times (s) of one link in the order they were heard, over runs joined end to end.

    ``late`` were held up; of ``doubtful`` ones another ball may have made the impact.
    """

    at_s: Floats
    took_s: Floats
    late: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]
    bounds: tuple[tuple[float, float, float, float], ...]
    """For each run: where it begins and ends, and the (shortest, longest) usual time."""


def transits(link: Passages, *, label: str) -> Figure:
    """Return transit times over listening time with the usual limits of each run; diamond: held up, ring: perhaps."""
    figure, axes = new_figure(460, 170)
    with style():
        tall = max((b[3] for b in link.bounds), default=1.0)
        top = min(max([1.15 * tall, *(1.08 * link.took_s[link.late | link.doubtful])]), 4 * tall)
        usual = np.flatnonzero(~(link.late | link.doubtful))
        if len(usual) > MOST_MARKS:
            usual = usual[np.linspace(0, len(usual) - 1, MOST_MARKS).astype(np.int64)]
        unit = 60.0 if link.bounds and link.bounds[-1][1] < 7200 else 3600.0
        for begin, end, low, high in link.bounds:
            axes.fill_between([begin / unit, end / unit], low, high, color=FAINT, linewidth=0, alpha=0.6)
        axes.plot(link.at_s[usual] / unit, link.took_s[usual], "o", ms=3, color=SERIES[0], mew=0)
        for which, marker, face in ((link.doubtful, "o", "none"), (link.late, "D", SERIES[1])):
            high = np.minimum(link.took_s[which], top)
            axes.plot(link.at_s[which] / unit, high, marker, ms=6.5, mfc=face, mec=INK, mew=1, clip_on=False)
        if len(link.bounds) <= 40:
            for begin, *_ in link.bounds[1:]:
                axes.axvline(begin / unit, color=FAINT, linewidth=0.6)
        axes.set_xlim(0, max(link.bounds[-1][1] / unit, 1e-9) if link.bounds else 1)
        axes.set_ylim(0, top)
        axes.set_xlabel("listening time, min" if unit == 60.0 else "listening time, h")
        axes.set_ylabel(label)
        axes.locator_params(axis="y", nbins=4)
        put(figure, left=48, right=14, top=8, bottom=38)
    return figure
