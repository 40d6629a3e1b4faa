"""The ledger of one revision, and that of one recording, is the part of the campaign's ledger that tells of it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main
from noisecheck.core.errors import InputError
from noisecheck.pipeline.account import account_for
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.simulate import parse_scene, simulate_scene

SCENE: dict[str, Any] = {
    "scene": {"seed": 3, "rate_hz": 16_000, "format": "wav", "subtype": "PCM_24"},
    "microphone": [{"channel": 0, "position_mm": [400.0, 300.0, 100.0], "full_scale_pa": 60.0}],
    "station": [
        {"name": "landing", "position_mm": [0.0, 0.0, 0.0], "next": "tray", "transit_s": [0.6, 0.9],
         "surface": "acrylic", "rebounds": 3, "drop_height_mm": 120.0},
        {"name": "tray", "position_mm": [900.0, 0.0, 0.0], "target": True, "surface": "wood", "rebounds": 1},
    ],
    "feed": {"station": "landing", "period_s": 1.4, "balls": 10, "jitter": 0.05},
    "background": {"noise_db": -68.0, "hiss_db": -102.0},
}  # fmt: skip


def _ledger(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["ledger", *arguments, "--json"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One microphone hears both stations: without the taps, which are of no revision, none of them is known."""
    folder = tmp_path_factory.mktemp("one")
    taps = [
        {"run": f"taps-{s}", "role": "taps", "station": s, "balls": 8, "seconds": 13.0} for s in ("landing", "tray")
    ]
    runs = [{"run": f"{r}-1", "revision": r, "seconds": 20.0} for r in "AB"]
    simulate_scene(parse_scene({**SCENE, "run": [*taps, *runs]}), folder)
    return folder


def test_taps_teach_the_runs_of_every_revision(campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole, part = _ledger(capsys, str(campaign)), _ledger(capsys, str(campaign), "--revision", "B")
    assert part["runs"] == [r for r in whole["runs"] if r["run"] == "B-1"]
    assert part["failure_rate_by_revision"]["B"] == whole["failure_rate_by_revision"]["B"]
    assert main(["ledger", str(campaign), "--revision", "D"]) == 2
    assert "revision 'D': no test run has it" in capsys.readouterr().err


def test_taps_teach_a_recording_by_itself(campaign: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = str(campaign / "rig.toml")
    (whole,) = (r for r in _ledger(capsys, str(campaign))["runs"] if r["run"] == "B-1")
    assert _ledger(capsys, str(campaign / "B-1.wav"), "--rig", rig)["runs"] == [whole]
    assert _ledger(capsys, str(campaign / "B-1.wav"))["runs"] == [whole]
    other = tmp_path / "taps-tray.wav"  # a recording that the run sheet does not know, of a name it does
    shutil.copy(campaign / "B-1.wav", other)
    (found,) = _ledger(capsys, str(other), "--rig", rig)["runs"]
    assert (found["run"], found["arrived"], found["findings"]) == (str(other), whole["arrived"], whole["findings"])
    assert main(["ledger", str(other)]) == 2
    assert f"{other}: no rig file beside it, and --rig names none" in capsys.readouterr().err


def test_challenges_say_how_far_they_are(campaign: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise InputError("too short")

    monkeypatch.setattr("noisecheck.pipeline.account.challenge_run", refused)
    said: list[tuple[float, str]] = []
    result = measure_campaign(load_campaign(campaign))
    found = account_for(result, challenged=True, told=lambda share, what: said.append((share, what)))
    assert said == [(0.0, "challenging run A-1"), (0.5, "challenging run B-1")]
    assert "run A-1: not challenged, too short" in found.notes
