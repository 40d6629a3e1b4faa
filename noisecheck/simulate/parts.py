"""The parts of a scene file: one class for each of its tables, with the checks that need no other."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = [
    "Background",
    "BallInfo",
    "Fault",
    "FaultRates",
    "Feed",
    "Microphone",
    "Part",
    "PlateInfo",
    "Recorder",
    "Room",
    "Run",
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


class Part(BaseModel):
    """A part of a scene file: keys not listed are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SceneInfo(Part):
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


class BallInfo(Part):
    """``[ball]``: as in rig.toml; the mass follows from diameter and material when left out."""

    diameter_mm: _Positive = 12.7
    mass_g: _Positive | None = None
    material: _Text = "steel"


class Surface(Part):
    """``[[surface]]``: a material or pad of one's own (or a changed one), for balls to land on."""

    name: _Text
    young_mpa: _Positive
    poisson: Annotated[float, Field(ge=0, lt=0.5)] = 0.3
    density_kgm3: _Positive = 1000.0
    loss_factor: Annotated[float, Field(gt=0, le=1)] = 0.05
    restitution: Annotated[float, Field(ge=0, lt=1)] = 0.5


class Microphone(Part):
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


class PlateInfo(Part):
    """``plate`` of a station: the sheet that rings."""

    material: _Text = "steel"
    length_mm: Annotated[float, Field(ge=10, le=3000)] = 240.0
    width_mm: Annotated[float, Field(ge=10, le=3000)] = 160.0
    thickness_mm: Annotated[float, Field(ge=0.1, le=100)] = 2.0
    loss_factor: Annotated[float, Field(gt=0, le=1)] = 0.02


class Station(Part):
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


class Feed(Part):
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


class Room(Part):
    """``[room]``: reverberation as an exponentially decaying noise tail; ``t60_s = 0`` is a free field."""

    t60_s: Annotated[float, Field(ge=0, le=4)] = 0.0
    critical_mm: _Positive = 1200.0
    """Distance where the tail carries as much energy as the direct sound."""


class Background(Part):
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


class Recorder(Part):
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


class Treatment(Part):
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


class FaultRates(Part):
    """``[faults]``: share of balls that meet a fault, drawn anew at every link."""

    held_up: _Share = 0.0
    held_up_s: _Range = (1.0, 4.0)
    stuck: _Share = 0.0
    kicked_off: _Share = 0.0
    unheard: _Share = 0.0
    strays_per_hour: _NotNegative = 0.0
    stray_position_mm: _Position = (250.0, -300.0, -350.0)
    """Where strays strike a wooden floor."""


class Fault(Part):
    """``[[run.fault]]``: one fault, placed exactly. ``ball`` counts from 0; a stray needs ``time_s`` instead."""

    kind: Literal["held_up", "stuck", "kicked_off", "unheard", "stray"]
    ball: Annotated[int, Field(ge=0)] | None = None
    station: _Text | None = None
    """Where the ball comes late, never comes, or passes unheard."""
    delay_s: _NotNegative = 2.0
    time_s: _NotNegative | None = None
    level_db: _Number = 0.0
    """Of a stray, re an ordinary one."""


class Session(Part):
    """``[[session]]``: one setting-up of the recorder."""

    name: _Text
    gain_db: _Number = 0.0
    recorded: str = ""


class Run(Part):
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
