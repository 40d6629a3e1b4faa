"""Takes of one session whose gain was another are known by their backgrounds, from the recordings on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.cli import main

RATE = 16_000


def _take(rng: np.random.Generator, level: float, gain: float) -> np.ndarray:
    x = rng.normal(0, 1e-3, 5 * RATE)
    t = np.arange(RATE // 4) / RATE
    for at in np.arange(0.8, 4.5, 0.6) + rng.uniform(-0.1, 0.1):
        ring = np.exp(-t / 0.02) * np.sin(2 * np.pi * rng.uniform(1900, 2100) * t) * rng.uniform(0.95, 1.05)
        x[int(at * RATE) :][: len(t)] += level * ring
    return x * gain


@pytest.mark.parametrize("gain", [1.0, 5.0])
def test_takes_with_another_gain_are_a_bound(tmp_path: Path, gain: float, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(31)
    rows = ["run,file,treatment,station,session"]
    for pad, level, g in (("bare", 0.5, 1.0), ("felt", 0.07, gain)):
        for i in range(3):
            soundfile.write(tmp_path / f"{pad}{i}.wav", _take(rng, level, g), RATE, subtype="PCM_24")
            rows.append(f"{pad}{i},{pad}{i}.wav,{pad},landing,day 1")
    (tmp_path / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "rig.toml").write_text('[[station]]\nname = "landing"\n', encoding="utf-8")
    assert main(["compare", str(tmp_path), "--by", "treatment"]) == 0
    told = capsys.readouterr().out
    assert ("felt against bare: at least 2.9 dB quieter" in told) == (gain > 1)  # 17 dB, recorded with 14 dB more gain
    assert ("the background of the felt runs lies 1" in told) == (gain > 1)


def test_microphones_with_other_backgrounds_are_not_set_against_one_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Balls heard best by now one, now the other of two microphones looked like another gain beside those of one."""
    rng = np.random.default_rng(32)
    rows = ["run,file,treatment,station,session"]
    for pad, level, beside in (("bare", 0.2, (0.88, 1.12)), ("felt", 0.07, (1.12,))):
        for i in range(3):
            x = np.stack([_take(rng, 0.0, 1.0), _take(rng, 0.0, 4.0)], axis=1)
            t = np.arange(RATE // 4) / RATE
            for k, at in enumerate(np.arange(0.8, 4.5, 0.6) + rng.uniform(-0.1, 0.1)):
                ring = level * np.exp(-t / 0.02) * np.sin(2 * np.pi * 2000 * t)
                x[int(at * RATE) :][: len(t)] += ring[:, None] * [1.0, beside[k % len(beside)]]
            soundfile.write(tmp_path / f"{pad}{i}.wav", x, RATE, subtype="PCM_24")
            rows.append(f"{pad}{i},{pad}{i}.wav,{pad},landing,day 1")
    (tmp_path / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "rig.toml").write_text('[[station]]\nname = "landing"\n', encoding="utf-8")
    assert main(["compare", str(tmp_path), "--by", "treatment"]) == 0
    told = capsys.readouterr().out
    assert "felt against bare: " in told
    assert "at least" not in told
