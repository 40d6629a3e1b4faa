"""Which runs show one another what each is too short to show."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import no_onsets
from noisecheck.flow.findings import Ledger
from noisecheck.pipeline.account import _challenges
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.run import RunResult
from noisecheck.pipeline.siblings import with_siblings

RIG = Rig.model_validate({"station": [{"name": "landing", "next": "tray"}, {"name": "tray", "target": True}]})


def _result(name: str, balls: int = 12, **stated: object) -> RunResult:
    """Return a run of so many balls from the landing to the tray."""
    leave = 1.0 + 1.6 * np.arange(balls)
    times = np.sort(np.concatenate([leave, leave + 0.7]))
    table = Impacts.of(
        2 * balls,
        run=name,
        time_s=times,
        station=["landing", "tray"] * balls,
        station_confidence=0.98,
        lae_db=-50.0,
        drop=np.arange(2 * balls),
        rebound=0,
    )
    run = Run(name, (f"{name}.wav",), **{"treatment": "bare", "drop_height_mm": 80.0, "revision": "A", **stated})  # type: ignore[arg-type]
    return RunResult(run, table, no_onsets(1), 48000, float(times[-1]) + 3.0, 1, (Path(f"{name}.wav"),))


def _told(*results: RunResult) -> dict[str, list[tuple[int, int]]]:
    """Return for each run how many trains each sibling shows at landing and tray."""
    done = with_siblings(results, RIG)
    return {r.run.name: [(len(s.trains_at("landing")), len(s.trains_at("tray"))) for s in r.siblings] for r in done}


def test_runs_of_one_pad_height_and_revision_show_one_another_all() -> None:
    told = _told(_result("a"), _result("b", 10), _result("c", 9, role="taps"), _result("d", 8, revision="B"))
    assert told == {"a": [(10, 10)], "b": [(12, 12)], "c": [], "d": []}


def test_another_pad_or_height_shows_what_is_behind_it() -> None:
    told = _told(
        _result("a"), _result("b", 10, treatment="felt"), _result("c", 9, drop_height_mm=160.0), _result("d", 8)
    )
    assert told["a"] == [(8, 8), (0, 10), (0, 9)]
    assert told["b"] == [(0, 12), (0, 9), (0, 8)]
    # where no height is stated, it may differ
    unknown = [_result("a", drop_height_mm=None), _result("b", 10, drop_height_mm=None)]
    assert _told(*unknown) == {"a": [(0, 10)], "b": [(0, 12)]}


def test_a_pad_at_another_station_is_left_out_there() -> None:
    assert _told(_result("a"), _result("b", 10, station="tray")) == {"a": [(0, 0)], "b": [(0, 0)]}


def test_a_run_of_many_balls_needs_no_other_and_a_short_one_the_nearest() -> None:
    told = _told(_result("a"), _result("b", 70), _result("c", 50))
    assert told == {"a": [(70, 70)], "b": [], "c": [(70, 70)]}
    assert _told(_result("alone")) == {"alone": []}
    assert [r.siblings for r in with_siblings([_result("a"), _result("b")], Rig())] == [(), ()]


def test_a_run_in_which_nothing_was_heard_shows_nothing() -> None:
    silent = _result("b")
    silent = replace(silent, impacts=Impacts.empty())
    assert _told(_result("a"), silent, _result("c", 9)) == {"a": [(9, 9)], "b": [(12, 12), (9, 9)], "c": [(12, 12)]}


def test_ledgers_and_challenges_are_told_what_siblings_show(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[int] = []

    def follow(run: RunResult, *_: object) -> Ledger:
        told.append(len(run.siblings))
        return Ledger("a", 12, 12, (), listened_s=20.0)

    def challenge(run: RunResult, *_: object) -> None:
        told.append(len(run.siblings))
        raise InputError("too few")

    monkeypatch.setattr("noisecheck.pipeline.campaign.follow_run", follow)
    monkeypatch.setattr("noisecheck.pipeline.account.challenge_run", challenge)
    done = with_siblings([_result("a"), _result("b"), _result("c", revision="B")], RIG)
    result = CampaignResult(SimpleNamespace(rig=RIG), tuple(done), ())  # type: ignore[arg-type]
    assert len(result.ledgers) == 3
    _challenges(done, {r.run.name: ledger for r, ledger in zip(done, result.ledgers, strict=True)}, RIG, None)
    assert told == [1, 1, 0, 1, 1, 0]
