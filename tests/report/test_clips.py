from __future__ import annotations

import base64
import dataclasses
import io
import wave
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.core.flags import Flag
from noisecheck.report.clips import clips_of, odd_impacts, pick, wav_data_uri


def samples_of(uri: str) -> tuple[np.ndarray[Any, Any], int]:
    head, data = uri.split(",", 1)
    assert head == "data:audio/wav;base64"
    with wave.open(io.BytesIO(base64.b64decode(data))) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2"), file.getframerate()


def test_wav_is_what_another_reader_reads() -> None:
    x = np.sin(np.arange(800) / 5.0) * 0.5
    data = base64.b64decode(wav_data_uri(x, 16_000).split(",", 1)[1])
    read, rate = soundfile.read(io.BytesIO(data))
    assert rate == 16_000
    np.testing.assert_allclose(read, x, atol=1 / 32768)


def test_clip_holds_the_recording_about_the_impact(make: Any) -> None:
    result = make()
    run = result.runs[0]
    picked = pick(result, most=100)
    clips = clips_of(result, picked, most_bytes=10**8)
    for p in picked:
        if p.run != run.run.name:
            continue
        clip, rate = samples_of(clips[p.run, p.row].uri)
        start = int(run.impacts.data["frame"][p.row]) - round(0.08 * rate)
        sound, _ = soundfile.read(run.paths[0], start=max(start, 0), stop=start + rate // 2)
        gain = 10 ** (clips[p.run, p.row].raised_db / 20)
        expected = sound * gain
        assert np.max(np.abs(expected)) == pytest.approx(0.7, abs=1e-6)
        keep = len(sound) - round(0.005 * rate)  # the last 5 ms fade
        np.testing.assert_allclose(clip[:keep] / 32767, expected[:keep], atol=2e-4)


def test_loudest_and_median_of_each_run_are_picked(make: Any) -> None:
    result = make()
    picked = pick(result, most=100)
    for run in result.runs:
        level = run.impacts.data["lae_db"]
        own = {w: p.row for p in picked if p.run == run.run.name for w in p.why}
        assert own["loudest of the run"] == int(np.argmax(level))
        assert (level <= level[own["median of the run"]]).sum() == len(level) // 2


def test_odd_ones_are_those_flagged_or_far_off(make: Any) -> None:
    run = make(stations=("landing",)).runs[0]
    table = run.impacts
    flags, level = table.data["flags"].copy(), table.data["lae_db"].copy()
    flags[3] |= np.uint32(Flag.CLIPPED)
    flags[5] |= np.uint32(Flag.UNPLACED)
    level[7], level[9] = -20.0, -90.0
    unknown = odd_impacts(dataclasses.replace(run, impacts=table.with_columns(flags=flags, lae_db=level)))
    assert sorted(unknown) == [3, 5, 7]  # a quiet one may be a rebound
    assert "louder than the median" in unknown[7][0]
    known = table.with_columns(flags=flags, lae_db=level, rebound=0)
    assert sorted(odd_impacts(dataclasses.replace(run, impacts=known))) == [3, 5, 7, 9]


def test_what_is_heard_without_balls_is_odd(make: Any) -> None:
    run = make().runs[0]
    empty = dataclasses.replace(run, run=dataclasses.replace(run.run, role="background"))
    assert len(odd_impacts(empty)) == len(run.impacts)


def test_budget_keeps_the_loudest(make: Any) -> None:
    result = make()
    picked = pick(result, most=100)
    one = max(len(c.uri) for c in clips_of(result, picked, most_bytes=10**8).values())
    some = clips_of(result, picked, most_bytes=int(3.5 * one))
    assert 0 < sum(len(c.uri) for c in some.values()) <= 3.5 * one
    rows = {(p.run, p.row): p for p in picked}
    assert all("loudest of the run" in rows[key].why for key in some)
    more = clips_of(result, picked, most_bytes=int((2 * len(result.runs) + 0.5) * one))
    assert sum("median of the run" in rows[key].why for key in more) == len(result.runs)


def test_a_recording_that_is_gone_gives_no_clip(make: Any) -> None:
    result = make()
    result.runs[0].paths[0].unlink()
    clips = clips_of(result, pick(result, most=100), most_bytes=10**8)
    assert result.runs[0].run.name not in {run for run, _ in clips}
    assert clips
