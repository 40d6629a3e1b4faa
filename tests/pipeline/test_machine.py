"""Ticks of the machine itself are told from drops by a run without balls."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from noisecheck.bench.campaign import load_campaign
from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.files import measure_files
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.pipeline.machine import OwnTicks, own_ticks
from noisecheck.pipeline.placing import placed
from noisecheck.pipeline.run import RunResult
from noisecheck.place.evidence import Evidence

RATE = 16_000


def _heard(run: Run, impacts: Impacts, onsets: Onsets | None = None) -> RunResult:
    onsets = onsets or _onsets(impacts["lae_db"][:, None])
    return RunResult(run, impacts, onsets, RATE, 30.0, 1, ())


def _onsets(level_db: NDArray[np.float64]) -> Onsets:
    frame = np.arange(len(level_db), dtype=np.int64)
    return Onsets(
        frame,
        level_db.argmax(axis=1),
        np.full(len(frame), 99.0),
        np.repeat(frame[:, None], level_db.shape[1], 1),
        level_db,
    )


def _marked(ticks: OwnTicks, levels_db: NDArray[np.float64], run: Run) -> tuple[Impacts, tuple[str, ...]]:
    impacts = _table(levels_db)
    return ticks.marked(impacts, ticks.no_louder(impacts, run), run)


def _table(levels_db: NDArray[np.float64]) -> Impacts:
    return Impacts.of(len(levels_db), time_s=np.linspace(0.0, 30.0, len(levels_db)), lae_db=levels_db)


def _run(role: str, session: str = "") -> Run:
    return Run(role, (f"{role}.wav",), role=role, session=session)


def test_what_is_no_louder_than_the_empty_machine_is_marked() -> None:
    rng = np.random.default_rng(2)
    ticks = own_ticks([_heard(_run("background"), _table(rng.normal(-80, 3, 200)))])
    levels = np.concatenate([rng.normal(-80, 3, 300), rng.normal(-50, 2, 30)])
    marked, said = _marked(ticks, levels, _run("test"))
    machine = marked.flagged(Flag.MACHINE)
    assert machine[:300].mean() > 0.98
    assert not machine[300:].any()
    assert said[0].startswith(f"{machine.sum()} of 330 impacts are no louder than what the machine makes without balls")
    other, nothing = _marked(ticks, levels, _run("test", session="day 2"))
    assert not other.flagged(Flag.MACHINE).any()
    assert "which shows it, is of session '', this one of 'day 2'" in nothing[0]
    quiet = _heard(_run("background", "day 2"), _table(np.empty(0)))
    still = own_ticks([_heard(_run("background"), _table(rng.normal(-80, 3, 200))), quiet])
    assert _marked(still, levels, _run("test", session="day 2"))[1] == ()


@pytest.mark.parametrize("ticks_db", [[], [-80.0] * 9])
def test_a_silent_machine_marks_nothing(ticks_db: list[float]) -> None:
    ticks = own_ticks([_heard(_run("background"), _table(np.array(ticks_db)))])
    assert not _marked(ticks, np.full(20, -85.0), _run("test"))[0].flagged(Flag.MACHINE).any()


def test_a_door_in_the_empty_recording_does_not_hide_drops() -> None:
    levels = np.concatenate([np.random.default_rng(3).normal(-80, 3, 100), [-20.0, -22.0, -25.0]])
    ticks = own_ticks([_heard(_run("background"), _table(levels))])
    assert not _marked(ticks, np.full(20, -50.0), _run("test"))[0].flagged(Flag.MACHINE).any()


def test_each_microphone_has_its_own_ticks_and_their_proportions() -> None:
    rng = np.random.default_rng(4)

    def around(*middle_db: float, count: int = 200, rings_db: float = -30.0) -> tuple[Onsets, Impacts]:
        onsets = _onsets(np.array(middle_db) + rng.normal(0.0, 2.0, (count, 1)) + rng.normal(0.0, 0.5, (count, 2)))
        lae = onsets.level_db.max(axis=1) + rings_db
        return onsets, Impacts.of(count, time_s=np.arange(count) * 0.3, lae_db=lae, flags=0)

    onsets, impacts = around(-20.0, -40.0)
    ticks = own_ticks([_heard(_run("background"), impacts, onsets)])
    for middle_db, rings_db, own in [
        ((-20.0, -40.0), -30.0, True),
        ((-30.0, -50.0), -30.0, True),  # softer
        ((-5.0, -25.0), -30.0, False),  # louder at both
        ((-40.0, -28.0), -30.0, False),  # louder than they are at the second only, softer than that of the first
        ((-45.0, -41.0), -30.0, False),  # as soft as they are at each, but heard elsewhere
        ((-20.0, -40.0), -8.0, False),  # as loud at first, but long
    ]:
        marks = ticks.among(*around(*middle_db, rings_db=rings_db), _run("test"), RATE)
        assert marks.mean() > 0.97 if own else not marks.any(), middle_db
    other = around(-20.0, -40.0)
    assert not ticks.among(*other, _run("test", session="day 2"), RATE).any()
    assert not ticks.among(*other, _run("taps"), RATE).any()


class _Taught:
    """Stands in for taught sounds: channel 7 of a table sounds like the landing, 8 like the tray."""

    stations = ("landing", "tray")

    def evidence(self, impacts: Impacts, stations: Sequence[str], *, session: str = "") -> Evidence:
        like = np.column_stack([12.0 * (impacts["channel"] == 7), 12.0 * (impacts["channel"] == 8)])
        return Evidence(tuple(stations), like - 6.0, np.zeros(len(impacts)))


def test_with_one_microphone_a_sound_that_no_tick_has_is_a_drops() -> None:
    rig = Rig.model_validate({"station": [{"name": "landing", "next": "tray"}, {"name": "tray", "target": True}]})
    taught: Any = _Taught()
    alone = _table(np.full(200, -50.0)).with_columns(channel=np.where(np.arange(200) < 20, 8, 0))
    known = own_ticks([_heard(_run("background"), alone, _onsets(np.full((200, 1), -20.0)))], taught)
    impacts = Impacts.of(
        5,
        time_s=np.arange(5.0),
        lae_db=np.array([-50.0, -50.0, -50.0, -50.0, -20.0]),
        channel=np.array([0, 7, 8, 7, 8]),
        flags=np.array([0, 0, 0, Flag.BOUND, 0], np.uint32),
    )
    onsets = _onsets(np.array([-20.0, -20.0, -20.0, -20.0, -5.0])[:, None])
    answer = placed(onsets, impacts, _run("test"), rig, rate=RATE, taught=taught, ticks=known)
    assert answer.impacts["station"].tolist() == ["", "landing", "", "", "tray"]
    assert answer.impacts.flagged(Flag.MACHINE).tolist() == [True, False, True, True, False]
    assert answer.odds is not None
    assert answer.odds.posterior().argmax(axis=1).tolist() == [2, 0, 2, 2, 1]
    assert not any("fit no taught sound" in note for note in answer.notes)
    some = alone.where(np.arange(120, 200))
    few = own_ticks([_heard(_run("background"), some, _onsets(np.full((80, 1), -20.0)))], taught)
    assert not few.loudest[""].unlike  # too few to say that none sounds so


def test_a_tick_amid_the_ring_of_a_drop_is_one_of_the_machines() -> None:
    levels = np.array([-20.0, -20.0, -20.0])[:, None] + np.zeros(2)
    known = own_ticks([_heard(_run("background"), _table(np.full(50, -50.0)), _onsets(np.full((50, 2), -20.0)))])
    drop = Impacts.of(3, time_s=np.array([1.0, 1.02, 2.0]), lae_db=np.array([-30.0, -38.0, -38.0]), flags=0)
    assert known.among(_onsets(levels), drop, _run("test"), RATE).tolist() == [False, True, False]


@pytest.mark.parametrize("hears", [1.0, 0.8])
def test_what_a_microphone_would_have_heard_of_a_tick_is_none_where_it_did_not(hears: float) -> None:
    rng = np.random.default_rng(5)

    def heard(level_db: NDArray[np.float64]) -> tuple[Onsets, Impacts]:
        found, frame = _onsets(np.nan_to_num(level_db, nan=-99.0)), np.arange(len(level_db)) * RATE
        arrival = np.where(np.isnan(level_db), -1, frame[:, None])
        onsets = dataclasses.replace(found, frame=frame, arrival=arrival, level_db=level_db)
        return onsets, Impacts.of(len(frame), time_s=frame / RATE, lae_db=np.nanmax(level_db, axis=1) - 30.0, flags=0)

    empty = np.array([-20.0, -24.0]) + rng.normal(0.0, 2.0, (200, 1)) + rng.normal(0.0, 0.5, (200, 2))
    softest = np.argsort(empty[:, 1])[: round((1.0 - hears) * 200)]
    empty[softest, 1] = np.nan
    onsets, impacts = heard(empty)
    ticks = own_ticks([_heard(_run("background"), impacts, onsets)])
    alone = [-13.0, np.nan]
    assert not ticks.among(*heard(np.array([alone, alone])), _run("test"), RATE).any()
    assert ticks.among(*heard(np.array([[-13.0, -17.0], [-22.0, -26.0]])), _run("test"), RATE).all()
    faint = ticks.among(*heard(np.array([[-24.0, np.nan]])), _run("test"), RATE)
    assert faint.item() == (hears < 1.0)
    onsets, impacts = heard(np.array([[-40.0, 0.0], alone, alone]))
    onsets = dataclasses.replace(
        onsets, frame=np.array([0, 400, RATE]), arrival=np.array([[0, 0], [400, -1], [RATE, -1]])
    )
    assert ticks.among(onsets, impacts, _run("test"), RATE).tolist() == [False, True, False]  # under a ring


def _sound(seconds: float, drops_s: list[float], seed: int) -> NDArray[np.float64]:
    """Ticks seven times a second, and drops 30 dB louder with one rebound each, over faint noise."""
    rng = np.random.default_rng(seed)
    sound = rng.normal(0.0, 1e-4, round(seconds * RATE))
    t = np.arange(RATE // 4) / RATE
    hits = [(s, 0.01, 0.002) for s in np.arange(0.2, seconds - 0.3, 1.0 / 7.1)]
    hits += [(s + late, size, 0.02) for s in drops_s for late, size in ((0.0, 0.3), (0.17, 0.1))]
    for at, size, fall_s in hits:
        first = round(at * RATE)
        ring = rng.standard_normal() * np.sin(2 * np.pi * 1800 * t) + rng.standard_normal(len(t))
        sound[first : first + len(t)] += size * 0.3 * ring * np.exp(-t / fall_s)
    return np.clip(sound, -1.0, 1.0)


def test_drops_are_counted_amid_the_ticks_of_the_lift(tmp_path: Path) -> None:
    drops = [2.0 + 1.7 * k for k in range(8)]
    soundfile.write(tmp_path / "take.wav", _sound(17.0, drops, 1), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "empty.wav", _sound(12.0, [], 2), RATE, subtype="PCM_24")
    sheet = "run,file,treatment,station,balls_fed,role\none,take.wav,bare,landing,8,test\n"
    (tmp_path / "runs.csv").write_text(sheet)
    (before,) = measure_campaign(load_campaign(tmp_path)).summaries
    assert before.excluded["beyond the balls fed"] > 80
    assert "balls were fed" in before.warnings[0]
    (tmp_path / "runs.csv").write_text(sheet + "empty,empty.wav,,,0,background\n")
    result = measure_campaign(load_campaign(tmp_path))
    row = result.summaries[0]
    assert (row.used, row.warnings) == (8, ())
    assert before.value("lae_db") == pytest.approx(row.value("lae_db"), abs=1e-9)
    assert any("what the machine makes without balls (run empty" in n for n in result.by_name["one"].notes)
    (tmp_path / "rig.toml").write_text("")
    (alone,) = measure_files([tmp_path / "take.wav"], settings=ListenSettings(), rig_path=tmp_path / "rig.toml").runs
    assert alone.impacts.flagged(Flag.MACHINE).sum() == result.by_name["one"].impacts.flagged(Flag.MACHINE).sum() > 80
