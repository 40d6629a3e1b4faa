"""How surely anything can time thuds that rise over 10 ms: python tests/benchmarks/timing_bound.py [thuds]

The Cramer-Rao bound (S. Kay, Fundamentals of Statistical Signal Processing, vol. I, 1993, ch. 3: from memory) of the
beginning of the thuds of ``tests/detect/soundmaker.py`` in pink noise of known spectrum: six notes whose levels,
frequencies and phases are unknown, and of whose envelope ever less is known. Printed is the share of onsets within 1 ms
that an unbiased estimator of that variance has.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import welch

sys.path.insert(0, str(Path(__file__).parents[1] / "detect"))
from soundmaker import STEADY, noise, snr_gain

RATE, SECONDS, START_S = 4_000, 0.5, 0.2
FULL_RATE = 48_000
RISE_S, DECAY_S, POWER = 0.010, 0.020, 1.0
UNKNOWN = {"the notes": 0, "and how long it rises and rings": 2, "and the shape of its rise": 3}
STEP = 1e-4
"""Of each parameter, for the derivatives: of its size, or of a period of the highest notes."""


def thud(t: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a thud of start, rise, decay (s), power of its rise, and 6 frequencies (Hz), amplitudes, phases."""
    start, rise, decay, power = values[:4]
    hz, amplitude, phase = values[4:].reshape(3, 6, 1)
    since = t - start
    grow = np.sin(0.5 * np.pi * np.clip(since, 0.0, rise) / rise) ** power * np.exp(
        -np.maximum(since - rise, 0) / decay
    )
    return grow * (amplitude * np.sin(2.0 * np.pi * hz * since + phase)).sum(axis=0)


def spread_ms(values: NDArray[np.float64], density: NDArray[np.float64], envelope: int) -> float:
    """Return the least standard deviation of the start, ms, where so much of the envelope is unknown, too."""
    t = np.arange(int(SECONDS * RATE)) / RATE
    asked = [*range(1 + envelope), *range(4, len(values))]
    slopes = []
    for which in asked:
        step = np.zeros(len(values))
        step[which] = STEP * (RISE_S if which == 0 else abs(values[which]))
        slopes.append((thud(t, values + step) - thud(t, values - step)) / (2.0 * step[which]))
    slope = np.fft.rfft(slopes, axis=1) * np.sqrt(4.0 / (len(t) * RATE * density))
    information = np.real(slope @ slope.conj().T)
    scale = 1.0 / np.sqrt(np.diag(information))
    return 1e3 * float(scale[0] * math.sqrt(np.linalg.pinv(information * np.outer(scale, scale), rcond=1e-12)[0, 0]))


def main() -> None:
    """Print the bounds."""
    thuds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    pink = noise(STEADY["pink"], FULL_RATE, 20.0, 1)
    density = np.interp(np.fft.rfftfreq(int(SECONDS * RATE), 1 / RATE), *welch(pink, FULL_RATE, nperseg=FULL_RATE))
    whole = np.arange(int(0.25 * FULL_RATE)) / FULL_RATE
    for snr_db in (12, 15, 20, 30):
        told = []
        for envelope in UNKNOWN.values():
            rng, within = np.random.default_rng(1), []
            for _ in range(thuds):
                notes = [rng.uniform(120, 900, 6), np.linspace(1.0, 0.4, 6), rng.uniform(0, 2 * np.pi, 6)]
                values = np.concatenate(([0.0, RISE_S, DECAY_S, POWER], *notes))
                values[10:16] *= snr_gain(thud(whole, values), pink, FULL_RATE, snr_db)
                values[0] = START_S
                within.append(math.erf(1.0 / spread_ms(values, density, envelope) / math.sqrt(2.0)))
            told.append(np.mean(within))
        shares = ", ".join(f"{name} {share:.1%}" for name, share in zip(UNKNOWN, told, strict=True))
        print(f"{snr_db} dB, unknown: {shares}")


if __name__ == "__main__":
    main()
