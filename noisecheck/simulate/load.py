"""Reading a scene file: every fault comes out as one sentence with the file and the key."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from noisecheck.bench.toml import read_toml
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.simulate.parts import (
    Background,
    BallInfo,
    Fault,
    FaultRates,
    Feed,
    Microphone,
    PlateInfo,
    Recorder,
    Room,
    Run,
    SceneInfo,
    Session,
    Station,
    Surface,
    Treatment,
)
from noisecheck.simulate.scene import Scene

__all__ = ["load_scene", "parse_scene"]

_SINGLE: Final[dict[str, type[BaseModel]]] = {
    "scene": SceneInfo, "ball": BallInfo, "feed": Feed, "room": Room, "background": Background,
    "recorder": Recorder, "faults": FaultRates,
}  # fmt: skip
_LISTED: Final[dict[str, type[BaseModel]]] = {
    "surface": Surface, "microphone": Microphone, "station": Station, "treatment": Treatment, "session": Session,
    "run": Run,
}  # fmt: skip


_MODELS: Final = {**_SINGLE, **_LISTED}


def load_scene(path: str | Path) -> Scene:
    """Return the scene described by a TOML file.

    Raises:
        InputError: missing, not TOML, an unknown key (the nearest known one is named) or a value that cannot be.
    """
    document, _ = read_toml(Path(path))
    return parse_scene(document, name=str(path))


def parse_scene(document: dict[str, Any], *, name: str = "scene") -> Scene:
    """Return the scene of a parsed TOML document; ``name`` is what errors call it. Raises ``InputError``."""
    try:
        return Scene.model_validate(document)
    except ValidationError as error:
        raise InputError(f"{one_line(name)}: {_sentence(error)}") from error


def _sentence(error: ValidationError) -> str:
    # An unknown key is the likeliest slip and explains others ("missing"), so it is told first.
    faults = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    first = faults[0]
    place = list(first["loc"])
    message = one_line(first["msg"].removeprefix("Value error, ").removeprefix("Input "))
    if not place:
        return message
    section = str(place[0])
    if first["type"] == "extra_forbidden" and len(place) == 1:
        return f"unknown key or section '{one_line(section)}'{nearest(section, Scene.model_fields)}"
    heading, rest = f"[{section}]", place[1:]
    if section in _LISTED or section == "requirement":
        heading = f"[[{section}]]"
        if rest and isinstance(rest[0], int):
            heading, rest = f"[[{section}]] number {rest[0] + 1}", rest[1:]
    keys = [str(p) for p in rest if not (isinstance(p, str) and p.startswith(("tuple[", "function-", "constrained-")))]
    key = ".".join(keys)
    if first["type"] == "extra_forbidden":
        model = _MODELS.get(section, Scene)
        if keys[:-1] and keys[0] in ("plate", "fault"):
            model = PlateInfo if keys[0] == "plate" else Fault
        return f"{heading}: unknown key '{one_line(keys[-1])}'{nearest(keys[-1], model.model_fields)}"
    if not keys and first["type"] in ("tuple_type", "model_type", "dict_type"):
        return f"{heading}: must be written as {f'[[{section}]]' if section in _LISTED else f'[{section}]'}"
    if first["type"] == "missing":
        return f"{heading}: {key + ' ' if key else ''}is missing"
    given = first.get("input")
    shown = f" = {one_line(repr(given))[:60]}" if key and isinstance(given, (str, int, float, list)) else ""
    return f"{heading}: {key}{shown}: {message}" if key else f"{heading}: {message}"
