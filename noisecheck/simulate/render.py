"""Contacts to sound at each microphone: contact pulse, ball, plate, air, room, and the mix with the background.

Each impact is made in the frequency domain: a fixed transfer function a station and microphone (per newton of
contact force) times the spectrum of its own contact pulse, with the sub-sample time as a phase. Its levels are read
off the same spectrum, so the truth is exact.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from noisecheck.core.records import record
from noisecheck.core.units import power_db, sound_speed_mps, to_frames
from noisecheck.simulate.backdrop import Backdrop, Carry
from noisecheck.simulate.contact import contact_time_s, effective_modulus_pa, impulse_ns, pulse_spectrum
from noisecheck.simulate.faults import RecorderFaults
from noisecheck.simulate.flow import STRAY, Contact, first_station, plan_flow
from noisecheck.simulate.parts import Background, FaultRates, Microphone, PlateInfo, Recorder, Run, Station, Treatment
from noisecheck.simulate.ringing import (
    modal_transfer,
    mode_spacing_hz,
    plate_modes,
    radiated_weights,
    ring_time_s,
    sphere_transfer,
)
from noisecheck.simulate.scene import Scene
from noisecheck.simulate.truth import (
    RunTruth,
    TrueImpact,
    a_weighting_power,
    band_exposures,
    exposure,
    true_peak,
)

__all__ = ["RunRenderer", "Samples32", "Waveform", "impact_waveform", "render_run", "run_seconds"]

Samples32 = NDArray[np.float32]

_TILE_S: Final = 1.0
_SPOTS: Final = 6
_TOP_MODE_HZ: Final = 14000.0
_MOST_MODES: Final = 400
_LONGEST_S: Final = 6.0
_TAIL_DB: Final = 85.0
_EARLY_S: Final = (0.03, 0.06)
"""Bending waves, told by phase alone, also arrive a little before they set out, which turns up at the end."""
_HIGH_PASS_HZ: Final = 20.0
_FRAME_SPEED_MPS: Final = 2500.0  # compressional wave in a light metal frame, order of magnitude from memory
_STRAY_STATION: Final = Station(
    name="stray",
    position_mm=FaultRates().stray_position_mm,
    surface="wood",
    plate=PlateInfo(material="wood", thickness_mm=18.0, length_mm=700.0, width_mm=500.0, loss_factor=0.05),
)


def _seed(*parts: str | int) -> tuple[int, ...]:
    """Return seed words for names and numbers (the same on every machine)."""
    return tuple(p if isinstance(p, int) else zlib.crc32(p.encode()) for p in parts)


@record
class Waveform:
    """One clean impact: samples (frames, channels) from file frame ``start`` on, and its truth."""

    samples: NDArray[np.float64]
    start: int
    truth: TrueImpact


def _recording_filter(freq_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return a minimum-phase band limit (nothing sounds before it arrives) with a 20 Hz high-pass."""
    from scipy.signal import firwin, minimum_phase

    taps = minimum_phase(firwin(95, 0.9, window=("kaiser", 8.0)), n_fft=8192, half=False)
    bins = len(freq_hz)
    low = fft.rfft(taps, 2 * (bins - 1))
    s = 1j * freq_hz / _HIGH_PASS_HZ
    return np.asarray(low * s**2 / (1.0 + math.sqrt(2.0) * s + s**2), np.complex128)


class _Place:
    """Transfer functions from one station to every microphone of one run."""

    def __init__(self, scene: Scene, run: Run, station: Station, treatment: Treatment | None) -> None:
        self.scene, self.station = scene, station
        rate = scene.scene.rate_hz
        self.ball = scene.solid_ball
        self.sound = sound_speed_mps(scene.scene.temperature_c)
        surface = scene.materials[(treatment.surface if treatment else None) or station.surface]
        self.modulus = effective_modulus_pa(self.ball.material, surface)
        plate = scene.plate(station, added_loss=treatment.added_loss if treatment else 0.0)
        self.plate = plate
        top = min(_TOP_MODE_HZ, 0.48 * rate, _MOST_MODES * mode_spacing_hz(plate))
        modes, numbers = plate_modes(plate, top)
        if not len(modes):
            modes, numbers = plate_modes(plate, 1e9)
            modes, numbers = modes[:1], numbers[:1]
        # No mode rings on past the waveform: edges and supports damp the lowest ones anyway.
        loss = np.maximum(plate.loss_factor, 2.2 / (modes * _LONGEST_S * 60.0 / _TAIL_DB))
        longest = max(ring_time_s(f, n) for f, n in zip(modes.tolist(), loss.tolist(), strict=True))
        seconds = max(longest, scene.room.t60_s) * _TAIL_DB / 60.0 + 0.1
        positions = _placed(scene, run)
        here = np.array([*station.position_mm, 0.0][:3])
        reach = [max(float(np.linalg.norm(p - here)) / 1e3, 2.0 * self.ball.radius_m) for p in positions]
        self.frames = fft.next_fast_len(to_frames(seconds + max(reach) / self.sound, rate) + 1024, real=True)
        self.frames += self.frames % 2
        self.freq = fft.rfftfreq(self.frames, 1.0 / rate)
        self.weighting = a_weighting_power(self.freq)

        own = np.random.default_rng(_seed(scene.scene.seed, "plate", station.name))
        spot = np.array([0.37 * plate.length_m, 0.41 * plate.width_m])
        spot = spot + own.normal(0.0, station.spot_mm / 1e3, (_SPOTS, 2))
        shape = np.sin(np.pi * numbers[None, :, 0] * spot[:, :1] / plate.length_m)
        shape = shape * np.sin(np.pi * numbers[None, :, 1] * spot[:, 1:] / plate.width_m)
        weights = radiated_weights(plate, modes, shape, sound_mps=self.sound)

        gains = _channel_gains(scene, run)
        band = _recording_filter(self.freq)
        level = 10 ** (((treatment.gain_db if treatment else 0.0) + station.gain_db) / 20)
        self.transfer = np.empty((_SPOTS, scene.channels, len(self.freq)), np.complex128)
        self.delay = np.empty(scene.channels)
        self.bending = [m.channel for m in scene.microphone if m.kind == "contact"]
        left = np.arange(self.frames, 0, -1)[:, None] / rate
        self.fade = np.clip((left - _EARLY_S[0]) / (_EARLY_S[1] - _EARLY_S[0]), 0.0, 1.0)
        for microphone in scene.microphone:
            c = microphone.channel
            heard = weights * _directions(scene, run, station, c, len(modes))
            ringing = modal_transfer(self.freq, modes, heard, loss_factor=loss)
            self.transfer[:, c] = self._path(run, microphone, ringing, reach[c], float(positions[c][2] - here[2]) / 1e3)
            self.transfer[:, c] *= band * gains[c] * level
        if scene.crosstalk_db is not None:
            self._isolate(scene.crosstalk_db)

    def _path(
        self, run: Run, microphone: Microphone, ringing: NDArray[np.complex128], r: float, height: float
    ) -> NDArray[np.complex128]:
        """Return pressure at a microphone per newton, (spots, bins), and note the first arrival."""
        c, turn = microphone.channel, -2j * np.pi * self.freq
        if microphone.kind == "contact":
            # Bending waves: phase speed (D / rho h)^(1/4) sqrt(w), group speed twice that; spreading in the plane.
            root = (self.plate.stiffness_nm / self.plate.surface_density_kgm2) ** 0.25
            speed = root * np.sqrt(2 * np.pi * np.maximum(self.freq, 1.0))
            front = min(10000.0, 0.4 * self.scene.scene.rate_hz)
            self.delay[c] = r / (2.0 * root * math.sqrt(2 * np.pi * front))
            return np.asarray(ringing / 0.3 * math.sqrt(0.3 / r) * np.exp(turn * r / speed))
        self.delay[c] = (r - self.ball.radius_m) / self.sound
        # The reflecting ground and guides keep a dipole's side from silence: a floor of 0.3 for its cosine.
        cosine = math.hypot(height / r, 0.3)
        stops = sphere_transfer(self.freq, self.ball, distance_m=r, cos_angle=cosine, sound_mps=self.sound)
        direct = ringing / r + stops
        total = direct * np.exp(turn * self.delay[c])
        room = self.scene.room
        if room.t60_s > 0:
            total = total * (1.0 + r * 1e3 / room.critical_mm * self._tail(run, c))
        if microphone.structure_db is not None:
            level = 10 ** (microphone.structure_db / 20) / 0.3
            early = r / _FRAME_SPEED_MPS
            total = total + level * ringing * np.exp(turn * early)
            self.delay[c] = min(self.delay[c], early)
        return np.asarray(total)

    def _tail(self, run: Run, channel: int) -> NDArray[np.complex128]:
        """Return the spectrum of an exponentially decaying noise tail of unit energy that begins 3 ms late."""
        rate, t60 = self.scene.scene.rate_hz, self.scene.room.t60_s
        rng = np.random.default_rng(_seed(self.scene.scene.seed, "tail", self.station.name, channel, *_moved(run)))
        n = min(to_frames(t60 * _TAIL_DB / 60.0, rate), self.frames // 2)
        time = np.arange(n) / rate
        tail = rng.standard_normal(n) * np.exp(-3.0 * math.log(10) * time / t60)
        tail *= np.minimum(time / 0.015, 1.0)  # the field builds up: few echoes at first
        spectrum = fft.rfft(tail / math.sqrt(float(np.sum(tail**2))), self.frames)
        air = 1.0 / (1.0 + 1j * self.freq / 7000.0)
        return np.asarray(spectrum * air * np.exp(-2j * np.pi * self.freq * 0.003))

    def _isolate(self, crosstalk_db: float) -> None:
        own = [m.channel for m in self.scene.microphone if m.station == self.station.name]
        if not own:
            return
        typical = pulse_spectrum(self.freq, contact_time_s(self.ball, self.modulus, 1.0)) ** 2 * self.weighting
        energy = exposure(self.transfer, typical, 1.0).mean(axis=0)
        for m in self.scene.microphone:
            if m.station is not None and m.station != self.station.name:
                self.transfer[:, m.channel] *= math.sqrt(energy[own[0]] / energy[m.channel]) * 10 ** (crosstalk_db / 20)

    def waveform(self, contact: Contact, *, rng: np.random.Generator) -> Waveform:
        """Return one impact; ``rng`` picks where on the plate it strikes."""
        rate = self.scene.scene.rate_hz
        step = float(self.freq[1])
        tc = contact_time_s(self.ball, self.modulus, contact.speed_mps)
        start = math.floor(contact.time_s * rate)
        late = contact.time_s - start / rate
        a, b = rng.integers(0, _SPOTS, 2)
        mix = float(rng.random())
        gain = impulse_ns(self.ball, contact.speed_mps, contact.restitution) * 10 ** (contact.gain_db / 20)
        force = gain * pulse_spectrum(self.freq, tc) * np.exp(-2j * np.pi * self.freq * (late + tc / 2.0))
        spectrum = (mix * self.transfer[a] + (1.0 - mix) * self.transfer[b]) * force
        samples = fft.irfft(spectrum, self.frames, axis=-1).T * rate
        samples[:, self.bending] *= self.fade
        peaks = np.array([true_peak(samples[:, c]) for c in range(samples.shape[1])])
        truth = TrueImpact(
            emitted_s=contact.time_s,
            arrival_s=contact.time_s + self.delay,
            lzpeak_db=power_db(peaks[:, 0] ** 2),
            sample_peak_db=power_db(peaks[:, 1] ** 2),
            lae_db=power_db(exposure(spectrum, self.weighting, step)),
            le_db=power_db(band_exposures(spectrum, self.freq)),
            contact_s=tc,
            contact=contact,
        )
        return Waveform(samples, start, truth)


def _moved(run: Run) -> tuple[str, ...]:
    """Return what seeds a microphone placement: the run's name when it was re-placed, else nothing."""
    return (run.run,) if run.replaced_mm or run.replaced_db else ()


def _placed(scene: Scene, run: Run) -> list[NDArray[np.float64]]:
    """Return each channel's microphone position in mm, (3,), as re-placed for this run, in channel order."""
    rng = np.random.default_rng(_seed(scene.scene.seed, "placement", *_moved(run)))
    by_channel = sorted(scene.microphone, key=lambda m: m.channel)
    return [np.array([*m.position_mm, 0.0][:3]) + rng.normal(0.0, 1.0, 3) * run.replaced_mm for m in by_channel]


def _channel_gains(scene: Scene, run: Run) -> list[float]:
    """Return full scale per pascal of each channel, in channel order."""
    rng = np.random.default_rng(_seed(scene.scene.seed, "gain", *_moved(run)))
    session = {s.name: s.gain_db for s in scene.session}.get(run.session, 0.0)
    by_channel = sorted(scene.microphone, key=lambda m: m.channel)
    return [
        10 ** ((m.gain_db + session + run.replaced_db * float(rng.normal())) / 20) / m.full_scale_pa for m in by_channel
    ]


def _directions(scene: Scene, run: Run, station: Station, channel: int, modes: int) -> NDArray[np.float64]:
    """Return how strongly each mode radiates towards a microphone, (modes,): 3 dB of spread, new in part when moved."""
    base = np.random.default_rng(_seed(scene.scene.seed, "direction", station.name, channel)).normal(0.0, 1.0, modes)
    moved = min(run.replaced_mm / 50.0, 1.0)
    if moved:
        fresh = np.random.default_rng(_seed(scene.scene.seed, "direction", station.name, channel, run.run))
        base = math.sqrt(1.0 - moved**2) * base + moved * fresh.normal(0.0, 1.0, modes)
    signs = np.random.default_rng(_seed(scene.scene.seed, "sign", station.name, channel)).choice([-1.0, 1.0], modes)
    return np.asarray(signs * 10 ** (3.0 * base / 20))


def run_seconds(scene: Scene, run: Run) -> float:
    """Return the length of a run in seconds: as stated, or long enough for the last ball to come through."""
    if run.seconds is not None:
        return run.seconds
    feed = scene.part("feed", run)
    balls = 0 if run.role == "background" else (run.balls if run.balls is not None else feed.balls)
    route = 0.0 if run.station else sum(s.transit_s[1] for s in scene.station if s.transit_s and s.next)
    slack = 1.3 if feed.pace != "steady" or feed.empty else 1.0
    return float(feed.first_s + feed.period_s * balls * slack / max(1.0 - feed.empty, 0.05) + route + 1.0)


class RunRenderer:
    """One run being made: iterate :meth:`blocks` once; :attr:`truth` is complete afterwards."""

    def __init__(self, scene: Scene, run: Run) -> None:
        self.scene, self.run = scene, run
        self.rate = scene.scene.rate_hz
        self.frames = to_frames(run_seconds(scene, run), self.rate)
        self.recorder: Recorder = scene.part("recorder", run)
        seed = _seed(scene.scene.seed, "run", run.run)
        self._seed = seed
        clock = 1.0 + self.recorder.clock_ppm * 1e-6
        flow = plan_flow(scene, run, self.frames / self.rate / clock, np.random.default_rng((*seed, 1)))
        self.flow = flow.in_clock(clock)
        self.truth = RunTruth(run.run, self.rate, self.recorder.clip_at, [], self.flow.balls, self.flow.findings)
        self._places: dict[str, _Place] = {}

    def _place(self, name: str) -> _Place:
        if name not in self._places:
            stations = {s.name: s for s in self.scene.station}
            treatment = {t.name: t for t in self.scene.treatment}.get(self.run.treatment)
            if treatment and (treatment.station or first_station(self.scene, self.run)) != name:
                treatment = None
            station = stations[name] if name != STRAY else self._stray_place()
            self._places[name] = _Place(self.scene, self.run, station, treatment)
        return self._places[name]

    def _stray_place(self) -> Station:
        rates: FaultRates = self.scene.part("faults", self.run)
        return _STRAY_STATION.model_copy(update={"position_mm": rates.stray_position_mm})

    def waveforms(self) -> Iterator[Waveform]:
        """Yield each impact alone, in order of time (without background and faults)."""
        for number, contact in enumerate(self.flow.contacts):
            rng = np.random.default_rng((*self._seed, 2, number))
            yield self._place(contact.station).waveform(contact, rng=rng)

    def blocks(self) -> Iterator[Samples32]:
        """Yield the recording in pieces of one second, (frames, channels) float32, full scale 1.0."""
        scene, channels = self.scene, self.scene.channels
        settings: Background = scene.part("background", self.run)
        backdrop = Backdrop(settings, rate=self.rate, channels=channels, seed=(*self._seed, 3))
        gain = np.array([g * m for g, m in zip(_channel_gains(scene, self.run), _full_scales(scene), strict=True)])
        faults = RecorderFaults(self.recorder, rate=self.rate, seed=(*self._seed, 4))
        carry, coming = Carry(channels), self.waveforms()
        waiting = next(coming, None)
        tile = to_frames(_TILE_S, self.rate)
        for start in range(0, self.frames, tile):
            stop = min(start + tile, self.frames)
            while waiting is not None and waiting.start < stop:
                carry.add(waiting.start, waiting.samples)
                self.truth.impacts.append(waiting.truth)
                waiting = next(coming, None)
            mix = carry.take(stop - start) + backdrop.tile(tile)[: stop - start] * gain
            yield faults.apply(mix).astype(np.float32)


def _full_scales(scene: Scene) -> list[float]:
    return [m.full_scale_pa for m in sorted(scene.microphone, key=lambda m: m.channel)]


def render_run(scene: Scene, run: Run) -> tuple[Samples32, RunTruth]:
    """Return a whole run in memory: samples (frames, channels) float32, full scale 1.0, and its truth."""
    renderer = RunRenderer(scene, run)
    parts = list(renderer.blocks())
    samples = np.concatenate(parts) if parts else np.zeros((0, scene.channels), np.float32)
    return samples, renderer.truth


def impact_waveform(
    scene: Scene,
    run: Run,
    station: str,
    *,
    speed_mps: float,
    restitution: float = 0.5,
    time_s: float = 0.0,
    seed: int = 0,
) -> Waveform:
    """Return one clean impact at a station, with its truth: (frames, channels) from frame ``waveform.start`` on."""
    place = RunRenderer(scene, run)._place(station)
    contact = Contact(time_s, station, 0, 0, 0, speed_mps, restitution)
    return place.waveform(contact, rng=np.random.default_rng((seed, 5)))
