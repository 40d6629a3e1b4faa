"""Samples that a recorder lost: the impacts they cut are flagged and in no mean; a noise gate is no dropout."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck import account_for, load_campaign, measure_campaign
from noisecheck.compare.summary import RunSummary
from noisecheck.core.flags import Flag
from noisecheck.pipeline.history import WAS_CODED

_RATE = 48_000
_AT = np.arange(1.0, 9.0)


def _take(rng: np.random.Generator) -> np.ndarray:
    x = 1e-4 * rng.standard_normal(10 * _RATE)
    t = np.arange(_RATE // 2) / _RATE
    for second in _AT:
        first = round(second * _RATE)
        x[first : first + len(t)] += 0.1 * np.sin(2 * np.pi * 2100 * t) * np.exp(-25 * t)
    return x


def _measured(folder: Path, x: np.ndarray) -> tuple[RunSummary, np.ndarray]:
    folder.mkdir()
    soundfile.write(folder / "take.wav", x, _RATE, subtype="PCM_24")
    (folder / "runs.csv").write_text("run,file,balls_fed\ntake,take.wav,8\n")
    (folder / "rig.toml").write_text("")
    result = measure_campaign(load_campaign(folder))
    return result.summaries[0], result.impacts["time_s"][result.impacts.flagged(Flag.DROPOUT)]


def test_an_impact_cut_by_lost_samples_is_flagged_and_in_no_mean(tmp_path: Path) -> None:
    x = _take(np.random.default_rng(3))
    x[round(2.995 * _RATE) : round(3.01 * _RATE)] = 0.0  # begins before the impact at 3 s
    x[round(5.05 * _RATE) : round(5.08 * _RATE)] = 0.0  # inside the ring of that at 5 s
    x[round(6.6 * _RATE) : round(6.7 * _RATE)] = 0.0  # between two
    summary, hit = _measured(tmp_path / "few", x)
    assert [np.abs(hit - second).min() < 0.02 for second in _AT] == [
        False,
        False,
        True,
        False,
        True,
        False,
        False,
        False,
    ]
    assert {round(float(t), 1) for t in hit} <= {3.0, 5.0, 5.1, 6.7}  # what begins with the sound again is flagged too
    assert summary.used == len(_AT) - 2
    assert summary.excluded["dropout"] >= 2


def test_a_noise_gate_is_no_dropout(tmp_path: Path) -> None:
    x = _take(np.random.default_rng(3))
    for second in _AT:
        x[round((second + 0.2) * _RATE) : round((second + 0.99) * _RATE)] = 0.0
    summary, hit = _measured(tmp_path / "gate", x)
    assert not len(hit)
    assert summary.used == len(_AT)


def _account_notes(folder: Path) -> tuple[str, ...]:
    """Return what the account says of the one take in a folder."""
    (folder / "runs.csv").write_text("run,file,balls_fed\ntake,take.wav,8\n")
    stations = '[[station]]\nname = "landing"\nnext = "tray"\n[[station]]\nname = "tray"\ntarget = true\n'
    (folder / "rig.toml").write_text(stations)
    return account_for(measure_campaign(load_campaign(folder))).notes


def test_the_account_says_that_a_recording_is_cut_off(tmp_path: Path) -> None:
    """Balls that the lost end held are otherwise only missing."""
    soundfile.write(tmp_path / "take.wav", _take(np.random.default_rng(3)), _RATE, subtype="PCM_24")
    whole = (tmp_path / "take.wav").read_bytes()
    (tmp_path / "take.wav").write_bytes(whole[: len(whole) // 2])
    assert any(n.startswith("run take: the file is cut off") for n in _account_notes(tmp_path))


def test_the_account_says_that_a_recording_was_treated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("noisecheck.pipeline.listen.tells_codec", lambda *_: True)
    soundfile.write(tmp_path / "take.wav", _take(np.random.default_rng(3)), _RATE, subtype="PCM_24")
    assert f"run take: {WAS_CODED}" in _account_notes(tmp_path)
