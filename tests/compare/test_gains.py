"""A recorder that sets its own gain is told by the background it was recorded with."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import levels_of, summary_of

from noisecheck.bench.runsheet import Run
from noisecheck.compare.effects import compare
from noisecheck.compare.gains import gain_apart_db
from noisecheck.compare.summary import RunSummary

EVEN = np.zeros(8)


def _runs(
    treatment: str, level: float, floor: float, *, shape: np.ndarray = EVEN, session: str = "a", off: float = 0.0
) -> list[RunSummary]:
    """Three runs, one of them with a background off the others'."""
    rng = np.random.default_rng(len(treatment))
    rows = []
    for i in range(3):
        octaves = floor + shape + off * (i == 1) + rng.normal(0, 0.3, 8)
        run = Run(name=f"{treatment}{session}{i}", files=(), treatment=treatment, session=session)
        row = summary_of(run, levels_of(level + 0.3 * rng.standard_normal()))
        rows.append(dataclasses.replace(row, floor_db=tuple(octaves.tolist())))
    return rows


def _step(**felt: object) -> float:
    options: dict[str, object] = {"level": 56.0, "floor": 33.0, **felt}
    return gain_apart_db(_runs("bare", 60.0, 20.0), _runs("felt", **options))  # type: ignore[arg-type]


def test_a_pad_that_a_recorder_may_have_turned_its_gain_up_for_is_a_bound() -> None:
    """Felt 16.9 dB quieter, recorded with a slow automatic gain, was told as 3.6 dB quieter, 0.0 to 7.2."""
    rows = [*_runs("bare", 60.0, 20.0), *_runs("felt", 56.0, 33.0)]
    found = compare(rows, by="treatment").of("felt")
    plain = compare([dataclasses.replace(r, floor_db=()) for r in rows], by="treatment").of("felt")
    assert (found.verdict, found.at_least, plain.at_least) == ("quieter", True, False)
    assert found.ci_db == pytest.approx((plain.ci_db[0] - 13.0, plain.ci_db[1]), abs=0.4)
    assert found.lacking.startswith("the background of the felt runs lies 13.")
    assert "either all that sounds beside the balls was louder, or their gain was higher" in found.warnings[0]
    back = compare(rows, by="treatment", baseline="felt").of("bare")
    assert (back.verdict, back.at_least) == ("louder", True)
    assert back.ci_db == pytest.approx((-found.ci_db[1], -found.ci_db[0]))


def test_what_a_higher_gain_could_make_louder_is_not_shown_to_be_so() -> None:
    rows = [*_runs("bare", 60.0, 20.0), *_runs("felt", 62.0, 33.0)]
    found = compare(rows, by="treatment").of("felt")
    assert found.verdict == "no difference shown"
    assert found.warnings[0].startswith("what comes out louder is not shown to be so: the background of the felt runs")


@pytest.mark.parametrize(
    ("felt", "told"),
    [
        ({}, True),
        ({"floor": 22.0}, False),  # no more than a room does
        ({"level": 73.0}, False),  # goes with the level: rings, or a nearer microphone
        ({"shape": np.linspace(-4, 4, 8)}, False),  # a fan: other octaves otherwise
        ({"off": -9.0}, False),  # the room was louder in some runs
        ({"session": "b"}, False),  # sessions may have gains of their own
        ({"level": 47.0, "floor": 7.0}, False),
        ({"level": 62.0, "floor": 7.0}, True),
    ],
)
def test_only_a_step_of_all_octaves_against_the_level_is_gain(felt: dict[str, object], told: bool) -> None:
    assert (_step(**felt) != 0) == told


def test_what_has_no_octaves_to_go_by_tells_nothing() -> None:
    def cut(rows: Sequence[RunSummary], n: int) -> list[RunSummary]:
        return [dataclasses.replace(r, floor_db=r.floor_db[:n]) for r in rows]

    bare, felt = _runs("bare", 60.0, 20.0), _runs("felt", 56.0, 33.0)
    assert gain_apart_db(cut(bare, 3), cut(felt, 3)) == 0
    assert gain_apart_db(cut(bare, 4), cut(felt, 6)) == 0
    assert gain_apart_db(cut(bare, 4), cut(felt, 4)) == pytest.approx(13, abs=0.5)
    silent = [dataclasses.replace(r, floor_db=(*r.floor_db[:4], *[-np.inf] * 4)) for r in felt]
    assert gain_apart_db(bare, silent) == pytest.approx(13, abs=0.5)
