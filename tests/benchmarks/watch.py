"""What watching costs and how soon it speaks: python tests/benchmarks/watch.py [--seconds 300] [--rate-hz 48000]

A simulated machine of two stations with a microphone each (a ball every 1.6 s, rebounds, motor, noise), with balls
stuck and stray sounds at random moments, goes through the watch as fast as it can be heard.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from noisecheck.cli import main
from noisecheck.simulate import parse_scene, render_run

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))
from machine import LONGEST_S, PERIOD_S, RIG, machine_scene


def scene(seconds: float, rate: int, seed: int) -> dict[str, Any]:
    """Return a scene with a fault every 20 s or so."""
    rng = np.random.default_rng(seed)
    balls = int(seconds / PERIOD_S) - 3
    faults: list[dict[str, object]] = [
        {"kind": "stuck", "ball": int(b), "station": "tray"}
        for b in rng.choice(np.arange(12, balls - 8, 12), max(int(seconds / 40), 1), replace=False)
    ]
    faults += [
        {"kind": "stray", "time_s": float(t), "level_db": 0.0}
        for t in np.arange(30.0, seconds - 10, 40.0) + rng.uniform(0, 8, len(np.arange(30.0, seconds - 10, 40.0)))
    ]
    return machine_scene(seconds, rate, seed=seed, balls=balls, faults=faults)


def run() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--rate-hz", type=int, default=48_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    document = scene(given.seconds, given.rate_hz, given.seed)
    made = parse_scene(document)
    samples, truth = render_run(made, made.runs()[0])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.toml").write_text(RIG)
        soundfile.write(folder / "sound.wav", samples, given.rate_hz, subtype="PCM_24")
        out = io.StringIO()
        begun = time.process_time()
        with contextlib.redirect_stdout(out):
            main(
                ["watch", "--rig", f"{folder}/rig.toml", "--source", f"{folder}/sound.wav", "--json", "--keep-nothing"]
            )
        spent = time.process_time() - begun
    events = [json.loads(line) for line in out.getvalue().splitlines()]
    print(f"{given.seconds:.0f} s, {samples.shape[1]} channels at {given.rate_hz} Hz: {spent:.1f} s CPU, "
          f"{100 * spent / given.seconds:.1f} % of one core")  # fmt: skip
    stuck = [b.arrivals_s[b.last_station] for b in truth.balls if b.fate == "stuck"]
    strays = [f["time_s"] for f in document["run"][0]["fault"] if f["kind"] == "stray"]
    for kind, times, due in (("stuck", stuck, LONGEST_S), ("stray", strays, 0.0)):
        said = [e for e in events if e["event"] == kind and "confirms" not in e]
        waits = [min(e["said_s"] for e in said if abs(e["time_s"] - t) < 0.05) - t - due for t in times
                 if any(abs(e["time_s"] - t) < 0.05 for e in said)]  # fmt: skip
        false = sum(all(abs(e["time_s"] - t) > 0.05 for t in times) for e in said)
        late = f"median {np.median(waits):.3f} s, longest {max(waits):.3f} s" if waits else "none"
        within = sum(w <= {"stuck": 1.0, "stray": 0.3}[kind] for w in waits)
        print(f"{kind}: {len(waits)} of {len(times)} said ({within} in time), {late} after it was due; {false} false")
    print(events[-1]["text"])


if __name__ == "__main__":
    run()
