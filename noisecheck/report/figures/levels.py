"""Levels and their differences: by band, by question, and the shape of one sound."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.records import record
from noisecheck.report.figures.style import (
    FAINT,
    INK,
    LABEL,
    PAPER,
    SERIES,
    Floats,
    band_names,
    dots,
    new_figure,
    put,
    style,
    whiskers,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Row", "band_differences", "band_levels", "differences", "spectrum_card"]


@record
class Row:
    """One line of :func:`differences`: its label, the difference (dB) with interval, and whether it is shown."""

    label: str
    value: float
    low: float
    high: float
    shown: bool


def _band_axis(axes: Axes, measurable: NDArray[np.bool_]) -> None:
    rows = np.arange(len(NOMINAL_THIRD_HZ))
    axes.set_yticks(rows, [n if i % 3 == 1 else "" for i, n in enumerate(band_names())])
    axes.set_ylim(-0.8, len(rows) - 0.2)
    axes.tick_params(axis="y", length=3)
    axes.set_ylabel("one-third-octave band, Hz")
    for row in rows[~measurable]:
        axes.annotate("·", (0.004, row), xycoords=("axes fraction", "data"), va="center", color=INK)


def band_levels(
    before: Floats,
    before_ci: tuple[Floats, Floats],
    after: Floats,
    after_ci: tuple[Floats, Floats],
    *,
    limits: tuple[float, float],
    unit: str,
) -> Figure:
    """Return bars of the level in each band before and after (dB, (30,) each), with intervals; low bands lowest."""
    figure, axes = new_figure(350, 520)
    with style():
        rows = np.arange(len(before), dtype=np.float64)
        floor = limits[0]
        sides = ((0.2, before, before_ci, "/////", PAPER), (-0.2, after, after_ci, None, SERIES[0]))
        for shift, level, ci, hatch, colour in sides:
            ok = np.isfinite(level)
            length = np.maximum(level[ok] - floor, 0.0)
            bars = axes.barh(rows[ok] + shift, length, 0.4, left=floor, color=colour, edgecolor=INK, linewidth=0.6)
            for bar in bars:
                bar.set_hatch(hatch)
            whiskers(axes, rows + shift, *(np.maximum(v, floor) for v in ci))
        axes.set_xlim(*limits)
        _band_axis(axes, np.isfinite(before) | np.isfinite(after))
        axes.grid(axis="x", color=FAINT, linewidth=0.6)
        axes.set_xlabel(f"L_E per impact, {unit}")
        put(figure, left=58, right=12, top=8, bottom=46)
    return figure


def band_differences(
    value: Floats, low: Floats, high: Floats, shown: NDArray[np.bool_], *, limits: tuple[float, float]
) -> Figure:
    """Return the difference in each band (dB, (30,)) with its interval; filled where shown, open where not."""
    figure, axes = new_figure(350, 520)
    with style():
        rows = np.arange(len(value), dtype=np.float64)
        ok = np.isfinite(value)
        axes.axvline(0, color=INK, linewidth=1.0)
        whiskers(axes, rows, low, high)
        dots(axes, value[ok], rows[ok], shown[ok])
        axes.set_xlim(*limits)
        _band_axis(axes, ok)
        axes.grid(axis="x", color=FAINT, linewidth=0.6)
        axes.set_xlabel("difference, dB  (left of 0 is quieter)")
        put(figure, left=58, right=12, top=8, bottom=46)
    return figure


def differences(rows: Sequence[Row]) -> Figure:
    """Return differences as one row each, first on top, with intervals; filled where a difference is shown."""
    figure, axes = new_figure(370, 62 + 24 * len(rows))
    with style():
        y = np.arange(len(rows), dtype=np.float64)[::-1]
        value, low, high = (np.array([getattr(r, k) for r in rows], np.float64) for k in ("value", "low", "high"))
        shown = np.array([r.shown for r in rows], bool)
        span = np.concatenate([value, low, high, [0.0]])
        span = span[np.isfinite(span)]
        room = max(float(np.ptp(span)) * 0.06, 0.5)
        limits = float(span.min()) - room, float(span.max()) + room
        axes.axvline(0, color=INK, linewidth=1.0)
        whiskers(axes, y, *(np.clip(v, limits[0] - room, limits[1] + room) for v in (low, high)))  # open ends run out
        dots(axes, value, y, shown)
        axes.set_yticks(y, [r.label if len(r.label) <= LABEL else r.label[: LABEL - 1] + "…" for r in rows])
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(-0.7, len(rows) - 0.3)
        axes.set_xlim(*limits)
        axes.grid(axis="x", color=FAINT, linewidth=0.6)
        axes.set_xlabel("difference in L_AE, dB")
        longest = max((min(len(r.label), LABEL) for r in rows), default=0)
        put(figure, left=16 + 6.1 * longest, right=12, top=6, bottom=46)
    return figure


def spectrum_card(level_db: Floats) -> Figure:
    """Return the shape of a sound: its band levels (dB re its own total, (30,)), low bands left."""
    figure, axes = new_figure(300, 130)
    with style():
        rows = np.arange(len(level_db))
        ok = np.isfinite(level_db)
        floor = -45.0
        axes.bar(rows[ok], np.maximum(level_db[ok] - floor, 0.3), 0.85, bottom=floor, color=SERIES[0])
        axes.set_xticks(rows[4::6], band_names()[4::6])
        axes.set_xlim(-0.7, len(rows) - 0.3)
        axes.set_ylim(floor, 0)
        axes.locator_params(axis="y", nbins=3)
        axes.set_xlabel("band, Hz")
        axes.set_ylabel("dB re total")
        put(figure, left=48, right=6, top=6, bottom=40)
    return figure
