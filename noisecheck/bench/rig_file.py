"""Reading ``rig.toml``: its parts, or one sentence that names the line and what is wrong there.

Unknown keys are refused with the nearest known one. No file gives an empty rig.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ValidationError

from noisecheck.bench.rig import (
    Ball,
    Calibration,
    Feed,
    Microphone,
    Requirement,
    Revisions,
    Rig,
    RigInfo,
    Station,
)
from noisecheck.bench.toml import read_toml
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.table import band_names

__all__ = ["SECTIONS", "load_rig"]

SECTIONS: Final[dict[str, type[BaseModel]]] = {
    "rig": RigInfo,
    "ball": Ball,
    "microphone": Microphone,
    "calibration": Calibration,
    "station": Station,
    "feed": Feed,
    "revisions": Revisions,
    "requirement": Requirement,
}
_MOST_DB_FULL_SCALE: Final = 20.0  # no level of an impact, nor the exposure of a minute at full scale
_LISTS: Final = ("microphone", "station", "requirement")
_PLAIN: Final = (  # words of the checking library, and ours
    ("String", "text"),
    ("Tuple", "the list"),
    ("valid string", "text"),
    ("valid tuple", "list"),
    ("a valid number", "a number"),
    ("a valid integer", "a whole number"),
    ("a valid boolean, unable to interpret input", "true or false"),
    ("a valid boolean", "true or false"),
)
_INNER: Final = ("function", "tuple", "float", "constrained")  # names of kinds, not of keys


def load_rig(path: str | Path) -> Rig:
    """Return the rig described by a TOML file; a file that does not exist gives an empty rig.

    Raises:
        InputError: not TOML, an unknown key (the nearest known one is named), or a value that cannot be right, such as
            a limit re 20 uPa where nothing calibrates the levels.
    """
    path = Path(path)
    if not path.exists():
        return Rig()
    document, text = read_toml(path)
    try:
        rig = Rig.model_validate(document)
    except ValidationError as error:
        raise InputError(f"{one_line(path)}{_sentence(error, text)}") from error
    for number, asked in enumerate(rig.requirements):
        level = asked.measure.endswith("_db") or asked.measure in band_names()
        if level and asked.limit > _MOST_DB_FULL_SCALE and not rig.calibration.given:
            raise InputError(
                f"{one_line(path)}{_line(text, 'requirement', number, 'limit')}, [[requirement]]: limit = "
                f"{asked.limit:g} can only be dB re 20 uPa, but no [calibration] is given: levels are then in dB re "
                "full scale, nearly all below 0"
            )
    return rig


def _sentence(error: ValidationError, text: str) -> str:
    """Return the first fault as ``, line N, [section]: what is wrong``."""
    errors = error.errors()
    # A misspelt key is why the right one is missing: name it first.
    first = next((e for e in errors if e["type"] == "extra_forbidden"), errors[0])
    place = [p for p in first["loc"] if isinstance(p, int) or not str(p).startswith(_INNER)]
    section = str(place[0]) if place else ""
    heading = f"[[{section}]]" if section in _LISTS else f"[{section}]"
    keys = [p for p in place[1:] if isinstance(p, str)]
    number = place[1] if len(place) > 1 and isinstance(place[1], int) and section in _LISTS else 0
    kind, value = first["type"], first.get("input")
    if not place:
        return f": {_plain(first['msg'])}"
    if kind == "extra_forbidden":
        if not keys:
            line = _line(text, section, number, None)
            return f"{line}: unknown section [{one_line(section)}]{nearest(section, SECTIONS)}"
        known = SECTIONS[section].model_fields
        return (
            f"{_line(text, section, number, keys[0])}, {heading}: unknown key '{one_line(keys[0])}'"
            f"{nearest(keys[0], known)}"
        )
    where = f"{_line(text, section, number, keys[0] if keys else None)}, {heading}"
    if kind == "missing":
        return f"{where}: '{keys[-1]}' is not given"
    if kind in ("tuple_type", "model_type", "model_attributes_type") and not keys:
        shape = f"[[{section}]]" if section in _LISTS else f"[{section}]"
        once = "" if section in _LISTS else ", once"
        return f"{where}: must be written as {shape}{once}"
    if kind == "value_error":
        return f"{where}: {_plain(first['msg'])}"
    return f"{where}: {keys[-1] if keys else section} = {one_line(repr(value))}: {_plain(first['msg'])}"


def _plain(message: str) -> str:
    plain = re.sub(r" after validation, not \d+$", "", message).removeprefix("Value error, ").removeprefix("Input ")
    for theirs, ours in _PLAIN:
        plain = plain.replace(theirs, ours)
    return one_line(plain.replace("a text", "text"))


def _line(text: str, section: str, number: int, key: str | None) -> str:
    """Return ``, line N`` for a key in the ``number``-th table of a section, or nothing where it is not found."""
    seen, inside = -1, False
    fallback = ""
    for count, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?", line)
        if header and not re.match(r"\s*\[\s*[-\d\"']", line):
            inside = header.group(1).strip("\"'") == section
            seen += inside
            if inside and seen == number:
                fallback = f", line {count}"
        if key and inside and seen == number and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return f", line {count}"
    return fallback
