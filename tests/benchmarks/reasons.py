"""Whether ``why`` names the reason of pure changes, from sound. Run: python tests/benchmarks/reasons.py [count] [seed].

Campaigns of one station, two sessions, four runs of eight drops a treatment: softer by 6 dB, a felt pad, three times
the plate's loss added, nothing done; rendered, found, measured and compared as any campaign.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import compare_campaign, measure_campaign
from noisecheck.simulate import parse_scene, simulate_scene

PURE: dict[str, tuple[dict[str, Any], str]] = {
    "softer": ({"gain_db": -6.0}, "less energy"),
    "felt": ({"surface": "felt"}, "softer contact"),
    "damped": ({"added_loss": 0.06}, "more damping"),
    "again": ({}, "nothing shown"),
}
"""What is done in the scene, and the reason that is true of it."""


def scene_document(seed: int) -> dict[str, Any]:
    """Return the scene of one campaign."""
    treatments = [{"name": "bare"}, *({"name": name, **done} for name, (done, _) in PURE.items())]
    runs = [
        {
            "run": f"{t['name']}-{s}-{{n}}", "repeat": 2, "session": s, "treatment": t["name"], "seconds": 11.5,
            "replaced_mm": 8.0, "replaced_db": 0.5,
        }
        for t in treatments
        for s in ("day 1", "day 2")
    ]  # fmt: skip
    return {
        "scene": {"rate_hz": 48000, "seed": seed},
        "microphone": [{"channel": 0, "position_mm": [0, 250, 150], "station": "landing", "full_scale_pa": 126.0}],
        "station": [
            {
                "name": "landing", "position_mm": [0, 0, 0], "target": True, "drop_height_mm": 80, "rebounds": 0,
                "plate": {"loss_factor": 0.02},
            }
        ],
        "treatment": [{**t, "station": "landing"} for t in treatments],
        "feed": {"station": "landing", "period_s": 1.3, "balls": 8, "first_s": 0.8},
        "background": {"noise_db": -80.0, "noise_slope_db": -6.0, "hiss_db": -110.0},
        "session": [{"name": "day 1"}, {"name": "day 2", "gain_db": -2.0}],
        "run": runs,
    }  # fmt: skip


def main() -> None:
    campaigns = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    start = time.perf_counter()
    said: dict[str, Counter[str]] = {name: Counter() for name in PURE}
    for number in range(campaigns):
        with tempfile.TemporaryDirectory() as folder:
            simulate_scene(parse_scene(scene_document(seed + number)), Path(folder))
            found = compare_campaign(measure_campaign(load_campaign(folder)), by="treatment")
        for name in PURE:
            reason = found.of(name).why
            said[name][reason.kind if reason else "none"] += 1
    for name, (_, kind) in PURE.items():
        print(f"{name:8s} {kind:16s} right {said[name][kind]} of {campaigns}  {dict(said[name])}")
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
