"""How honest the odds of each impact are: python tests/benchmarks/odds.py [runs] [seed]

Simulated runs of three kinds in a reverberant room (the ball clock of the ledger by one microphone and by one a
station, at margins of 12 and 6 dB by turns, and a busy clock), each of 200 s: the share of rows that are real where
the odds state a probability. A row that is not real is either a second one of an impact (within 15 ms of it, one of the
two is left over) or nothing at all; of these it is told how many were heard by one microphone of several.
"""

from __future__ import annotations

import itertools
import sys
import tomllib
from collections import defaultdict

import numpy as np
from ledger_sound import NOISE_DB, ONE, SEVERAL, scene
from pieces import busy_scene

from noisecheck.audio.recording import ArrayRecording
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.score import match
from noisecheck.simulate import parse_scene, render_run

EDGES = (0.5, 0.7, 0.9, 0.97, 0.99, 0.999, 1.01)
SECONDS = 200.0
SECOND_S = 0.015
_TOLERANCE_S = 0.010


def rows_of(kind: str, seed: int) -> np.ndarray:
    """Return a row an impact found: stated probability, whether real, whether near a real one, whether heard alone."""
    if kind == "busy":
        made = parse_scene(busy_scene(SECONDS, seed=seed))
    else:
        layout = ONE if kind == "one" else SEVERAL
        noise_db = NOISE_DB[kind] + (6.0 if seed % 2 else 0.0)
        made = parse_scene(tomllib.loads(scene(layout, "steady", 1, SECONDS, noise_db, seed)))
    samples, truth = render_run(made, next(r for r in made.runs() if r.role == "test"))
    recording = ArrayRecording(np.asarray(samples, np.float32), made.scene.rate_hz)
    heard = listen(lambda: recording, settings=ListenSettings())
    true = np.sort([min(i.arrival_s) for i in truth.impacts])
    time_s = heard.onsets.frame / heard.rate
    real = np.zeros(len(time_s), bool)
    real[match(time_s, true, tolerance_s=_TOLERANCE_S).found_index] = True
    near = np.abs(time_s[:, None] - true[None, :]).min(axis=1) < SECOND_S
    odds = heard.onsets.odds
    alone = ((heard.onsets.arrival >= 0).sum(axis=1) == 1) & (heard.channels > 1)
    return np.column_stack([odds / (1.0 + odds), real, near, alone])


def main(runs: int, seed: int) -> None:
    """Print the tables."""
    found = defaultdict(list)
    for n in range(seed, seed + runs):
        for kind in ("one", "several", "busy"):
            found[kind].append(rows_of(kind, n))
    for kind, parts in found.items():
        p, real, near, alone = np.concatenate(parts).T
        wrong = real == 0
        print(f"{kind}: {len(p)} impacts, {int(wrong.sum())} not real where {np.sum(1.0 - p):.1f} are stated")
        for low, high in itertools.pairwise(EDGES):
            some = (p >= low) & (p < high)
            if some.any():
                second, nothing = wrong & some & (near == 1), wrong & some & (near == 0)
                print(
                    f"   stated {low:g} to {min(high, 1.0):g}: {int(some.sum())} of mean {p[some].mean():.4f}, real "
                    f"{real[some].mean():.4f}; not real: {int(second.sum())} seconds, {int(nothing.sum())} nothing, "
                    f"{int((nothing & (alone == 1)).sum())} of these by one microphone of several"
                )


if __name__ == "__main__":
    given = sys.argv[1:] + [None] * 2
    main(int(given[0] or 4), int(given[1] or 1101))
