"""Calibrators in a campaign: dB re 20 uPa from a 94 dB tone, and a drift beyond ISO 1996-2's 0.5 dB refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import CampaignResult, compare_campaign, measure_campaign
from noisecheck.pipeline.files import measure_files
from noisecheck.pipeline.revisions import trend_campaign
from noisecheck.report.tell import tell_comparison

RATE = 16_000
SHEET = "run,file,treatment,session\n" + "".join(
    f"{t}-{n},{t}{n}.wav,{t},day {n}\n" for t in ("bare", "felt") for n in (1, 2, 3)
)


def tone(path: Path, level_db: float) -> None:
    """Write 6 s of a 1 kHz calibrator whose RMS reads ``level_db`` re full scale."""
    t = np.arange(6 * RATE) / RATE
    soundfile.write(path, np.sqrt(2) * 10 ** (level_db / 20) * np.sin(2000 * np.pi * t), RATE, subtype="PCM_24")


def takes(folder: Path) -> None:
    """Write clicks (1 kHz, 5 ms decay) of known level: felt 6.02 dB under bare."""
    t = np.arange(RATE // 2) / RATE
    for name, amplitude in (("bare", 0.2), ("felt", 0.1)):
        for n in (1, 2, 3):
            rng = np.random.default_rng(n)
            x = 1e-4 * rng.standard_normal(6 * RATE)
            for k in range(8):
                at = int((0.4 + 0.65 * k) * RATE)
                x[at : at + len(t)] += amplitude * np.exp(-t / 0.005) * np.sin(2000 * np.pi * t)
            soundfile.write(folder / f"{name}{n}.wav", x, RATE, subtype="PCM_24")


def campaign(folder: Path, drift_db: float) -> CampaignResult:
    takes(folder)
    tone(folder / "before.wav", -30.0)
    tone(folder / "after.wav", -30.0 + drift_db)
    (folder / "rig.toml").write_text('[calibration]\nfile = "before.wav"\nfile_after = "after.wav"\nlevel_db = 94.0\n')
    (folder / "runs.csv").write_text(SHEET)
    return measure_campaign(load_campaign(folder))


def test_levels_are_in_the_calibrators_decibels(tmp_path: Path) -> None:
    result = campaign(tmp_path, 0.3)
    bare = result.impacts.where(result.impacts.is_text("run", "bare-1"))
    # Exposure of a exp(-t/tau) sin(wt): a^2 tau / 4 (1 - 1 / (1 + (w tau)^2)), in closed form; A is 0 dB at 1 kHz,
    # IEC 61672-1:2013, but for what lies beside the line. The tone puts 94 dB at -30 dB re full scale: 124 dB.
    energy = 0.04 * 0.005 / 4 * (1 - 1 / (1 + (2000 * np.pi * 0.005) ** 2))
    assert set(bare["db_re"]) == {"20 uPa"}
    assert np.median(bare["lae_db"]) == pytest.approx(124.0 + 10 * np.log10(energy), abs=0.3)
    assert any("calibration drift -0.30 dB between the two checks, within 0.5 dB" in n for n in result.runs[0].notes)
    (difference,) = (d for d in compare_campaign(result, by="treatment").differences if d.measure == "lae_db")
    assert difference.difference_db == pytest.approx(-6.02, abs=0.1)


def test_more_than_half_a_decibel_of_drift_is_not_comparable(tmp_path: Path) -> None:
    result = campaign(tmp_path, 0.7)
    assert any("levels are not comparable" in n for n in result.runs[0].notes)
    assert all("drifted" in row["flags"] for row in result.impacts.rows())
    verdicts = {d.verdict for d in compare_campaign(result, by="treatment").differences}
    assert verdicts == {"not comparable"}
    by_revision = replace(
        result, summaries=tuple(replace(s, run=replace(s.run, revision="A")) for s in result.summaries)
    )
    assert any(
        note == "revision A: no impact has a level to compare: 48 drifted" for note in trend_campaign(by_revision).notes
    )
    first = tell_comparison(compare_campaign(result, by="treatment"))[0]
    assert first == "L_AE by treatment: means of run means, 95% intervals from runs"


def test_a_recording_from_elsewhere_is_measured_by_the_calibrator_beside_the_rig_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not by one of the same name in the working folder, whose tone is 10 dB louder."""
    home, away = tmp_path / "home", tmp_path / "away"
    for folder in (home, away):
        folder.mkdir()
        tone(folder / "before.wav", -30.0 if folder == home else -20.0)
    (home / "rig.toml").write_text('[calibration]\nfile = "before.wav"\nlevel_db = 94.0\n')
    takes(away)
    monkeypatch.chdir(away)
    bare = measure_files(["bare1.wav"], rig_path=home / "rig.toml").impacts
    energy = 0.04 * 0.005 / 4 * (1 - 1 / (1 + (2000 * np.pi * 0.005) ** 2))
    assert set(bare["db_re"]) == {"20 uPa"}
    assert np.median(bare["lae_db"]) == pytest.approx(124.0 + 10 * np.log10(energy), abs=0.3)
