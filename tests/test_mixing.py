"""Recordings of different rates, devices, kinds of microphone and band limits, from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.cli import main

HEAD = "run,file,treatment,drop_height_mm,role,session,device\n"


def knocks(seed: int, *, rate: int = 48000, gain_db: float = 0.0, channels: tuple[int, ...] = (0,), of: int = 1) -> Any:
    """5 s of five broad knocks with tones from 300 Hz to 9 kHz, each run 0.3 dB its own way, (frames, of)."""
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 3e-5, (5 * rate, of))
    t = np.arange(int(0.3 * rate)) / rate
    tones = [f for f in (300, 700, 1500, 2900, 5200, 6800, 9000) if f < 0.45 * rate]
    ring = sum(np.sin(2 * np.pi * f * t) * np.exp(-t / 0.03) for f in tones)
    for at in np.arange(0.6, 4.6, 0.9):
        level = 10 ** ((gain_db + rng.normal(0, 0.3)) / 20)
        for channel in channels:
            x[int(at * rate) :][: len(t), channel] += 0.05 * level * ring
    return x


def campaign(folder: Path, sides: dict[str, dict[str, Any]], *, rig: str = "") -> Path:
    """Three runs a side; ``device`` and ``session`` go into the sheet, the rest to :func:`knocks`."""
    folder.mkdir()
    rows = []
    for number, (value, how) in enumerate(sides.items()):
        sheet = {k: how.pop(k, "") for k in ("session", "device")}
        for k in range(3):
            name = f"{value}{k}"
            x = knocks(10 * number + k, gain_db=-3.0 * number, **how)
            soundfile.write(folder / f"{name}.wav", x, how.get("rate", 48000), subtype="PCM_24")
            rows.append(f"{name},{name}.wav,{value},60,test,{sheet['session']},{sheet['device']}\n")
    (folder / "runs.csv").write_text(HEAD + "".join(rows))
    if rig:
        (folder / "rig.toml").write_text(rig)
    return folder


def compared(folder: Path, capsys: pytest.CaptureFixture[str], by: str = "treatment") -> dict[str, Any]:
    assert main(["compare", str(folder), "--by", by, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    return next(d for d in document["differences"] if d["measure"] == "lae_db")


def test_rates_that_carry_the_same_bands_are_compared(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = compared(campaign(tmp_path / "c", {"bare": {}, "felt": {"rate": 44100}}), capsys)
    assert found["verdict"] == "quieter"
    assert found["difference_db"] == pytest.approx(-3.0, abs=0.6)


def test_a_rate_that_carries_less_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = compared(campaign(tmp_path / "c", {"bare": {}, "felt": {"rate": 16000}}), capsys)
    assert found["verdict"] == "not comparable"
    assert "carry nothing above" in found["warnings"][0]


def test_a_recorder_that_cuts_the_top_has_its_bands_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = compared(campaign(tmp_path / "c", {"bare": {}, "felt": {"rate": 32000}}), capsys)
    assert found["verdict"] == "quieter"
    assert any("bands above are left out" in w for w in found["warnings"])


def test_kinds_of_microphone_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = '[[microphone]]\nchannel = 0\nkind = "air"\n[[microphone]]\nchannel = 1\nkind = "contact"\n'
    sides = {"bare": {"channels": (0,), "of": 2}, "felt": {"channels": (1,), "of": 2}}
    found = compared(campaign(tmp_path / "c", sides, rig=rig), capsys)
    assert found["verdict"] == "not comparable"
    assert found["warnings"][0] == "bare was heard by air microphones, felt by contact ones"


def test_other_devices_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = campaign(tmp_path / "c", {"bare": {"device": "phone"}, "felt": {"device": "recorder"}})
    found = compared(folder, capsys)
    assert found["verdict"] == "not comparable"
    assert found["warnings"][0] == (
        "bare was recorded with device phone, felt with recorder: their gains differ, levels are not calibrated and no "
        "reference drop ties them"
    )
    # to compare the devices themselves is what was asked for
    assert compared(folder, capsys, by="device")["verdict"] == "quieter"


def test_sessions_without_a_tie_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = compared(campaign(tmp_path / "c", {"bare": {"session": "a"}, "felt": {"session": "b"}}), capsys)
    assert found["verdict"] == "not comparable"
    assert "no reference drop ties the sessions" in found["warnings"][0]
