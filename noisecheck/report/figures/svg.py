"""Figures as text for the page, and as files of their own."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from html import escape
from typing import TYPE_CHECKING, Any, Final

from noisecheck.core.records import record
from noisecheck.report.figures.style import STAND_IN, style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Drawn", "figure_files", "gathered", "inline_svg"]


@record
class Drawn:
    """A figure as it was put on the page: its key, what it shows in words, and the matplotlib object."""

    key: str
    label: str
    figure: Figure


_GATHERED: ContextVar[list[Drawn] | None] = ContextVar("gathered", default=None)


@contextmanager
def gathered(into: list[Drawn]) -> Iterator[None]:
    """Append to a list every figure that :func:`inline_svg` draws inside the ``with`` block."""
    token = _GATHERED.set(into)
    try:
        yield
    finally:
        _GATHERED.reset(token)


_DROPPED: Final = re.compile(
    r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->|<\?xml.*?\?>|<!DOCTYPE.*?>", re.DOTALL
)
_TAG: Final = re.compile(r"<[^>]*>")
_NEEDED: Final = re.compile(r"url\(#([^)]+)\)|href=\"#([^\"]+)\"")
_ID: Final = re.compile(r" id=\"([^\"]*)\"")
_PHONE_PX: Final = 350.0  # what a phone of 390 px leaves a figure
_READABLE_PX: Final = 10.0
_DPI: Final = 200.0
_LONG: Final = re.compile(r"(\d\.\d\d)\d+")
_USE: Final = re.compile(r"(<g[^>]*)>\s*(<use [^>]*?) style=\"([^\"]*)\"/>((?:\s*<use [^>]*?style=\"\3\"/>)*)")


def inline_svg(figure: Figure, *, key: str, label: str) -> str:
    """Return a figure as ``<svg>`` for a page: no links, no metadata, ids that begin with ``key``, text as text.

    The same figure gives the same text, on any day. ``label`` says what it shows to those who cannot see it.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    found = _GATHERED.get()
    if found is not None:
        found.append(Drawn(key, label, figure))
    out = io.StringIO()
    with style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)  # the browser has other fonts
        FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = _DROPPED.sub("", out.getvalue())
    needed = {a or b for tag in _TAG.findall(text) for a, b in _NEEDED.findall(tag)}
    width, height = (float(v) * 72 for v in figure.get_size_inches())

    def own(match: re.Match[str]) -> str:
        tag = match[0].replace("xlink:href", "href").replace("\n", " ")
        if tag.startswith("<svg"):
            style = f"max-width:{width * 1.2:.0f}px;--on-phone:{_READABLE_PX * width / _PHONE_PX:.1f}px"
            box = f"0 0 {width:g} {height:g}"
            return f'<svg class="figure" role="img" aria-label="{escape(label)}" style="{style}" viewBox="{box}">'
        tag = _ID.sub(lambda m: f' id="{key}-{m[1]}"' if m[1] in needed else "", tag)
        tag = _NEEDED.sub(lambda m: f"url(#{key}-{m[1]})" if m[1] else f'href="#{key}-{m[2]}"', tag)
        for colour, name in STAND_IN.items():
            tag = tag.replace(colour, f"var({name})")
        return _LONG.sub(r"\1", tag)

    text = _TAG.sub(own, text)
    text = _USE.sub(lambda m: f'{m[1]} style="{m[3]}">{m[2]}/>' + m[4].replace(f' style="{m[3]}"', ""), text)
    return re.sub(r">\s*\n\s*", ">", text).strip()


_COLOURS: Final = (
    ("get_facecolor", "set_facecolor"),
    ("get_edgecolor", "set_edgecolor"),
    ("get_color", "set_color"),
    ("get_markerfacecolor", "set_markerfacecolor"),
    ("get_markeredgecolor", "set_markeredgecolor"),
    ("get_hatchcolor", "set_hatchcolor"),
)


def figure_files(drawn: Drawn, palette: Mapping[str, str]) -> tuple[str, bytes]:
    """Return a figure as an SVG document and as a PNG image, in fixed colours on a ground of ``--paper``.

    Args:
        drawn: what :func:`gathered` found.
        palette: the colour of each of the page's variables, such as ``--ink``.
    """
    text = inline_svg(drawn.figure, key="f", label=drawn.label)
    text = re.sub(r"var\((--\w+)\)", lambda m: palette[m[1]], text)
    head = f'<svg xmlns="http://www.w3.org/2000/svg" font-family="sans-serif"><title>{escape(drawn.label)}</title>'
    ground = f'<rect width="100%" height="100%" fill="{palette["--paper"]}"/>'
    opening = text.index(">") + 1
    attributes = re.sub(r' (class|style|role|aria-label)="[^"]*"', "", text[4 : opening - 1])
    svg = head.replace("<svg ", f"<svg{attributes} ", 1) + ground + text[opening:]
    return svg + "\n", _png(drawn.figure, palette)


def _png(figure: Figure, palette: Mapping[str, str]) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.colors import to_hex

    own = {code: palette[name] for code, name in STAND_IN.items()}

    def real(colour: Any) -> Any:
        """Return a colour, or an array of colours, with stand-ins replaced; None where there is nothing to do."""
        try:
            return own.get(to_hex(colour))
        except (TypeError, ValueError):
            pass
        try:
            return [own.get(to_hex(c), to_hex(c, keep_alpha=True)) for c in colour]
        except (TypeError, ValueError):
            return None

    with style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        for artist in figure.findobj():
            for get, put in _COLOURS:
                if hasattr(artist, get) and hasattr(artist, put):
                    colour = real(getattr(artist, get)())
                    if colour:
                        alpha = artist.get_alpha()
                        getattr(artist, put)(colour)
                        artist.set_alpha(alpha)
        out = io.BytesIO()
        FigureCanvasAgg(figure).print_figure(out, dpi=_DPI, facecolor=palette["--paper"], format="png")
    return out.getvalue()
