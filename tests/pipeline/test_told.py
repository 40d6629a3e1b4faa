"""What `measure` says of a recording is what `compare` takes of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from noisecheck.bench.runsheet import Run
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.files import Measured, measure_files
from noisecheck.pipeline.run import RunResult

RATE = 16_000


def test_drops_and_rebounds_stand_apart(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    sound = rng.normal(0.0, 1e-5, 20 * RATE)
    t = np.arange(RATE // 10) / RATE
    ring = np.sin(2 * np.pi * 2000 * t) * np.exp(-t / 0.01)
    for k in range(8):
        at = 1.0 + 2.2 * k + rng.uniform(0.0, 0.3)
        for late, size in ((0.0, 0.2), (0.25, 0.05)):
            first = round((at + late) * RATE)
            sound[first : first + len(t)] += size * ring
    soundfile.write(tmp_path / "take.wav", sound, RATE, subtype="PCM_24")
    measured = measure_files([str(tmp_path / "take.wav")])
    first, second = measured.sentences()
    assert first.endswith("16 impacts in 20.0 s")
    # A decaying sine of amplitude a and time constant tau carries a^2 tau / 4; A-weighting is +1.2 dB at 2 kHz.
    expected = 10 * np.log10(0.2**2 * 0.01 / 4) + 1.2
    level = float(second.split("L_AE ")[1].split(" dB")[0])
    assert abs(level - expected) < 0.3
    assert second.startswith("  all impacts: 8 drops and 8 rebounds, ")
    assert "strongest band 2000 Hz" in second


def test_reference_drops_are_counted_apart_and_their_peak_is_not_the_machines() -> None:
    level = np.array([-20.0, -26.0, -40.0, -46.0, -40.0, -46.0])
    table = Impacts.of(
        6, run="a", file="a.wav", time_s=np.arange(6.0), lae_db=level, lzpeak_db=level + 20, db_re="full scale",
        rebound=np.array([0, 1, 0, 1, 0, 1]), margin_db=30.0,
        flags=np.array([int(Flag.REFERENCE)] * 2 + [0] * 4, np.uint32),
    )  # fmt: skip
    nothing, whole = np.empty(0), np.empty(0, np.int64)
    onsets = Onsets(whole, whole, nothing, np.empty((0, 1), np.int64), np.empty((0, 1)))
    run = RunResult(Run("a", ("a.wav",)), table, onsets, RATE, 6.0, 1, (Path("a.wav"),))
    _, place, apart = Measured((run,), {}).sentences()
    assert place.startswith("  all impacts: 2 drops and 2 rebounds, L_AE -40.0 dB")
    assert "loudest peak L_Zpeak -20.0 dB" in place
    assert apart == "  reference drops: 2 impacts, none of the machine's"


def test_drops_set_apart_that_may_be_reference_drops_are_said(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    sound = rng.normal(0.0, 1e-5, 30 * RATE)
    t = np.arange(RATE // 10) / RATE
    own = sum(np.sin(2 * np.pi * f * t) for f in (900, 2300, 4100)) * np.exp(-t / 0.01)
    tile = sum(np.sin(2 * np.pi * f * t) for f in (1500, 3300, 6200)) * np.exp(-t / 0.004)
    for at in (1.0, 1.8, 2.6):
        sound[round(at * RATE) :][: len(t)] += 0.2 * tile
    for k in range(12):
        sound[round((9.0 + 1.6 * k + rng.uniform(0, 0.2)) * RATE) :][: len(t)] += 0.1 * rng.uniform(0.9, 1.1) * own
    soundfile.write(tmp_path / "take.wav", sound, RATE, subtype="PCM_24")
    (tmp_path / "rig.toml").write_text('[rig]\nname = "foyer"\n')
    said = measure_files([tmp_path / "take.wav"], rig_path=str(tmp_path / "rig.toml")).sentences()
    assert any(line.startswith("note: ") and "the first 3 drops stand" in line for line in said)
