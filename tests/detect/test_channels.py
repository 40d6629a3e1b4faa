"""One impact on many channels is one impact; a stream hears what a file holds."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from soundmaker import STEADY, click, detect, detect_channels, impacts_in_noise, noise, snr_gain, truth_start

import noisecheck.detect.stream as stream_module
from noisecheck.core.errors import InputError
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import Onsets, merge_channels
from noisecheck.detect.decide import DetectSettings
from noisecheck.detect.stream import Stream
from noisecheck.pipeline.decisions import joined_onsets
from noisecheck.score import match

RATE = 48_000


def _scene(delay_s: float, crosstalk_db: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return samples (n, 2), true first arrivals in s and the channel nearest to each impact."""
    rng = np.random.default_rng(seed)
    samples = np.stack([noise(STEADY["pink"], RATE, 12.0, seed + c) for c in range(2)], axis=1)
    clean, truth, nearest = samples.copy(), [], []
    for n, at_s in enumerate(np.arange(2.0, 11.0, 0.5)):
        near = n % 2
        wave = click(RATE, rng)
        wave *= snr_gain(wave, clean[:, 0], RATE, 40)
        for channel, late, gain_db in ((near, 0.0, 0.0), (1 - near, delay_s, crosstalk_db)):
            at = int(at_s * RATE) + int(late * RATE)
            samples[at : at + len(wave), channel] += (wave * 10 ** (gain_db / 20)).astype(np.float32)
        truth.append((int(at_s * RATE) + truth_start(wave)) / RATE)
        nearest.append(near)
    return samples, np.array(truth), np.array(nearest)


@pytest.mark.parametrize("delay_s", [0.0, 0.003, 0.009, 0.029])
@pytest.mark.parametrize("crosstalk_db", [-3.0, -20.0])
def test_arrivals_on_two_channels_are_one_impact_with_both_onsets_kept(delay_s: float, crosstalk_db: float) -> None:
    samples, truth, nearest = _scene(delay_s, crosstalk_db)
    found = detect_channels(samples, RATE, spread_s=max(0.010, delay_s + 0.001))
    assert len(found) == len(truth)
    np.testing.assert_allclose(found.frame / RATE, truth, atol=0.001)
    np.testing.assert_array_equal(found.channel, nearest)
    assert (found.arrival >= 0).all()
    rows = np.arange(len(found))
    late = (found.arrival[rows, 1 - nearest] - found.arrival[rows, nearest]) / RATE
    np.testing.assert_allclose(late, delay_s, atol=0.001)
    louder = found.level_db[rows, nearest] - found.level_db[rows, 1 - nearest]
    np.testing.assert_allclose(np.median(louder), -crosstalk_db, atol=1.5)


def _two_stations(gaps_s: list[float], seed: int) -> tuple[np.ndarray, list[tuple[float, int]]]:
    """Return samples (n, 2), and (arrival at the own microphone in s, channel) of impacts beside two microphones.

    Twenty lone ones come first; then each gap parts an impact beside one microphone from one beside the other. Each
    is heard by the other microphone 1.2 ms later and 12 dB quieter.
    """
    rng = np.random.default_rng(seed)
    moments = [(2.0 + 0.2 * n, n % 2) for n in range(20)]
    for n, gap_s in enumerate(gaps_s):
        moments += [(6.2 + 0.3 * n, n % 2), (6.2 + 0.3 * n + gap_s, 1 - n % 2)]
    seconds = moments[-1][0] + 1.0
    samples = np.stack([noise(STEADY["pink"], RATE, seconds, seed + c) for c in range(2)], axis=1)
    clean, truth = samples.copy(), []
    for at_s, near in moments:
        wave = click(RATE, rng)
        wave *= snr_gain(wave, clean[:, 0], RATE, 40.0 + rng.normal(0.0, 1.0))
        for channel, late_s, gain_db in ((near, 0.0, 0.0), (1 - near, 0.0012, rng.normal(-12.0, 1.0))):
            at = int(at_s * RATE) + int(late_s * RATE)
            samples[at : at + len(wave), channel] += (wave * 10 ** (gain_db / 20)).astype(np.float32)
        truth.append(((int(at_s * RATE) + truth_start(wave)) / RATE, near))
    return samples, truth


def test_impacts_beside_two_microphones_are_two_however_close() -> None:
    gaps_s = np.random.default_rng(4).uniform(0.0035, 0.030, 40).tolist()
    samples, truth = _two_stations(gaps_s, 5)
    found = detect_channels(samples, RATE, spread_s=0.005)
    for channel in range(2):
        own = found.own_arrival[found.channel == channel] / RATE
        true = np.array([t for t, near in truth if near == channel])
        matched = match(own, true, tolerance_s=0.001)
        assert len(matched.missed_index) <= 1
        assert len(matched.false_index) == 0


def _crossed(seed: int) -> np.ndarray:
    """Return samples (n, 3): thrice an impact beside one microphone, 11.5 ms later a louder one by the next."""
    rng = np.random.default_rng(seed)
    samples = np.stack([noise(STEADY["pink"], RATE, 5.0, seed + c) for c in range(3)], axis=1)
    clean = samples.copy()
    for at_s in (2.0, 3.0, 4.0):
        arrivals = (
            ((0.0, 0.0), (0.0010, -10.0), (0.0027, -40.0)),
            ((0.0129, 0.0), (0.0116, 10.0), (0.0127, 2.0)),
        )
        for heard in arrivals:
            wave = click(RATE, rng)
            wave *= snr_gain(wave, clean[:, 0], RATE, 30.0)
            for channel, (late_s, gain_db) in enumerate(heard):
                at = int((at_s + late_s) * RATE)
                samples[at : at + len(wave), channel] += (wave * 10 ** (gain_db / 20)).astype(np.float32)
    return samples


@pytest.mark.parametrize("seed", [2, 3, 8, 11, 15])
def test_arrivals_that_cross_are_each_the_nearer_impacts(seed: int) -> None:
    # The second microphone hears the first impact first, and only a louder sound upon it is the second. What the third
    # may hear of the first by chance has the second upon it, which is the second's.
    samples = _crossed(seed)
    found = detect_channels(samples, RATE, spread_s=0.0065)
    np.testing.assert_array_equal(found.channel, [0, 1] * 3)
    np.testing.assert_allclose(
        found.arrival[1::2] / RATE - [[2.0], [3.0], [4.0]], [[0.0129, 0.0116, 0.0127]] * 3, atol=5e-4
    )
    stream = Stream(RATE, 3, spread_s=0.0065)
    parts = [stream.push(samples[i : i + 1_601]) for i in range(0, len(samples), 1_601)]
    parts.append(stream.finish())
    np.testing.assert_array_equal(np.concatenate([p.arrival for p in parts]), found.arrival)


def test_one_source_is_never_told_apart() -> None:
    # A third place, as far from both microphones: as loud at one as at the other, unlike anything beside either.
    samples, _ = _two_stations([], 6)
    rng = np.random.default_rng(6)
    for at_s in np.arange(2.1, 5.9, 0.4):
        wave = 0.3 * click(RATE, rng)
        for channel, late in ((0, 0), (1, int(rng.uniform(0.0, 0.0012) * RATE))):
            at = int(at_s * RATE) + late
            samples[at : at + len(wave), channel] += wave.astype(np.float32)
    assert len(detect_channels(samples, RATE)) == 30


def test_an_impact_on_one_channel_only_is_not_heard_on_the_other() -> None:
    samples, truth, nearest = _scene(0.0, -120.0)
    found = detect_channels(samples, RATE)
    assert len(found) == len(truth)
    far = found.arrival[np.arange(len(found)), 1 - nearest]
    assert np.mean(far == -1) > 0.9  # chance may put a candidate there, which is then kept as an arrival
    np.testing.assert_array_equal(found.own_arrival, found.arrival[np.arange(len(found)), found.channel])


def test_no_channels_and_no_candidates_give_empty_onsets() -> None:
    quiet = detect_channels(np.zeros((RATE, 2), np.float32), RATE)
    assert len(quiet) == 0
    assert quiet.arrival.shape == (0, 2)
    assert len(merge_channels([], [], RATE)) == 0


@functools.cache
def _whole() -> tuple[np.ndarray, Onsets]:
    """Return samples (n, 2) of a scene and what is found in them as one tile."""
    samples, _, _ = _scene(0.003, -12.0, seed=3)
    return samples, detect_channels(samples, RATE, tile_s=600.0)


@pytest.mark.parametrize("block", [1_000, 7_919, 48_000])
def test_a_stream_hears_what_a_file_holds(block: int) -> None:
    samples, whole = _whole()
    stream = Stream(RATE, 2)
    parts = [stream.push(samples[i : i + block]) for i in range(0, len(samples), block)]
    parts.append(stream.finish())
    np.testing.assert_array_equal(np.concatenate([p.frame for p in parts]), whole.frame)
    np.testing.assert_array_equal(np.concatenate([p.arrival for p in parts]), whole.arrival)


def test_the_dial_is_a_false_rate_of_all_channels_together() -> None:
    """Each channel is decided alone, so two that share a rate believe what each believes at half of it."""
    rate = 16_000
    samples = np.random.default_rng(5).normal(0.0, 0.01, (15 * rate, 2)).astype(np.float32)

    def found(part: np.ndarray, per_hour: float) -> Onsets:
        stream = Stream(rate, part.shape[1], settings=DetectSettings(false_per_hour=per_hour))
        return joined_onsets([stream.push(part), stream.finish()], part.shape[1])

    alone = [found(samples[:, [c]], 20_000.0) for c in range(2)]
    both = found(samples, 40_000.0)
    assert len(both) > 3
    assert sorted(both.frame) == sorted(np.concatenate([o.frame for o in alone]))
    assert sorted(both.odds) == pytest.approx(sorted(np.concatenate([o.odds for o in alone])))


def test_a_stream_tells_apart_what_a_file_does() -> None:
    samples, _ = _two_stations(np.linspace(0.0035, 0.030, 12).tolist(), 7)
    stream = Stream(RATE, 2)
    parts = [stream.push(samples[i : i + 7_919]) for i in range(0, len(samples), 7_919)]
    parts.append(stream.finish())
    whole = detect_channels(samples, RATE, tile_s=600.0)
    np.testing.assert_array_equal(np.concatenate([p.arrival for p in parts]), whole.arrival)
    np.testing.assert_array_equal(np.concatenate([p.channel for p in parts]), whole.channel)


def test_a_stream_of_weak_thuds_hears_what_a_file_holds() -> None:
    samples, _ = impacts_in_noise(RATE, 12, "thud", 8)
    stream = Stream(RATE, 1)
    parts = [stream.push(samples[i : i + 4_800, None]) for i in range(0, len(samples), 4_800)]
    parts.append(stream.finish())
    np.testing.assert_array_equal(np.concatenate([p.frame for p in parts]) / RATE, detect(samples, RATE))


@pytest.mark.parametrize("rate", [32_000, 64_000])
def test_a_stream_hears_what_tiles_hold_where_a_second_is_no_whole_number_of_frames(rate: int) -> None:
    samples, _ = impacts_in_noise(rate, 12, "thud", 8)
    stream = Stream(rate, 1)
    parts = [stream.push(samples[i : i + 4_801, None]) for i in range(0, len(samples), 4_801)]
    parts.append(stream.finish())
    tiled = detect_channels(samples[:, None], rate, tile_s=3.0)
    np.testing.assert_array_equal(np.concatenate([p.frame for p in parts]), tiled.frame)


def _told_at(samples: np.ndarray) -> tuple[list[tuple[int, int]], int]:
    """Return each impact of a stream and how much of it had come when it was told, and the number of steps."""
    stream, told, steps = Stream(RATE, samples.shape[1]), [], set()
    for stop in range(960, len(samples) + 1, 960):
        told += [(int(frame), stop) for frame in stream.push(samples[stop - 960 : stop]).frame]
        steps.add(stream.worked)
    return told, len(steps)


@pytest.mark.parametrize("sound", ["click", "thud"])
def test_a_stream_in_which_nothing_begins_takes_longer_steps_and_tells_no_later(
    monkeypatch: pytest.MonkeyPatch, sound: str
) -> None:
    samples = impacts_in_noise(RATE, 20, sound, 8)[0][: 5 * RATE, None]
    told, steps = _told_at(samples)
    monkeypatch.setattr("noisecheck.detect.stream._IDLE_STEP", stream_module._STEP)
    fixed, most = _told_at(samples)
    assert len(told) > 2
    assert told == fixed
    assert steps < 0.75 * most


def test_a_stream_refuses_another_shape_and_samples_after_its_end() -> None:
    stream = Stream(RATE, 2)
    with pytest.raises(InputError, match="shape"):
        stream.push(np.zeros((10, 3), np.float32))
    stream.finish()
    with pytest.raises(InputError, match="end of the stream"):
        stream.push(np.zeros((10, 2), np.float32))


def _told(
    heard: list[tuple[int, float, float, float, float]], channel: int, abrupt: float
) -> tuple[Candidates, np.ndarray]:
    """Return candidates of one channel and their odds, from (channel, seconds, level, score, error)."""
    mine = sorted((h for h in heard if h[0] == channel), key=lambda h: h[1])
    _, at_s, level, score, error = np.array(mine, float).reshape(-1, 5).T
    none = np.zeros(len(mine), np.int64)
    onset = np.round(at_s * RATE).astype(np.int64)
    zero, unheard = np.zeros(len(mine)), np.zeros((len(mine), 0), np.float32)
    bands, sudden = score - error, np.full(len(mine), abrupt)
    found = Candidates(onset, bands, error, sudden, level, none, zero, zero, zero, zero, unheard, unheard)
    return found, np.select([score > 60.0, score > 20.0], [1e4, 5.0], 0.2)


def _merged(heard: list[tuple[int, float, float, float, float]], abrupt: float = 60.0) -> Onsets:
    found, odds = zip(*(_told(heard, c, abrupt) for c in range(2)), strict=True)
    return merge_channels(found, odds, RATE)


def _by_turns(at_s: float, near: int, far_score: float = 50.0) -> list[tuple[int, float, float, float, float]]:
    """Return an impact beside one microphone as both hear it: 1.2 ms later and 12 dB quieter at the other."""
    return [(near, at_s, -10.0, 200.0, 80.0), (1 - near, at_s + 0.0012, -22.0, far_score, 20.0)]


@pytest.mark.parametrize(
    ("late_s", "error", "abrupt", "impacts"),
    [
        (-0.007, 30.0, 60.0, 21),
        (-0.007, 80.0, 60.0, 22),
        (-0.007, 80.0, 25.0, 21),
        (0.009, 30.0, 60.0, 21),
    ],
)
def test_a_faint_arrival_of_an_impact_with_a_mistaken_onset_is_no_impact(
    late_s: float, error: float, abrupt: float, impacts: int
) -> None:
    heard = [a for n in range(20) for a in _by_turns(1.0 + 0.5 * n, n % 2)]
    heard += [(0, 12.0, -10.0, 200.0, 80.0), (1, 12.0 + late_s, -21.0, 100.0, error)]
    found = _merged(heard, abrupt)
    assert len(found) == impacts
    last = found.where(found.channel == 0).own_arrival[-1]
    assert last == 12 * RATE


@pytest.mark.parametrize(("late_s", "heard_by"), [(-0.007, 1), (0.0012, 2)])
def test_chance_at_another_microphone_is_no_arrival_where_no_source_sends_it(late_s: float, heard_by: int) -> None:
    heard = [a for n in range(20) for a in _by_turns(1.0 + 0.5 * n, n % 2)]
    heard += [(0, 12.0, -10.0, 200.0, 80.0), (1, 12.0 + late_s, -22.0, 15.0, 10.0)]
    found = _merged(heard)
    assert len(found) == 21
    assert (found.arrival[-1] >= 0).sum() == heard_by
    assert found.frame[-1] == 12 * RATE


def test_a_louder_sound_upon_an_impact_long_before_gives_nothing_to_the_next_one() -> None:
    """A stream, cut between the two, knows nothing of it."""
    heard = [a for n in range(20) for a in _by_turns(1.0 + 0.5 * n, n % 2)]
    heard += [(0, 12.0, -10.0, 200.0, 80.0), (1, 11.993, -22.0, 15.0, 10.0)]
    found, odds = (list(x) for x in zip(*(_told(heard, c, 60.0) for c in range(2)), strict=True))
    upon = found[1].onset == round(10.5 * RATE)
    assert upon.any()
    louder = np.where(upon, int(0.005 * RATE), 0)
    found[1] = replace(found[1], louder=louder, louder_db=np.where(upon, 6.0, 0.0))
    last = merge_channels(found, odds, RATE).arrival[-1]
    assert last.tolist() == [12 * RATE, -1]


def test_two_impacts_at_once_are_two_where_both_are_loud() -> None:
    heard = [a for n in range(20) for a in _by_turns(1.0 + 0.5 * n, n % 2)]
    heard += [(0, 12.0, -10.0, 200.0, 80.0), (1, 11.994, -10.0, 100.0, 30.0)]
    assert len(_merged(heard)) == 22


def test_a_weak_arrival_is_as_likely_as_weak_ones_are_that_come_alone() -> None:
    company = [a for n in range(20) for a in _by_turns(1.0 + 0.5 * n, n % 2)]
    lone = (1, 12.0, -30.0, 25.0, 5.0)
    assert len(_merged([*company, lone])) == 20  # here ten of ten weak arrivals were heard by both
    often = [(1, 1.2 + 0.5 * n, -22.0, 50.0, 20.0) for n in range(20)]
    found = _merged([*company, *often, lone])
    assert len(found) == 41
    assert found.odds[-1] == pytest.approx(5.0 * 21 / 31)  # 20 of 30 came alone; at first one of one
    beyond = (1, 12.0, -10.0, 90.0, 80.0)  # a loud one that only one microphone hears lies nearer to it than any did
    assert _merged([*company, beyond]).odds[-1] == 1e4
    assert _merged([lone]).odds == pytest.approx(5.0)  # nothing is known yet
