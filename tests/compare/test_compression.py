"""Gain riding told by rebounds, against levels that physics gives and gains put on them.

What may not be taken for riding comes from outside: speeds and flights of a ball that rebounds (``v = g t / 2``), the
exponents between level and speed that print gives (momentum 1, Hertz peak force 1.2: McLaskey & Glaser 2012, J.
Nondestruct. Eval. 31, 157).
"""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.compare.compression import compression_of, shortfalls
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts

G = 9.80665


def drops(
    rng: np.random.Generator, count: int = 4, *, e: float = 0.6, power: float = 1.0, sd_db: float = 0.8,
    rebounds: int = 4, gain: object = None, height_m: float = 0.1, **columns: object,
) -> Impacts:  # fmt: skip
    """Drops 2 s apart whose L_AE follows ``20 power lg v``, each changed by ``gain`` (dB of dB)."""
    times, levels = [], []
    for k in range(count):
        at, v = 1.0 + 2.0 * k, np.sqrt(2 * G * height_m)
        for _ in range(rebounds + 1):
            level = 60.0 + 20.0 * power * np.log10(v)
            times.append(at)
            levels.append((gain(level) if callable(gain) else level) + rng.normal(0, sd_db))
            v *= e * (1 + rng.normal(0, 0.01))
            at += 2 * v / G
    return Impacts.of(len(times), time_s=np.array(times), lae_db=np.array(levels), channel=0,
                      **{"margin_db": 30.0, **columns})  # fmt: skip


def limited(level: float) -> float:
    """A limiter that lets nothing above what 3 cm of fall make."""
    return min(level, 60.0 + 20.0 * np.log10(np.sqrt(2 * G * 0.03)))


def test_the_shortfall_is_what_the_gain_took() -> None:
    """10 cm against 3 cm of fall: 10 lg (10 / 3) = 5.2 dB taken from first contacts, 0.8 dB from first rebounds."""
    short = shortfalls([drops(np.random.default_rng(1), 40, gain=limited, sd_db=0.0)])
    taken = 10 * np.log10(10 / 3)
    after = max(taken + 20 * np.log10(0.6), 0.0)
    assert np.median(short[0]) == pytest.approx(taken - after, abs=0.1)
    assert np.median(short[1]) == pytest.approx(taken, abs=0.1)


@pytest.mark.parametrize("seed", range(10))
def test_a_limiter_is_found(seed: int) -> None:
    rng = np.random.default_rng(seed)
    found = compression_of([drops(rng, 3, gain=limited), drops(rng, 3, gain=limited)])
    assert found is not None
    assert found.drops == 6
    assert found.short_db == pytest.approx(10 * np.log10(10 / 3), abs=2.0)
    assert found.sentence().startswith("gain riding: at 6 reference drops the ")


def test_true_falls_are_hardly_ever_taken_for_it() -> None:
    """Exponents of 1 to 1.5 and any restitution: at most 1 % of 1,000 takes."""
    found = 0
    for seed in range(1000):
        rng = np.random.default_rng(seed)
        how = {"e": rng.uniform(0.4, 0.9), "power": rng.uniform(1.0, 1.5), "sd_db": rng.uniform(0.3, 2.0)}
        ends = [drops(rng, int(rng.integers(2, 6)), rebounds=int(rng.integers(2, 7)), **how) for _ in range(2)]
        found += compression_of(ends) is not None
    assert found <= 10


def test_louder_with_every_rebound_alike_is_no_riding_of_the_drop() -> None:
    """One gain for all, or another one in each end, changes no fall."""
    rng = np.random.default_rng(3)
    assert compression_of([drops(rng), drops(rng, gain=lambda level: level - 9.0)]) is None


def test_drops_that_tell_nothing_are_left_out() -> None:
    rng = np.random.default_rng(4)
    clipped = np.uint32(Flag.CLIPPED)
    assert compression_of([]) is None
    assert compression_of([Impacts.empty()]) is None
    assert compression_of([drops(rng, 3, gain=limited)]) is None  # three drops are too few
    assert compression_of([drops(rng, 8, gain=limited, rebounds=1)]) is None  # no speed without a second flight
    assert compression_of([drops(rng, 8, gain=limited, flags=clipped)]) is None  # a rail, which is said by itself
    assert compression_of([drops(rng, 8, gain=limited, margin_db=5.0)]) is None
    heard_by_turns = drops(rng, 8, gain=limited)
    channels = np.arange(len(heard_by_turns)) % 2
    assert not len(shortfalls([heard_by_turns.with_columns(channel=channels)])[0])
