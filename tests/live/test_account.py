"""What a watch keeps of what it heard, so that it can account for all of it again."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from noisecheck.bench.rig import Rig
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets, no_onsets
from noisecheck.flow.route import Route
from noisecheck.live import account
from noisecheck.live.account import Account
from noisecheck.live.hearing import Heard
from noisecheck.live.later import NotKept
from noisecheck.live.placing import RUN

RATE = 16_000
FRAMES = np.arange(1, 41) * RATE // 2


class AsTheyAre:
    """Places nothing anew."""

    run = RUN
    listened: tuple[str, ...] = ()

    def __call__(self, onsets: Onsets, impacts: Impacts) -> tuple[Impacts, None]:
        assert np.array_equal(onsets.frame, impacts["frame"])
        return impacts, None


def _table(rows: np.ndarray, level_db: float) -> Impacts:
    frame = FRAMES[rows]
    return Impacts.of(
        len(rows), frame=frame, time_s=frame / RATE, lae_db=level_db - rows, odds=1e5, station="tray", db_re="20 uPa"
    )


def _kept(parts: int, monkeypatch: pytest.MonkeyPatch) -> tuple[Account, Impacts]:
    """Return an account of 40 impacts, heard two at a time, the first 30 measured again, and what it accounts for."""
    monkeypatch.setattr(account, "_PARTS", parts)
    rig = Rig.model_validate({"station": [{"name": "tray", "target": True}]})
    placer: Any = AsTheyAre()
    kept = Account(rig, Route(("tray",)), (), 1, RATE, placer, calibrated=True)
    for at in range(0, 40, 2):
        rows = np.arange(at, at + 2)
        one = FRAMES[rows]
        onsets = Onsets(one, np.zeros(2, np.int64), np.full(2, 1e5), one[:, None], np.full((2, 1), -20.0))
        late = _table(np.arange(at - 10, at), -50.0) if at in (10, 20, 30) else None
        kept.add(Heard(onsets, _table(rows, -40.0), None, at / 2.0, at / 2.0, late))
    return kept, kept.again(21.0, deaf_s={}).impacts


def test_sound_that_comes_back_is_nothing_struck_as_in_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    kept, impacts = _kept(7, monkeypatch)
    faint = impacts.with_columns(margin_db=np.where(np.arange(40) % 2, 30.0, 5.0))
    assert kept.contacts(faint)[0].tolist() == list(range(40))
    back_s = faint["time_s"][8]
    kept.add(Heard(no_onsets(1), Impacts.empty(), None, 21.0, 21.0, lost=((back_s - 1.0, back_s),)))
    assert kept.contacts(faint)[0].tolist() == [n for n in range(40) if n != 8]
    clear = faint.with_columns(margin_db=30.0)  # a drop, for which a gate opened
    assert kept.contacts(clear)[0].tolist() == list(range(40))
    assert len(kept.again(21.0, deaf_s={}).impacts) == 40  # none of those kept has a margin


@pytest.mark.parametrize("parts", [1, 3, 7])
def test_parts_are_joined_and_nothing_is_lost(parts: int, monkeypatch: pytest.MonkeyPatch) -> None:
    _, whole = _kept(1000, monkeypatch)
    kept, joined = _kept(parts, monkeypatch)
    assert np.array_equal(joined["frame"], FRAMES)
    assert np.array_equal(joined["lae_db"], whole["lae_db"])
    assert np.array_equal(whole["lae_db"], np.where(np.arange(40) < 30, -50.0, -40.0) - np.arange(40))
    held = SimpleNamespace(**vars(kept))
    assert sum(len(t) for t in held._impacts) < 40  # those measured again are kept once
    assert len(held._onsets) < 20 + (parts == 1)


def test_what_a_split_brings_to_light_must_stand_out_at_its_own_microphone() -> None:
    """The sound is gone by then: how far it stands out is told by impacts that were measured there."""
    n = 12
    level = -30.0 + np.arange(n)
    arrival = np.repeat(FRAMES[:n, None], 2, axis=1)
    onsets = Onsets(FRAMES[:n], np.ones(n, np.int64), np.full(n, 1e5), arrival, np.column_stack([level - 9.0, level]))
    impacts = Impacts.of(n, margin_db=level + 38.0)  # at channel 1 a level of -35 dB is 3 dB above the background
    split = Onsets(
        FRAMES[:3], np.array([1, 1, 0]), np.full(3, 1e3), arrival[:3],
        np.array([[-np.inf, -37.0], [-np.inf, -33.0], [-60.0, -np.inf]]),
    )  # fmt: skip
    found = NotKept(RATE, calibrated=False, onsets=onsets, impacts=impacts).measured(split, [0, 1, 2])
    assert [bool(t.flagged(Flag.BOUND)[0]) for t in found] == [True, False, False]  # of channel 0 nothing is known
    assert all(t.flagged(Flag.OVERLAPPED)[0] for t in found)
