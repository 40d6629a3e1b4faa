"""Real struck objects with known truth over machine noise (skipped where the scenes are not at hand)."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.core.flags import Flag
from noisecheck.measure.events import measure_impacts


@pytest.mark.parametrize("scene", ["scene1", "scene2", "scene3"])
def test_levels_of_real_scenes(scene: str, shared: Path) -> None:
    """With the true onsets given: bias and spread of L_AE and L_Zpeak against the clean strokes."""
    x, rate = soundfile.read(shared / f"{scene}.flac", dtype="float32", always_2d=True)
    rows = list(csv.DictReader((shared / f"{scene}.truth.csv").read_text().splitlines()))
    onsets = np.array([round(float(r["time_s"]) * rate) for r in rows])
    starts, stops = np.append(0, onsets + round(0.4 * rate)), np.append(onsets - round(0.01 * rate), len(x))
    quiet = np.stack([starts, stops], 1)[stops - starts > 0.02 * rate]
    found = measure_impacts(
        x,
        rate,
        origin=0,
        onsets=onsets,
        channels=np.zeros(len(onsets), int),
        limits=np.append(onsets[1:], len(x)),
        quiet=quiet,
    )
    error = found["lae_db"] - [float(r["lae_db"]) for r in rows]
    gap = np.append(np.diff(onsets), len(x) - onsets[-1]) / rate
    before = np.append(9.0, np.diff(onsets) / rate)
    clear = ~((found["flags"] & np.uint32(Flag.LOW_MARGIN | Flag.OVERLAPPED | Flag.TRUNCATED)) != 0)
    assert abs(np.median(error[clear])) < 0.05
    assert abs(error[clear].mean()) < 0.1
    strong = found["margin_db"] > 15
    assert abs(np.median(error[strong])) < 0.1
    assert np.percentile(np.abs(error[clear & strong]), 90) < 0.3
    alone = (gap > 0.3) & (before > 0.3) & strong
    if alone.sum() >= 5:
        assert abs(error[alone].mean()) < 0.05
        assert np.mean(np.abs(error[alone]) < 0.2) >= 0.9
    # no correction on peaks: where nothing else sounds they agree, elsewhere they can only be higher
    peak = found["lzpeak_db"] - [float(r["lzpeak_db"]) for r in rows]
    assert np.percentile(peak, 10) > -0.6
    if alone.sum() >= 5:
        assert abs(np.median(peak[alone])) < 0.2
