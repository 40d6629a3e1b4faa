"""Numbers and sentences as the page writes them."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from noisecheck.core.errors import one_line
from noisecheck.core.units import many

__all__ = ["capital", "fold_alike", "number", "sentence", "signed", "take_common"]

_NAMED: Final = 8
_ALIKE: Final = 3  # what is noted of so many recordings, and of most of them, is said once


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


def take_common(notes: Sequence[list[str]], what: str) -> list[str]:
    """Take out of the lists, one a recording, what most of them note; return it, each with how many it is said of."""
    count = Counter(note for own in notes for note in dict.fromkeys(own))
    common = [note for note, n in count.items() if n >= _ALIKE and 2 * n > len(notes)]
    for own in notes:
        own[:] = [note for note in own if note not in common]
    return [f"{count[note]} of {len(notes)} {what}: {note}" for note in common]


def fold_alike(notes: Iterable[str]) -> list[str]:
    """Return notes of the form ``run NAME: ...`` with those that say the same of three runs or more told by the first.

    The same but for figures; the others are named.
    """
    alike: dict[str, list[tuple[str, str]]] = {}
    for note in dict.fromkeys(notes):
        run, _, text = note.removeprefix("run ").partition(": ")
        of_run = note.startswith("run ") and bool(text)
        alike.setdefault(re.sub(r"\d[\d.,]*", "#", text) if of_run else note, []).append((run, note))
    told = []
    for members in alike.values():
        if len(members) < _ALIKE:
            told += [note for _, note in members]
            continue
        others = [run for run, _ in members[1:]]
        more = f", and {len(others) - _NAMED} more" if len(others) > _NAMED else ""
        told.append(
            f"{members[0][1]}; much the same in {many(len(others), 'more run')} ({', '.join(others[:_NAMED])}{more})"
        )
    return told
