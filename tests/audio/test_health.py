"""What a recording is good for: each fault put in on purpose, and nothing found where there is none."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavs import RATE, noise, taps

from noisecheck.audio.health import Health, check_health
from noisecheck.audio.recording import ArrayRecording, open_recording


def judged(x: np.ndarray, **more: object) -> Health:
    return check_health(ArrayRecording(np.ascontiguousarray(x, np.float32), RATE, **more))  # type: ignore[arg-type]


def in_steps(x: np.ndarray) -> np.ndarray:
    return (np.round(x * 32768) / 32768).astype(np.float32)


def test_a_good_recording_is_good_for_everything() -> None:
    health = judged(in_steps(taps(30.0)))
    assert {health.levels.verdict, health.counts.verdict, health.times.verdict} == {"usable"}
    assert health.channels[0].zeros.size == health.channels[0].repeated.size == health.clipped.size == 0
    assert health.channels[0].hum is None
    assert health.riding.found is False
    assert 50 <= health.impacts <= 65
    assert json.loads(json.dumps(health.to_dict()))["good_for"]["levels"]["verdict"] == "usable"


def test_dropped_spans_are_found_to_the_sample() -> None:
    x = in_steps(taps(20.0) + noise(20.0, rms=0.005))
    places = [(50_000, 50_480), (300_123, 301_123), (700_000, 702_000)]
    for a, b in places:
        x[a:b] = 0.0
    health = judged(x)
    found = health.channels[0].zeros
    assert len(found) == 3
    assert np.abs(found - np.array(places)).max() <= 2  # a neighbouring sample may be 0 by itself
    assert health.times.verdict == "bound only"
    assert "exact silence" in health.times.reasons[0]


@pytest.mark.parametrize("length", [128, 512, 1024, 4800])
def test_buffers_written_twice_are_found(length: int) -> None:
    x = in_steps(taps(20.0) + noise(20.0, rms=0.005))
    places = [50_000, 300_123, 65_536 * 8 - 100, 700_000]  # one over the edge of a tile
    for a in places:
        x[a : a + length] = x[a - length : a]
    found = judged(x).channels[0].repeated
    assert len(found) == 4
    assert np.abs(found[:, 0] - places).max() <= 2
    assert np.abs(found[:, 1] - found[:, 0] - length).max() <= 3


def test_a_steady_tone_is_no_repetition() -> None:
    t = np.arange(20 * RATE)[:, None] / RATE
    health = judged(in_steps(0.3 * np.sin(2 * np.pi * 1000 * t)))
    assert len(health.channels[0].repeated) == 0
    assert len(health.clipped) == 0


def test_digital_silence_at_the_ends_is_no_dropout() -> None:
    x = in_steps(taps(10.0) + noise(10.0, rms=0.005))
    x[:5000] = 0.0
    x[-9000:] = 0.0
    assert len(judged(x).channels[0].zeros) == 0


def test_dead_channel_is_named_and_the_other_taken() -> None:
    x = taps(20.0)
    health = judged(in_steps(np.concatenate([np.full_like(x, 0.0), x], axis=1)))
    assert (health.between.dead, health.best_channel) == ((0,), 1)
    assert "channel 0 is dead" in " ".join(health.notes)
    faint = judged(in_steps(np.concatenate([x, 0.0015 * x], axis=1)))
    assert (faint.between.dead, faint.best_channel) == ((1,), 0)


def test_inverted_and_doubled_channels() -> None:
    x = taps(20.0) + noise(20.0, rms=0.002)
    t = np.arange(len(x))[:, None] / RATE
    rumble = 0.01 * np.sin(2 * np.pi * 90 * t + np.cumsum(noise(20.0, seed=9), axis=0) / 30)
    left, right = x + rumble + noise(20.0, seed=2, rms=0.002), 0.8 * x + rumble + noise(20.0, seed=3, rms=0.002)
    good = judged(in_steps(np.concatenate([left, right], axis=1)))
    assert (good.between.inverted, good.between.duplicate) == ((), ())
    wrong = judged(in_steps(np.concatenate([left, -right], axis=1)))
    assert wrong.between.inverted == ((0, 1),)
    assert "inverted" in " ".join(wrong.notes)
    same = judged(in_steps(np.concatenate([left, left], axis=1)))
    assert same.between.duplicate == ((0, 1),)
    assert "one microphone" in " ".join(same.notes)


def test_channels_that_belong_together_are_named_in_one_sentence() -> None:
    """One microphone on six channels, one of them turned round: 15 pairs, of which each had a line of its own."""
    x = taps(20.0) + noise(20.0, rms=0.002)
    notes = judged(in_steps(np.concatenate([x, x, -x, x, 0.5 * x, x], axis=1))).notes
    assert "channel 2 is inverted to channels 0, 1, 3, 4 and 5: their sum would cancel" in notes
    assert "channels 0, 1, 2, 3, 4 and 5 carry the same signal: they are one microphone, not 6" in notes
    assert sum("channel" in note for note in notes) == 3


def test_the_channel_with_more_margin_and_no_clipping_is_taken() -> None:
    x = taps(20.0)
    near, far = x + noise(20.0, seed=4, rms=0.001), 0.3 * x + noise(20.0, seed=5, rms=0.01)
    assert judged(in_steps(np.concatenate([far, near], axis=1))).best_channel == 1
    clipped = np.clip(5 * x, -0.9, 0.9) + 0.0
    assert judged(in_steps(np.concatenate([clipped, 0.8 * x], axis=1))).best_channel == 1


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_found_at_its_frequency(mains: int) -> None:
    t = np.arange(30 * RATE)[:, None] / RATE
    hum = sum(a * np.sin(2 * np.pi * mains * k * t) for k, a in ((1, 0.004), (2, 0.008), (3, 0.002)))
    health = judged(in_steps(taps(30.0) + hum))
    found = health.channels[0].hum
    assert found is not None
    assert found.mains_hz == mains
    # Sum of the squares of three sines' amplitudes over 2, in dB re full scale 1.0.
    assert found.level_db == pytest.approx(10 * np.log10((0.004**2 + 0.008**2 + 0.002**2) / 2), abs=1.0)
    assert f"multiples of {mains} Hz" in " ".join(health.notes)
    assert judged(in_steps(taps(30.0))).channels[0].hum is None


@pytest.mark.parametrize("filtered", [False, True])
def test_sound_that_ends_at_a_frequency_is_no_band_limit(filtered: bool) -> None:
    """Rings up to 9 kHz over white noise: only a filter after the microphone takes the noise away as well."""
    from scipy.signal import firwin, oaconvolve

    rng = np.random.default_rng(5)
    x = np.zeros(20 * RATE)
    t = np.arange(RATE // 5) / RATE
    for at in range(RATE // 4, len(x) - RATE, RATE // 2):
        for hz in rng.uniform(300, 9000, 60):
            x[at : at + len(t)] += 0.01 * np.exp(-t / 0.03) * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6))
    cut = firwin(1001, 9500, fs=RATE)
    x = oaconvolve(x, cut, mode="same") + 1e-4 * rng.standard_normal(len(x))
    if filtered:
        x = oaconvolve(x, cut, mode="same")
    health = check_health(ArrayRecording(x[:, None].astype(np.float32), RATE))
    assert (health.usable_hz < RATE / 2) == filtered


def test_dc_is_measured() -> None:
    x = in_steps(taps(10.0) + 0.02)
    health = judged(x)
    assert health.channels[0].dc == pytest.approx(float(x.mean(dtype=float)), abs=1e-6)
    assert "off zero" in " ".join(health.notes)


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_equal_samples_are_no_audio(value: float) -> None:
    health = judged(np.full((5 * RATE, 2), value))
    assert not health.has_audio
    assert health.counts.verdict == health.levels.verdict == "not usable"
    assert health.impacts == 0


@pytest.mark.parametrize(
    ("subtype", "counts"), [("PCM_U8", "bound only"), ("ALAW", "bound only"), ("PCM_16", "usable")]
)
def test_eight_bits_a_sample_make_counts_a_bound(tmp_path: Path, subtype: str, counts: str) -> None:
    soundfile.write(tmp_path / "a.wav", taps(10.0) + noise(10.0), RATE, subtype=subtype)
    with open_recording(tmp_path / "a.wav") as recording:
        found = check_health(recording).counts
    assert found.verdict == counts
    assert any("8 bits a sample" in reason for reason in found.reasons) == (counts == "bound only")


def test_no_impact_is_said() -> None:
    health = judged(noise(20.0))
    assert health.impacts == 0
    assert "no impact stands out" in " ".join(health.notes)


def test_floating_point_above_one_is_no_clipping() -> None:
    health = judged(4 * taps(10.0), coding="float")
    assert len(health.clipped) == 0
    assert "above 1.0" in " ".join(health.notes)
    assert health.levels.verdict == "usable"


def test_impacts_below_the_noise_make_bounds() -> None:
    health = judged(
        in_steps(0.02 * taps(30.0) + noise(30.0)),
    )
    assert health.levels.verdict == "usable" or health.counts.verdict == "bound only"
    weak = check_health(
        ArrayRecording(in_steps(0.02 * taps(30.0) + noise(30.0)), RATE),
        onsets=np.round(np.arange(0.25, 29.5, 0.5) * RATE),
    )
    assert (weak.levels.verdict, weak.counts.verdict) == ("bound only", "bound only")


def test_ticks_do_not_hide_that_impacts_stand_out() -> None:
    clear = np.round(np.arange(0.25, 29.5, 3.0) * RATE)
    ticks = np.round(np.arange(0.4, 29.5, 0.14) * RATE)  # nothing but noise there, as where a lift ticks faintly
    sound = np.zeros((30 * RATE, 1))
    sound[:] = noise(30.0).reshape(-1, 1)
    whole = taps(30.0).reshape(-1, 1)
    for at in clear.astype(int):
        sound[at : at + RATE // 4] += whole[at : at + RATE // 4]
    found = check_health(ArrayRecording(in_steps(sound), RATE), onsets=np.sort(np.concatenate([clear, ticks])))
    assert (found.levels.verdict, found.counts.verdict) == ("usable", "usable")


def test_given_onsets_are_what_is_counted() -> None:
    onsets = np.round(np.arange(0.25, 29.5, 0.5) * RATE).astype(np.int64)
    assert check_health(ArrayRecording(in_steps(taps(30.0)), RATE), onsets=onsets).impacts == len(onsets)
    assert check_health(ArrayRecording(in_steps(taps(30.0)), RATE), onsets=[]).impacts == 0


def test_ten_minutes_take_less_than_two_seconds() -> None:
    x = ArrayRecording(np.tile(in_steps(taps(60.0)), (10, 1)), RATE)
    check_health(ArrayRecording(x.samples[:RATE], RATE))
    took = []
    for _ in range(3):
        began = time.process_time()
        check_health(x)
        took.append(time.process_time() - began)
    assert min(took) < 2.0, took
