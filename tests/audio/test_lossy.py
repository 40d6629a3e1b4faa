"""OGG, MP3 and Opus: long files in tiles, delays, band limits, cut ends."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import correlate
from wavs import RATE, noise, taps

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import open_recording
from noisecheck.core.errors import InputError

KINDS = [("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")]


def write(path: Path, x: np.ndarray, kind: str, subtype: str, **more: object) -> Path:
    with soundfile.SoundFile(path, "w", RATE, x.shape[1], subtype=subtype, format=kind, **more) as file:
        for first in range(0, len(x), RATE):  # libsndfile's Vorbis encoder overflows the stack on very long writes
            file.write(x[first : first + RATE])
    return path


@pytest.mark.parametrize(("kind", "subtype"), KINDS)
def test_tiles_join_and_blocks_do_not_matter(tmp_path: Path, kind: str, subtype: str) -> None:
    x = taps(67.0) + noise(67.0, rms=0.003)
    path = write(tmp_path / "a", x, kind, subtype)
    with open_recording(path) as recording:
        assert recording.coding == "lossy"
        assert recording.notes == ()
        whole = recording.read(0, recording.frames)
        assert abs(recording.frames - len(x)) < 2400
    late = np.argmax(correlate(whole[: 4 * RATE, 0], x[: 4 * RATE, 0], mode="full", method="fft")) - (4 * RATE - 1)
    assert abs(late) < 0.001 * RATE
    with open_recording(path) as recording:
        for first, count in ((61 * RATE, 5 * RATE), (5, 100), (39 * RATE + 11, 2 * RATE), (19 * RATE, 30 * RATE)):
            np.testing.assert_array_equal(recording.read(first, first + count), whole[first : first + count])
        for first in range(0, recording.frames, 7 * RATE):
            np.testing.assert_array_equal(recording.read(first, first + 7 * RATE), whole[first : first + 7 * RATE])
    # A tile begun in the middle of a file is what decoding from the beginning gives.
    straight, _ = soundfile.read(path, dtype="float32", always_2d=True)
    n = min(len(straight), len(whole))
    np.testing.assert_allclose(whole[:n], straight[:n], atol=2e-4)


@pytest.mark.parametrize(("kind", "subtype"), KINDS)
def test_a_cut_off_file_says_so(tmp_path: Path, kind: str, subtype: str) -> None:
    path = write(tmp_path / "a", taps(30.0), kind, subtype)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
    with open_recording(path) as recording:
        assert 15 * RATE < recording.frames < 21 * RATE
        assert "cut off" in " ".join(recording.notes)
        assert np.abs(recording.read(recording.frames - RATE, recording.frames)).max() > 0.1


@pytest.mark.parametrize(("kind", "subtype"), KINDS[:2])
def test_sound_after_damage_stays_in_its_place_or_is_not_used(tmp_path: Path, kind: str, subtype: str) -> None:
    path = write(tmp_path / "a", taps(47.0) + noise(47.0, rms=0.0002), kind, subtype)
    with open_recording(path) as recording:
        whole = recording.read(0, recording.frames)
    good = path.read_bytes()
    at = int(len(good) * 30 / 47)
    path.write_bytes(good[:at] + np.random.default_rng(4).bytes(3000) + good[at + 3000 :])
    with open_recording(path) as recording:
        damaged = recording.read(0, recording.frames)
        (told,) = recording.notes
    assert re.search(r"damaged: (2\d|3[01])\.\d to 3[0-3]\.\d s are not used", told)
    assert len(damaged) == len(whole)
    kept = damaged.any(axis=1)
    assert kept.mean() > 0.9
    np.testing.assert_allclose(damaged[kept], whole[kept], atol=0.03)  # taps of 0.5; Opus predicts across packets


@pytest.mark.parametrize("rubbish", [bytes(3000), np.random.default_rng(0).bytes(3000)], ids=["zeros", "random"])
def test_damage_to_an_mp3_is_told_where_it_is(tmp_path: Path, rubbish: bytes) -> None:
    path = write(tmp_path / "a", taps(30.0) + noise(30.0), "MP3", "MPEG_LAYER_III")
    good = path.read_bytes()
    at = len(good) // 2
    path.write_bytes(good[:at] + rubbish + good[at + len(rubbish) :])
    with open_recording(path) as recording:
        told = " ".join(recording.notes)
        try:
            recording.read(0, recording.frames)
        except InputError as error:
            told = str(error)
    assert re.search(r"(read up to|damaged after) 1[45]\.\d s", told)


@pytest.mark.parametrize(("kind", "subtype"), KINDS[:2])
@pytest.mark.parametrize("lost", [1, 100, 0])
def test_a_cut_in_the_last_page_says_so(tmp_path: Path, kind: str, subtype: str, lost: int) -> None:
    """The last page is marked as the last in its head: a cut behind that is a cut all the same."""
    path = write(tmp_path / "a", noise(8.0), kind, subtype)
    path.write_bytes(path.read_bytes()[: path.stat().st_size - lost])
    with open_recording(path) as recording:
        assert ("cut off" in " ".join(recording.notes)) == (lost > 0)


@pytest.mark.parametrize(("kind", "subtype"), [KINDS[0], KINDS[2]])
def test_low_rates_give_a_band_limit(tmp_path: Path, kind: str, subtype: str) -> None:
    x = taps(20.0) + noise(20.0, rms=0.01)
    low = write(tmp_path / "low", x, kind, subtype, compression_level=0.9)
    plain = tmp_path / "plain.wav"
    soundfile.write(plain, x, RATE)
    with open_recording(low) as recording:
        health = check_health(recording)
    assert health.usable_hz < 20_000
    assert "refused" in " ".join(health.bands.reasons)
    with open_recording(plain) as recording:
        assert check_health(recording).usable_hz == RATE / 2


@pytest.mark.parametrize("rail", [1.0, 0.6])
@pytest.mark.parametrize(("kind", "subtype"), KINDS)
def test_clipped_before_a_codec(tmp_path: Path, kind: str, subtype: str, rail: float) -> None:
    x = np.clip(6 * rail * taps(10.0), -rail, rail).astype(np.float32)
    with open_recording(write(tmp_path / "a", x, kind, subtype)) as recording:
        health = check_health(recording)
    assert health.levels.verdict == "bound only"
    assert not any("clip" in reason for reason in health.counts.reasons)
    with open_recording(write(tmp_path / "b", rail * taps(10.0), kind, subtype)) as recording:
        assert len(check_health(recording).clipped) == 0


def test_an_mp3_without_the_encoders_tag_has_no_known_delay(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp3", taps(10.0), "MP3", "MPEG_LAYER_III")
    content = path.read_bytes()
    marks = [m for m in (b"Xing", b"Info") if m in content[:2048]]
    assert marks
    second = content.index(content[:2], content.index(marks[0]))
    path.write_bytes(content[second:])
    with open_recording(path) as recording:
        assert not recording.delay_known
        assert "delay" in " ".join(recording.notes)
        assert check_health(recording).times.verdict == "bound only"
