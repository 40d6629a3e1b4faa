"""The machine seen from above: stations, microphones, and where impacts were found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from noisecheck.core.records import record
from noisecheck.report.figures.style import FAINT, INK, LABEL, MARKERS, PAPER, SERIES, Floats, new_figure, put, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Spotted", "plan"]

_MOST_MARKS: Final = 200
_MOST_ELLIPSES: Final = 15
_WIDTH: Final = 440.0  # shrinks little on a phone
_LEAST_HIGH: Final = 190.0
_MOST_HIGH: Final = 460.0
_LETTER, _LINE = 6.8, 13.0  # of a word, px: a letter at its widest, and a line
_BETWEEN: Final = 6.0  # px from the end of a word to the next
_APART: Final = 16.0  # px from one line of words to the next
_MOST_LINES: Final = 5
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 12.0, 8.0, 46.0


@record
class Spotted:
    """A station: its name, a word beside it, where it is stated to be (None: not), and its impacts' places."""

    name: str
    word: str
    stated_mm: tuple[float, float] | None
    found_mm: Floats
    """(n, 2)."""
    ellipse: Floats
    """95 % ellipses: half axis, half axis (mm), angle of the first from x (rad), (n, 3)."""
    number: int
    """Of its marker; -1 for impacts of no station."""


def plan(stations: Sequence[Spotted], microphones: Sequence[tuple[str, float, float]]) -> Figure:
    """Return the plan, x to the right and y up, in mm at one scale both ways.

    A large open marker is a station where the rig file says it is; small filled ones are impacts where arrival times
    found them, some with their 95 % ellipses.
    """
    from matplotlib.patches import Ellipse

    points = [np.array([s.stated_mm for s in stations if s.stated_mm is not None], np.float64).reshape(-1, 2)]
    points += [np.array([m[1:] for m in microphones], np.float64).reshape(-1, 2)]
    known = np.concatenate(points)
    low, high = known.min(axis=0), known.max(axis=0)
    room = 0.12 * float((high - low).max()) + 20
    low, high = low - room, high + room
    across = _WIDTH - _LEFT - _RIGHT
    height = float(np.clip(across * (high - low)[1] / (high - low)[0] + _TOP + _BOTTOM, _LEAST_HIGH, _MOST_HIGH))
    figure, axes = new_figure(_WIDTH, height)
    # One scale both ways: the side with room to spare shows more.
    inner = np.array([across, height - _TOP - _BOTTOM])
    spare = inner * float(((high - low) / inner).max()) - (high - low)
    low, high = low - spare / 2, high + spare / 2
    scale = across / float(high[0] - low[0])
    words = _Words([((p - low) * scale).tolist() for p in known], inner.tolist())
    with style():
        for s in stations:
            colour = INK if s.number < 0 else SERIES[s.number % len(SERIES)]
            marker = "x" if s.number < 0 else MARKERS[s.number % len(MARKERS)]
            inside = np.flatnonzero(((s.found_mm >= low) & (s.found_mm <= high)).all(axis=1))
            some = inside[np.linspace(0, len(inside) - 1, min(len(inside), _MOST_MARKS)).astype(np.int64)]
            axes.plot(*s.found_mm[some].T, marker, ms=2.5, color=colour, mec=colour)
            for row in some[np.linspace(0, len(some) - 1, min(len(some), _MOST_ELLIPSES)).astype(np.int64)]:
                a, b, angle = s.ellipse[row]
                axes.add_patch(
                    Ellipse(
                        tuple(s.found_mm[row]), 2 * a, 2 * b, angle=float(np.degrees(angle)),
                        fill=False, edgecolor=colour, linewidth=0.5,
                    )
                )  # fmt: skip
            if s.stated_mm is not None:
                axes.plot(*s.stated_mm, marker, ms=13, mfc="none" if s.number >= 0 else colour, mec=colour, mew=1.6)
                words.put(
                    axes, f"{s.name[:LABEL]}{s.word}", s.stated_mm, ((np.array(s.stated_mm) - low) * scale, 11, 7)
                )
        for name, x, y in microphones:
            axes.plot(x, y, "o", ms=9, mfc=PAPER, mec=INK, mew=1.2)
            axes.plot(x, y, "+", ms=6, color=INK)
            words.put(axes, name, (x, y), ((np.array((x, y)) - low) * scale, 8, -12))
        axes.set_xlim(low[0], high[0])
        axes.set_ylim(low[1], high[1])
        axes.grid(color=FAINT, linewidth=0.6)
        axes.set_xlabel("x, mm")
        axes.set_ylabel("y, mm")
        put(figure, left=_LEFT, right=_RIGHT, top=_TOP, bottom=_BOTTOM)
    return figure


class _Words:
    """Writes beside points, where no other word nor mark stands: right or left, above or below, else further off."""

    def __init__(self, marks: Sequence[Sequence[float]], inner: Sequence[float]) -> None:
        self._across, self._high = inner
        self._taken = [(x - 7.0, y - 7.0, x + 7.0, y + 7.0) for x, y in marks]

    def put(self, axes: Axes, text: str, at: tuple[float, float], beside: tuple[Floats, float, float]) -> None:
        """Write ``text`` beside ``at`` (mm): ``beside`` is that point (px from the corner), and how far away (px).

        A word further off than beside its point has a line to it.
        """
        (x, y), right, up = (beside[0].tolist(), *beside[1:])
        near = (up, -12.0 if up > 0 else 7.0)
        # Below, more room is needed than above: a word stands on its line.
        far = [rise for line in range(1, _MOST_LINES) for rise in (7.0 + line * _APART, -12.0 - line * _APART)]
        places = [(side, rise) for rise in (*near, *far) for side in (1, -1)]
        boxes = [self._box(x + side * right, y + rise, side, text) for side, rise in places]
        best = min(range(len(places)), key=lambda n: (self._covered(boxes[n]), n))
        side, rise = places[best]
        self._taken.append(boxes[best])
        line = {"arrowstyle": "-", "linewidth": 0.6, "color": INK, "shrinkA": 0, "shrinkB": 7}
        axes.annotate(
            text, at, xytext=(side * right, rise), textcoords="offset points", ha="left" if side > 0 else "right",
            arrowprops=None if rise in near else line,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": PAPER, "edgecolor": "none"},  # readable over ellipses
        )  # fmt: skip

    @staticmethod
    def _box(x: float, y: float, side: int, text: str) -> tuple[float, float, float, float]:
        long = side * (_LETTER * len(text) + _BETWEEN)
        return min(x, x + long), y - 2.0, max(x, x + long), y + _LINE

    def _covered(self, box: tuple[float, float, float, float]) -> float:
        """Return the area (px squared) in which a word would hide others or leave the picture."""
        x0, y0, x1, y1 = box
        area = (max(-x0, 0.0) + max(x1 - self._across, 0.0)) * (y1 - y0)
        area += (max(-y0, 0.0) + max(y1 - self._high, 0.0)) * (x1 - x0)
        for a0, b0, a1, b1 in self._taken:
            area += max(min(x1, a1) - max(x0, a0), 0.0) * max(min(y1, b1) - max(y0, b0), 0.0)
        return area
