"""Scene files that cannot be used end in one sentence with file and key."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from noisecheck.core.errors import InputError
from noisecheck.simulate import load_scene, parse_scene

GOOD: dict[str, Any] = {
    "scene": {"rate_hz": 48000},
    "microphone": [{"position_mm": [0, 200, 100]}],
    "station": [
        {"name": "landing", "position_mm": [0, 0], "next": "tray", "transit_s": [0.5, 1.0]},
        {"name": "tray", "position_mm": [300, 0]},
    ],
    "run": [{"run": "a"}],
}


def _changed(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    document = copy.deepcopy(GOOD)
    at = document
    for key in path[:-1]:
        at = at[key] if isinstance(at, list) else at.setdefault(key, {})
    at[path[-1]] = value
    return document


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (("ball", "diametre_mm"), 12.0, r"\[ball\]: unknown key 'diametre_mm' \(did you mean 'diameter_mm'\?\)"),
        (("sceen",), {}, r"unknown key or section 'sceen' \(did you mean 'scene'\?\)"),
        (
            ("station", 1, "surfase"),
            "x",
            r"\[\[station\]\] number 2: unknown key 'surfase' \(did you mean 'surface'\?\)",
        ),
        (("station", 0, "plate"), {"thicknes_mm": 2}, r"unknown key 'thicknes_mm' \(did you mean 'thickness_mm'\?\)"),
        (("station", 1, "surface"), "stel", r"'tray': surface = 'stel' is not known \(did you mean 'steel'\?\)"),
        (("station", 0, "next"), "trey", r"next = 'trey' is not known \(did you mean 'tray'\?\)"),
        (("station", 1, "next"), "landing", r"transit_s = \[shortest, longest\] must be given with next"),
        (("station", 1, "name"), "landing", r"\[\[station\]\] 'landing' is there twice"),
        (("scene", "rate_hz"), 4000, r"\[scene\]: rate_hz = 4000: .*8000"),
        (("scene", "rate_hz"), "fast", r"\[scene\]: rate_hz = 'fast': .*integer"),
        (("scene", "subtype"), "FLOAT", r"\[scene\]: subtype = 'FLOAT' does not fit in FLAC"),
        (("microphone", 0, "position_mm"), [0, 0.2, 0.1], "given in metres"),
        (("microphone", 0, "channel"), 1, "channels must be 0, 1, 2"),
        (("run", 0, "run"), "../up", "run names a file"),
        (("run", 0, "feed"), {"perod_s": 1}, r"'a': feed has the unknown key 'perod_s' \(did you mean 'period_s'\?\)"),
        (("run", 0, "recorder"), {"clip_at": 2.0}, r"'a': recorder.clip_at"),
        (("run", 0, "fault"), [{"kind": "stuck"}], "a 'stuck' fault needs ball and station"),
        (("station",), {"name": "landing"}, r"\[\[station\]\]: must be written as \[\[station\]\]"),
        (("feed",), 5, r"\[feed\]: must be written as \[feed\]"),
        (("recorder",), {"dead_channels": [7]}, "recorder names channel 7, there are 0 to 0"),
        (("run", 0, "seconds"), 1e12, r"\[\[run\]\] number 1: seconds"),
        (("run",), [], r"\[\[run\]\]"),
        (("feed", "period_s"), float("nan"), r"\[feed\]: period_s"),
    ],
)
def test_one_sentence(path: tuple[Any, ...], value: Any, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        parse_scene(_changed(path, value), name="clock.toml")
    assert str(caught.value).startswith("clock.toml: ")
    assert "\n" not in str(caught.value)


def test_the_unchanged_document_is_good() -> None:
    assert [r.run for r in parse_scene(GOOD).runs()] == ["a"]


def test_files_that_are_no_scene(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.toml: cannot be read"):
        load_scene(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("a = [")
    with pytest.raises(InputError, match=r"bad\.toml: not valid TOML"):
        load_scene(tmp_path / "bad.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    with pytest.raises(InputError, match=r"latin\.toml: not UTF-8"):
        load_scene(tmp_path / "latin.toml")


def test_repeats_are_spelled_out_with_their_sessions_dates() -> None:
    document = _changed(("run",), [{"run": "bare-{n}", "session": "day {n}", "repeat": 2}])
    document["session"] = [{"name": "day 1", "recorded": "2026-03-02 17:30"}, {"name": "day 2"}]
    runs = parse_scene(document).runs()
    assert [(r.run, r.session, r.recorded) for r in runs] == [
        ("bare-1", "day 1", "2026-03-02 17:30"),
        ("bare-2", "day 2", ""),
    ]
