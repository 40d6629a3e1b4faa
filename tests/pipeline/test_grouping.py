"""Nothing taught: sounds that are alike are found, shown, and named in one line of the rig file."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.bench.campaign import load_campaign
from noisecheck.core.errors import InputError
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.files import measure_files
from noisecheck.pipeline.grouping import grouped
from noisecheck.report.page import write_report

RATE = 32_000


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs in which two very different places sound in turn at levels that overlap."""
    folder = tmp_path_factory.mktemp("grouping")
    t = np.arange(RATE // 3) / RATE
    sounds = {
        "dull": np.exp(-t / 0.02) * (np.sin(2 * np.pi * 350 * t) + 0.7 * np.sin(2 * np.pi * 520 * t)),
        "bright": np.exp(-t / 0.04) * (np.sin(2 * np.pi * 4200 * t) + 0.6 * np.sin(2 * np.pi * 6900 * t)),
    }
    for number in (1, 2):
        rng = np.random.default_rng(number)
        x = 3e-5 * rng.standard_normal(RATE * 26)
        for k in range(48):
            at = int((0.5 + 0.5 * k + rng.uniform(0, 0.05)) * RATE)
            x[at : at + len(t)] += 10 ** rng.uniform(-1.5, -0.9) * sounds["dull" if k % 2 else "bright"]
        soundfile.write(folder / f"take{number}.wav", x, RATE, subtype="PCM_24")
    return folder


def truth(time_s: np.ndarray) -> np.ndarray:
    """Return the name of each impact by the half second it lies in."""
    return np.where(np.floor((time_s - 0.5) / 0.5).astype(int) % 2 == 1, "dull", "bright")


def test_groups_are_found_shown_and_named(campaign: Path, tmp_path: Path) -> None:
    result = measure_campaign(load_campaign(campaign))
    found = grouped([(r.run, r.impacts) for r in result.runs])
    assert len(found.groups.groups) == 2
    for number in (0, 1):
        mine = truth(found.impacts["time_s"][found.groups.member == number])
        assert len(set(mine)) == 1
        assert len(mine) >= 46
    write_report(result, tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text()
    assert "Sounds that are alike" in page
    assert "Group A" in page

    names = dict.fromkeys(truth(np.array([found.example(k)[1]]))[0] for k in (0, 1))
    assert set(names) == {"dull", "bright"}
    line = found.line
    for k in (0, 1):
        line = line.replace(f'= "{"AB"[k]}"', f'= "{truth(np.array([found.example(k)[1]]))[0]}"')
    assert len(tomllib.loads(line)["groups"]) == 2
    (campaign / "rig.toml").write_text(f"[rig]\n{line}\n")
    try:
        named = measure_campaign(load_campaign(campaign))
    finally:
        (campaign / "rig.toml").unlink()
    for k in (0, 1):
        run, at = found.example(k)
        row = np.flatnonzero(named.impacts.is_text("run", run) & (np.abs(named.impacts["time_s"] - at) < 1e-6))[0]
        assert named.impacts["station"][row] == truth(np.array([at]))[0]
        assert named.impacts["station_confidence"][row] == 1.0
    stations = named.impacts["station"]
    placed = stations != ""
    assert placed.mean() > 0.95
    assert (stations[placed] == truth(named.impacts["time_s"])[placed]).all()


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('groups = { "take9 1.0" = "dull" }', "there is no test run 'take9'"),
        ('groups = { "take1 0.1" = "dull" }', "is no impact of any group"),
        ('groups = { "take1" = "dull" }', "a space and a time in seconds"),
    ],
)
def test_a_name_for_nothing_is_one_sentence(campaign: Path, line: str, sentence: str) -> None:
    (campaign / "rig.toml").write_text(f"[rig]\n{line}\n")
    try:
        with pytest.raises(InputError, match=sentence):
            measure_campaign(load_campaign(campaign))
    finally:
        (campaign / "rig.toml").unlink()


def test_groups_that_name_another_run_are_not_blamed_on_a_single_recording(campaign: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text('[rig]\ngroups = { "take1 1.0" = "dull" }\n')
    with pytest.raises(InputError, match="no test run 'take1' in what is measured here: groups are of whole campaigns"):
        measure_files([campaign / "take2.wav"], rig_path=rig)
