"""What is found, when, and what is taken for an impact falsely: python tests/benchmarks/found.py [--minutes 60]

Prints, for noisecheck and for librosa's onset detector on the same sound: the real scenes (where they are at hand);
clicks of 0.2 ms and thuds that rise over 10 ms, by level over pink noise; pairs 15 ms apart; impacts 20 dB below a ring
that still sounds; echoes; false impacts in noise of so many minutes a kind and level. Matching is one to one within
10 ms (pairs: 5 ms). Then the table of methods (``detection.py``) and speed and size (``speed.py``), unless ``--short``.

librosa: a hop of 2 ms and the threshold that does best on a simulated take, as in ``detection.py``.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
from detection import METHODS, from_librosa, simulated
from detection import main as methods_table
from numpy.typing import NDArray
from speed import short as speed_table

from noisecheck.score import Matching, match

sys.path.insert(0, str(Path(__file__).parents[1] / "detect"))
from soundmaker import (  # type: ignore[import-not-found]
    SCENES,
    SPEECH,
    STEADY,
    detect,
    impacts_in_noise,
    noise,
    pairs_15_ms_apart,
    real_folder,
    real_scene,
    ring,
    with_echoes,
)

Floats = NDArray[np.float64]
Samples = NDArray[np.float32]
Finder = Callable[[Samples, int], Floats]
RATE = 48_000
SNR_DB = (12, 15, 20, 30)
GAINS_DB = (-40.0, 0.0, 15.0)
NOISES = {
    **STEADY,
    **{f"speech every {s:g} s": {**SPEECH["speech"], "speech_every_s": s} for s in (2.0, 6.0, 20.0)},
}


def librosa_finder() -> Finder:
    """Return librosa's detector at the threshold that does best on a simulated take."""
    thresholds = METHODS["librosa onset_detect, 2 ms hop"][1]
    samples, rate, truth = simulated(1)
    method = from_librosa(False)
    tried = [match(t, truth, tolerance_s=0.01).f_measure for t in method(samples, rate, thresholds)]  # type: ignore[operator]
    best = thresholds[[int(np.argmax(tried))]]
    return lambda x, r: method(x.astype(np.float64), r, best)[0]  # type: ignore[operator, no-any-return]


def said(name: str, found: list[Matching]) -> str:
    """Return recall, false ones and errors of several takes in one line."""
    pairs, lost = sum(m.pairs for m in found), sum(len(m.missed_index) for m in found)
    false = sum(len(m.false_index) for m in found)
    error = 1e3 * np.concatenate([m.error_s for m in found])
    f = 2 * pairs / max(2 * pairs + lost + false, 1)
    late = f"median {np.median(error):+.2f} ms, {np.mean(np.abs(error) < 1):.1%} within 1 ms" if len(error) else ""
    return f"  {name}: {pairs} of {pairs + lost}, {false} false, F {f:.3f}; {late}"


def under_rings(seed: int) -> tuple[Samples, Floats]:
    """Return a ring of 2 s (up to 5 kHz) with impacts above its band, 20 dB below what it still has."""
    rng = np.random.default_rng(seed)
    samples = noise(STEADY["pink"], RATE, 8.0, seed, gain_db=-30.0)
    samples[3 * RATE : 8 * RATE] += (0.3 * ring(RATE, 5.0, rng)).astype(np.float32)
    t = np.arange(int(0.05 * RATE)) / RATE
    truth = [3.0]
    for at_s in np.arange(3.2, 4.3, 0.2) + rng.uniform(-0.05, 0.05, 6):
        wave = np.exp(-t / 0.004) * sum(np.sin(2 * np.pi * f * t) for f in rng.uniform(7000, 14_000, 3))
        at = int(at_s * RATE)
        wave *= 0.1 * np.abs(samples[at - 480 : at]).max() / np.abs(wave).max()
        samples[at : at + len(wave)] += wave.astype(np.float32)
        truth.append(at / RATE)
    return samples, np.array(truth)


def main(minutes: float, seeds: range, *, more: bool) -> None:
    """Print the figures."""
    finders: dict[str, Finder] = {"noisecheck": detect, "librosa": librosa_finder()}

    def both(title: str, takes: list[tuple[Samples, int, Floats]], tolerance_s: float = 0.010) -> None:
        print(title)
        for name, finder in finders.items():
            found = [match(finder(x, rate), truth, tolerance_s=tolerance_s) for x, rate, truth in takes]
            print(said(name, found), flush=True)

    folder = real_folder()
    for name in SCENES if folder else ():
        both(f"real, {name}", [real_scene(folder, name)])
    for kind in ("click", "thud"):
        for snr in SNR_DB:
            takes = [(x, RATE, t) for x, t in (impacts_in_noise(RATE, snr, kind, s) for s in seeds)]
            both(f"{kind}s at {snr} dB", takes)
    for second_db in (0.0, -3.0, -6.0):
        takes = [(x, RATE, t) for x, t in (pairs_15_ms_apart(s, second_db) for s in seeds)]
        both(f"pairs 15 ms apart, the second {second_db:+g} dB", takes, 0.005)
    both("20 dB below a ring, in a free band", [(x, RATE, t) for x, t in map(under_rings, seeds)])
    both("clicks with echoes", [(x, RATE, t) for x, t in map(with_echoes, seeds)])
    print(f"false impacts in {minutes:g} min of each noise at {', '.join(f'{g:+g}' for g in GAINS_DB)} dB")
    for kind, settings in NOISES.items():
        sound = noise(settings, RATE, 60.0 * minutes, seeds.start)
        for name, finder in finders.items() if minutes <= 10 else [("noisecheck", detect)]:
            counts = [len(finder(sound * np.float32(10 ** (g / 20)), RATE)) for g in GAINS_DB]
            print(f"  {kind}, {name}: {', '.join(map(str, counts))}", flush=True)
    if more:
        methods_table()
        speed_table()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="minutes of each noise (librosa: up to 10)")
    parser.add_argument("--first", type=int, default=2000, help="first seed")
    parser.add_argument("--seeds", type=int, default=4, help="takes of each kind")
    parser.add_argument("--short", action="store_true", help="without the table of methods and speed")
    given = parser.parse_args()
    main(given.minutes, range(given.first, given.first + given.seeds), more=not given.short)
