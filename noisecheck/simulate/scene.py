"""The scene file: one TOML file describes a machine, its room, its recorder and a whole campaign of runs.

Words are those of ``rig.toml`` (``[ball]``, ``[[microphone]]``, ``[[station]]``, ``[feed]``, ``[revisions]``,
``[[requirement]]``), with what only a simulation must know beside them. ``[[run]]`` entries are the campaign.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from noisecheck.core.errors import nearest
from noisecheck.simulate.contact import MATERIALS, Ball, Material
from noisecheck.simulate.ringing import Plate

__all__ = [
    "Background",
    "BallInfo",
    "Fault",
    "FaultRates",
    "Feed",
    "Microphone",
    "PlateInfo",
    "Recorder",
    "Room",
    "Run",
    "Scene",
    "SceneInfo",
    "Session",
    "Station",
    "Surface",
    "Treatment",
]

_Number = Annotated[float, Field(allow_inf_nan=False)]
_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Share = Annotated[float, Field(ge=0, le=1)]
_Text = Annotated[str, Field(min_length=1)]
_Range = tuple[_NotNegative, _NotNegative]
_Position = tuple[_Number, _Number] | tuple[_Number, _Number, _Number]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SceneInfo(_Part):
    """``[scene]``: seed, rate and the file format of every recording."""

    name: str = "scene"
    seed: Annotated[int, Field(ge=0)] = 1
    rate_hz: Annotated[int, Field(ge=8000, le=192000)]
    format: Literal["flac", "wav", "rf64", "w64"] = "flac"
    subtype: Literal["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"] = "PCM_16"
    temperature_c: Annotated[float, Field(ge=-40, le=60)] = 20.0

    @model_validator(mode="after")
    def _writable(self) -> SceneInfo:
        if self.format == "flac" and self.subtype not in ("PCM_16", "PCM_24"):
            raise ValueError(f"subtype = '{self.subtype}' does not fit in FLAC: use PCM_16, PCM_24 or another format")
        return self


class BallInfo(_Part):
    """``[ball]``: as in rig.toml; the mass follows from diameter and material when left out."""

    diameter_mm: _Positive = 12.7
    mass_g: _Positive | None = None
    material: _Text = "steel"


class Surface(_Part):
    """``[[surface]]``: a material or pad of one's own (or a changed one), for balls to land on."""

    name: _Text
    young_mpa: _Positive
    poisson: Annotated[float, Field(ge=0, lt=0.5)] = 0.3
    density_kgm3: _Positive = 1000.0
    loss_factor: Annotated[float, Field(gt=0, le=1)] = 0.05
    restitution: Annotated[float, Field(ge=0, lt=1)] = 0.5


class Microphone(_Part):
    """``[[microphone]]``: as in rig.toml, with what its channel does to the sound."""

    channel: Annotated[int, Field(ge=0)] = 0
    kind: Literal["air", "contact"] = "air"
    position_mm: _Position
    station: _Text | None = None
    full_scale_pa: _Positive = 40.0
    """Pressure in Pa that reads 1.0 before ``gain_db``; for a contact pickup a nominal figure."""
    gain_db: _Number = 0.0
    structure_db: _Number | None = None
    """Level of an extra structure-borne path of an air microphone, dB re the airborne sound at 0.3 m."""


class PlateInfo(_Part):
    """``plate`` of a station: the sheet that rings."""

    material: _Text = "steel"
    length_mm: Annotated[float, Field(ge=10, le=3000)] = 240.0
    width_mm: Annotated[float, Field(ge=10, le=3000)] = 160.0
    thickness_mm: Annotated[float, Field(ge=0.1, le=100)] = 2.0
    loss_factor: Annotated[float, Field(gt=0, le=1)] = 0.02


class Station(_Part):
    """``[[station]]``: as in rig.toml, with what happens to a ball there."""

    name: _Text
    position_mm: _Position
    next: _Text | None = None
    transit_s: _Range | None = None
    target: bool = False
    surface: _Text = "steel"
    plate: PlateInfo = PlateInfo()
    drop_height_mm: _Positive = 50.0
    restitution: Annotated[float, Field(ge=0, lt=1)] | None = None
    restitution_scatter: _Share = 0.04
    """Relative standard deviation of the restitution from contact to contact (skewed towards low)."""
    rebounds: Annotated[int, Field(ge=0, le=500)] = 4
    """At most so many, then the ball has rolled on."""
    rebound_speed_mps: _Positive = 0.10
    """Slower contacts are rolling, not rebounds."""
    speed_scatter: _Share = 0.01
    level_scatter_db: _NotNegative = 0.5
    spot_mm: _NotNegative = 6.0
    """Standard deviation of where the ball strikes the plate."""
    gain_db: _Number = 0.0
    fifo: bool = True
    """Balls cannot overtake on the way to the next station."""


class Feed(_Part):
    """``[feed]``: as in rig.toml, with how steady the pace is."""

    station: _Text | None = None
    period_s: _Positive = 2.0
    balls: Annotated[int, Field(ge=0)] = 10
    first_s: _NotNegative = 1.0
    pace: Literal["steady", "drifting", "cranked", "random"] = "steady"
    """``cranked``: speed wanders by up to ``swing`` within seconds; ``drifting``: by a third of it within minutes;
    ``random``: Poisson arrivals at the mean pace."""
    jitter: _Share = 0.02
    """Standard deviation of each ball's own time, as a share of the period."""
    swing: Annotated[float, Field(ge=0, lt=0.9)] = 0.3
    empty: _Share = 0.0
    """Share of slots of the lift that carry no ball."""


class Room(_Part):
    """``[room]``: reverberation as an exponentially decaying noise tail; ``t60_s = 0`` is a free field."""

    t60_s: Annotated[float, Field(ge=0, le=4)] = 0.0
    critical_mm: _Positive = 1200.0
    """Distance where the tail carries as much energy as the direct sound."""


class Background(_Part):
    """``[background]``: levels are RMS in dB re full scale before the channel's gain; left out = silent."""

    noise_db: _Number | None = None
    noise_slope_db: Annotated[float, Field(ge=-9, le=0)] = -3.0
    """Slope per octave: 0 white, -3 pink, -6 like a room."""
    hiss_db: _Number | None = None
    motor_db: _Number | None = None
    motor_hz: _Positive = 50.0
    gear_db: _Number | None = None
    gear_hz: _Positive = 840.0
    chain_db: _Number | None = None
    chain_period_s: _Positive = 0.14
    speech_db: _Number | None = None
    """Level of speech-like bursts while they sound."""
    speech_every_s: _Positive = 8.0


class Recorder(_Part):
    """``[recorder]``: what the recorder does wrong; left out = a good one."""

    clip_at: Annotated[float, Field(gt=0, le=1)] = 1.0
    agc_threshold_db: _Number | None = None
    """Gain riding: peaks above this pull the gain down."""
    agc_ratio: Annotated[float, Field(ge=1)] = 4.0
    agc_attack_s: _Positive = 0.002
    agc_release_s: _Positive = 0.5
    dropouts_per_min: _NotNegative = 0.0
    dropout_s: _Positive = 0.01
    dropout_kind: Literal["zero", "repeat"] = "zero"
    dc: Annotated[float, Field(ge=-1, le=1)] = 0.0
    dead_channels: tuple[int, ...] = ()
    inverted_channels: tuple[int, ...] = ()
    clock_ppm: Annotated[float, Field(ge=-10000, le=10000)] = 0.0
    """The recorder's clock runs fast by so much: events lie later in the file."""


class Treatment(_Part):
    """``[[treatment]]``: what was done to one station."""

    name: _Text
    station: _Text | None = None
    surface: _Text | None = None
    restitution: Annotated[float, Field(ge=0, lt=1)] | None = None
    restitution_scatter: _Share | None = None
    added_loss: _NotNegative = 0.0
    gain_db: _Number = 0.0
    held_up: _Share | None = None
    """Share of balls it holds up (see ``[faults]``)."""


class FaultRates(_Part):
    """``[faults]``: share of balls that meet a fault, drawn anew at every link."""

    held_up: _Share = 0.0
    held_up_s: _Range = (1.0, 4.0)
    stuck: _Share = 0.0
    kicked_off: _Share = 0.0
    unheard: _Share = 0.0
    strays_per_hour: _NotNegative = 0.0


class Fault(_Part):
    """``[[run.fault]]``: one fault, placed exactly. ``ball`` counts from 0; a stray needs ``time_s`` instead."""

    kind: Literal["held_up", "stuck", "kicked_off", "unheard", "stray"]
    ball: Annotated[int, Field(ge=0)] | None = None
    station: _Text | None = None
    """Where the ball comes late, never comes, or passes unheard."""
    delay_s: _NotNegative = 2.0
    time_s: _NotNegative | None = None
    level_db: _Number = 0.0
    """Of a stray, re an ordinary one."""


class Session(_Part):
    """``[[session]]``: one setting-up of the recorder."""

    name: _Text
    gain_db: _Number = 0.0
    recorded: str = ""


class Run(_Part):
    """``[[run]]``: one row of runs.csv; with ``repeat``, ``{n}`` in names counts 1, 2, ..."""

    run: _Text
    repeat: Annotated[int, Field(ge=1, le=1000)] = 1
    revision: str = ""
    treatment: str = ""
    drop_height_mm: _Positive | None = None
    station: str = ""
    """Given: only this station sounds, and the balls fall only there."""
    session: str = ""
    recorded: str = ""
    role: Literal["test", "background", "reference", "taps"] = "test"
    notes: str = ""
    seconds: Annotated[float, Field(gt=0, le=1e6)] | None = None
    balls: Annotated[int, Field(ge=0)] | None = None
    replaced_mm: _NotNegative = 0.0
    """Standard deviation of each microphone coordinate, new for every run."""
    replaced_db: _NotNegative = 0.0
    feed: dict[str, Any] = {}
    background: dict[str, Any] = {}
    recorder: dict[str, Any] = {}
    faults: dict[str, Any] = {}
    columns: dict[str, str | int | float] = {}
    fault: tuple[Fault, ...] = ()


class Scene(_Part):
    """The whole scene file."""

    scene: SceneInfo
    rig: dict[str, Any] = {}
    ball: BallInfo = BallInfo()
    surface: tuple[Surface, ...] = ()
    microphone: Annotated[tuple[Microphone, ...], Field(min_length=1)]
    station: Annotated[tuple[Station, ...], Field(min_length=1)]
    treatment: tuple[Treatment, ...] = ()
    feed: Feed = Feed()
    room: Room = Room()
    background: Background = Background()
    recorder: Recorder = Recorder()
    faults: FaultRates = FaultRates()
    crosstalk_db: Annotated[float, Field(le=0)] | None = None
    """Given: another station's sound arrives at a station's own microphone exactly so far below its own."""
    session: tuple[Session, ...] = ()
    calibration: dict[str, Any] = {}
    revisions: dict[str, Any] = {}
    requirement: tuple[dict[str, Any], ...] = ()
    run: Annotated[tuple[Run, ...], Field(min_length=1)]

    @property
    def channels(self) -> int:
        return len(self.microphone)

    @property
    def materials(self) -> dict[str, Material]:
        """Materials by name: the built-in ones, overlaid with the scene's surfaces."""
        own = {
            s.name: Material(s.young_mpa * 1e6, s.poisson, s.density_kgm3, s.loss_factor, s.restitution)
            for s in self.surface
        }
        return {**MATERIALS, **own}

    @property
    def solid_ball(self) -> Ball:
        material = self.materials[self.ball.material]
        if self.ball.mass_g is None:
            return Ball.solid(self.ball.diameter_mm / 1e3, material)
        return Ball(self.ball.diameter_mm / 1e3, self.ball.mass_g / 1e3, material)

    def plate(self, station: Station, *, added_loss: float = 0.0) -> Plate:
        """Return the plate of a station in SI units."""
        p = station.plate
        return Plate(
            self.materials[p.material],
            p.length_mm / 1e3,
            p.width_mm / 1e3,
            p.thickness_mm / 1e3,
            min(p.loss_factor + added_loss, 1.0),
        )

    def runs(self) -> tuple[Run, ...]:
        """Return every run with ``repeat`` spelled out and the session's date filled in."""
        dates = {s.name: s.recorded for s in self.session}
        out = []
        for run in self.run:
            for n in range(1, run.repeat + 1):
                texts = {k: getattr(run, k).replace("{n}", str(n)) for k in ("run", "session", "recorded", "notes")}
                texts["recorded"] = texts["recorded"] or dates.get(texts["session"], "")
                out.append(run.model_copy(update={**texts, "repeat": 1}))
        return tuple(out)

    def part(self, name: Literal["feed", "background", "recorder", "faults"], run: Run) -> Any:
        """Return a section with the run's own keys laid over it."""
        base: BaseModel = getattr(self, name)
        return type(base).model_validate({**base.model_dump(), **getattr(run, name)})

    @model_validator(mode="after")
    def _consistent(self) -> Scene:
        stations = [s.name for s in self.station]
        materials = list(self.materials)
        treatments = [t.name for t in self.treatment]
        runs = self.runs()
        _once("station", stations)
        _once("treatment", treatments)
        _once("run", [r.run for r in runs])
        if sorted(m.channel for m in self.microphone) != list(range(len(self.microphone))):
            raise ValueError("[[microphone]] channels must be 0, 1, 2, ... each once")
        for s in self.station:
            _known(f"[[station]] '{s.name}': next", s.next, stations)
            _known(f"[[station]] '{s.name}': surface", s.surface, materials)
            _known(f"[[station]] '{s.name}': plate.material", s.plate.material, materials)
            if s.next is not None and (s.transit_s is None or s.transit_s[0] > s.transit_s[1]):
                raise ValueError(f"[[station]] '{s.name}': transit_s = [shortest, longest] must be given with next")
        _known("[ball]: material", self.ball.material, materials)
        _known("[feed]: station", self.feed.station, stations)
        for m in self.microphone:
            _known(f"[[microphone]] channel {m.channel}: station", m.station, stations)
        for t in self.treatment:
            _known(f"[[treatment]] '{t.name}': surface", t.surface, materials)
            _known(f"[[treatment]] '{t.name}': station", t.station, stations)
        sessions = [s.name for s in self.session]
        for r in runs:
            where = f"[[run]] '{r.run}'"
            _known(f"{where}: station", r.station or None, stations)
            if treatments:
                _known(f"{where}: treatment", r.treatment or None, treatments)
            if sessions:
                _known(f"{where}: session", r.session or None, sessions)
            self._check_run(r, where, stations)
        follow = {s.name: s.next for s in self.station}
        for name in stations:
            seen, at = {name}, follow[name]
            while at is not None:
                if at in seen:
                    raise ValueError(f"[[station]] '{name}': next goes round in a circle")
                seen.add(at)
                at = follow[at]
        reach = max(abs(v) for m in self.microphone for v in m.position_mm)
        if 0 < reach < 10:
            raise ValueError(f"[[microphone]]: every position_mm is under {reach:g} mm: were they given in metres?")
        return self

    def _check_run(self, run: Run, where: str, stations: list[str]) -> None:
        if any(c in run.run for c in '/\\:*?"<>|') or run.run.startswith("."):
            raise ValueError(
                f'{where}: run names a file and may not hold any of / \\ : * ? " < > | or begin with a dot'
            )
        for name in ("feed", "background", "recorder", "faults"):
            known = type(getattr(self, name)).model_fields
            for key in getattr(run, name):
                if key not in known:
                    raise ValueError(f"{where}: {name} has the unknown key '{key}'{nearest(key, known)}")
            try:
                self.part(name, run)
            except ValidationError as error:
                first = error.errors()[0]
                raise ValueError(f"{where}: {name}.{'.'.join(map(str, first['loc']))}: {first['msg']}") from error
        recorder: Recorder = self.part("recorder", run)
        for channel in (*recorder.dead_channels, *recorder.inverted_channels):
            if not 0 <= channel < self.channels:
                raise ValueError(f"{where}: recorder names channel {channel}, there are 0 to {self.channels - 1}")
        for fault in run.fault:
            _known(f"{where}: fault station", fault.station, stations)
            if fault.kind == "stray" and fault.time_s is None:
                raise ValueError(f"{where}: a stray needs time_s")
            if fault.kind != "stray" and (fault.ball is None or fault.station is None):
                raise ValueError(f"{where}: a '{fault.kind}' fault needs ball and station")


def _once(what: str, names: list[str]) -> None:
    for i, name in enumerate(names):
        if name in names[:i]:
            raise ValueError(f"[[{what}]] '{name}' is there twice")


def _known(where: str, value: str | None, known: list[str]) -> None:
    if value is not None and value not in known:
        raise ValueError(f"{where} = '{value}' is not known{nearest(value, known)}")
