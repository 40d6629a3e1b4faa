"""Drops and rebounds over the runs of a campaign."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from noisecheck.bench.rig import Rig
from noisecheck.bench.rig_file import load_rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets, no_onsets
from noisecheck.flow.failures import failure_rate
from noisecheck.flow.findings import Finding, Ledger, Passage
from noisecheck.pipeline.credible import credible
from noisecheck.pipeline.flowing import challenge_run, follow_run, heard_beside, listened_at, with_drops
from noisecheck.pipeline.run import RunResult
from noisecheck.place.evidence import Evidence
from noisecheck.place.taught import TaughtSounds


def test_short_runs_on_one_pad_show_their_rebounds_together() -> None:
    # Two drops a run, with one rebound each 78 ms later: too few to show a habit by themselves.
    rng = np.random.default_rng(6)
    runs = []
    for number in range(6):
        first = np.array([2.0, 4.5]) + rng.uniform(0.0, 0.5, 2)
        times = np.sort(np.concatenate([first, first + rng.normal(0.078, 0.001, 2)]))
        levels = np.array([-45.0, -58.0, -45.0, -58.0]) + rng.normal(0.0, 1.0, 4)
        run = Run(f"felt-{number}", ("a.wav",), treatment="felt", station="landing")
        runs.append((run, Impacts.of(4, run=run.name, time_s=times, lae_db=levels, station="landing")))
    told = with_drops(runs, Rig())
    assert [t["rebound"].tolist() for t in told] == [[0, 1, 0, 1]] * 6
    assert [t["drop"].tolist() for t in told] == [[0, 0, 1, 1]] * 6
    (alone,) = with_drops(runs[:1], Rig())
    assert alone["rebound"].tolist() == [0, 0, 0, 0]


def _bounced(name: str, first_s: float, e: float, **stated: object) -> tuple[Run, Impacts]:
    """Nine drops with two rebounds each, at intervals of their own."""
    rng = np.random.default_rng(len(name))
    first = 1.0 + np.cumsum(rng.uniform(1.4, 3.5, 9))
    steps = np.array([0.0, first_s, first_s * (1.0 + e)]) * (1.0 + 0.01 * rng.normal(size=(9, 1)))
    levels = np.array([0.0, 26.0, 52.0]) * np.log10(e) - 45.0 + rng.normal(0.0, 0.5, (9, 1))
    table = Impacts.of(27, run=name, time_s=(first[:, None] + steps).ravel(), lae_db=levels.ravel())
    return Run(name, (f"{name}.wav",), **stated), table  # type: ignore[arg-type]


def test_other_recordings_of_other_pads_hide_no_rebounds() -> None:
    """Measured together such files were 27 drops each; by themselves 9 drops and 18 rebounds."""
    bare, felt = _bounced("bare", 0.115, 0.45), _bounced("felt-two", 0.062, 0.3)
    high = _bounced("bare-high", 0.163, 0.45)
    for runs in ([bare, felt, high], [bare], [high, bare]):
        told = with_drops(runs, Rig())
        assert [int((t["rebound"] == 0).sum()) for t in told] == [9] * len(runs)
        assert [t["drop"].max() for t in told] == [8] * len(runs)
    # of one pad too, where the sheet does not say that heights differ
    pad = [_bounced(name, s, 0.45, treatment="bare") for name, s in (("low", 0.115), ("higher", 0.163))]
    assert [int((t["rebound"] == 0).sum()) for t in with_drops(pad, Rig())] == [9, 9]


def test_reference_drops_keep_what_they_are() -> None:
    flags = np.array([Flag.REFERENCE, Flag.REFERENCE, 0, 0], np.uint32)
    table = Impacts.of(4, time_s=[1.0, 1.2, 9.0, 11.0], lae_db=-40.0, flags=flags, rebound=[0, 1, -1, -1])
    (told,) = with_drops([(Run("one", ("a.wav",)), table)], Rig())
    assert told["rebound"].tolist() == [0, 1, 0, 0]
    assert [len(t) for t in with_drops([(Run("none", ("a.wav",)), Impacts.empty())], Rig())] == [0]


def _counted(arrived: int, unheard: int, fed: int = 251) -> Ledger:
    findings = tuple(Finding("unheard", 1.4 * n, "landing", 1e6, "not heard", n) for n in range(unheard))
    return Ledger("a", fed, arrived, findings, listened_s=360.0)


def test_where_more_are_followed_than_fed_and_most_never_arrive_nothing_is_claimed() -> None:
    """Ten balls in a short run, transit times unknown: 25 followed, 2 arrived, three unheard at a million to one."""
    astray = replace(_counted(2, 3, fed=10), undecided=5, under_way=18, open_balls=())
    told = credible(astray)
    assert (told.arrived, told.undecided, told.under_way, told.findings) == (0, 10, 0, ())
    assert told.notes[0].startswith("25 balls seem to be on their way where 10 were fed, 23 of them never heard")
    # Nor is it where most of them seem stuck: a machine's ticks are no balls.
    stuck = tuple(Finding("stuck", 0.3 * n, "bend", 50.0, "never at tray", n) for n in range(364))
    ticking = replace(_counted(4, 0, fed=49), findings=stuck, undecided=9, under_way=4, open_balls=())
    told = credible(ticking)
    assert (told.arrived, told.undecided, told.findings) == (0, 49, ())
    jam = replace(_counted(12, 0, fed=49), findings=stuck[:37])
    for fine in (jam, replace(_counted(30, 0, fed=30), under_way=4), replace(_counted(60, 2, fed=30), under_way=20)):
        assert credible(fine) is fine


def test_where_contacts_are_put_to_wrong_stations_nothing_is_claimed() -> None:
    muddled = credible(_counted(501, 303))
    assert (muddled.arrived, muddled.undecided, muddled.findings) == (0, 251, ())
    assert "contacts are put to the wrong stations" in muddled.notes[0]
    assert failure_rate([muddled]).upper == pytest.approx(1.0)
    # Balls that come round again are heard all the way; a few unheard, or a few too many, are as usual.
    for fine in (_counted(501, 20), _counted(251, 60), _counted(255, 60)):
        assert credible(fine) is fine


def test_where_most_never_arrive_and_more_pass_unheard_than_arrive_nothing_is_claimed() -> None:
    """One microphone, no taps, rebounds among the contacts: nobody said how many balls were fed."""
    followed = replace(_counted(397, 3245, fed=3582), undecided=391, not_followed=2794)
    told = credible(followed)
    assert (told.arrived, told.findings) == (0, ())
    assert told.notes[0].startswith("3582 balls seem to be on their way, 397 of them arrive, and 3245 times one passes")
    # A blocked way, and a pad so soft that most are unheard there, are none of that.
    for fine in (replace(_counted(40, 9, fed=90), undecided=50), replace(_counted(90, 70, fed=100), undecided=10)):
        assert credible(fine) is fine


@pytest.mark.parametrize("told", ["nothing", "by sound", "by place"])
def test_where_nothing_tells_stations_no_ball_is_followed(tmp_path: Path, told: str) -> None:
    """One microphone and no taps: timing alone followed thousands of balls where hundreds were fed."""
    (tmp_path / "rig.toml").write_text(
        '[[station]]\nname = "landing"\nnext = "tray"\ntransit_s = [0.8, 1.2]\n'
        '[[station]]\nname = "tray"\ntarget = true\n'
    )
    fed_s = 1.0 + 1.5 * np.arange(20)
    times = np.column_stack([fed_s, fed_s + 1.0]).ravel()
    station = ["landing", "tray"] * 20 if told == "by place" else ""
    impacts = Impacts.of(40, time_s=times, station=station, station_confidence=0.9, odds=1e5, rebound=0)
    odds = Evidence.none(("landing", "tray"), 40)
    if told == "by sound":
        odds.log_likelihood[::2, 0] = odds.log_likelihood[1::2, 1] = 5.0
    run = RunResult(Run("a", ("a.wav",), balls_fed=20), impacts, no_onsets(1), 48000, 40.0, 1, (), odds=odds)
    rig = load_rig(tmp_path / "rig.toml")
    ledger = follow_run(run, rig)
    if told == "nothing":
        assert (ledger.fed, ledger.arrived, ledger.undecided, ledger.findings) == (20, 0, 20, ())
        (note,) = ledger.notes  # and none that balls were lost
        assert note.startswith("nothing tells at which station any of its impacts was made")
        with pytest.raises(InputError, match="nothing is claimed"):
            challenge_run(run, rig, ledger)
    else:
        assert (ledger.fed, ledger.arrived, ledger.notes) == (20, 20, ())


@pytest.mark.parametrize("how", ["off by one", "any time", "set free by the next"])
def test_balls_followed_off_by_one_are_told_from_balls_held_up(how: str) -> None:
    """Balls leave each second and take 0.7 s; late ones come when the next is due, all or some, or at any time."""
    rng, off = np.random.default_rng(4), how == "off by one"
    late = np.arange(60) >= 36 if off else rng.random(60) < 0.4
    took = 0.7 + rng.uniform(-0.1, 0.1, 60) + late * (rng.uniform(0.3, 3.0, 60) if how == "any time" else 1.0)
    rows = [
        Passage(n, "landing", "tray", float(n + t), float(t), bool(one), 1e4)
        for n, (t, one) in enumerate(zip(took, late, strict=True))
    ]
    held = [Finding("held_up", p.time_s, "tray", 1e4, "", p.ball) for p in rows if p.late]
    ledger = Ledger("a", 60, 60, tuple(held), tuple(rows), transit_s={"landing": (0.5, 0.9)})
    told = credible(ledger)
    assert (told is ledger) != off
    assert (told.undecided, len(told.findings)) == ((60, 0) if off else (0, late.sum()))


def test_late_balls_of_a_jam_let_go_at_once_are_not_followed_off_by_one() -> None:
    """They leave 0.12 s apart, so that one is due whenever one comes."""
    left = [*np.arange(40.0).tolist(), *(60.0 + 0.12 * np.arange(60)).tolist(), *np.arange(80.0, 100.0).tolist()]
    late = [60.0 <= t < 70.0 for t in left]
    rows = [
        Passage(n, "landing", "tray", t + 0.7 + 0.5 * one, 0.7 + 0.5 * one, one, 1e4)
        for n, (t, one) in enumerate(zip(left, late, strict=True))
    ]
    held = [Finding("held_up", p.time_s, "tray", 1e4, "", p.ball) for p in rows if p.late]
    ledger = Ledger("a", 120, 120, tuple(held), tuple(rows), transit_s={"landing": (0.5, 0.9)})
    assert credible(ledger) is ledger


def test_a_microphone_is_heard_to_live_by_what_is_louder_elsewhere() -> None:
    arrival = np.array([[10, -1], [20, 25], [-1, 30], [45, 40]])
    onsets = Onsets(arrival.max(axis=1), np.array([0, 0, 1, 1]), np.ones(4), arrival, np.zeros((4, 2)))
    time_s = np.array([1.0, 2.0, 3.0, 4.0])
    stations = [{"name": "landing"}, {"name": "tray"}]
    two, one = (
        Rig.model_validate({"station": stations, "microphone": [{"channel": c, "station": n} for c, n in mics]})
        for mics in ([(0, "landing"), (1, "tray")], [(0, "landing")])
    )
    assert {n: t.tolist() for n, t in heard_beside(onsets, time_s, two).items()} == {"landing": [4.0], "tray": [2.0]}
    assert heard_beside(onsets, time_s, one) == {}
    assert (listened_at(two, None), listened_at(one, None)) == (("landing", "tray"), ())
    taught = TaughtSounds(("tray",), None, np.zeros(0, np.int64), None)
    assert listened_at(one, taught) == ("tray",)
