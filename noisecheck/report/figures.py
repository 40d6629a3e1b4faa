"""The figures of the page: the only place that draws. Made without pyplot, given out as inline SVG.

Sizes are in CSS pixels (1 SVG point = 1 px) and small enough to be read unscaled on a narrow screen. Colours in the
drawing are stand-ins that :func:`inline_svg` replaces by the page's own variables, so that light, dark and print
styles hold inside figures too. The page's palette is that of Okabe and Ito (Color Universal Design, 2008); shape,
hatch or fill always say the same as colour.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import NOMINAL_THIRD_HZ

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "MARKERS",
    "MOST_MARKS",
    "Passages",
    "Row",
    "Spot",
    "band_differences",
    "band_levels",
    "differences",
    "inline_svg",
    "noise_and_flow",
    "spectrum_card",
    "strip",
    "transits",
]

Floats = NDArray[np.float64]

_STAND_IN: Final = {
    "#0a0b01": "--ink",
    "#0a0b02": "--faint",
    "#0a0b03": "--paper",
    "#0a0b11": "--c1",
    "#0a0b12": "--c2",
    "#0a0b13": "--c3",
    "#0a0b14": "--c4",
    "#0a0b15": "--c5",
    "#0a0b16": "--c6",
}
_INK, _FAINT, _PAPER = "#0a0b01", "#0a0b02", "#0a0b03"
_SERIES: Final = ("#0a0b11", "#0a0b12", "#0a0b13", "#0a0b14", "#0a0b15", "#0a0b16")
MARKERS: Final = ("o", "^", "s", "D", "v", "P")
"""Marker of each station in turn; after six, shapes begin again."""
_FONT_PX: Final = 11.5
MOST_MARKS: Final = 450
_LABEL: Final = 30


@dataclass(frozen=True)
class Row:
    """One line of :func:`differences`: its label, the difference (dB) with interval, and whether it is shown."""

    label: str
    value: float
    low: float
    high: float
    shown: bool


def _style() -> AbstractContextManager[None]:
    """Return a context in which matplotlib draws as the page wants it; its global settings come back after."""
    from matplotlib import rc_context

    ink = ("axes.edgecolor", "axes.labelcolor", "text.color", "xtick.color", "ytick.color", "hatch.color")
    settings: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "noisecheck",
        "text.parse_math": False,
        "font.family": ["DejaVu Sans"],
        "font.size": _FONT_PX,
        "axes.linewidth": 0.8,
        "hatch.linewidth": 1.0,
        "path.simplify": False,
        "axes.unicode_minus": True,
        **dict.fromkeys(ink, _INK),
    }
    return rc_context(settings)


def _figure(width_px: float, height_px: float) -> tuple[Figure, Axes]:
    from matplotlib.figure import Figure

    with _style():
        figure = Figure(figsize=(width_px / 72, height_px / 72), facecolor="none", dpi=72)
        axes = figure.add_subplot(facecolor="none")
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_axisbelow(True)
    return figure, axes


def _place(figure: Figure, *, left: float, right: float, top: float, bottom: float) -> None:
    """Put the axes at margins in px: fixed ones, so that nothing depends on the fonts of this machine."""
    width, height = figure.get_size_inches() * 72
    figure.subplots_adjust(left=left / width, right=1 - right / width, top=1 - top / height, bottom=bottom / height)


def _band_names() -> list[str]:
    """Return the bands' nominal frequencies as they stand at an axis."""
    return [f"{f / 1000:g} k" if f >= 1000 else f"{f:g}" for f in NOMINAL_THIRD_HZ]


def _band_axis(axes: Axes, measurable: NDArray[np.bool_]) -> None:
    rows = np.arange(len(NOMINAL_THIRD_HZ))
    axes.set_yticks(rows, [n if i % 3 == 1 else "" for i, n in enumerate(_band_names())])
    axes.set_ylim(-0.8, len(rows) - 0.2)
    axes.tick_params(axis="y", length=3)
    axes.set_ylabel("one-third-octave band, Hz")
    for row in rows[~measurable]:
        axes.annotate("·", (0.004, row), xycoords=("axes fraction", "data"), va="center", color=_INK)


def _whiskers(axes: Axes, rows: Floats, low: Floats, high: Floats) -> None:
    """Draw intervals as one path: a line each, with a tick at both ends."""
    known = np.isfinite(low) & np.isfinite(high)
    r, a, b, gap = rows[known], low[known], high[known], np.full(int(known.sum()), np.nan)
    cap = 0.16
    for x, y in (
        (np.column_stack([a, b, gap]), np.column_stack([r, r, gap])),
        (np.column_stack([a, a, gap]), np.column_stack([r - cap, r + cap, gap])),
        (np.column_stack([b, b, gap]), np.column_stack([r - cap, r + cap, gap])),
    ):
        axes.plot(x.ravel(), y.ravel(), color=_INK, linewidth=1.0, solid_capstyle="butt")


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
    figure, axes = _figure(350, 520)
    with _style():
        rows = np.arange(len(before), dtype=np.float64)
        floor = limits[0]
        sides = ((0.2, before, before_ci, "/////", _PAPER), (-0.2, after, after_ci, None, _SERIES[0]))
        for shift, level, ci, hatch, colour in sides:
            ok = np.isfinite(level)
            length = np.maximum(level[ok] - floor, 0.0)
            bars = axes.barh(rows[ok] + shift, length, 0.4, left=floor, color=colour, edgecolor=_INK, linewidth=0.6)
            for bar in bars:
                bar.set_hatch(hatch)
            _whiskers(axes, rows + shift, *(np.maximum(v, floor) for v in ci))
        axes.set_xlim(*limits)
        _band_axis(axes, np.isfinite(before) | np.isfinite(after))
        axes.grid(axis="x", color=_FAINT, linewidth=0.6)
        axes.set_xlabel(f"L_E per impact, {unit}")
        _place(figure, left=58, right=12, top=8, bottom=46)
    return figure


def band_differences(
    value: Floats, low: Floats, high: Floats, shown: NDArray[np.bool_], *, limits: tuple[float, float]
) -> Figure:
    """Return the difference in each band (dB, (30,)) with its interval; filled where shown, open where not."""
    figure, axes = _figure(350, 520)
    with _style():
        rows = np.arange(len(value), dtype=np.float64)
        ok = np.isfinite(value)
        axes.axvline(0, color=_INK, linewidth=1.0)
        _whiskers(axes, rows, low, high)
        _dots(axes, value[ok], rows[ok], shown[ok])
        axes.set_xlim(*limits)
        _band_axis(axes, ok)
        axes.grid(axis="x", color=_FAINT, linewidth=0.6)
        axes.set_xlabel("difference, dB  (left of 0 is quieter)")
        _place(figure, left=58, right=12, top=8, bottom=46)
    return figure


def _dots(axes: Axes, x: Floats, y: Floats, shown: NDArray[np.bool_]) -> None:
    for part, face in ((shown, _SERIES[0]), (~shown, _PAPER)):
        axes.plot(x[part], y[part], "o", ms=6.5, mfc=face, mec=_INK, mew=1.0)


def differences(rows: Sequence[Row], *, unit: str = "dB") -> Figure:
    """Return differences as one row each, first on top, with intervals; filled where a difference is shown."""
    figure, axes = _figure(370, 62 + 24 * len(rows))
    with _style():
        y = np.arange(len(rows), dtype=np.float64)[::-1]
        value, low, high = (np.array([getattr(r, k) for r in rows], np.float64) for k in ("value", "low", "high"))
        shown = np.array([r.shown for r in rows], bool)
        axes.axvline(0, color=_INK, linewidth=1.0)
        _whiskers(axes, y, low, high)
        _dots(axes, value, y, shown)
        axes.set_yticks(y, [r.label if len(r.label) <= _LABEL else r.label[: _LABEL - 1] + "…" for r in rows])
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(-0.7, len(rows) - 0.3)
        span = np.concatenate([value, low, high, [0.0]])
        span = span[np.isfinite(span)]
        room = max(float(np.ptp(span)) * 0.06, 0.5)
        axes.set_xlim(float(span.min()) - room, float(span.max()) + room)
        axes.grid(axis="x", color=_FAINT, linewidth=0.6)
        axes.set_xlabel(f"difference in L_AE, {unit}")
        longest = max((min(len(r.label), _LABEL) for r in rows), default=0)
        _place(figure, left=16 + 6.1 * longest, right=12, top=6, bottom=46)
    return figure


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
    figure, axes = _figure(460, 150)
    with _style():
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
            axes.plot(x, y, color=_FAINT, linewidth=1.6)
        for number in range(-1, int(station.max(initial=-1)) + 1):
            part = drawn & (station == number)
            if not part.any():
                continue
            marker = "x" if number < 0 else MARKERS[number % len(MARKERS)]
            colour = _INK if number < 0 else _SERIES[number % len(_SERIES)]
            axes.plot(time_s[part], level_db[part], marker, ms=5.5, color=colour, mec=colour, clip_on=False)
        ring = known & odd
        axes.plot(time_s[ring], level_db[ring], "o", ms=12, mfc="none", mec=_INK, mew=1.2, clip_on=False)
        axes.set_xlim(0, seconds)
        axes.set_ylim(*limits)
        axes.grid(axis="y", color=_FAINT, linewidth=0.6)
        axes.set_xlabel("time, s")
        axes.set_ylabel(f"L_AE, {unit}")
        axes.locator_params(axis="y", nbins=4)
        _place(figure, left=58, right=20, top=8, bottom=38)
    return figure


@dataclass(frozen=True)
class Passages:
    """Transit times (s) of one link in the order they were heard, over runs joined end to end; ``late`` ones apart."""

    at_s: Floats
    took_s: Floats
    late: NDArray[np.bool_]
    bounds: tuple[tuple[float, float, float, float], ...]
    """For each run: where it begins and ends, and the (shortest, longest) usual time."""


def transits(link: Passages, *, label: str) -> Figure:
    """Return transit times over listening time with the usual limits of each run; a ring and a line: held up."""
    figure, axes = _figure(460, 170)
    with _style():
        tall = max((b[3] for b in link.bounds), default=1.0)
        late = link.took_s[link.late]
        top = min(max([1.15 * tall, *(1.08 * late)]), 4 * tall)
        usual = np.flatnonzero(~link.late)
        if len(usual) > MOST_MARKS:
            usual = usual[np.linspace(0, len(usual) - 1, MOST_MARKS).astype(np.int64)]
        unit = 60.0 if link.bounds and link.bounds[-1][1] < 7200 else 3600.0
        for begin, end, low, high in link.bounds:
            axes.fill_between([begin / unit, end / unit], low, high, color=_FAINT, linewidth=0, alpha=0.6)
        axes.plot(link.at_s[usual] / unit, link.took_s[usual], "o", ms=3, color=_SERIES[0], mew=0)
        axes.plot(
            link.at_s[link.late] / unit,
            np.minimum(late, top),
            "D",
            ms=6.5,
            mfc=_SERIES[1],
            mec=_INK,
            mew=1,
            clip_on=False,
        )
        if len(link.bounds) <= 40:
            for begin, *_ in link.bounds[1:]:
                axes.axvline(begin / unit, color=_FAINT, linewidth=0.6)
        axes.set_xlim(0, max(link.bounds[-1][1] / unit, 1e-9) if link.bounds else 1)
        axes.set_ylim(0, top)
        axes.set_xlabel("listening time, min" if unit == 60.0 else "listening time, h")
        axes.set_ylabel(label)
        axes.locator_params(axis="y", nbins=4)
        _place(figure, left=48, right=14, top=8, bottom=38)
    return figure


@dataclass(frozen=True)
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
    figure, axes = _figure(460, 330)
    with _style():
        edge = sorted((s for s in spots if s.unbeaten), key=lambda s: s.level)
        level = np.array([[s.level, s.level_low, s.level_high] for s in spots])
        risk = np.array([[s.risk, s.risk_low, s.risk_high] for s in spots])
        highest = max(float(np.nanmax(risk)), 1.0)
        for s in spots:
            axes.plot([s.level_low, s.level_high], [s.risk] * 2, color=_INK, linewidth=1.0)
            axes.plot([s.level] * 2, [s.risk_low, s.risk_high], color=_INK, linewidth=1.0)
        if len(edge) > 1:
            x, y = [s.level for s in edge], [s.risk for s in edge]
            axes.step(x, y, where="post", color=_SERIES[1], linewidth=1.6, linestyle=(0, (4, 2)))
        for s in spots:
            face = _SERIES[0] if s.unbeaten else _PAPER
            axes.plot([s.level], [s.risk], "o", ms=8, mfc=face, mec=_INK, mew=1.0)
            axes.annotate(s.label[:_LABEL], (s.level, s.risk), xytext=(7, 6), textcoords="offset points")
        low, high = float(np.nanmin(level)), float(np.nanmax(level))
        room = max(0.08 * (high - low), 1.0)
        axes.set_xlim(low - room, high + 2 * room)
        axes.set_ylim(-0.04 * highest, 1.1 * highest)
        axes.grid(color=_FAINT, linewidth=0.6)
        axes.set_xlabel(f"L_AE of one ball, all stations, {unit}")
        axes.set_ylabel("held up or stuck, per thousand balls")
        _place(figure, left=58, right=14, top=10, bottom=46)
    return figure


def spectrum_card(level_db: Floats) -> Figure:
    """Return the shape of a sound: its band levels (dB re its own total, (30,)), low bands left."""
    figure, axes = _figure(300, 130)
    with _style():
        rows = np.arange(len(level_db))
        ok = np.isfinite(level_db)
        floor = -45.0
        axes.bar(rows[ok], np.maximum(level_db[ok] - floor, 0.3), 0.85, bottom=floor, color=_SERIES[0])
        axes.set_xticks(rows[4::6], _band_names()[4::6])
        axes.set_xlim(-0.7, len(rows) - 0.3)
        axes.set_ylim(floor, 0)
        axes.locator_params(axis="y", nbins=3)
        axes.set_xlabel("band, Hz")
        axes.set_ylabel("dB re total")
        _place(figure, left=48, right=6, top=6, bottom=40)
    return figure


_DROPPED: Final = re.compile(
    r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->|<\?xml.*?\?>|<!DOCTYPE.*?>", re.DOTALL
)
_TAG: Final = re.compile(r"<[^>]*>")
_NEEDED: Final = re.compile(r"url\(#([^)]+)\)|href=\"#([^\"]+)\"")
_ID: Final = re.compile(r" id=\"([^\"]*)\"")
_LONG: Final = re.compile(r"(\d\.\d\d)\d+")
_USE: Final = re.compile(r"(<g[^>]*)>\s*(<use [^>]*?) style=\"([^\"]*)\"/>((?:\s*<use [^>]*?style=\"\3\"/>)*)")


def inline_svg(figure: Figure, *, key: str, label: str) -> str:
    """Return a figure as ``<svg>`` for a page: no links, no metadata, ids that begin with ``key``, text as text.

    The same figure gives the same text, on any day. ``label`` says what it shows to those who cannot see it.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.StringIO()
    with _style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)  # the browser has other fonts
        FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = _DROPPED.sub("", out.getvalue())
    needed = {a or b for tag in _TAG.findall(text) for a, b in _NEEDED.findall(tag)}
    width, height = (float(v) * 72 for v in figure.get_size_inches())

    def own(match: re.Match[str]) -> str:
        tag = match[0].replace("xlink:href", "href").replace("\n", " ")
        if tag.startswith("<svg"):
            style = f"max-width:{width * 1.2:.0f}px"
            box = f"0 0 {width:g} {height:g}"
            return f'<svg class="figure" role="img" aria-label="{escape(label)}" style="{style}" viewBox="{box}">'
        tag = _ID.sub(lambda m: f' id="{key}-{m[1]}"' if m[1] in needed else "", tag)
        tag = _NEEDED.sub(lambda m: f"url(#{key}-{m[1]})" if m[1] else f'href="#{key}-{m[2]}"', tag)
        for colour, name in _STAND_IN.items():
            tag = tag.replace(colour, f"var({name})")
        return _LONG.sub(r"\1", tag)

    text = _TAG.sub(own, text)
    text = _USE.sub(lambda m: f'{m[1]} style="{m[3]}">{m[2]}/>' + m[4].replace(f' style="{m[3]}"', ""), text)
    return re.sub(r">\s*\n\s*", ">", text).strip()
