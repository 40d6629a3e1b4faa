"""Placing as impacts come: what is learnt of the run so far, and how often."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.live.placing import Placing

RATE = 1000


class Placer:
    """Stands in for one, and keeps what it was asked."""

    times = None

    def __init__(self, ticks: int = 0) -> None:
        self._ticks = ticks
        self.learnt: list[int] = []
        self.near: list[int] = []
        self.asked: list[int] = []

    def __call__(self, onsets: Onsets, impacts: Impacts, talk: Any, *, widened: float) -> tuple[Impacts, None]:
        np.testing.assert_array_equal(onsets.frame, impacts["frame"])
        self.near.append(len(onsets))
        return impacts, None

    def own(self, onsets: Onsets, impacts: Impacts) -> NDArray[np.bool_]:
        self.asked.append(len(impacts))
        return np.asarray(impacts["frame"] // 200 % 5 < self._ticks)

    def talk(self, onsets: Onsets) -> str:
        self.learnt.append(len(onsets))
        return "known"

    def widened(self, onsets: Onsets) -> float:
        return 1.0


def _impacts(first: int, count: int) -> tuple[Onsets, Impacts]:
    frame = 200 * np.arange(first, first + count, dtype=np.int64)
    zero, level = np.zeros(count, np.int64), np.zeros((count, 2))
    onsets = Onsets(frame, zero, np.ones(count), np.column_stack([frame, frame + 1]), level)
    return onsets, Impacts.of(count, frame=frame)


def test_a_watch_learns_from_as_many_impacts_as_a_recording() -> None:
    placer = Placer()
    placing = Placing(placer, RATE, 2)  # type: ignore[arg-type]
    for first in range(0, 1500, 3):
        onsets, table = _impacts(first, 3)
        found, odds = placing.placed(onsets, table)
        assert odds is None
        assert found["frame"].tolist() == table["frame"].tolist()
    assert placer.learnt[-1] == 1000
    assert len(placer.learnt) < 130  # whenever a twentieth more has come
    assert placer.near[-1] == 3 + 2  # with those of the half second before


def test_a_watch_learns_nothing_from_the_machines_own_ticks() -> None:
    placer = Placer(ticks=2)
    placing = Placing(placer, RATE, 2)  # type: ignore[arg-type]
    for first in range(0, 20, 5):
        placing.placed(*_impacts(first, 5))
    assert placer.learnt == [3, 6, 9, 12]
    assert placer.asked == placer.near == [5, 7, 7, 7]  # what came just before may hide one
