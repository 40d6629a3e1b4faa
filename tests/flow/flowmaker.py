"""Runs of a ball clock at table level: true histories of every ball and the placed impacts a listener would have.

Written apart from the ledger and from the package's simulator, so that the ledger is not judged by its own model:
transits are beta distributed, delays uniform, misses and clutter drawn per impact, one impact may hide another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.route import Route

STATIONS = ("lift", "landing", "bend", "tray")
WINDOWS = ((0.8, 1.2), (1.5, 2.1), (0.5, 0.8))


DEGRADED = {"miss": 0.05, "clutter_per_hour": 60.0, "log_odds": (1.7, 1.0), "misplaced": 0.02, "unplaced": 0.03}


@dataclass
class Truth:
    kind: str
    time_s: float
    station: str
    ball: int
    hopeless: bool = False
    """Missed at the last station: nothing tells it from a stuck ball."""


@dataclass
class Run:
    impacts: Impacts
    route: Route
    truth: list[Truth]
    seconds: float
    fed: int
    arrived: int
    stuck: int
    balls: list[dict[str, float]] = field(default_factory=list)
    one_microphone: bool = True


def heard(rows: list[tuple[float, str, float, float]], drop: list[int], rebound: list[int]) -> Impacts:
    """Return impacts of (time, station, level, confidence), beyond doubt and 12 dB above the background."""
    time_s, station, level_db, confidence = zip(*rows, strict=True)
    return Impacts.of(
        len(rows),
        time_s=time_s,
        station=station,
        lae_db=level_db,
        station_confidence=confidence,
        drop=drop,
        rebound=rebound,
        odds=np.full(len(rows), 1e5),
        margin_db=np.full(len(rows), 12.0),
    )


def pace(kind: str, period: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    slots = int(seconds / period * 1.6)
    place = np.arange(slots)
    if kind == "none":
        times = np.cumsum(rng.exponential(period, slots))
    else:
        swing, reach = {"cranked": (0.3, 8.0), "drifting": (0.03, 120.0)}.get(kind, (0.0, 1.0))
        phases = rng.uniform(0, 2 * math.pi, 3)
        wave = np.zeros(slots)
        for scale, phase in zip((1, 1.7, 2.9), phases, strict=True):
            wave += np.sin(2 * math.pi * place * period / (reach * scale) / 2.5 + phase)
        times = 1.0 + np.cumsum(period * (1 + swing * wave / 3)) + rng.normal(0, 0.02 * period, slots)
        if kind == "empty":
            times = times[rng.random(slots) > 0.1]
    return np.sort(times[times < seconds])


def make_run(
    seed: int,
    *,
    seconds: float = 3600.0,
    kind: str = "steady",
    period: float = 2.0,
    stations: tuple[str, ...] = STATIONS,
    windows: tuple[tuple[float, float], ...] = WINDOWS,
    one_microphone: bool = True,
    miss: float = 1e-3,
    clutter_per_hour: float = 4.0,
    misplaced: float = 0.005,
    unplaced: float = 0.005,
    stuck: float = 0.002,
    kicked: float = 0.0005,
    held_up: float = 0.004,
    unheard: float = 0.0025,
    strays_per_hour: float = 2.0,
    log_odds: tuple[float, float] = (7.0, 1.0),
    rebounds: float = 0.0,
    start_s: float = 0.0,
    learnt: bool = False,
    hide_s: float = 0.006,
) -> Run:
    """Shares of faults are per ball, spread evenly over the links. Times start at 0 after ``start_s`` is cut off."""
    rng = np.random.default_rng(seed)
    fed = pace(kind, period, seconds + start_s, rng)
    links = len(stations) - 1
    truth: list[Truth] = []
    rows: list[tuple[float, int, float, int]] = []  # time, station, log10 odds, ball (-1 stray, -2 chance, -3 rebound)
    fates: list[str] = []
    before = [-math.inf] * len(stations)
    stray_times = list(rng.uniform(5, seconds + start_s - 5, rng.poisson(strays_per_hour * (seconds + start_s) / 3600)))
    balls: list[dict[str, float]] = []
    for number, t in enumerate(fed):
        history = {stations[0]: t}
        fate, when = "arrived", t
        for link in range(links):
            low, high = windows[link]
            draw = rng.random(3)
            if draw[0] < (stuck + kicked) / links:
                fate = "stuck" if draw[0] < stuck / links else "kicked"
                break
            came = when + low + (high - low) * rng.beta(4, 4)
            if draw[1] < held_up / links:
                came += rng.uniform(1.0, 4.0)
            came = max(came, before[link + 1] + 0.03)
            before[link + 1] = came
            if came - when > high + 1e-9 and came < seconds + start_s:
                truth.append(Truth("held_up", came, stations[link + 1], number))
            history[stations[link + 1]] = when = came
        balls.append(history)
        for place, came in enumerate(history.values()):
            if rng.random() < unheard / max(links, 1) * (0 < place < links) or rng.random() < miss:
                continue
            rows.append((came, place, max(rng.normal(*log_odds), 0.02), number))
            if rng.random() < rebounds:
                rows.append((came + rng.uniform(0.05, 0.25), place, max(rng.normal(*log_odds) - 1, 0.02), -3))
        fates.append(fate)
        if fate == "kicked":
            stray_times.append(when + 0.25 + 0.5 * rng.random())
    for t in stray_times:
        where = -1 if rng.random() < 0.7 else int(rng.integers(len(stations)))
        rows.append((t, where, max(rng.normal(*log_odds), 0.02), -1))
    for t in rng.uniform(0, seconds + start_s, rng.poisson(clutter_per_hour * (seconds + start_s) / 3600)):
        rows.append((t, -1 if rng.random() < 0.5 else int(rng.integers(len(stations))), abs(rng.normal(0.3, 0.5)), -2))
    rows = sorted((t + rng.normal(0, 0.0005), s, o, n) for t, s, o, n in rows)
    if one_microphone and hide_s:
        kept: list[tuple[float, int, float, int]] = []
        for row in rows:
            if kept and row[0] - kept[-1][0] < hide_s and rng.random() < 0.5:
                continue
            kept.append(row)
        rows = kept
    arrived, lost = _tell(truth, balls, fates, rows, stations, seconds + start_s)
    times = np.array([r[0] for r in rows])
    codes = np.array([r[1] for r in rows], int)
    confidence = np.where(codes < 0, np.nan, 1.0 if not one_microphone else 1 - rng.beta(0.5, 60, len(rows)))
    if one_microphone:
        wrong = (rng.random(len(rows)) < misplaced) & (codes >= 0) & (len(stations) > 1)
        codes[wrong] = (codes[wrong] + rng.integers(1, max(len(stations), 2), wrong.sum())) % len(stations)
        confidence[wrong] = rng.uniform(0.5, 0.98, wrong.sum())
        codes[rng.random(len(rows)) < unplaced] = -1
    # First contacts sound alike, rebounds softer, strays anyhow.
    owner = np.array([r[3] for r in rows], int)
    middle = np.select([owner >= 0, owner == -1, owner == -3], [-30.0, -30.0, -35.0], -40.0)
    level = middle + np.random.default_rng(seed + 1).normal(0.0, np.where((owner >= 0) | (owner == -3), 0.7, 4.0))
    keep = (times >= start_s) & (times < start_s + seconds)
    impacts = Impacts.of(
        int(keep.sum()),
        time_s=times[keep] - start_s,
        station=[stations[c] if c >= 0 else "" for c in codes[keep]],
        station_confidence=confidence[keep],
        lae_db=level[keep],
        odds=10.0 ** np.array([r[2] for r in rows])[keep],
        rebound=0,
    )
    for t in truth:
        t.time_s -= start_s
    truth = [t for t in truth if 0 <= t.time_s < seconds]
    balls = [{n: t - start_s for n, t in b.items()} for b in balls]
    route = Route(stations, (None,) * links if learnt else windows)
    return Run(impacts, route, truth, seconds, len(fed), arrived, lost, balls, one_microphone)


def _tell(truth, balls, fates, rows, stations, end_s):
    """Add what was stuck, stray and unheard, now that it is known which impacts were heard."""
    heard = {(n, s) for _, s, _, n in rows if n >= 0}
    # A ball that came late without being heard is unheard, not heard late.
    truth[:] = [t for t in truth if t.kind != "held_up" or (t.ball, stations.index(t.station)) in heard]
    arrived = lost = 0
    for number, (history, fate) in enumerate(zip(balls, fates, strict=True)):
        done = [n for n in history if history[n] < end_s]
        got = [n for n in done if (number, stations.index(n)) in heard]
        for name in done:
            if name not in got:
                later = [n for n in done[done.index(name) + 1 :] if n in got]
                # Later stations must hear a ball for it to count as unheard; a stuck one is lost before.
                if later or fate == "arrived":
                    truth.append(Truth("unheard", history[name], name, number, hopeless=not later))
        if fate != "arrived":
            lost += 1
            if got:
                truth.append(Truth("stuck", history[got[-1]], got[-1], number))
        elif len(done) == len(stations):
            arrived += 1
    truth += [Truth("stray", t, "", -1) for t, _, _, n in rows if n == -1]
    return arrived, lost


def settled_truth(run: Run, margin_s: float = 8.0) -> list[Truth]:
    """Return the truth that can be settled: not within the last seconds, where balls may still be under way."""
    return [t for t in run.truth if t.time_s < run.seconds - margin_s and not t.hopeless]


@dataclass
class Score:
    found: dict[str, int] = field(default_factory=dict)
    missed: dict[str, list[Truth]] = field(default_factory=dict)
    false: dict[str, list[Finding]] = field(default_factory=dict)
    excused: int = 0
    """Claimed stuck, in truth missed at the last station."""
    swapped: int = 0
    """Held up or unheard in truth, called stuck."""


def score(run: Run, ledger: Ledger, tolerance_s: float = 1.0) -> Score:
    out = Score()
    hopeless = [t for t in run.truth if t.hopeless]
    for kind in ("stuck", "stray", "held_up", "unheard"):
        said = [f for f in ledger.findings if f.kind == kind]
        true = [t for t in run.truth if t.kind == kind and not t.hopeless]
        free = list(said)
        found, missed = 0, []
        for t in true:
            near = [f for f in free if abs(f.time_s - t.time_s) <= tolerance_s and t.station in ("", f.station)]
            if near:
                best = min(near, key=lambda f: abs(f.time_s - t.time_s))
                free.remove(best)
                found += t.time_s < run.seconds - 8.0
            elif t.time_s < run.seconds - 8.0:
                missed.append(t)
        if kind == "stuck":
            for t in hopeless:
                ball = run.balls[t.ball]
                near = [f for f in free if any(abs(f.time_s - v) <= tolerance_s for v in ball.values())]
                if near:
                    free.remove(near[0])
                    out.excused += 1
            for t in run.truth:
                if t.kind in ("held_up", "unheard") and not t.hopeless:
                    ball = run.balls[t.ball]
                    out.swapped += any(abs(f.time_s - v) < 0.01 for f in free for v in ball.values())
        out.found[kind], out.missed[kind], out.false[kind] = found, missed, free
    return out


def coincidence(run: Run, truth: Truth) -> bool:
    """Whether timing alone cannot tell this event from an ordinary passage, rebound or hidden impact."""
    strays = [t.time_s for t in run.truth if t.kind == "stray"]
    lost = [t for t in run.truth if t.kind in ("stuck", "unheard")]
    windows = dict(zip(run.route.stations, [w or (0.5, 2.1) for w in run.route.transit_s], strict=False))

    def hides(stray: float, gone: Truth) -> bool:
        low, high = windows.get(gone.station, (0.0, 0.0))
        if gone.kind == "unheard":
            return abs(stray - gone.time_s) < 1.5
        return low - 0.2 < stray - gone.time_s < high + 0.2

    if truth.kind == "stray":
        at_place = (run.impacts["time_s"] > truth.time_s - 1.0) & (run.impacts["time_s"] < truth.time_s + 1.0)
        near = run.impacts.where(at_place)
        own = [s for t, s in zip(near["time_s"], near["station"], strict=True) if abs(t - truth.time_s) < 1e-6]
        twice = bool(own) and own[0] != "" and sum(s == own[0] for s in near["station"]) > 1
        return twice or any(hides(truth.time_s, g) for g in lost)
    if truth.kind == "stuck" and truth.station == run.route.stations[-2] and run.one_microphone:
        # Another impact just when this one was due at the last station may have hidden it.
        low, high = windows[truth.station]
        due = truth.time_s + (low + high) / 2
        if np.any(np.abs(run.impacts["time_s"] - due) < 0.13):
            return True
    return any(hides(s, truth) for s in strays)
