"""What stands where: the parts of a rig file, checked once.

Every part is a frozen model; values that look like another unit (metres for millimetres, per cent for a fraction) are
named as such.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from noisecheck.bench.runsheet import leads_out
from noisecheck.core.errors import nearest
from noisecheck.core.table import band_names

__all__ = [
    "MEASURES",
    "Ball",
    "Calibration",
    "Feed",
    "Microphone",
    "Requirement",
    "Revisions",
    "Rig",
    "RigInfo",
    "Station",
]

MEASURES: Final[tuple[str, ...]] = (
    "lzpeak_db",
    "lcpeak_db",
    "lafmax_db",
    "lae_db",
    "total_lae_db",
    "decay_ms",
    "centroid_hz",
    "restitution",
    "held_up_per_thousand",
    "failures_per_million",
    *band_names(),
)
"""What a requirement may limit: levels, bands, decay and flow figures (the bands by their column names)."""

_METRES_BELOW_MM: Final = 10.0  # no machine with several stations fits into 10 mm, but one in metres does
_MOST: Final = 1e9  # no length, time or level of any machine; what is worked out from it stays finite
_MOST_STATIONS: Final = 200
_Number = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-_MOST, le=_MOST)]
_Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=_MOST)]
_Pascals = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1e-6, le=_MOST)]
_Text = Annotated[str, Field(strict=True, min_length=1)]
_Position = Annotated[tuple[_Number, ...], Field(min_length=2, max_length=3)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False)


class RigInfo(_Part):
    """``[rig]``: the machine's name, a free description, the air temperature (degrees Celsius), and named groups.

    ``groups = { "RUN SECONDS" = "NAME" }`` says where impacts happened that sound like the one of that run and time.
    """

    name: str = ""
    description: str = ""
    temperature_c: _Number = 20.0
    groups: dict[_Text, _Text] = {}

    @field_validator("temperature_c")
    @classmethod
    def _air(cls, value: float) -> float:
        if not -40 <= value <= 60:
            hint = ": was it given in kelvin?" if 233 <= value <= 333 else ""
            raise ValueError(f"temperature_c = {value:g} must lie between -40 and 60 degrees Celsius{hint}")
        return value

    @model_validator(mode="after")
    def _keys(self) -> RigInfo:
        for key in self.groups:
            run, _, at = key.rpartition(" ")
            try:
                fits = bool(run) and float(at) >= 0
            except ValueError:
                fits = False
            if not fits:
                raise ValueError(f"groups: '{key}' must be a run's name, a space and a time in seconds")
        return self


class Ball(_Part):
    """``[ball]``: diameter in mm, mass in g, material in words."""

    diameter_mm: _Positive | None = None
    mass_g: _Positive | None = None
    material: str = ""

    @model_validator(mode="after")
    def _plausible(self) -> Ball:
        if self.diameter_mm is not None and self.diameter_mm < 0.5:
            raise ValueError(f"diameter_mm = {self.diameter_mm:g} is under half a millimetre: was it given in metres?")
        if self.diameter_mm is not None and self.mass_g is not None:
            density = self.mass_g / (math.pi / 6 * (self.diameter_mm / 10) ** 3)
            if not 0.01 <= density <= 25:
                raise ValueError(
                    f"mass_g = {self.mass_g:g} with diameter_mm = {self.diameter_mm:g} makes {density:.3g} g/cm3, "
                    "which no material has: is one of them in another unit?"
                )
        return self


class Microphone(_Part):
    """``[[microphone]]``: channel from 0, kind, position in mm (2 or 3 numbers), and the station it belongs to."""

    channel: Annotated[int, Field(strict=True, ge=0)] = 0
    kind: Literal["air", "contact"] = "air"
    position_mm: _Position | None = None
    station: _Text | None = None


class Calibration(_Part):
    """``[calibration]``: a recording of a sound calibrator, or the pressure that reads 1.0.

    ``file`` and ``file_after`` are relative to the campaign; ``level_db`` (re 20 uPa) and ``frequency_hz`` describe
    the calibrator (IEC 60942 names 94 and 114 dB at 1 kHz); ``pa_at_full_scale`` is the pressure in Pa at sample
    value 1.0, one number or one for each channel.
    """

    file: _Text | None = None
    file_after: _Text | None = None
    level_db: Annotated[float, Field(strict=True, ge=60, le=140)] = 94.0
    frequency_hz: Annotated[float, Field(strict=True, ge=20, le=20000)] = 1000.0
    pa_at_full_scale: _Pascals | tuple[_Pascals, ...] | None = None

    @field_validator("file", "file_after")
    @classmethod
    def _inside(cls, path: str | None) -> str | None:
        if path is not None and leads_out(path):
            raise ValueError(f"'{path}' leaves the campaign: give a path inside it")
        return path

    @model_validator(mode="after")
    def _one_way(self) -> Calibration:
        if self.file is not None and self.pa_at_full_scale is not None:
            raise ValueError("file and pa_at_full_scale both say what 0 dB is: give one of them")
        lone = sorted(self.model_fields_set & {"level_db", "frequency_hz", "file_after"})
        if self.file is None and lone:
            raise ValueError(f"{lone[0]} is said of the calibrator's recording, but file does not name one")
        return self

    @property
    def given(self) -> bool:
        """Whether levels can be given re 20 uPa."""
        return self.file is not None or self.pa_at_full_scale is not None


class Station(_Part):
    """``[[station]]``: name, position in mm, the next station, and the usual transit time to it (s)."""

    name: _Text
    position_mm: _Position | None = None
    next: _Text | None = None
    transit_s: Annotated[tuple[_Number, ...], Field(min_length=2, max_length=2)] | None = None
    target: bool = False

    @field_validator("next", mode="before")
    @classmethod
    def _one(cls, value: Any) -> Any:
        if isinstance(value, list):
            raise ValueError(
                f"next = {value} must be one station: where the way branches, leave next out, and balls are followed "
                "as far as there"
            )
        return value

    @model_validator(mode="after")
    def _ordered(self) -> Station:
        if self.transit_s is not None:
            low, high = self.transit_s
            if low < 0 or low > high:
                raise ValueError(f"transit_s = [{low:g}, {high:g}] must be [shortest, longest] in seconds, not below 0")
            if self.next is None:
                raise ValueError("transit_s is the time to the next station, but next is not given")
        if self.target and self.next is not None:
            raise ValueError(f"target = true marks the final station, but next = '{self.next}' follows it")
        return self


class Feed(_Part):
    """``[feed]``: the first station, the period in s (None: learnt), and the number of balls fed."""

    station: _Text | None = None
    period_s: _Positive | None = None
    balls: Annotated[int, Field(strict=True, ge=0)] | None = None


class Revisions(_Part):
    """``[revisions]``: the order of the design's versions."""

    order: tuple[_Text, ...] = ()

    @field_validator("order")
    @classmethod
    def _once(cls, order: tuple[str, ...]) -> tuple[str, ...]:
        return _unique(order, "revision")


_COUNTS: Final = ("held_up_per_thousand", "failures_per_million")
_REACH: Final = {
    **dict.fromkeys(("decay_ms", "centroid_hz"), (math.ulp(0.0), math.inf)),
    "restitution": (0.0, 1.0),
    "held_up_per_thousand": (0.0, 1e3),
    "failures_per_million": (0.0, 1e6),
}
"""Limits that mean anything, of what has ends."""


class Requirement(_Part):
    """``[[requirement]]``: strict (must) or negotiable (should), a measure, its limit, the confidence asked.

    ``measure`` is one of lzpeak_db, lcpeak_db, lafmax_db, lae_db (means over first contacts), total_lae_db (of one ball
    over all stations), a band (le_25hz ... le_20000hz), decay_ms, centroid_hz, restitution, held_up_per_thousand,
    failures_per_million; with ``station`` left out it is that of all stations. ``limit`` is in the unit of the measure:
    dB re full scale, or re 20 uPa once ``[calibration]`` is given. ``sense`` is "at most" or "at least".
    """

    id: _Text
    text: str = ""
    strict: bool = True
    measure: _Text
    station: _Text | None = None
    limit: _Number
    sense: Literal["at most", "at least"] = "at most"
    confidence: Annotated[float, Field(strict=True)] = 0.95

    @model_validator(mode="after")
    def _known(self) -> Requirement:
        if self.measure not in MEASURES:
            raise ValueError(f"measure = '{self.measure}' is not known{nearest(self.measure, MEASURES)}")
        if not 0.5 <= self.confidence < 1:
            hint = ": did you give per cent?" if 50 <= self.confidence < 100 else ""
            raise ValueError(f"confidence = {self.confidence:g} must lie between 0.5 and 1{hint}")
        if self.measure in _COUNTS and self.sense != "at most":
            raise ValueError(f"{self.measure} can only be limited with sense = 'at most'")
        least, most = _REACH.get(self.measure, (-math.inf, math.inf))
        if not least <= self.limit <= most:
            reach = "above 0" if math.isinf(most) else f"between {least:g} and {most:g}"
            raise ValueError(f"limit = {self.limit:g} must be {reach} for {self.measure}")
        return self


class Rig(_Part):
    """The whole rig file. ``Rig()`` is an empty one: no stations, one uncalibrated microphone assumed."""

    rig: RigInfo = RigInfo()
    ball: Ball = Ball()
    microphones: tuple[Microphone, ...] = Field(default=(), alias="microphone")
    calibration: Calibration = Calibration()
    stations: tuple[Station, ...] = Field(default=(), alias="station")
    feed: Feed = Feed()
    revisions: Revisions = Revisions()
    requirements: tuple[Requirement, ...] = Field(default=(), alias="requirement")

    @property
    def station_names(self) -> tuple[str, ...]:
        """Names of the stations in the order of the file."""
        return tuple(s.name for s in self.stations)

    @property
    def route(self) -> tuple[str, ...]:
        """Stations in the order a ball meets them: along ``next`` from the feed (or from the first nobody leads to)."""
        follow = {s.name: s.next for s in self.stations}
        led_to = set(follow.values())
        starts = [name for name in follow if name not in led_to and follow[name] is not None]
        at: str | None = self.feed.station or (starts[0] if starts else None)
        found: list[str] = []
        while at is not None:
            found.append(at)
            at = follow.get(at)
        return tuple(found)

    def station(self, name: str) -> Station:
        """Return the station of that name; raises ``KeyError`` when it is not declared."""
        return {s.name: s for s in self.stations}[name]

    def microphone(self, channel: int) -> Microphone:
        """Return the microphone on a channel (an air microphone without position when it is not declared)."""
        return {m.channel: m for m in self.microphones}.get(channel, Microphone(channel=channel))

    @model_validator(mode="before")
    @classmethod
    def _named(cls, document: Any) -> Any:
        """Declare the stations that named groups make, where the file declares none."""
        rig = document.get("rig") if isinstance(document, dict) else None
        named = rig.get("groups") if isinstance(rig, dict) else None
        if isinstance(named, dict) and named and not document.get("station"):
            names = dict.fromkeys(n for n in named.values() if isinstance(n, str))
            return {**document, "station": [{"name": n} for n in names]}
        return document

    @model_validator(mode="after")
    def _consistent(self) -> Rig:
        if len(self.stations) > _MOST_STATIONS:
            raise ValueError(f"{len(self.stations)} stations are declared, more than {_MOST_STATIONS}")
        names = _unique(self.station_names, "station")
        _unique([m.channel for m in self.microphones], "microphone channel")
        _unique([r.id for r in self.requirements], "requirement id")
        if sum(s.target for s in self.stations) > 1:
            raise ValueError("more than one station has target = true: only the final one may")
        users: list[tuple[str, str | None]] = [(f"station '{s.name}': next", s.next) for s in self.stations]
        users += [(f"microphone {m.channel}: station", m.station) for m in self.microphones]
        users += [(f"requirement '{r.id}': station", r.station) for r in self.requirements]
        for where, name in [*users, ("[feed]: station", self.feed.station)]:
            if name is not None and name not in names:
                raise ValueError(f"{where} = '{name}' is not a declared station{nearest(name, names)}")
        _no_circle({s.name: s.next for s in self.stations})
        _millimetres([m.position_mm for m in self.microphones], [s.position_mm for s in self.stations])
        return self


def _unique(values: Sequence[Any], what: str) -> tuple[Any, ...]:
    for i, value in enumerate(values):
        if value in values[:i]:
            raise ValueError(f"{what} {value!r} is given twice")
    return tuple(values)


def _no_circle(follow: dict[str, str | None]) -> None:
    for start in follow:
        path, at = [start], follow[start]
        while at is not None:
            if at in path:
                ring = " -> ".join([*path[path.index(at) :], at])
                raise ValueError(f"next goes round in a circle ({ring}): leave next out at the last station")
            path.append(at)
            at = follow.get(at)


def _millimetres(*groups: Iterable[tuple[float, ...] | None]) -> None:
    sets = [[p for p in group if p is not None] for group in groups]
    everything = [p for group in sets for p in group]
    for group in [*(g for g in sets if len(g) > 1), everything]:
        reach = max((abs(v) for p in group for v in p), default=0.0)
        if 0 < reach < _METRES_BELOW_MM:
            raise ValueError(
                f"position_mm: every position lies within {reach:g} mm of the origin: were they given in metres?"
            )
