"""Before balls can be judged a watch says what it waits for, and then that it has begun."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from machine import RIG

from noisecheck.bench.rig_file import load_rig
from noisecheck.live.events import Event
from noisecheck.live.follow import Follower
from noisecheck.live.placing import Placer

RATE = 16_000
NOISE = (1e-4 * np.random.default_rng(1).standard_normal((RATE * 14, 2))).astype(np.float32)


def notes(folder: Path, rig: str, samples: Any) -> list[Event]:
    (folder / "rig.toml").write_text(rig)
    known = load_rig(folder / "rig.toml")
    follower = Follower(known, RATE, 2, placer=Placer(known, RATE, None))
    return [e for e in follower.take(samples) if e.kind == "note"]


def test_what_is_not_known_yet_is_said_once_and_why(tmp_path: Path, sound: Any) -> None:
    (said,) = notes(tmp_path, RIG, NOISE)
    assert said.text.startswith("0 impacts heard; nothing is said of balls yet: how they rebound at landing, tray")
    assert "0:00:48.0" in said.text
    assert 11.9 < said.said_s < 12.5
    (said,) = notes(tmp_path, re.sub(r"transit_s = .*", "", RIG), sound[0][: len(NOISE)])
    assert "how long they take from landing is not in the rig file (transit_s)" in said.text
    assert "rebound" not in said.text


def test_that_balls_are_followed_is_said_once(tmp_path: Path, sound: Any) -> None:
    (said,) = notes(tmp_path, RIG, sound[0][: 18 * RATE])
    assert said.text.startswith("balls are followed from here on")
    assert said.said_s == pytest.approx(12.0, abs=0.5)
