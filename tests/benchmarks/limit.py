"""Stated detection limits and heard shares against the truth: python tests/benchmarks/limit.py [runs] [seed] [minutes]

Simulated runs of many conditions: clicks, thuds and bells, dry and in a room, in several noises, levels that scatter by
3, 6 or 10 dB with none, 5 % or 25 % of them below the level at which half are found, one and three microphones.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import ArrayRecording
from noisecheck.pipeline.limit import DetectionLimit, detection_limit
from noisecheck.pipeline.listen import Heard, ListenSettings, listen
from noisecheck.score import match
from noisecheck.simulate.backdrop import Backdrop
from noisecheck.simulate.parts import Background

RATE = 48_000
NOISES = {
    "pink": {"noise_db": -50.0},
    "white": {"noise_db": None, "hiss_db": -55.0},
    "motor": {"noise_db": -70.0, "motor_db": -42.0, "gear_db": -52.0},
    "chain": {"noise_db": -68.0, "motor_db": -55.0, "chain_db": -46.0},
}
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Condition:
    """What a run is like."""

    sound: str = "click"
    noise: str = "pink"
    room_s: float = 0.0
    spread_db: float = 6.0
    below: float = 0.0
    shape: str = "normal"
    microphones: int = 1
    arrivals: str = "random"
    pace_s: float = 0.7
    seconds: float = 200.0


def a_weighted_db(wave: Floats) -> float:
    """Return L_AE of a wave, dB re full scale, by the closed form of IEC 61672-1 in the frequency domain."""
    n = 1 << (len(wave) - 1).bit_length()
    f2 = np.fft.rfftfreq(n, 1 / RATE) ** 2
    f1, f2_, f3, f4 = 20.598997, 107.65265, 737.86223, 12194.217
    gain = f4**2 * f2**2 / ((f2 + f1**2) * np.sqrt((f2 + f2_**2) * (f2 + f3**2)) * (f2 + f4**2)) * 10 ** (2.0 / 20)
    power = np.abs(np.fft.rfft(wave, n) * gain) ** 2
    power[1:-1] *= 2
    return 10 * math.log10(float(power.sum()) / n / RATE)


def waves(condition: Condition, count: int, rng: np.random.Generator) -> list[Floats]:
    """Return waves of one kind, at L_AE 0 dB, alike but struck at other spots."""
    seconds = {"click": 0.08, "thud": 0.25, "bell": 1.0}[condition.sound]
    t = np.arange(int(seconds * RATE)) / RATE
    if condition.sound == "click":
        hz, decay = rng.uniform(1500, 12_000, 8), np.full(8, 0.006)
    elif condition.sound == "thud":
        hz, decay = rng.uniform(120, 900, 6), np.full(6, 0.020)
    else:
        hz = np.sort(rng.uniform(600, 5000, 9))
        decay = np.linspace(0.20, 0.08, 9)
    out = []
    for _ in range(count):
        weight, phase = rng.uniform(0.2, 1.0, len(hz)), rng.uniform(0, 2 * np.pi, len(hz))
        wave = np.sum(
            weight[:, None] * np.exp(-t / decay[:, None]) * np.sin(2 * np.pi * hz[:, None] * t + phase[:, None]), axis=0
        )
        if condition.sound == "click":
            wave[: int(0.0002 * RATE)] += 3.0 * np.sin(np.pi * np.arange(int(0.0002 * RATE)) / (0.0002 * RATE))
        if condition.sound == "thud":
            rise = int(0.010 * RATE)
            wave[:rise] *= np.sin(0.5 * np.pi * np.arange(rise) / rise)
        if condition.room_s > 0:
            tail = np.arange(int(condition.room_s * RATE)) / RATE
            echo = rng.standard_normal(len(tail)) * 10 ** (-3 * tail / condition.room_s)
            echo[: int(0.002 * RATE)] = 0.0
            echo *= 1.0 / math.sqrt(float(np.sum(echo**2)))
            echo[0] = 1.0
            n = len(wave) + len(echo)
            wave = np.fft.irfft(np.fft.rfft(wave, n) * np.fft.rfft(echo, n), n)
        out.append(wave * 10 ** (-a_weighted_db(wave) / 20))
    return out


def moments(condition: Condition, seconds: float, rng: np.random.Generator) -> Floats:
    """Return when the impacts begin: at random, evenly, or evenly with a rebound after every other."""
    n = int(2 * seconds / condition.pace_s) + 40
    if condition.arrivals == "random":
        at = np.cumsum(rng.exponential(condition.pace_s, n))
    else:
        at = np.arange(n) * condition.pace_s + rng.normal(0.0, 0.05 * condition.pace_s, n)
    if condition.arrivals == "rebounds":
        at = np.sort(np.concatenate([at, at[rng.random(n) < 0.5] + rng.uniform(0.08, 0.25)]))
    at = 1.5 + at - at[0]
    return at[at < seconds - 1.0]


def scatter(condition: Condition, count: int, rng: np.random.Generator) -> Floats:
    """Return levels that scatter about 0 dB."""
    s = condition.spread_db
    if condition.shape == "two":
        return np.asarray(np.where(rng.random(count) < 0.3, -2.0 * s, 0.0) + rng.normal(0.0, 0.5 * s, count))
    if condition.shape == "skewed":
        return np.asarray(-rng.gamma(2.0, s / math.sqrt(2.0), count))
    return rng.normal(0.0, s, count)


def take(condition: Condition, level: Floats, at: Floats, seconds: float, seed: int, part: int) -> NDArray[np.float32]:
    """Return samples (frames, microphones); the impacts of one seed sound alike in all its parts."""
    rng = np.random.default_rng((seed, part, 3))
    made = Backdrop(
        Background.model_validate(NOISES[condition.noise]),
        rate=RATE,
        channels=condition.microphones,
        seed=(seed, 77, part) if condition.noise != "chain" else (seed, 77),
    )
    x = np.concatenate([made.tile(RATE) for _ in range(math.ceil(seconds))])[: int(seconds * RATE)]
    pool = waves(condition, 30, np.random.default_rng((seed, 4)))
    for start, db in zip(at, level, strict=True):
        wave = pool[int(rng.integers(len(pool)))] * 10 ** (db / 20)
        for c in range(condition.microphones):
            first = round((start + 0.0007 * c) * RATE)
            piece = x[first : first + len(wave), c]
            piece += wave[: len(piece)] * 10 ** (-3.0 * c / 20)
    return x.astype(np.float32)


def heard_in(samples: NDArray[np.float32]) -> Heard:
    return listen(lambda: ArrayRecording(samples, RATE), settings=ListenSettings())


def found_of(heard: Heard, at: Floats) -> NDArray[np.bool_]:
    out = np.zeros(len(at), bool)
    out[match(heard.onsets.frame / RATE, at, tolerance_s=0.01).truth_index] = True
    return out


def fitted(level: Floats, found: NDArray[np.bool_]) -> tuple[float, float]:
    """Return middle and width of the likeliest normal distribution of thresholds (scipy, unlike what is tested)."""
    from scipy.optimize import minimize
    from scipy.special import log_ndtr

    sign = np.where(found, 1.0, -1.0)

    def cost(x: Floats) -> float:
        unlikely = 0.5 * ((x[1] - math.log(2.5)) / 1.2) ** 2  # so that few probes do not run away
        return unlikely - float(log_ndtr(sign * (level - x[0]) / math.exp(x[1])).sum())

    fits = [
        minimize(cost, [m, math.log(w)], method="Nelder-Mead")
        for m in np.quantile(level, [0.2, 0.5, 0.8])
        for w in (1.0, 5.0)
    ]
    best = min(fits, key=lambda f: float(f.fun))
    return float(best.x[0]), math.exp(float(best.x[1]))


FIRST_DB = {
    "click": {"pink": -77.0, "white": -79.0, "motor": -96.0, "chain": -83.0},
    "thud": {"pink": -68.0, "white": -82.0, "motor": -68.0, "chain": -54.0},
    "bell": {"pink": -56.0, "white": -61.0, "motor": -71.0, "chain": -56.0},
}
"""Where half are found, about."""


def drawn(seed: int) -> Condition:
    """Return a condition drawn at random."""
    rng = np.random.default_rng((seed, 1))
    return Condition(
        sound=str(rng.choice(["click", "thud", "bell"])),
        noise=str(rng.choice(list(NOISES))),
        room_s=float(rng.choice([0.0, 0.4])),
        spread_db=float(rng.choice([3.0, 6.0, 10.0])),
        below=float(rng.choice([1e-4, 0.05, 0.25])),
        shape=str(rng.choice(["normal", "normal", "two", "skewed"])),
        microphones=int(rng.choice([1, 1, 1, 3])),
        arrivals=str(rng.choice(["random", "even", "rebounds"])),
        pace_s=float(rng.choice([0.35, 0.7, 1.4])),
        seconds=float(rng.choice([100.0, 200.0, 400.0])),
    )


def level_at_limit(condition: Condition, seed: int, minutes: float) -> tuple[float, float]:
    """Return the true middle and width of the curve of found against level, away from other impacts.

    Probes of known levels come at any moment between the impacts of a long run that sounds alike, as long after them as
    the limit is stated for.
    """
    middle, reach = FIRST_DB[condition.sound][condition.noise], 16.0
    lowest = float(np.quantile(scatter(condition, 200_000, np.random.default_rng((seed, 6))), condition.below))
    for turn, share in enumerate((0.4, 0.6)):
        seconds = 60.0 * minutes * share
        rng = np.random.default_rng((seed, 5, turn))
        own = moments(condition, seconds, rng)
        gaps = np.diff(own)
        clear_s = next(c for c in (0.5, 0.25, 0.12, 0.06, 0.0) if np.maximum(gaps - c, 0.0).sum() > 0.2 * gaps.sum())
        free = rng.uniform(own[0], own[-1], 50 * len(own))
        after = np.searchsorted(own, free)
        free = free[(free - own[after - 1] > clear_s) & (own[after] - free > 0.025)]
        at = np.concatenate([own, free[: int(max(0.3 * len(own), 0.4 * seconds))]])
        # The company of a probe matters, above all in a chain: from the second turn on it is that of the run.
        level = middle + scatter(condition, len(at), rng) + (25.0 if turn == 0 else -lowest)
        probe = np.arange(len(at)) >= len(own)
        level[probe] = middle + reach * rng.uniform(-1.0, 1.0, int(probe.sum()))
        order = np.argsort(at, kind="stable")
        at, level, probe = at[order], level[order], probe[order]
        found = found_of(heard_in(take(condition, level, at, seconds, seed, 10 + turn)), at)
        middle, width = fitted(level[probe], found[probe])
        reach = float(np.clip(3.0 * width, 4.0, 16.0))
    return middle, width


@dataclass(frozen=True)
class Judged:
    condition: Condition
    middle: float
    sure: float
    share: float
    limit: DetectionLimit
    seconds: float
    listening_s: float


def judged(seed: int, minutes: float, condition: Condition | None = None) -> Judged:
    """Return what is stated of one run, and the truth."""
    condition = condition or drawn(seed)
    middle, width = level_at_limit(condition, seed, minutes)
    rng = np.random.default_rng((seed, 6))
    shift = middle - float(np.quantile(scatter(condition, 200_000, rng), condition.below))
    at = moments(condition, condition.seconds, rng)
    x = take(condition, shift + scatter(condition, len(at), rng), at, condition.seconds, seed, 1)
    begun = time.process_time()
    heard = heard_in(x)
    listened = time.process_time()
    limit = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    spent = time.process_time() - listened
    seconds = 60.0 * minutes
    at = moments(condition, seconds, rng)
    found = found_of(heard_in(take(condition, shift + scatter(condition, len(at), rng), at, seconds, seed, 2)), at)
    return Judged(condition, middle, middle + 3.0902 * width, float(found.mean()), limit, spent, listened - begun)


def told(value: float, ends: tuple[float, float], digits: int) -> str:
    return f"{value:.{digits}f} ({ends[0]:.{digits}f} to {ends[1]:.{digits}f})"


def summed(name: str, rows: list[tuple[float, float, tuple[float, float]]]) -> None:
    """Print how stated figures compare with the truth, from (true, stated, ends)."""
    # Where the run's own rings drown every probe there is no true level.
    rows = [r for r in rows if math.isfinite(r[1]) and abs(r[0]) < 200.0]
    if not rows:
        return
    true, stated = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    low, high = np.array([r[2] for r in rows]).T
    error = stated - true
    print(
        f"{name}: {len(rows)} stated; truth above the low end {np.mean(low <= true):.1%}, below the high end "
        f"{np.mean(true <= high):.1%}; error {np.median(error):+.3f} in the median, {np.quantile(error, 0.05):+.3f} to "
        f"{np.quantile(error, 0.95):+.3f} (90 %); interval {np.median(high - low):.3f} wide in the median"
    )


def main(runs: int, seed: int, minutes: float) -> None:
    done = []
    for n in range(seed, seed + runs):
        j = judged(n, minutes)
        done.append(j)
        c, m = j.condition, j.limit
        print(
            f"{n} {c.sound} {c.noise} room {c.room_s:g} {c.spread_db:g} dB {c.below:g} {c.shape} {c.microphones} mic "
            f"{c.arrivals} {c.pace_s:g} {c.seconds:g} s: true {j.middle:.1f} {j.sure:.1f} {j.share:.3f}, stated "
            f"{told(m.level_50_db, m.level_50_ci_db, 1)} {told(m.level_999_db, m.level_999_ci_db, 1)} "
            f"{told(m.heard_fraction, (m.heard_low, m.heard_high), 3)} {m.found}/{m.n} {m.why} "
            f"[{j.seconds:.2f} of {j.listening_s:.2f} s]",
            flush=True,
        )
    summed("50 % level", [(j.middle, j.limit.level_50_db, j.limit.level_50_ci_db) for j in done])
    summed("99.9 % level", [(j.sure, j.limit.level_999_db, j.limit.level_999_ci_db) for j in done])
    for below in (None, 1e-4, 0.05, 0.25):
        some = [j for j in done if below in (None, j.condition.below)]
        rows = [(j.share, j.limit.heard_fraction, (j.limit.heard_low, j.limit.heard_high)) for j in some]
        summed("share" if below is None else f"share, {below:g} below", rows)
    cost = [j for j in done if j.limit.n]
    print(f"cost: {sum(j.seconds for j in cost) / max(len(cost), 1):.2f} s CPU a run and microphone mix")


if __name__ == "__main__":
    given = sys.argv[1:] + [None] * 3
    main(int(given[0] or 12), int(given[1] or 1), float(given[2] or 4.0))
