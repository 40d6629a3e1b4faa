"""Numbers and sentences as the page writes them."""

from __future__ import annotations

import math
from typing import Any

from noisecheck.core.errors import one_line

__all__ = ["capital", "number", "sentence", "signed"]


def signed(value: Any, digits: int = 1, *, plus: bool = False) -> str:
    """Return a number with a true minus sign, ``–`` where there is none."""
    if value is None or not math.isfinite(float(value)):
        return "–"
    text = f"{float(value):{'+' if plus else ''}.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "\N{MINUS SIGN}")


def number(value: Any) -> str:
    """Return a whole number with commas between thousands, as the terminal and all sentences have them."""
    return f"{int(value):,}"


def capital(text: str) -> str:
    """Return text that begins with a capital letter."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return text on one line with its full stop."""
    return one_line(text) + "."
