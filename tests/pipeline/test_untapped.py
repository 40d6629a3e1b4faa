"""A pad that was put on after the stations were tapped: comparison and ledger ask for its taps."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from noisecheck.cli import main
from noisecheck.simulate import parse_scene, simulate_scene

SCENE: dict[str, Any] = {
    "scene": {"seed": 5, "rate_hz": 16_000, "format": "wav", "subtype": "PCM_24"},
    "microphone": [{"channel": 0, "position_mm": [400.0, 300.0, 100.0], "full_scale_pa": 60.0}],
    "station": [
        {"name": "landing", "position_mm": [0.0, 0.0, 0.0], "next": "tray", "transit_s": [0.6, 0.9],
         "surface": "acrylic", "rebounds": 3, "drop_height_mm": 120.0},
        {"name": "tray", "position_mm": [900.0, 0.0, 0.0], "target": True, "surface": "wood", "rebounds": 1},
    ],
    "treatment": [
        {"name": "bare", "station": "landing"},
        {"name": "rubber", "station": "landing", "surface": "rubber", "added_loss": 0.1, "restitution": 0.3},
    ],
    "feed": {"station": "landing", "period_s": 1.4, "balls": 10, "jitter": 0.05},
    "background": {"noise_db": -80.0, "hiss_db": -112.0},
}  # fmt: skip


@pytest.mark.parametrize("tapped", [False, True])
def test_a_pad_nobody_tapped_is_asked_for(tmp_path: Path, tapped: bool, capsys: pytest.CaptureFixture[str]) -> None:
    taps = [
        {"run": f"taps-{s}-{t}", "role": "taps", "station": s, "treatment": t, "balls": 8, "seconds": 13.0}
        for s, t in [("landing", "bare"), ("tray", "bare"), ("landing", "rubber")][: 3 if tapped else 2]
    ]
    runs = [{"run": t, "treatment": t, "seconds": 18.0} for t in ("bare", "rubber")]
    simulate_scene(parse_scene({**SCENE, "run": [*taps, *runs]}), tmp_path / "c")
    asked = "impacts fit no taught sound and hardly any is put to 'landing': was a pad changed there?"
    for command in (["compare", "--by", "treatment", "--station", "landing"], ["ledger"]):
        assert main([command[0], str(tmp_path / "c"), *command[1:]]) == 0
        told = capsys.readouterr().out
        assert (asked in told) == (not tapped)
        assert f"run bare: {asked}" not in told
