"""Figures as text for the page."""

from __future__ import annotations

import io
import re
import warnings
from html import escape
from typing import TYPE_CHECKING, Final

from noisecheck.report.figures.style import STAND_IN, style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["inline_svg"]

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
    with style(), warnings.catch_warnings():
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
        for colour, name in STAND_IN.items():
            tag = tag.replace(colour, f"var({name})")
        return _LONG.sub(r"\1", tag)

    text = _TAG.sub(own, text)
    text = _USE.sub(lambda m: f'{m[1]} style="{m[3]}">{m[2]}/>' + m[4].replace(f' style="{m[3]}"', ""), text)
    return re.sub(r">\s*\n\s*", ">", text).strip()
