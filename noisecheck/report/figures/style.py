"""What all figures share: sizes, colours, markers, intervals.

Sizes are in CSS pixels (1 SVG point = 1 px) and small enough to be read unscaled on a narrow screen. Colours in the
drawing are stand-ins that ``inline_svg`` replaces by the page's own variables, so that light, dark and print styles
hold inside figures too. The page's palette is that of Okabe and Ito (Color Universal Design, 2008); shape, hatch or
fill always say the same as colour.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import NOMINAL_THIRD_HZ

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "FAINT",
    "INK",
    "LABEL",
    "MARKERS",
    "PAPER",
    "SERIES",
    "STAND_IN",
    "Floats",
    "band_names",
    "dots",
    "new_figure",
    "put",
    "style",
    "whiskers",
]

Floats = NDArray[np.float64]

STAND_IN: Final = {
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
INK, FAINT, PAPER = "#0a0b01", "#0a0b02", "#0a0b03"
SERIES: Final = ("#0a0b11", "#0a0b12", "#0a0b13", "#0a0b14", "#0a0b15", "#0a0b16")
MARKERS: Final = ("o", "^", "s", "D", "v", "P")
"""Marker of each station in turn; after six, shapes begin again."""
_FONT_PX: Final = 11.5
LABEL: Final = 30


def style() -> AbstractContextManager[None]:
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
        **dict.fromkeys(ink, INK),
    }
    return rc_context(settings)


def new_figure(width_px: float, height_px: float) -> tuple[Figure, Axes]:
    """Return an empty figure of this size (CSS pixels at 72 to the inch) and its axes, styled as all are."""
    from matplotlib.figure import Figure

    with style():
        figure = Figure(figsize=(width_px / 72, height_px / 72), facecolor="none", dpi=72)
        axes = figure.add_subplot(facecolor="none")
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_axisbelow(True)
    return figure, axes


def put(figure: Figure, *, left: float, right: float, top: float, bottom: float) -> None:
    """Put the axes at margins in px: fixed ones, so that nothing depends on the fonts of this machine."""
    width, height = figure.get_size_inches() * 72
    figure.subplots_adjust(left=left / width, right=1 - right / width, top=1 - top / height, bottom=bottom / height)


def band_names() -> list[str]:
    """Return the bands' nominal frequencies as they stand at an axis."""
    return [f"{f / 1000:g} k" if f >= 1000 else f"{f:g}" for f in NOMINAL_THIRD_HZ]


def whiskers(axes: Axes, rows: Floats, low: Floats, high: Floats) -> None:
    """Draw intervals as one path: a line each, with a tick at both ends."""
    known = np.isfinite(low) & np.isfinite(high)
    r, a, b, gap = rows[known], low[known], high[known], np.full(int(known.sum()), np.nan)
    cap = 0.16
    for x, y in (
        (np.column_stack([a, b, gap]), np.column_stack([r, r, gap])),
        (np.column_stack([a, a, gap]), np.column_stack([r - cap, r + cap, gap])),
        (np.column_stack([b, b, gap]), np.column_stack([r - cap, r + cap, gap])),
    ):
        axes.plot(x.ravel(), y.ravel(), color=INK, linewidth=1.0, solid_capstyle="butt")


def dots(axes: Axes, x: Floats, y: Floats, shown: NDArray[np.bool_]) -> None:
    """Draw points, all arrays (n,): filled where a difference is ``shown``, else open."""
    for part, face in ((shown, SERIES[0]), (~shown, PAPER)):
        axes.plot(x[part], y[part], "o", ms=6.5, mfc=face, mec=INK, mew=1.0)
