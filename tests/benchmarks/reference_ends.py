"""Reference drops at the ends of takes, told from sound: ``python tests/benchmarks/reference_ends.py 40 7000``.

Campaigns of 1 to 8 takes through the whole listening, of two makers: a synthesis of its own (modes with a spread from
hit to hit of 0.5 to 3 dB and random signs, as by drops on other spots of a tile, half-sine contacts, a room tail anew
in each take, pink noise, a motor's harmonics) and the project's simulator. The machine has one station or three, and
another treatment in every other take. Kinds of campaign:

- ``both``: drops of one ball on a tile first and last in each take; ``start``: first only; ``some``: in half the takes;
- ``stuck``: both, and a ball that sticks for 6 to 12 s; ``paused``: both, the machine's first and last balls set apart;
- ``none``, ``none, stuck``, ``none, paused``: the same without drops on the tile.

Printed for each: ends whose drops are all found (with nothing of the machine), partly found, and said to be in doubt;
the machine's impacts taken for reference drops, and takes with any. Arguments: campaigns, first seed, maker.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np
from scipy import signal

from noisecheck.audio.recording import ArrayRecording
from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.pipeline.flowing import with_drops
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.pipeline.references import mark_references
from noisecheck.simulate import parse_scene
from noisecheck.simulate.render import render_run

RATE = 48000
KINDS = ("both", "start", "some", "stuck", "paused", "none", "none, stuck", "none, paused")
Floats = np.ndarray
Rng = np.random.Generator


@dataclass
class Take:
    """What was listened to, and what is true of it: times of contacts, and whether each was on the tile."""

    impacts: Impacts
    seconds: float
    times: Floats
    tile: np.ndarray
    first: np.ndarray
    fed: int


@dataclass
class Place:
    """Modes of one place, and the ball's rebounds there."""

    hz: Floats
    t60_s: Floats
    gain: Floats
    contact_s: float
    restitution: float
    height_m: float
    level_db: float
    scatter_db: float
    jitter_db: float


def _place(rng: Rng, *, tile: bool) -> Place:
    low, high = ((600, 3500) if tile else (150, 2500)), (7000, 14000)
    count = int(rng.integers(4, 9))
    hz = np.geomspace(rng.uniform(*low), rng.uniform(*high), count) * np.exp(rng.normal(0, 0.12, count))
    ring = (0.03, 0.2) if tile else (0.05, 0.4)
    return Place(
        hz, rng.uniform(*ring) * (hz / hz[0]) ** -0.4, 10 ** (rng.normal(0, 4, count) / 20),
        float(10 ** rng.uniform(-4.3, -3.5)), float(rng.uniform(0.25, 0.7)), float(rng.uniform(0.03, 0.2)),
        float(rng.uniform(-46, -34)), 0.0, float(rng.uniform(0.2, 0.8)),
    )  # fmt: skip


def _hit(place: Place, level_db: float, tail: Floats, rng: Rng) -> Floats:
    t = np.arange(int(0.7 * RATE)) / RATE
    y = np.zeros(len(t))
    for hz, t60, gain in zip(place.hz, place.t60_s, place.gain, strict=True):
        if hz < 0.45 * RATE:
            size = gain * 10 ** (rng.normal(0, place.scatter_db) / 20) * rng.choice([-1.0, 1.0])
            y += size * np.sin(2 * np.pi * hz * t) * 10 ** (-3 * t / t60)
    width = max(3, int(place.contact_s * RATE))
    pulse = np.sin(np.pi * (np.arange(width) + 0.5) / width)
    y = signal.fftconvolve(signal.fftconvolve(y, pulse)[: len(t)], tail)[: int(1.0 * RATE)]
    hz = np.fft.rfftfreq(len(y), 1 / RATE)
    own = np.fft.rfft(y) * (hz**2 / (hz**2 + 500.0**2))  # about what A weighting leaves
    size = np.sqrt(2 * np.sum(np.abs(own) ** 2) / len(y) / RATE)
    return np.asarray(y * 10 ** (level_db / 20) / size)


class _Sheet:
    """A take being put together: contacts at their times."""

    def __init__(self, rng: Rng, tilt: float) -> None:
        self.rng, self.at, self.tilt = rng, 1.0 + rng.uniform(0, 1.5), tilt
        tail = rng.standard_normal(int(0.5 * RATE)) * 10 ** (-3 * np.arange(int(0.5 * RATE)) / RATE / 0.45)
        tail[: int(0.004 * RATE)] = 0
        self.tail = tail * 10 ** (-14 / 20) / np.sqrt(np.sum(tail**2))
        self.tail[0] = 1.0
        self.parts: list[tuple[float, Floats, bool, bool]] = []

    def ball(self, place: Place, at: float, *, tile: bool, less_db: float = 0.0) -> None:
        v, t, rng = np.sqrt(2 * 9.81 * place.height_m), at, self.rng
        level = place.level_db - less_db + rng.normal(0, place.jitter_db)
        for n in range(4):
            self.parts.append((t, _hit(place, level, self.tail, rng), tile, n == 0))
            e = place.restitution * (1 + rng.normal(0, 0.03))
            v, level = v * e, level + 24 * np.log10(e)
            t += 2 * v / 9.81
            if 2 * v / 9.81 < 0.015:
                break

    def sound(self) -> tuple[Floats, Floats, np.ndarray, np.ndarray]:
        rng = self.rng
        self.parts.sort(key=lambda p: p[0])
        frames = int((self.parts[-1][0] + 2.0 + rng.uniform(0, 1)) * RATE)
        x = np.zeros(frames)
        for t, y, _, _ in self.parts:
            i = round(t * RATE)
            x[i : i + len(y)] += y[: frames - i]
        spectrum, hz = np.fft.rfft(x), np.fft.rfftfreq(frames, 1 / RATE)
        x = np.fft.irfft(spectrum * 10 ** (self.tilt * np.log2(np.maximum(hz, 60) / 1000) / 20), frames)
        pink = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) / np.sqrt(np.maximum(hz, 20)), frames)
        x += pink / pink.std() * 10 ** (rng.uniform(-75, -66) / 20)
        phase = 2 * np.pi * 24.5 * np.arange(frames) / RATE
        motor = sum(np.sin(k * phase + rng.uniform(0, 6)) / k for k in range(2, 20))
        x += motor / np.std(motor) * 10 ** (-70 / 20)
        x *= min(1.0, 0.9 / np.abs(x).max())
        times, tile, first = (np.array([p[k] for p in self.parts]) for k in (0, 2, 3))
        return x, times, tile.astype(bool), first.astype(bool)


def _plan(rng: Rng, kind: str, take: int) -> tuple[int, int, list[int], list[float]]:
    """Return drops at the start and end, and the machine's balls in parts with the pauses between."""
    drops = int(rng.integers(2, 6))
    with_drops = not kind.startswith("none") and (kind != "some" or take % 2 == 0)
    start, end = (drops if with_drops else 0), (drops if with_drops and kind != "start" else 0)
    balls = int(rng.integers(8, 15))
    if kind.endswith("stuck"):
        cut = int(rng.integers(3, balls - 2))
        return start, end, [cut, balls - cut], [float(rng.uniform(6, 12))]
    if kind.endswith("paused"):
        a, b = int(rng.integers(1, 4)), int(rng.integers(1, 4))
        return start, end, [a, balls, b], [float(rng.uniform(3, 10)), float(rng.uniform(3, 10))]
    return start, end, [balls], []


def synthetic(seed: int, kind: str, takes: int) -> list[Take]:
    """A campaign of the benchmark's own synthesis."""
    rng = np.random.default_rng((seed, 1))
    scatter = float(rng.choice([0.5, 1.0, 2.0, 3.0]))
    tile = _place(rng, tile=True)
    stations = [_place(rng, tile=False) for _ in range(int(rng.choice([1, 3])))]
    for place in (tile, *stations):
        place.scatter_db = scatter
    period, pause, apart = float(rng.uniform(1.5, 3.0)), float(rng.uniform(2.5, 10)), float(rng.uniform(1.1, 1.9))
    soft_s, soft_db = float(10 ** rng.uniform(-3.5, -3.0)), float(rng.uniform(3, 12))
    found = []
    for number in range(takes):
        sheet = _Sheet(rng, float(rng.normal(0, 0.4)))
        start, end, parts, pauses = _plan(rng, kind, number)
        soft = number % 2 == 1
        for n, place in enumerate(stations):
            place.contact_s, before = (soft_s, place.contact_s) if soft and n == 0 else (place.contact_s, 0.0)
            if n == 0:
                hard = before or place.contact_s
        for _ in range(start):
            sheet.ball(tile, sheet.at, tile=True)
            sheet.at += apart + rng.uniform(-0.15, 0.3)
        if start:
            sheet.at += pause - apart
        for balls, after in zip(parts, [*pauses, 0.0], strict=True):
            for _ in range(balls):
                at = sheet.at
                for n, place in enumerate(stations):
                    sheet.ball(place, at, tile=False, less_db=soft_db if soft and n == 0 else 0.0)
                    at += (0.95, 0.7, 0.0)[n] + rng.uniform(-0.08, 0.08)
                sheet.at += period + rng.uniform(-0.25, 0.25)
            sheet.at = (at if len(stations) > 1 else sheet.at - period) + after
        if end:
            sheet.at += pause
        for _ in range(end):
            sheet.ball(tile, sheet.at, tile=True)
            sheet.at += apart + rng.uniform(-0.15, 0.3)
        stations[0].contact_s = hard
        x, times, on_tile, first = sheet.sound()
        found.append(_heard(x, times, on_tile, first, sum(parts)))
    return found


def _heard(x: Floats, times: Floats, tile: np.ndarray, first: np.ndarray, fed: int) -> Take:
    recording = ArrayRecording((np.round(x * 32768) / 32768).astype(np.float32)[:, None], RATE)
    impacts = listen(lambda: recording, settings=ListenSettings()).impacts
    return Take(impacts, len(x) / RATE, times, tile, first, fed)


def simulated(seed: int, kind: str, takes: int) -> list[Take]:
    """A campaign of the project's simulator."""
    rng = np.random.default_rng((seed, 2))
    hard = ["steel", "glass", "aluminium", "brass", "acrylic", "wood"]
    spot = float(rng.choice([2.0, 6.0, 15.0, 30.0]))

    def station(name: str, **more: object) -> dict:
        return {
            "name": name, "position_mm": [float(v) for v in rng.uniform(-250, 250, 3)], "target": True,
            "surface": str(rng.choice(hard)), "drop_height_mm": float(rng.uniform(30, 200)),
            "rebounds": int(rng.integers(1, 5)), "level_scatter_db": float(rng.uniform(0.2, 0.8)), "spot_mm": spot,
            "plate": {"material": str(rng.choice(hard)), "thickness_mm": float(rng.uniform(1.5, 10)),
                      "loss_factor": float(10 ** rng.uniform(-2, -0.8)), "length_mm": float(rng.uniform(120, 400)),
                      "width_mm": float(rng.uniform(80, 300))}, **more,
        }  # fmt: skip

    places = [station("landing")]
    if rng.random() < 0.5:
        places = [station("landing", next="bend", transit_s=[0.8, 1.1]), station("bend", next="tray",
                  transit_s=[0.6, 0.8]), station("tray")]  # fmt: skip
    tile = station("tile", gain_db=float(rng.uniform(-4, 6)))
    apart, period, pause = float(rng.uniform(1.2, 2)), float(rng.uniform(1.5, 3)), float(rng.uniform(2.5, 10))
    common: dict = {
        "treatment": [{"name": "bare"}, {"name": "soft", "station": "landing",
                                         "surface": str(rng.choice(["felt", "cork", "rubber"]))}],
    }  # fmt: skip
    found = []
    for number in range(takes):
        start, end, parts, pauses = _plan(rng, kind, number)
        # The microphone is put back by hand for each take, and stays through it.
        common["microphone"] = [{"channel": 0, "position_mm": (np.array([0, 300, 150]) + rng.normal(0, 10, 3)).tolist(),
                                 "gain_db": -20.0 + float(rng.normal(0, 0.3))}]  # fmt: skip
        pieces: list[tuple[Floats, Floats, np.ndarray, bool]] = []

        def rendered(balls: int, on_tile: bool, lead_s: float, number: int = number, pieces: list = pieces) -> None:
            if not balls:
                return
            stations = [tile] if on_tile else places
            more = {"treatment": ("bare", "soft")[number % 2]} if not on_tile else {}
            given = dict(common)
            if on_tile:
                del given["treatment"]
            scene = parse_scene({
                **given, "scene": {"rate_hz": RATE, "seed": seed}, "station": stations,
                "feed": {"period_s": apart if on_tile else period, "balls": balls, "first_s": lead_s, "jitter": 0.05},
                "run": [{"run": f"take{number}p{len(pieces)}", **more}],
            })  # fmt: skip
            x, truth = render_run(scene, scene.runs()[0])
            t = truth.times_s()
            keep = min(len(x), int((t.max() + 0.7) * RATE))
            first = np.array([i.contact.rebound == 0 for i in truth.impacts])
            pieces.append((x[:keep, 0], t, first, on_tile))

        rendered(start, True, 1.5)
        for n, balls in enumerate(parts):
            lead = (pause if start else 1.5) if n == 0 else pauses[n - 1]
            rendered(balls, False, max(lead - 0.7 * (len(pieces) > 0), 0.1))
        rendered(end, True, pause - 0.7)
        offsets = np.cumsum([0, *(len(p[0]) for p in pieces)])
        x = np.concatenate([*(p[0] for p in pieces), np.zeros(int(1.5 * RATE))])
        times = np.concatenate([p[1] + o / RATE for p, o in zip(pieces, offsets, strict=False)])
        on_tile = np.concatenate([np.full(len(p[1]), p[3]) for p in pieces])
        first = np.concatenate([p[2] for p in pieces])
        frames = len(x)
        hz = np.fft.rfftfreq(frames, 1 / RATE)
        pink = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) / np.sqrt(np.maximum(hz, 20)), frames)
        x = x * 0.8 / np.abs(x).max() + pink / pink.std() * 10 ** (rng.uniform(-75, -62) / 20)
        order = np.argsort(times)
        found.append(_heard(x / max(1.0, np.abs(x).max()), times[order], on_tile[order], first[order], sum(parts)))
    return found


def score(takes: list[Take], *, fed: bool) -> Counter[str]:
    """Mark the reference drops of a campaign and count."""
    runs = [Run(f"t{n}", (), balls_fed=t.fed if fed else None) for n, t in enumerate(takes)]
    heard = [(r, t.impacts.with_columns(run=r.name)) for t, r in zip(takes, runs, strict=True)]
    tables = with_drops(heard, Rig())
    marked = mark_references([(r, i, t.seconds) for r, i, t in zip(runs, tables, takes, strict=True)])
    tally: Counter[str] = Counter()
    for take, (table, ends) in zip(takes, marked, strict=True):
        own, t = table.flagged(Flag.REFERENCE), table["time_s"]
        # Which true contact each found impact is: the nearest within 12 ms.
        nearest = np.abs(t[:, None] - take.times[None]).argmin(axis=1) if len(t) else np.empty(0, int)
        close = np.abs(t - take.times[nearest]) < 0.012 if len(t) else np.empty(0, bool)
        on_tile = take.tile[nearest] & close
        near_tile = np.array(
            [np.any((v - take.times[take.tile] > -0.02) & (v - take.times[take.tile] < 0.6)) for v in t]
        )
        wrong = own & ~on_tile & ~near_tile.astype(bool)
        tally["takes"] += 1
        tally["takes with any of the machine's taken"] += bool(wrong.any())
        tally["impacts of the machine taken"] += int(wrong.sum())
        middle = take.times[~take.tile].mean()
        for side in (take.times < middle, take.times >= middle):
            true = side & take.tile & take.first
            if not true.any():
                continue
            # The machine's mean is spoiled by a drop that counts as a first contact of its own.
            got = sum(bool(np.any(own & (np.abs(t - v) < 0.012))) for v in take.times[true])
            tally["ends"] += 1
            tally["ends found"] += got == true.sum()
            tally["ends found in part"] += 0 < got < true.sum()
            tally["ends lost, take said in doubt"] += got == 0 and bool(ends.open)
        if not take.tile.any():
            tally["takes without"] += 1
            tally["takes without, said in doubt"] += bool(ends.open)
    return tally


def main(campaigns: int = 24, first: int = 7000, maker: str = "both") -> None:
    """Print the figures."""
    for name, make in (("synthesis", synthetic), ("simulator", simulated)):
        if maker not in ("both", name):
            continue
        for fed in (False, True):
            tallies: dict[str, Counter[str]] = {}
            for seed in range(first, first + campaigns):
                kind = KINDS[seed % len(KINDS)]
                count = int(np.random.default_rng((seed, 3)).integers(1, 9))
                tallies.setdefault(kind, Counter()).update(score(cached(make, seed, kind, count), fed=fed))
            print(f"{name}, balls_fed {'stated' if fed else 'not stated'}")
            for kind in KINDS:
                if kind in tallies:
                    print(f"  {kind}: " + ", ".join(f"{k} {v}" for k, v in sorted(tallies[kind].items())))


_MADE: dict[tuple[object, ...], list[Take]] = {}


def cached(make: object, seed: int, kind: str, count: int) -> list[Take]:
    """Return a campaign, made once."""
    key = (make, seed, kind, count)
    if key not in _MADE:
        _MADE[key] = make(seed, kind, count)  # type: ignore[operator]
    return _MADE[key]


if __name__ == "__main__":
    main(*(int(a) if a.isdigit() else a for a in sys.argv[1:]))  # type: ignore[arg-type]
