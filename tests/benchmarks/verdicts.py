"""Error rates of verdicts, and coverage from audio. Run: python tests/benchmarks/verdicts.py [campaigns] [audio].

Prints how often "met" is said of a figure that lies a hair beyond its limit, by kind of requirement; how often the
flow's verdict is wrong; and, over campaigns rendered as sound, found and measured again, how often the 95 % intervals
hold the true difference and how far off the differences are on average.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "compare"))
from pieces import campaign_scene
from studies import dispersed_counts, flow_errors, verdict_errors

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import compare_campaign, measure_campaign
from noisecheck.simulate import parse_scene, simulate_scene

TRUE_DB = {"bare again": 0.0, "padded": -3.0}
"""What the treatments do: the same sound, softer by exactly so much."""


def scene_document(seed: int) -> dict[str, Any]:
    """Return a small campaign: one station, two sessions, three treatments of four runs with six drops each."""
    treatments = [{"name": n, "gain_db": g} for n, g in [("bare", 0.0), *TRUE_DB.items()]]
    return campaign_scene(
        seed,
        treatments,
        seconds=6.2,
        feed={"period_s": 0.9, "balls": 6},
        station={"rebounds": 1, "restitution": 0.4, "plate": {"loss_factor": 0.05}},
        background={"noise_db": -70.0, "hiss_db": -105.0},
    )


def audio_coverage(campaigns: int, *, seed: int) -> None:
    """Print coverage and bias of differences measured from rendered sound."""
    off: dict[str, list[float]] = {name: [] for name in TRUE_DB}
    held: dict[str, list[bool]] = {name: [] for name in TRUE_DB}
    said: dict[str, list[str]] = {name: [] for name in TRUE_DB}
    for number in range(campaigns):
        with tempfile.TemporaryDirectory() as folder:
            simulate_scene(parse_scene(scene_document(seed + number)), Path(folder))
            found = compare_campaign(measure_campaign(load_campaign(folder)), by="treatment")
        for name, true in TRUE_DB.items():
            d = found.of(name)
            off[name].append(d.difference_db - true)
            held[name].append(d.ci_db[0] <= true <= d.ci_db[1])
            said[name].append(d.verdict)
    for name, true in TRUE_DB.items():
        bias, n = np.array(off[name]), len(off[name])
        print(
            f"from audio: {name:10s} true {true:+.1f} dB  {n} campaigns, covered {np.mean(held[name]):.3f}, "
            f"bias {bias.mean():+.3f} dB (standard error {bias.std(ddof=1) / np.sqrt(n):.3f}), "
            f"spread {bias.std(ddof=1):.2f} dB, quieter {said[name].count('quieter')}, "
            f"louder {said[name].count('louder')}"
        )


def main() -> None:
    campaigns = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    audio = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    start = time.perf_counter()
    kinds: dict[str, dict[str, Any]] = {
        "uncalibrated, tied by reference drops": {"db_re": "full scale"},
        "uncalibrated, tied by its own runs": {"db_re": "full scale", "reference": False},
        "calibrated, sessions differ": {"db_re": "20 uPa"},
    }
    for name, options in kinds.items():
        for kind, counts in verdict_errors(campaigns, seed=101, **options).items():
            print(f"{name:40s} {kind:12s} falsely met {counts.get('met', 0) / campaigns:.4f}", flush=True)
    for kind, (wrong, n) in flow_errors(campaigns, seed=102).items():
        print(f"flow: {kind:36s} {n:6d} wrong {wrong / n:.4f}")
    held, plain, n = dispersed_counts(campaigns, seed=103)
    print(f"runs that differ: bounds hold {held / n:.4f}, plain binomial ones {plain / n:.4f}", flush=True)
    audio_coverage(audio, seed=9000)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
