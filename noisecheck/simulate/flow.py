"""Where every ball goes: the feed, the links, the faults, and each contact that follows, before any sound."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from noisecheck.simulate.contact import GRAVITY_MPS2, drop_speed_mps, fall_height_m
from noisecheck.simulate.parts import Fault, FaultRates, Feed, Run, Station, Treatment
from noisecheck.simulate.scene import Scene

__all__ = [
    "STRAY",
    "BallHistory",
    "Contact",
    "Finding",
    "Flow",
    "first_station",
    "plan_flow",
    "rebound_speed",
    "restitution_of",
]

STRAY: Final = ""
"""Station name of an impact no station made."""


@dataclass(frozen=True, slots=True)
class Contact:
    """One collision: when the surfaces meet, who, where, how fast, and what comes back."""

    time_s: float
    station: str
    """Empty for a stray."""
    ball: int
    """-1 for a stray."""
    drop: int
    rebound: int
    speed_mps: float
    restitution: float
    gain_db: float = 0.0

    @property
    def drop_height_m(self) -> float:
        """Height of a free fall that ends at this speed."""
        return fall_height_m(self.speed_mps)


@dataclass(slots=True)
class BallHistory:
    """What became of one ball."""

    ball: int
    fed_s: float
    arrivals_s: dict[str, float] = field(default_factory=dict)
    fate: str = "arrived"
    """``arrived``, ``stuck`` or ``kicked_off``; ``under_way`` when the run ended first."""
    held_up_at: list[str] = field(default_factory=list)
    unheard_at: list[str] = field(default_factory=list)
    last_station: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a perfect ledger would say, in its words: kind, time and station as ``ledger`` reports them."""

    kind: str
    time_s: float
    station: str
    ball: int


@dataclass(frozen=True, slots=True)
class Flow:
    """Everything that happens in a run: contacts in order of time, ball histories, findings."""

    contacts: list[Contact]
    balls: list[BallHistory]
    findings: list[Finding]

    def in_clock(self, clock: float) -> Flow:
        """Return the same in the time of a recorder whose clock runs ``clock`` times as fast as the true one."""
        balls = [
            replace(b, fed_s=b.fed_s * clock, arrivals_s={s: t * clock for s, t in b.arrivals_s.items()})
            for b in self.balls
        ]
        return Flow(
            [replace(c, time_s=c.time_s * clock) for c in self.contacts],
            balls,
            [replace(f, time_s=f.time_s * clock) for f in self.findings],
        )


def rebound_speed(
    speed_mps: float, restitution: float, scatter: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Return (restitution of this contact, speed after it).

    Restitution falls slowly with speed (as ``v^-0.1`` here, a mild form of the viscoelastic fall described in
    cond-mat/0312005) and its scatter is skewed towards low values, not normal (arXiv 1104.0049).
    """
    mean = restitution * max(speed_mps, 0.02) ** -0.1
    loss = (rng.gamma(4.0, 0.5) - 2.0) * scatter
    e = min(max(mean * (1.0 - loss), 0.01), 0.985)
    return e, e * speed_mps


def _pace(feed: Feed, slots: int, rng: np.random.Generator) -> np.ndarray:
    """Return the time of each slot of the lift in seconds."""
    period = feed.period_s
    if feed.pace == "random":
        return np.asarray(feed.first_s + np.cumsum(rng.exponential(period, slots)) - period * 0.5)
    steps = np.full(slots, period)
    if feed.pace != "steady" and slots > 1:
        # A wandering speed: slow for drift (minutes), quick for a hand on a crank (seconds).
        reach = (60.0 if feed.pace == "drifting" else 8.0) / period
        phase = rng.uniform(0.0, 2.0 * math.pi, 3)
        place = np.arange(slots)
        wave = sum(np.sin(2 * math.pi * place / (reach * s) + p) for s, p in zip((1.0, 1.7, 2.9), phase, strict=True))
        steps = period * (1.0 + (0.3 if feed.pace == "drifting" else 1.0) * feed.swing * np.asarray(wave) / 3.0)
    times = feed.first_s + np.concatenate([[0.0], np.cumsum(steps[:-1])])
    return np.asarray(times + rng.normal(0.0, feed.jitter * period, slots))


def _transit(station: Station, rng: np.random.Generator) -> float:
    low, high = station.transit_s or (0.0, 0.0)
    return float(low + (high - low) * rng.beta(4.0, 4.0))


def first_station(scene: Scene, run: Run) -> str:
    """Return where the balls of a run fall first."""
    feed: Feed = scene.part("feed", run)
    return run.station or feed.station or scene.station[0].name


def plan_flow(scene: Scene, run: Run, seconds: float, rng: np.random.Generator) -> Flow:
    """Return all contacts and histories of one run of ``seconds`` length."""
    feed: Feed = scene.part("feed", run)
    rates: FaultRates = scene.part("faults", run)
    stations = {s.name: s for s in scene.station}
    treatment = {t.name: t for t in scene.treatment}.get(run.treatment)
    start = first_station(scene, run)
    route = [start]
    while not run.station and (following := stations[route[-1]].next):
        route.append(following)
    treated = (treatment.station or start) if treatment else ""
    if treatment and treatment.held_up is not None:
        rates = rates.model_copy(update={"held_up": treatment.held_up})

    wanted = 0 if run.role == "background" else (run.balls if run.balls is not None else feed.balls)
    slots = wanted if feed.empty == 0 else int(wanted / max(1.0 - feed.empty, 0.05) * 1.5) + 10
    times = _pace(feed, max(slots, 0), rng) if wanted else np.empty(0)
    if feed.empty:
        times = times[rng.random(len(times)) >= feed.empty][:wanted]
    balls = [BallHistory(i, float(t), last_station="") for i, t in enumerate(np.sort(np.maximum(times, 0.05)))]

    strays: list[tuple[float, float]] = []
    placed: dict[tuple[int, str], Fault] = {}
    for fault in run.fault:
        if fault.kind == "stray" and fault.time_s is not None:
            strays.append((fault.time_s, fault.level_db))
        elif fault.ball is not None and fault.station is not None:
            placed[fault.ball, fault.station] = fault
    strays += [(float(t), 0.0) for t in rng.uniform(0.5, seconds, rng.poisson(rates.strays_per_hour * seconds / 3600))]

    findings: list[Finding] = []
    reached = {b.ball: b.fed_s for b in balls}
    for place, name in enumerate(route):
        before = -math.inf
        origin = stations[route[place - 1]] if place else None
        for ball in balls:
            if ball.ball not in reached:
                continue
            draw = rng.random(4)
            delay = float(rng.uniform(*rates.held_up_s)) if place else 0.0
            usual = reached[ball.ball] + (_transit(origin, rng) if origin else 0.0)
            stated = placed.get((ball.ball, name))
            kind = stated.kind if stated else _drawn_fault(rates, draw, treated == route[max(place - 1, 0)], treatment)
            # What happens on the way needs a link: nothing is drawn for the way to the first station.
            if not place and (kind == "held_up" or (kind in ("stuck", "kicked_off") and not stated)):
                kind = None
            if kind in ("stuck", "kicked_off"):
                ball.fate, when = kind, reached.pop(ball.ball)
                findings.append(Finding("stuck", when, ball.last_station or name, ball.ball))
                if kind == "kicked_off":
                    strays.append((when + 0.25 + 0.5 * float(draw[3]), 0.0))
                continue
            if kind == "held_up":
                usual += stated.delay_s if stated else delay
            # On a track nobody overtakes: those behind a held-up ball come after it, 30 ms apart at least.
            if origin and origin.fifo:
                usual = max(usual, before + 0.03)
            before = max(before, usual)
            reached[ball.ball] = ball.arrivals_s[name] = usual
            ball.last_station = name
            if kind == "unheard":
                ball.unheard_at.append(name)
            if origin and origin.transit_s and usual - ball.arrivals_s[route[place - 1]] > origin.transit_s[1] + 1e-9:
                ball.held_up_at.append(name)

    contacts = _contacts(scene, run, route, balls, treatment if treatment else None, treated, rng)
    for when, level in strays:
        speed = drop_speed_mps(float(rng.uniform(0.3, 0.8)))
        contacts.append(Contact(when, STRAY, -1, -1, 0, speed, 0.3, level))
        findings.append(Finding("stray", when, STRAY, -1))
    for ball in balls:
        findings += [Finding("held_up", ball.arrivals_s[s], s, ball.ball) for s in ball.held_up_at]
        findings += [Finding("unheard", ball.arrivals_s[s], s, ball.ball) for s in ball.unheard_at]
        if ball.fate == "arrived" and max(ball.arrivals_s.values(), default=0.0) > seconds:
            ball.fate = "under_way"
    contacts = sorted((c for c in contacts if 0.0 <= c.time_s < seconds), key=lambda c: (c.time_s, c.ball, c.rebound))
    order: dict[int, int] = {}
    for c in contacts:
        if c.station != STRAY:
            order.setdefault(c.drop, len(order))
    contacts = [replace(c, drop=order.get(c.drop, -1)) for c in contacts]
    findings = sorted((f for f in findings if f.time_s < seconds), key=lambda f: (f.time_s, f.ball))
    return Flow(contacts, balls, findings)


def _drawn_fault(
    rates: FaultRates, draw: np.ndarray, treated: bool, treatment: Treatment | None
) -> Literal["stuck", "kicked_off", "held_up", "unheard"] | None:
    """Return the fault that chance gives a ball at one station, if any."""
    held = rates.held_up
    if treatment and treatment.held_up is not None and not treated:
        held = 0.0
    if draw[0] < rates.stuck:
        return "stuck"
    if draw[0] < rates.stuck + rates.kicked_off:
        return "kicked_off"
    if draw[1] < held:
        return "held_up"
    return "unheard" if draw[2] < rates.unheard else None


def _contacts(
    scene: Scene,
    run: Run,
    route: list[str],
    balls: list[BallHistory],
    treatment: Treatment | None,
    treated: str,
    rng: np.random.Generator,
) -> list[Contact]:
    """Return every contact of every ball, first falls and rebounds."""
    stations = {s.name: s for s in scene.station}
    contacts: list[Contact] = []
    drop = 0
    for ball in balls:
        for name in route:
            if name not in ball.arrivals_s:
                break
            station = stations[name]
            height = station.drop_height_mm / 1e3
            if run.drop_height_mm is not None and name == (treated or route[0]):
                height = run.drop_height_mm / 1e3
            speed = drop_speed_mps(height) * (1.0 + station.speed_scatter * float(rng.normal()))
            restitution, scatter = restitution_of(scene, station, treatment if name == treated else None)
            when = ball.arrivals_s[name]
            for rebound in range(station.rebounds + 1):
                e, after = rebound_speed(speed, restitution, scatter, rng)
                gain = station.level_scatter_db * float(rng.normal())
                if name not in ball.unheard_at:
                    contacts.append(Contact(when, name, ball.ball, drop, rebound, speed, e, gain))
                when += 2.0 * after / GRAVITY_MPS2
                speed = after
                if speed < station.rebound_speed_mps:
                    break
            drop += 1
    return contacts


def restitution_of(scene: Scene, station: Station, treatment: Treatment | None) -> tuple[float, float]:
    """Return (restitution at 1 m/s, its relative scatter) of a station, as treated."""
    surface = (treatment.surface if treatment else None) or station.surface
    value = scene.materials[surface].restitution if station.restitution is None else station.restitution
    scatter = station.restitution_scatter
    if treatment:
        if treatment.surface is not None:
            value = scene.materials[surface].restitution
        value = treatment.restitution if treatment.restitution is not None else value
        scatter = treatment.restitution_scatter if treatment.restitution_scatter is not None else scatter
    return value, scatter
