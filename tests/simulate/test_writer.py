"""A scene file becomes a campaign folder: same bytes, readable files, flat memory, truth beside."""

from __future__ import annotations

import csv
import hashlib
import tomllib
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.audio.recording import open_recording
from noisecheck.bench.rig_file import load_rig
from noisecheck.bench.runsheet import load_runs
from noisecheck.core.errors import InputError
from noisecheck.simulate import RunRenderer, render_run, simulate_scene
from noisecheck.simulate.writer import rig_text

ROOT = Path(__file__).parents[2]


def _digest(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file()
    }


def test_same_scene_same_bytes_and_a_campaign_that_reads(scene, tmp_path: Path) -> None:
    made = scene(
        background={"noise_db": -60},
        rig={"description": 'with "quotes" and \\ a\ttab'},
        requirement=[{"id": "R1", "measure": "lae_db", "limit": -50.0, "strict": True}],
        run=[{"run": "bare", "columns": {"lift": 3}}, {"run": "empty", "role": "background", "seconds": 3}],
    )
    calls: list[tuple[int, int, str]] = []
    written = simulate_scene(made, tmp_path / "a", progress=lambda *c: calls.append(c))
    simulate_scene(made, tmp_path / "b")
    assert _digest(tmp_path / "a") == _digest(tmp_path / "b")
    assert calls == [(0, 2, "bare"), (1, 2, "empty"), (2, 2, "")]
    assert all(p.is_file() for p in written)
    assert not list((tmp_path / "a").glob(".*"))

    rig = load_rig(tmp_path / "a" / "rig.toml")
    assert rig.station_names == ("landing", "bend")
    assert rig.rig.description == 'with "quotes" and \\ a\ttab'
    assert [m.station for m in rig.microphones] == ["landing", "bend"]
    runs = load_runs(tmp_path / "a" / "runs.csv", rig)
    assert [(r.name, r.role, r.balls_fed) for r in runs] == [("bare", "test", 4), ("empty", "background", 0)]
    assert runs[0].extra["lift"] == "3"
    with (tmp_path / "a" / "truth" / "bare.impacts.csv").open() as file:
        rows = list(csv.DictReader(file))
    _, truth = render_run(made, made.runs()[0])
    np.testing.assert_allclose([float(r["time_s"]) for r in rows], truth.times_s(), atol=1e-7)
    with (tmp_path / "a" / "truth" / "bare.balls.csv").open() as file:
        assert [r["fate"] for r in csv.DictReader(file)] == ["arrived"] * 4


@pytest.mark.parametrize(
    ("format_", "subtype", "rate", "step"),
    [
        ("flac", "PCM_16", 44100, 2**-16),
        ("wav", "PCM_24", 8000, 2**-24),
        ("rf64", "FLOAT", 192000, 0.0),
        ("w64", "PCM_32", 96000, 2**-31),
    ],
)
def test_formats_and_rates_carry_the_samples(
    scene, tmp_path: Path, format_: str, subtype: str, rate: int, step: float
) -> None:
    made = scene(scene={"rate_hz": rate, "format": format_, "subtype": subtype}, run=[{"run": "a", "balls": 1}])
    path = simulate_scene(made, tmp_path)[0]
    samples, _ = render_run(made, made.runs()[0])
    with open_recording(path) as recording:
        assert (recording.rate, recording.channels, recording.frames) == (rate, 2, len(samples))
        stored = recording.read(0, recording.frames)
    np.testing.assert_allclose(stored, np.clip(samples, -1, 1), atol=step * 1.01 + 1e-7)


def test_memory_stays_flat(scene) -> None:
    peaks = []
    for seconds in (3.0, 15.0):
        made = scene(
            background={"noise_db": -60, "chain_db": -70},
            feed={"balls": 100},
            run=[{"run": "a", "seconds": seconds}],
        )
        tracemalloc.start()
        total = sum(len(block) for block in RunRenderer(made, made.runs()[0]).blocks())
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert total == round(seconds * 48000)
    assert peaks[1] < peaks[0] * 1.15 + 1e6  # truth rows grow, samples do not


def test_a_long_plain_wav_is_refused_before_anything_is_written(scene, tmp_path: Path) -> None:
    made = scene(scene={"format": "wav", "rate_hz": 48000}, run=[{"run": "soak", "seconds": 40_000}])
    with pytest.raises(InputError, match='use format = "rf64"'):
        simulate_scene(made, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written(scene, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        simulate_scene(scene(), tmp_path / "file")


def test_a_recorded_campaign_is_not_written_over(scene, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text('[rig]\nname = "mine"\n')
    with pytest.raises(InputError, match="not simulated: choose another folder"):
        simulate_scene(scene(), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["rig.toml"]


def test_rig_text_is_toml_whatever_the_names(scene) -> None:
    made = scene(rig={"description": 'é "x" \\ \x7f \x01', "odd key": [1, 2.5, True]})
    parsed = tomllib.loads(rig_text(made))
    assert parsed["rig"]["description"] == 'é "x" \\ \x7f \x01'
    assert parsed["rig"]["odd key"] == [1, 2.5, True]


def test_the_demo_campaign_is_what_its_scene_makes(tmp_path: Path) -> None:
    from noisecheck.simulate import load_scene

    folder = ROOT / "recordings"
    made = load_scene(folder / "scene.toml")
    assert (folder / "rig.toml").read_text(encoding="utf-8") == rig_text(made)
    rig = load_rig(folder / "rig.toml")
    runs = load_runs(folder / "runs.csv", rig)
    tests = [r for r in runs if r.role == "test"]
    for treatment in ("bare", "felt", "cork", "rubber"):
        for height in (60.0, 120.0):
            chosen = [r for r in tests if (r.treatment, r.drop_height_mm) == (treatment, height)]
            assert len({r.session for r in chosen}) == 3
    assert sum(p.stat().st_size for p in folder.rglob("*.flac")) < 25e6
    run = next(r for r in made.runs() if r.run == "felt-120-3")
    samples, _ = render_run(made, run)
    stored, _ = soundfile.read(folder / "felt-120-3.flac", dtype="float32")
    # One step of 16 bits: machines may round the last bit of a sine differently.
    np.testing.assert_allclose(stored, samples, atol=2**-15)
