"""The same recording under two names is said."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import soundfile

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import compare_campaign, measure_campaign

RATE = 16_000


def _take(path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    sound = rng.normal(0.0, 1e-4, 8 * RATE)
    for at in np.arange(1.0, 7.0) * RATE + rng.integers(0, 2000, 6):
        sound[int(at) : int(at) + 800] += 0.1 * rng.standard_normal(800) * np.exp(-np.arange(800) / 200)
    soundfile.write(path, sound, RATE, subtype="PCM_24")


def test_a_copy_counted_as_a_run_is_said(tmp_path: Path) -> None:
    for number, name in enumerate(["one", "two", "three", "four"]):
        _take(tmp_path / f"{name}.wav", number)
    shutil.copy(tmp_path / "three.wav", tmp_path / "again.wav")
    rows = [
        f"{n},{n}.wav,{t}" for n, t in zip(["one", "two", "three", "four"], ["bare"] * 2 + ["felt"] * 2, strict=True)
    ]
    sheet = "\n".join(["run,file,treatment", *rows]) + "\n"
    (tmp_path / "runs.csv").write_text(sheet)
    assert measure_campaign(load_campaign(tmp_path)).copies == ()
    (tmp_path / "runs.csv").write_text(sheet + "again,again.wav,felt\n")
    said = compare_campaign(measure_campaign(load_campaign(tmp_path)), by="treatment").warnings
    assert any(w.startswith("run again is the same recording as run three") for w in said)
