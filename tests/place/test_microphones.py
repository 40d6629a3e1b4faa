"""A microphone a station: cross-talk, two impacts at once, stations without one, foreign sounds."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.detect.channels import Onsets
from noisecheck.place.evidence import decided
from noisecheck.place.learning import learn_cross_talk
from noisecheck.place.microphones import (
    microphone_evidence,
    split_simultaneous,
    station_channels,
)

RATE = 48000
NAMES = ("landing", "bend", "gate", "tray")
HEARS_DB = -30.0


def _rig(stations=NAMES, with_microphone=NAMES) -> Rig:
    return Rig.model_validate(
        {
            "microphone": [{"channel": c, "station": s} for c, s in enumerate(with_microphone)],
            "station": [{"name": s} for s in stations],
        }
    )


def _onsets(source: np.ndarray, *, cross_db: float = -12.0, seed: int = 0, channels: int = 4, lone=()) -> Onsets:
    """Return impacts 0.3 s apart at stations ``source``; each other microphone hears them lower and up to 3 ms late."""
    rng = np.random.default_rng(seed)
    n = len(source)
    own = rng.uniform(-20, 10, n)
    apart = np.abs(np.subtract.outer(np.arange(channels), np.arange(channels)))
    level = own[:, None] + np.where(np.arange(channels) == source[:, None], 0.0, cross_db)
    level += rng.normal(0, 1.5, (n, channels))
    late = 1e-3 * apart[np.minimum(source, channels - 1)] + np.abs(rng.normal(0, 2e-4, (n, channels)))
    for row in lone:
        level[row] = own[row] + rng.uniform(-3, 3, channels)
        late[row] = rng.uniform(0, 0.008, channels)
    at = np.round((0.3 * (1 + np.arange(n))[:, None] + late) * RATE).astype(np.int64)
    arrival = np.where(level > HEARS_DB, at, -1)
    level = np.where(level > HEARS_DB, level, np.nan)
    keep = (arrival >= 0).any(axis=1)
    arrival, level = arrival[keep], level[keep]
    frame = np.where(arrival >= 0, arrival, np.iinfo(np.int64).max).min(axis=1)
    return Onsets(frame, np.nanargmax(level, axis=1).astype(np.int64), np.full(len(frame), 99.0), arrival, level)


def _placed(onsets: Onsets, rig: Rig) -> np.ndarray:
    return decided(microphone_evidence(onsets, rig, RATE).posterior())[0]


def test_right_station_at_12_db_cross_talk() -> None:
    source = np.random.default_rng(1).integers(0, 4, 4000)
    onsets = _onsets(source)
    at = _placed(onsets, _rig())
    assert np.mean(at == source) >= 0.999
    assert len(split_simultaneous(onsets, _rig(), RATE)) == len(onsets)


def test_cross_talk_is_learnt() -> None:
    source = np.random.default_rng(1).integers(0, 4, 800)
    talk = learn_cross_talk(_onsets(source, cross_db=-9.0), station_channels(_rig(), 4), RATE)
    off = ~np.eye(4, dtype=bool)
    np.testing.assert_allclose(talk.level.middle[off], -9.0, atol=1.2)
    due = 1e-3 * np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
    np.testing.assert_allclose(talk.delay.middle, due, atol=2e-4)


def test_foreign_sounds_are_unplaced() -> None:
    source = np.random.default_rng(1).integers(0, 4, 400)
    lone = np.arange(0, 400, 20)
    at = _placed(_onsets(source, lone=lone), _rig())
    others = np.setdiff1d(np.arange(400), lone)
    assert np.mean(at[lone] == -1) >= 0.9
    assert np.mean(at[others] == source[others]) >= 0.995


def test_what_no_microphone_of_a_station_heard_is_unplaced() -> None:
    onsets = _onsets(np.random.default_rng(2).integers(0, 3, 200), channels=4)
    onsets.arrival[7, :3], onsets.level_db[7, :3] = -1, np.nan  # only that beside them did
    assert _placed(onsets, _rig(NAMES[:3], NAMES[:3]))[7] == -1


def test_two_at_once_become_two() -> None:
    """Impacts at landing and tray within 6 ms, found as one: each comes out once, with its own arrival."""
    rng = np.random.default_rng(5)
    source = rng.integers(0, 4, 400)
    onsets = _onsets(source)
    first = np.flatnonzero((source == 0) & (np.abs(onsets.level_db[:, 0]) < 3))[:6]
    second = np.flatnonzero((source == 3) & (np.abs(onsets.level_db[:, 3]) < 3))[:6]
    arrival, level = onsets.arrival.copy(), onsets.level_db.copy()
    expected = []
    for a, b in zip(first, second, strict=True):
        shift = onsets.frame[a] + int(rng.uniform(0.001, 0.006) * RATE) - onsets.frame[b]
        both_db = np.stack([level[a], level[b]])
        both_at = np.stack([arrival[a], np.where(arrival[b] >= 0, arrival[b] + shift, -1)])
        louder = np.nanargmax(np.nan_to_num(both_db, nan=-99.0), axis=0)
        level[a], arrival[a] = both_db[louder, range(4)], both_at[louder, range(4)]
        expected.append((arrival[a, 0], arrival[a, 3]))
    keep = np.setdiff1d(np.arange(400), second)
    merged = Onsets(
        np.where(arrival >= 0, arrival, 1 << 60).min(axis=1), onsets.channel, onsets.odds, arrival, level
    ).where(keep)
    split = split_simultaneous(merged, _rig(), RATE)
    assert len(split) == len(merged) + 6
    assert np.all(np.diff(split.frame) >= 0)
    at = _placed(split, _rig())
    found = [(at[split.frame == landing], at[split.frame == tray]) for landing, tray in expected]
    assert all(len(landing) and len(tray) for landing, tray in found)
    right = sum((0 in landing) + (3 in tray) for landing, tray in found)
    assert right >= 10
    assert all(set(landing) <= {0, -1} and set(tray) <= {3, -1} for landing, tray in found)


def test_station_without_microphone_is_not_forced() -> None:
    """The tray has none: all three others hear it about equally, well below their own."""
    rng = np.random.default_rng(2)
    source = rng.integers(0, 4, 600)
    onsets = _onsets(np.minimum(source, 2), channels=3)
    tray = source == 3
    level, arrival = onsets.level_db.copy(), onsets.arrival.copy()
    level[tray] = -5.0 + rng.normal(0, 1.5, (int(tray.sum()), 3)) + np.array([-2.0, -1.0, 0.0])
    arrival[tray] = onsets.frame[tray, None] + np.array([60, 20, 0])
    both = Onsets(np.where(arrival >= 0, arrival, 1 << 60).min(axis=1), onsets.channel, onsets.odds, arrival, level)
    rig = _rig(with_microphone=NAMES[:3])
    at = _placed(both, rig)
    assert np.mean(at[tray] == -1) >= 0.95
    assert np.mean(at[~tray] == source[~tray]) >= 0.99
    assert len(split_simultaneous(both, rig, RATE)) == len(both)
    assert any("no microphone of its own: tray" in n for n in microphone_evidence(both, rig, RATE).notes)


def test_late_cross_talk_found_apart_is_dropped() -> None:
    """A row heard only far away, as late and as quiet as cross-talk is, belongs to the row before."""
    onsets = _onsets(np.random.default_rng(1).integers(0, 4, 200))
    row = int(np.flatnonzero((onsets.channel == 0) & (onsets.arrival >= 0).all(axis=1))[0])
    echo = onsets.where(np.array([row]))
    arrival, level = onsets.arrival.copy(), onsets.level_db.copy()
    far_at, far_db = arrival[row, 3], level[row, 3]
    arrival[row, 3], level[row, 3] = -1, np.nan
    echo.arrival[:], echo.level_db[:] = -1, np.nan
    echo.arrival[0, 3], echo.level_db[0, 3], echo.frame[0], echo.channel[0] = far_at, far_db, far_at, 3
    parts = [Onsets(onsets.frame, onsets.channel, onsets.odds, arrival, level), echo]
    joined = Onsets(*(np.concatenate([getattr(p, f) for p in parts]) for f in Onsets.__dataclass_fields__))
    joined = joined.where(np.argsort(joined.frame, kind="stable"))
    assert len(split_simultaneous(joined, _rig(), RATE)) == 200


def test_nothing_to_say() -> None:
    onsets = _onsets(np.zeros(5, int))
    assert not microphone_evidence(onsets, _rig(with_microphone=NAMES[:1]), RATE).log_likelihood.any()
    none = onsets.where(np.zeros(5, bool))
    assert len(microphone_evidence(none, _rig(), RATE)) == 0
    assert len(split_simultaneous(none, _rig(), RATE)) == 0


def test_channel_the_recording_does_not_have() -> None:
    with pytest.raises(
        InputError,
        match=r"has 2 channels, but rig\.toml puts the microphone of station 'gate' on channel 2",
    ):
        station_channels(_rig(), 2)


def _from_place(onsets: Onsets, row: int, levels: tuple[float, ...], late_s: tuple[float, ...]) -> None:
    onsets.level_db[row] = levels
    onsets.arrival[row] = onsets.frame[row] + np.round(np.array(late_s) * RATE).astype(np.int64)


def test_a_place_that_sounds_often_is_not_learnt_as_a_station() -> None:
    """A third of what the landing's microphone hears first comes 0.4 ms less late to the others, from half-way off."""
    rng = np.random.default_rng(3)
    source = rng.integers(0, 4, 240)
    onsets = _onsets(source)
    elsewhere = np.flatnonzero((source == 0) & (onsets.arrival >= 0).all(axis=1))[::3]
    for row in elsewhere.tolist():
        _from_place(onsets, row, tuple(np.array([0.0, -4.0, -7.0, -8.0]) + rng.normal(0, 0.5, 4)),
                    tuple(np.array([0.0, 0.6e-3, 1.6e-3, 2.6e-3]) + np.abs(rng.normal(0, 2e-5, 4))))  # fmt: skip
    at = _placed(onsets, _rig())
    assert np.mean(at[elsewhere] == -1) >= 0.8
    others = np.setdiff1d(np.arange(240), elsewhere)
    assert np.mean(at[others] == source[others]) >= 0.98


def test_a_quiet_impact_is_still_its_station() -> None:
    """Level alone decides nothing: 25 dB below the others, but as its station comes to all microphones."""
    onsets = _onsets(np.random.default_rng(1).integers(0, 4, 400))
    row = int(np.flatnonzero((onsets.channel == 0) & (onsets.arrival >= 0).all(axis=1))[0])
    _from_place(onsets, row, (-16.0, -28.0, -28.0, -28.0), (0.0, 1e-3, 2e-3, 3e-3))
    assert _placed(onsets, _rig())[row] == 0


def test_a_dead_microphone_claims_nothing() -> None:
    """The gate's microphone heard nothing all run: no impact is put there, and the user is told."""
    source = np.random.default_rng(4).integers(0, 4, 400)
    onsets = _onsets(source)
    onsets.arrival[:, 2], onsets.level_db[:, 2] = -1, np.nan
    keep = (onsets.arrival >= 0).any(axis=1)
    onsets = onsets.where(keep)
    evidence = microphone_evidence(onsets, _rig(), RATE)
    at = decided(evidence.posterior())[0]
    true = source[keep]
    assert not (at == 2).any()
    assert np.mean(at[true == 2] == -1) >= 0.98
    assert not ((at >= 0) & (at != true))[true != 2].any()
    assert np.mean(at[true != 2] == true[true != 2]) >= 0.9
    assert any("'gate'" in n for n in evidence.notes)
