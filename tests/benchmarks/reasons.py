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

from pieces import campaign_scene

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
    return campaign_scene(
        seed,
        [{"name": "bare"}, *({"name": name, **done} for name, (done, _) in PURE.items())],
        seconds=11.5,
        feed={"period_s": 1.3, "balls": 8},
        station={"rebounds": 0, "plate": {"loss_factor": 0.02}},
        background={"noise_db": -80.0, "hiss_db": -110.0},
    )


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
