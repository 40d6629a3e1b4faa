"""A lift that ticks at every microphone: a recording of it without balls tells its ticks from them, and live, too."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from conftest import RATE, machine_in
from numpy.typing import NDArray

from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main
from noisecheck.core.flags import Flag
from noisecheck.pipeline.campaign import measure_campaign

SECONDS = 40


def _ticks(seconds: float, seed: int) -> NDArray[np.float32]:
    """Ticks three times a second, heard louder by one microphone than by the other."""
    rng = np.random.default_rng(seed)
    sound = np.zeros((round(seconds * RATE), 2))
    t = np.arange(RATE // 50) / RATE
    for at in np.arange(0.1, seconds - 0.1, 0.327):
        first = round((at + rng.normal(0.0, 0.002)) * RATE)
        tick = rng.standard_normal(len(t)) * np.exp(-t / 0.002) * 10.0 ** (rng.normal(0.0, 1.5) / 20.0)
        for channel, (late, size) in enumerate(((0, 0.02), (20, 0.01))):
            sound[first + late : first + late + len(t), channel] += size * tick
    return sound.astype(np.float32)


def test_balls_are_followed_amid_the_ticks_of_the_lift(
    tmp_path: Path, sound: tuple[NDArray[np.float32], Any], capsys: pytest.CaptureFixture[str]
) -> None:
    heard = sound[0][: SECONDS * RATE]
    floor = np.random.default_rng(3).normal(0.0, float(np.median(np.abs(heard))), (20 * RATE, 2))
    folder = machine_in(tmp_path, heard)
    soundfile.write(folder / "one.wav", heard + _ticks(SECONDS, 1), RATE, subtype="PCM_24")
    soundfile.write(folder / "empty.wav", floor + _ticks(20.0, 2), RATE, subtype="PCM_24")
    (folder / "runs.csv").write_text("run,file,role\none,one.wav,test\nempty,empty.wav,background\n")
    result = measure_campaign(load_campaign(folder))
    (ledger,) = result.ledgers
    assert [f.kind for f in ledger.findings] == ["stuck"]
    assert result.by_name["one"].impacts.flagged(Flag.MACHINE).sum() > 100
    main(["watch", "--rig", f"{folder}/rig.toml", "--source", f"{folder}/one.wav", "--keep-nothing", "--json"])
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    live = [(f["kind"], round(f["time_s"], 2)) for f in events[-1]["findings"]]
    assert live == [(f.kind, round(f.time_s, 2)) for f in ledger.findings]
