"""Numbers and sentences as the page writes them."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from noisecheck.core.errors import one_line
from noisecheck.core.units import many

__all__ = ["brief", "capital", "fold_alike", "number", "sentence", "signed", "take_common", "tight"]

_NAMED: Final = 8
_UNIT: Final = re.compile(r"(?<=\d) (?=%|(?:dB|Hz|kHz|mm|ms|s|min|h|days)\b)")
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


def brief(value: float) -> str:
    """Return a number to as many digits as are worth reading: ``12,345``, ``12.3``, ``1.23``, ``0.0123``."""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}" if abs(value) < 10 else f"{value:.1f}"


def capital(text: str) -> str:
    """Return text that begins with a capital letter."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return text on one line with its full stop."""
    return one_line(text) + "."


def tight(text: str) -> str:
    """Return a sentence in which no line ends between a number and its unit."""
    return _UNIT.sub("\N{NO-BREAK SPACE}", text)


def take_common(notes: Sequence[list[str]], what: str) -> list[str]:
    """Take out of the lists, one a recording, what most of them note; return it, each with how many it is said of."""
    count = Counter(note for own in notes for note in dict.fromkeys(own))
    common = [note for note, n in count.items() if n >= _ALIKE and 2 * n > len(notes)]
    for own in notes:
        own[:] = [note for note in own if note not in common]
    return [f"{count[note]} of {len(notes)} {what}: {note}" for note in common]


def fold_alike(notes: Iterable[str]) -> list[str]:
    """Return notes of the form ``run NAME: ...`` with those that say the same of three runs or more told by the first.

    The same but for figures; the others are named. What is noted of one run several times with other figures tells of
    other things (bin 1, bin 2): of such only what is the same to the letter.
    """
    parts = [_run_and_text(note) for note in dict.fromkeys(notes)]
    blank = [re.sub(r"\d[\d.,]*", "#", text) if run else text for run, text in parts]
    count = Counter((run, text) for (run, _), text in zip(parts, blank, strict=True))
    named = {text for (_, text), n in count.items() if n > 1}
    alike: dict[tuple[bool, str], list[tuple[str, str]]] = {}
    for (run, text), short in zip(parts, blank, strict=True):
        alike.setdefault((bool(run), text if short in named else short), []).append((run, text))
    told = []
    for members in alike.values():
        whole = [f"run {run}: {text}" if run else text for run, text in members]
        if len(members) < _ALIKE:
            told += whole
            continue
        others = [run for run, _ in members[1:]]
        more = f", and {len(others) - _NAMED} more" if len(others) > _NAMED else ""
        told.append(
            f"{whole[0]}; much the same in {many(len(others), 'more run')} ({', '.join(others[:_NAMED])}{more})"
        )
    return told


def _run_and_text(note: str) -> tuple[str, str]:
    """Return the run a note tells of and what it tells; the whole note where it tells of none."""
    run, _, text = note.removeprefix("run ").partition(": ")
    return (run, text) if note.startswith("run ") and text else ("", note)
