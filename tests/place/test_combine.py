"""A whole run placed: which ways speak, what the run sheet adds, and simulated recordings end to end."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.audio.recording import ArrayRecording
from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.place.combine import STATED_CONFIDENCE, place_run
from noisecheck.place.taught import Lesson, teach

NAMES = ("landing", "bend", "tray")
STATIONS = [{"name": n, "position_mm": [100 + 300 * k, 150 * k + 100]} for k, n in enumerate(NAMES)]


def _onsets(n: int, channels: int = 1) -> Onsets:
    frame = np.arange(1, n + 1) * 4800
    at = np.tile(frame[:, None], (1, channels))
    return Onsets(frame, np.zeros(n, np.int64), np.full(n, 9.0), at, np.zeros((n, channels)))


def test_run_sheet_alone(made, shapes) -> None:
    """One microphone, nothing taught, three stations: the stated one, with the confidence documented."""
    impacts = made(shapes(6, seed=1))
    placed = place_run(_onsets(6), impacts, Rig(station=STATIONS), rate=48000, run_station="bend")
    assert placed.station == ("bend",) * 6
    np.testing.assert_allclose(placed.confidence, STATED_CONFIDENCE, atol=1e-9)
    assert placed.ways == ("run sheet",)
    table = placed.into(impacts)
    assert set(table["station"]) == {"bend"}
    assert not table.flagged(Flag.UNPLACED).any()


def test_nothing_known(made, shapes) -> None:
    impacts = made(shapes(6, seed=1))
    placed = place_run(_onsets(6), impacts, Rig(station=STATIONS), rate=48000)
    assert placed.unplaced.all()
    assert placed.into(impacts).flagged(Flag.UNPLACED).all()
    nameless = place_run(_onsets(6), impacts, Rig(), rate=48000)
    assert nameless.unplaced.all()
    assert "no stations are declared" in nameless.notes[0]
    one = place_run(_onsets(6), impacts, Rig(station=STATIONS[:1]), rate=48000)
    assert one.station == ("landing",) * 6


def test_taught_sounds_stand_against_the_run_sheet(made, shapes) -> None:
    known = shapes(3, seed=3)
    taught = teach([Lesson(n, made(np.tile(known[k], (12, 1)), seed=k), "a") for k, n in enumerate(NAMES)])
    source = np.array([0, 1, 2, 1, 0, 1])
    placed = place_run(
        _onsets(6), made(known[source], seed=9), Rig(station=STATIONS), rate=48000, taught=taught, session="a",
        run_station="bend",
    )  # fmt: skip
    assert placed.station == tuple(NAMES[k] for k in source)
    assert placed.ways == ("sound",)


def test_sounds_that_fit_nothing_are_said(made, shapes) -> None:
    known = shapes(5, seed=3)
    taught = teach([Lesson(n, made(np.tile(known[k], (12, 1)), seed=k), "a") for k, n in enumerate(NAMES)])
    rig = Rig(station=STATIONS)
    odd = made(np.tile(known[4], (8, 1)), seed=9)
    placed = place_run(_onsets(8), odd, rig, rate=48000, taught=taught, session="a")
    assert placed.unplaced.all()
    assert placed.doubts == ("100 % of the impacts fit no taught sound: tap the stations again as they are now",)
    assert placed.doubts[0] in placed.notes


def test_a_pad_that_was_not_tapped_is_asked_for(made, shapes) -> None:
    """Where most else is placed and foreign sounds stand in for a taught station, a question names it."""
    known = shapes(5, seed=3)
    taught = teach([Lesson(n, made(np.tile(known[k], (12, 1)), seed=k), "a") for k, n in enumerate(NAMES)])
    rig = Rig(station=STATIONS)

    def doubts(source: list[int], **options) -> tuple[str, ...]:
        run = made(known[source], seed=9)
        return place_run(_onsets(len(run)), run, rig, rate=48000, taught=taught, session="a", **options).doubts

    (doubt,) = doubts([4, 1, 2] * 8)
    assert doubt.startswith(
        "8 impacts fit no taught sound and hardly any is put to 'landing': was a pad changed there?"
    )
    assert doubts([0, 1, 2] * 8) == ()
    assert doubts([0, 1, 2] * 8 + [4] * 8) == ()  # a machine's other sounds, with all stations heard
    assert doubts([1, 2] * 8 + [4] * 2) == ()  # two may be strays of a run whose landing is quiet
    assert doubts([4, 1, 1, 1] * 8, run_station="bend") == ()
    assert doubts([1, 2] * 20 + [4] * 8) == ()  # balls that never came: too few for a pad's sound


def test_empty_and_bad(made, shapes) -> None:
    nothing = place_run(_onsets(0), Impacts.empty(), Rig(station=STATIONS), rate=48000, run_station="bend")
    assert nothing.station == ()
    assert len(nothing.into(Impacts.empty())) == 0
    with pytest.raises(InputError, match="3 onsets but 2 impacts"):
        place_run(_onsets(3), made(shapes(2, seed=1)), Rig(), rate=48000)
    with pytest.raises(InputError, match="'bent' is not a declared station"):
        place_run(_onsets(2), made(shapes(2, seed=1)), Rig(station=STATIONS), rate=48000, run_station="bent")


CORNERS = ([-100, -150, 200], [900, -150, 250], [900, 600, 150], [-100, 600, 300])


@pytest.fixture(scope="module")
def machine() -> tuple[Onsets, Impacts, Rig, ArrayRecording, list[str]]:
    """Return a run of a machine of three stations heard by four air microphones round it in the free field."""
    from noisecheck.simulate import parse_scene, render_run

    scene = parse_scene(
        {
            "scene": {"rate_hz": 48000, "seed": 5},
            "microphone": [{"channel": c, "position_mm": p} for c, p in enumerate(CORNERS)],
            "station": [
                {**s, "plate": {"loss_factor": 0.1}, "rebounds": 0, "drop_height_mm": 80}
                | {"position_mm": [*s["position_mm"], 0]}
                | ({"next": NAMES[k + 1], "transit_s": [0.5, 0.6]} if k < 2 else {"target": True})
                for k, s in enumerate(STATIONS)
            ],
            "background": {"noise_db": -75},
            "feed": {"period_s": 2.0, "balls": 7},
            "run": [{"run": "one"}],
        }
    )  # fmt: skip
    x, truth = render_run(scene, scene.runs()[0])
    frame = np.round(truth.times_s() * 48000).astype(np.int64)
    n = len(frame)
    arrived = np.round(np.array([i.arrival_s for i in truth.impacts]) * 48000).astype(np.int64)
    rig = Rig.model_validate(
        {
            "microphone": [{"channel": c, "position_mm": p} for c, p in enumerate(CORNERS)],
            "station": [{**s, "position_mm": [*s["position_mm"], 0]} for s in STATIONS],
        }
    )
    onsets = Onsets(frame, np.zeros(n, np.int64), np.full(n, 9.0), arrived, np.zeros((n, 4)))
    return onsets, Impacts.of(n, frame=frame), rig, ArrayRecording(x, 48000), list(truth.stations)


def test_arrival_times_of_a_simulated_machine(machine) -> None:
    """Every impact at its own station, by arrival alone."""
    onsets, impacts, rig, recording, true = machine
    placed = place_run(onsets, impacts, rig, rate=48000, read=recording.read)
    assert placed.ways == ("arrival times",)
    assert np.mean(np.array(placed.station) == np.array(true)) >= 0.9
    assert placed.positions_mm.shape[0] == len(onsets)
    assert not placed.notes


def test_a_microphone_that_heard_nothing_is_left_out_of_arrival_times(machine) -> None:
    onsets, impacts, rig, recording, true = machine
    arrival, level = onsets.arrival.copy(), onsets.level_db.copy()
    arrival[:, 3], level[:, 3] = -1, np.nan
    deaf = Onsets(arrival[:, :3].min(axis=1), onsets.channel, onsets.odds, arrival, level)
    placed = place_run(deaf, impacts, rig, rate=48000, read=recording.read)
    assert np.mean(np.array(placed.station) == np.array(true)) >= 0.8
    assert any("channel 3 heard hardly any of 21 impacts" in n for n in placed.notes)


def test_microphones_said_to_be_where_others_are_claim_no_station(machine) -> None:
    onsets, impacts, rig, recording, true = machine
    wrong = Rig.model_validate(
        {
            "microphone": [{"channel": c, "position_mm": CORNERS[k]} for c, k in enumerate((1, 0, 2, 3))],
            "station": [{"name": s.name, "position_mm": list(s.position_mm)} for s in rig.stations],
        }
    )
    placed = place_run(onsets, impacts, wrong, rate=48000, read=recording.read)
    named = np.array([bool(s) for s in placed.station])
    assert not (named & (placed.confidence > 0.9) & (np.array(placed.station) != np.array(true))).any()
    assert any("came from no station: check position_mm" in n for n in placed.notes)
    assert any("what their noise explains" in n for n in placed.notes)
