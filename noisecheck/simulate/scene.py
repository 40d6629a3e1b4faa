"""The scene file: one TOML file describes a machine, its room, its recorder and a whole campaign of runs.

Words are those of ``rig.toml`` (``[ball]``, ``[[microphone]]``, ``[[station]]``, ``[feed]``, ``[revisions]``,
``[[requirement]]``), with what only a simulation must know beside them. ``[[run]]`` entries are the campaign.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, ValidationError, model_validator

from noisecheck.core.errors import nearest
from noisecheck.simulate.contact import MATERIALS, Ball, Material
from noisecheck.simulate.parts import (
    Background,
    BallInfo,
    FaultRates,
    Feed,
    Microphone,
    Part,
    Recorder,
    Room,
    Run,
    SceneInfo,
    Session,
    Station,
    Surface,
    Treatment,
)
from noisecheck.simulate.ringing import Plate

__all__ = ["Scene"]


class Scene(Part):
    """The whole scene file."""

    scene: SceneInfo
    rig: dict[str, Any] = Field(default_factory=dict)
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
    calibration: dict[str, Any] = Field(default_factory=dict)
    revisions: dict[str, Any] = Field(default_factory=dict)
    requirement: tuple[dict[str, Any], ...] = ()
    run: Annotated[tuple[Run, ...], Field(min_length=1)]

    @property
    def channels(self) -> int:
        """Channels of every recording: one a microphone."""
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
        """The ball as stated; its mass follows from its material where none is."""
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
