from __future__ import annotations

import base64
import dataclasses
import io
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.core.flags import Flag
from noisecheck.report.clips import ALONE, FULL, Clip, Wanted, clips_of, sound_uri
from noisecheck.report.context import Context
from noisecheck.report.detail import detail_data
from noisecheck.report.picked import Picked, odd_impacts, pick


def samples_of(uri: str) -> tuple[np.ndarray[Any, Any], int]:
    head, data = uri.split(",", 1)
    assert head == "data:audio/flac;base64"
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(data)))
    return samples, rate


def full(picked: tuple[Picked, ...]) -> list[Wanted]:
    return [Wanted(p.run, p.row, FULL) for p in sorted(picked, key=lambda p: p.rank)]


def test_sound_is_what_another_reader_reads() -> None:
    x = np.sin(np.arange(800) / 5.0) * 0.5
    read, rate = samples_of(sound_uri(x, 16_000))
    assert rate == 16_000
    np.testing.assert_allclose(read, x, atol=1 / 32768)


def test_clip_holds_the_recording_about_the_impact(make: Any) -> None:
    """Rounding may add what lies 10.8 dB below the quietest 10 ms, step^2 / 12 (uniform quantisation, textbook)."""
    result = make()
    run = result.runs[0]
    clips = clips_of(result, full(pick(result, most=100)), most_bytes=10**8)
    looked = [w for w in clips if w.run == run.run.name]
    assert looked
    for one in looked:
        clip, rate = samples_of(clips[one].uri)
        frame = int(run.impacts.data["frame"][one.row])
        start = frame - round(FULL.before_s * rate)
        sound, _ = soundfile.read(run.paths[0], start=max(start, 0), stop=start + rate // 2)
        assert round(clips[one].before_s * rate) == frame - max(start, 0)
        expected = sound * 10 ** (clips[one].raised_db / 20)
        assert np.max(np.abs(expected)) == pytest.approx(0.7, abs=1e-6)
        keep = len(sound) - round(0.005 * rate)  # the last 5 ms fade
        still = min(np.sqrt(np.mean(np.square(s))) for s in np.array_split(expected, len(expected) // (rate // 100)))
        error = clip[:keep] - expected[:keep]
        assert np.sqrt(np.mean(np.square(error))) < 1.1 * still / np.sqrt(12)


def test_clips_are_lossless_where_the_recording_is_still(make: Any) -> None:
    result = make()
    run = result.runs[0]
    rate = run.rate
    ring = np.where(np.arange(rate * 6) % 4000 < 200, 0.5 * np.sin(np.arange(rate * 6) / 3.0), 0.0)
    soundfile.write(run.paths[0], ring, rate, subtype="PCM_16")
    wanted = [Wanted(run.run.name, row, FULL) for row in range(len(run.impacts))]
    clips = clips_of(result, wanted, most_bytes=10**8)
    for one, clip in clips.items():
        read, _ = samples_of(clip.uri)
        start = max(int(run.impacts.data["frame"][one.row]) - round(FULL.before_s * rate), 0)
        expected = ring[start : start + len(read)] * 10 ** (clip.raised_db / 20)
        keep = len(read) - round(0.005 * rate)
        np.testing.assert_allclose(read[:keep], expected[:keep], atol=2e-4)


def test_fast_recordings_are_resampled_and_short_ones_kept_short(make: Any) -> None:
    result = make()
    run = result.runs[0]
    sound = np.sin(2 * np.pi * 1000 / 96_000 * np.arange(96_000 * 6)) * 0.3
    soundfile.write(run.paths[0], sound, 96_000, subtype="PCM_16")
    fast = dataclasses.replace(run, rate=96_000, impacts=run.impacts.with_columns(frame=run.impacts.data["frame"] * 6))
    result = dataclasses.replace(result, runs=(fast, *result.runs[1:]))
    name = run.run.name
    clips = clips_of(result, [Wanted(name, 5, FULL), Wanted(name, 5)], most_bytes=10**8)
    shapes = {w.cut.seconds: (c.rate, round(c.seconds, 3)) for w, c in clips.items()}
    assert shapes == {0.5: (48_000, 0.5), 0.25: (24_000, 0.25)}
    read, rate = samples_of(clips[Wanted(name, 5)].uri)
    spectrum = np.abs(np.fft.rfft(read * np.hanning(len(read))))
    assert np.argmax(spectrum) * rate / len(read) == pytest.approx(1000, abs=4)


def test_loudest_and_median_of_each_run_are_picked(make: Any) -> None:
    result = make()
    picked = pick(result, most=100)
    for run in result.runs:
        level = run.impacts.data["lae_db"]
        own = {w: p.row for p in picked if p.run == run.run.name for w in p.why}
        loudest = own["loudest of the run"]
        assert loudest == int(np.argmax(level))
        station = run.impacts.names["station"][run.impacts.data["station"][loudest]]
        here = level[run.impacts.is_text("station", station)]
        assert (here <= level[own[f"median of impacts at {station}"]]).sum() == len(here) // 2


def test_the_median_is_that_of_first_contacts_where_rebounds_are_known(make: Any) -> None:
    """Eight drops at -40 dB, give or take, with two rebounds each 13 and 20 dB below: the median drop is a drop."""
    run = make(stations=("landing",), impacts=24).runs[0]
    rebound = np.tile([0, 1, 2], 8)
    level = np.repeat(np.arange(8) * 0.1 - 40.0, 3) - np.tile([0.0, 13.0, 20.0], 8)
    table = run.impacts.with_columns(rebound=rebound, lae_db=level)
    result = make(stations=("landing",), impacts=24)
    result = dataclasses.replace(result, runs=(dataclasses.replace(run, impacts=table),))
    own = {w: level[p.row] for p in pick(result, most=100) for w in p.why}
    assert own["loudest of the run"] == pytest.approx(-39.3)
    assert own["median of first contacts at landing"] == pytest.approx(-39.7)
    usual = detail_data(Context(result, ()), [], {})["runs"][0]["usual"]
    assert len(usual) == 2  # first contacts and rebounds, apart


def test_of_many_odd_for_one_reason_a_few_are_to_be_heard(make: Any) -> None:
    result = make(stations=("landing",), impacts=24)
    run = result.runs[0]
    flags = run.impacts["flags"] | np.where(np.arange(24) < 12, int(Flag.UNPLACED), 0).astype(np.uint32)
    run = dataclasses.replace(run, impacts=run.impacts.with_columns(flags=flags))
    picked = pick(dataclasses.replace(result, runs=(run,)), most=100)
    assert sum(p.odd and p.rank[0] == 2 for p in picked) in (2, 3)  # the loudest or the median may be one of them
    assert len(odd_impacts(run)) == 12


def test_a_foreign_sound_that_is_loudest_does_not_choose_the_median(make: Any) -> None:
    result = make(stations=("landing",), impacts=8)
    run = result.runs[0]
    station = np.array(["", "", *["landing"] * 6])
    table = run.impacts.with_columns(station=station, rebound=0, lae_db=np.array([-20.0, -90.0, *np.arange(6) - 50.0]))
    result = dataclasses.replace(result, runs=(dataclasses.replace(run, impacts=table),))
    own = {w: level for p in pick(result, most=100) for w in p.why for level in [table["lae_db"][p.row]]}
    assert own["loudest of the run"] == -20.0
    assert own["median of impacts at landing"] == -48.0


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


def test_reference_drops_are_neither_odd_nor_the_loudest_of_a_run(make: Any) -> None:
    result = make(stations=("landing",), impacts=24)
    run = result.runs[0]
    level = np.array([*np.full(21, -50.0) + 0.1 * np.arange(21), -20.0, -20.0, -20.0])
    flags = np.where(level > -30, int(Flag.REFERENCE), 0).astype(np.uint32)
    run = dataclasses.replace(run, impacts=run.impacts.with_columns(flags=flags, lae_db=level, rebound=0))
    assert odd_impacts(run) == {}
    (first, second) = pick(dataclasses.replace(result, runs=(run,)), most=100)
    assert {(p.why[0], p.row) for p in (first, second)} == {
        ("loudest of the run", 20), ("median of impacts at landing", 10)
    }  # fmt: skip


def test_what_is_heard_without_balls_is_odd(make: Any) -> None:
    run = make().runs[0]
    empty = dataclasses.replace(run, run=dataclasses.replace(run.run, role="background"))
    assert len(odd_impacts(empty)) == len(run.impacts)


def test_an_impact_alone_ends_before_the_next_and_knows_its_exposure(make: Any) -> None:
    """Exposure of a tone by its formula, A-weighted by 0 dB at 1 kHz (IEC 61672-1:2013, Table 3)."""
    result = make()
    run = result.runs[0]
    sound = 0.2 * np.sin(2 * np.pi * 1000 / run.rate * np.arange(run.rate * 6))
    soundfile.write(run.paths[0], sound, run.rate, subtype="PCM_16")
    frames = run.impacts.data["frame"]
    gaps = np.diff(frames)
    row = int(np.argmax(gaps[:-1]))
    wanted = Wanted(run.run.name, row, ALONE)
    clip = clips_of(result, [wanted], most_bytes=10**8)[wanted]
    seconds = min(gaps[row] / run.rate + 0.01 - 0.003, 0.4)
    assert clip.seconds == pytest.approx(seconds, abs=1e-3)
    expected = 10 * np.log10(0.7**2 / 2 * (clip.seconds - 0.005 * 2 / 3))  # the last 5 ms fade
    assert clip.lae_db == pytest.approx(expected, abs=0.1)


def test_budget_keeps_what_is_wanted_first(make: Any) -> None:
    result = make()
    picked = pick(result, most=100)
    wanted = full(picked)
    everything = clips_of(result, wanted, most_bytes=10**8)
    one = max(len(c.uri) for c in everything.values())

    def held(clips: dict[Wanted, Clip]) -> list[Picked]:
        return [p for p in picked if Wanted(p.run, p.row, FULL) in clips]

    some = clips_of(result, wanted, most_bytes=int(3.5 * one))
    assert 0 < sum(len(c.uri) for c in some.values()) <= 3.5 * one
    assert all("loudest of the run" in p.why for p in held(some))
    more = clips_of(result, wanted, most_bytes=int((2 * len(result.runs) + 0.5) * one))
    assert sum(p.why[-1].startswith("median of impacts") for p in held(more)) == len(result.runs)


def test_a_recording_that_is_gone_gives_no_clip(make: Any) -> None:
    result = make()
    result.runs[0].paths[0].unlink()
    clips = clips_of(result, full(pick(result, most=100)), most_bytes=10**8)
    assert result.runs[0].run.name not in {w.run for w in clips}
    assert clips
