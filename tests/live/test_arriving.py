"""Arrival times of a watch are those of the same sound recorded, however the impacts come."""

from __future__ import annotations

import contextlib
import io
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.audio.recording import ArrayRecording
from noisecheck.bench.rig import Microphone, Rig, Station
from noisecheck.cli import main
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.live.arriving import ArrivalTimes, stations_in_reach
from noisecheck.live.room import Room
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.files import campaign_at
from noisecheck.place.array import array_of
from noisecheck.place.timed import InRecording, deaf_in
from noisecheck.simulate import parse_scene, render_run

RATE, COUNT = 16_000, 70
AT_MM = ((0.0, 0.0), (1500.0, 0.0), (700.0, 900.0))
PLACES_MM = ((300.0, 200.0), (1100.0, 300.0))


def _rig() -> Rig:
    places = zip("ab", PLACES_MM, strict=True)
    return Rig(
        microphone=tuple(Microphone(channel=c, position_mm=at) for c, at in enumerate(AT_MM)),
        station=tuple(Station(name=name, position_mm=at) for name, at in places),
    )


def _run(
    seed: int, dead: int | None = None, *, count: int = COUNT, since: int = 0
) -> tuple[np.ndarray, Onsets, Impacts]:
    """Return sound of strokes at two places by turns, and the impacts as they are found in it.

    One microphone may be ``dead``, from the stroke ``since`` on.
    """
    rng = np.random.default_rng(seed)
    x = 1e-3 * rng.standard_normal((int((0.3 * count + 1.0) * RATE), 3))
    arrival = np.empty((count, 3), np.int64)
    for row in range(count):
        stroke = rng.standard_normal(1600) * np.exp(-np.arange(1600) / 160)
        for c, at in enumerate(AT_MM):
            way = np.hypot(*np.subtract(at, PLACES_MM[row % 2]))
            arrival[row, c] = round((0.5 + 0.3 * row) * RATE + way / 343.0 / 1e3 * RATE)
            x[arrival[row, c] : arrival[row, c] + 1600, c] += (
                0.0 if c == dead and row >= since else 300.0 / way
            ) * stroke
    if dead is not None:
        arrival[since:, dead] = -1
    first = np.where(arrival >= 0, arrival, arrival.max()).min(axis=1)
    loudest = np.where(arrival >= 0, arrival, arrival.max()).argmin(axis=1)
    onsets = Onsets(first, loudest, np.full(count, 1e6), arrival, np.where(arrival >= 0, -20.0, np.nan))
    impacts = Impacts.of(count, frame=first, channel=loudest, margin_db=np.full(count, 30.0), centroid_hz=3000.0)
    return x.astype(np.float32), onsets, impacts


def _taken(x: np.ndarray, onsets: Onsets, impacts: Impacts, late: Impacts) -> ArrivalTimes:
    """Return arrivals as a watch measures them: at once, and again with what follows."""
    room = Room(4 * RATE, 3)
    times = ArrivalTimes(_rig(), RATE, 3, room)
    known = measured = 0
    for stop in range(1600, len(x) + 1, 1600):
        room.add(x[stop - 1600 : stop])
        rows = np.arange(known, int(np.searchsorted(onsets.frame, stop - 2400)))
        times.take(onsets.where(rows), impacts.where(rows))  # measured at once, by what is known then
        known += len(rows)
        again = np.arange(measured, int(np.searchsorted(onsets.frame, stop - 3 * RATE)))
        times.take(onsets.where(again), late.where(again), again=True)
        measured += len(again)
    again = np.arange(measured, len(onsets))
    times.take(onsets.where(again), late.where(again), again=True)
    return times


@pytest.mark.parametrize("dead", [None, 1])
def test_arrivals_are_those_of_the_recording(dead: int | None) -> None:
    x, onsets, impacts = _run(5, dead)
    late = impacts.with_columns(margin_db=np.full(COUNT, 27.0))
    times = _taken(x, onsets, impacts, late)
    array = array_of(_rig(), without=deaf_in(onsets))
    assert array is not None
    assert len(array.channels) == (3 if dead is None else 2)
    whole = InRecording(ArrayRecording(x, RATE).read, RATE).air(onsets, late, array)
    found = times.air(onsets, late, array)
    assert np.isfinite(whole.seconds).all(axis=1).mean() > 0.9
    np.testing.assert_allclose(found.seconds, whole.seconds, atol=1e-9)
    np.testing.assert_allclose(found.variance, whole.variance, rtol=1e-6)


def test_arrivals_are_kept_where_a_microphone_falls_deaf_late() -> None:
    since, count = 52, 540  # the first 48 are measured anew whenever that changes
    x, onsets, impacts = _run(5, 1, count=count, since=since)
    array = array_of(_rig(), without=deaf_in(onsets))
    assert array is not None
    assert array.channels == (0, 2)
    whole = InRecording(ArrayRecording(x, RATE).read, RATE).air(onsets, impacts, array)
    found = _taken(x, onsets, impacts, impacts).air(onsets, impacts, array)
    silent = np.arange(count) >= since
    np.testing.assert_allclose(found.seconds[silent], whole.seconds[silent], atol=1e-9)
    # What it heard was measured with it, which tells a little more.
    np.testing.assert_allclose(found.seconds[48:since], whole.seconds[48:since], atol=30e-6)


def test_stations_without_a_place_are_not_in_reach() -> None:
    rig = _rig()
    assert stations_in_reach(rig, 3) == {"a", "b"}
    assert stations_in_reach(rig, 2) == set()
    nowhere = Rig(microphone=rig.microphones, station=(Station(name="a"), Station(name="b")))
    assert stations_in_reach(nowhere, 3) == set()


RIG = """
[[microphone]]
channel = 0
position_mm = [-100.0, 400.0, 200.0]
[[microphone]]
channel = 1
position_mm = [1500.0, 500.0, 200.0]
[[microphone]]
channel = 2
position_mm = [700.0, -400.0, 200.0]
[[station]]
name = "landing"
position_mm = [0.0, 0.0, 0.0]
next = "bend"
transit_s = [0.6, 0.9]
[[station]]
name = "bend"
position_mm = [700.0, 100.0, 0.0]
next = "tray"
transit_s = [0.5, 0.7]
[[station]]
name = "tray"
position_mm = [1400.0, 0.0, 0.0]
target = true
[feed]
station = "landing"
period_s = 1.6
"""


def test_balls_told_by_arrival_times_alone_are_watched_as_a_ledger_follows_them(tmp_path: Path) -> None:
    plate = {"surface": "acrylic", "rebounds": 1, "drop_height_mm": 80.0}
    document = tomllib.loads(RIG)
    document["scene"] = {"seed": 8, "rate_hz": 32_000, "format": "wav", "subtype": "PCM_24"}
    document["microphone"] = [{**m, "full_scale_pa": 120.0} for m in document["microphone"]]
    document["station"] = [{**s, **plate} for s in document["station"]]
    document["feed"] |= {"balls": 15, "jitter": 0.02}
    document["background"] = {"noise_db": -75.0}
    faults = [
        {"kind": "stuck", "ball": 6, "station": "tray"},
        {"kind": "held_up", "ball": 10, "station": "bend", "delay_s": 1.1},
    ]
    document["run"] = [{"run": "run", "seconds": 30.0, "fault": faults}]
    scene = parse_scene(document)
    samples, truth = render_run(scene, scene.runs()[0])
    (tmp_path / "rig.toml").write_text(RIG)
    soundfile.write(tmp_path / "sound.wav", samples, 32_000, subtype="PCM_24")
    with contextlib.redirect_stdout(io.StringIO()) as said:
        words = ["--rig", f"{tmp_path}/rig.toml", "--source", f"{tmp_path}/sound.wav"]
        main(["watch", *words, "--json", "--keep-nothing"])
    summary = json.loads(said.getvalue().splitlines()[-1])
    (ledger,) = measure_campaign(campaign_at(tmp_path / "sound.wav", tmp_path / "rig.toml")).ledgers
    told = [(f["kind"], f["time_s"], f["station"]) for f in summary["findings"]]
    assert told == [(f.kind, round(f.time_s, 6), f.station) for f in ledger.findings]
    last_s, late_s = truth.balls[6].arrivals_s["bend"], truth.balls[10].arrivals_s["bend"]
    expected = [("stuck", pytest.approx(last_s, abs=0.01)), ("held_up", pytest.approx(late_s, abs=0.01))]
    assert [(kind, time_s) for kind, time_s, _ in told] == expected
    assert (summary["fed"], summary["arrived"]) == (ledger.fed, ledger.arrived) == (15, 14)
