"""A run recorded with another gain is told, and nothing that was tried is taken for one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import levels_of, summary_of

from noisecheck.bench.runsheet import Run
from noisecheck.compare.apart import runs_apart, say_apart
from noisecheck.compare.summary import RunSummary

SESSIONS = {"day 1": 0.0, "day 2": -12.0, "day 3": 9.0}


def campaign(seed: int, *, sd_db: float = 1.0, off: dict[str, float] | None = None, **more: Any) -> list[RunSummary]:
    """Two pads at two heights and two stations, a run of each a day; days differ in gain, runs by placement."""
    rng = np.random.default_rng(seed)
    rows = []
    for session, gain in SESSIONS.items():
        for treatment, level in (("bare", 60.0), ("felt", 42.0)):
            for height in (60.0, 120.0):
                name = f"{treatment}-{height:g}-{session}"
                shift = gain + rng.normal(0, sd_db) + (off or {}).get(name, 0.0)
                for station in ("landing", "tray"):
                    run = Run(
                        name, (), treatment=treatment, drop_height_mm=height, session=session, station=station, **more
                    )
                    rows.append(summary_of(run, levels_of(level * (station == "landing") + shift)))
    return rows


def test_a_run_of_another_gain_is_told() -> None:
    odd = "felt-120-day 2"
    for seed in range(20):
        (said,) = say_apart(runs_apart(campaign(seed, off={odd: 20.0})))
        assert said.startswith(f"run {odd} reads +")
        assert abs(float(said.split(" reads ")[1].split(" dB")[0]) - 20.0) < 4.0


def test_sessions_pads_and_placement_are_no_other_gain() -> None:
    assert not any(runs_apart(campaign(seed, sd_db=sd)) for seed in range(300) for sd in (0.3, 1.0, 2.0))
    assert runs_apart([]) == {}


def test_two_runs_do_not_tell_which_is_odd() -> None:
    rows = [r for r in campaign(1, off={"bare-60-day 1": 20.0}) if r.run.session != "day 3"]
    assert runs_apart(rows) == {}
