"""Recordings as they come: what is there is read, and what is lost is said."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import ArrayRecording, open_recording
from noisecheck.audio.wave import RawWave
from noisecheck.core.errors import InputError

RATE = 48000


def sound(seconds: float = 4.0) -> np.ndarray:
    return (0.1 * np.random.default_rng(1).standard_normal(round(seconds * RATE))).astype(np.float32)


@pytest.mark.parametrize(("stated", "words"), [(0, "says 0 s"), (0xFFFFFFFF, "no length"), (96000, "goes on")])
def test_a_wrong_data_size_is_not_believed(tmp_path: Path, stated: int, words: str) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, sound(), RATE, subtype="PCM_16")
    expected, _ = soundfile.read(path, dtype="float32", always_2d=True)
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", stated)
    path.write_bytes(content)
    with open_recording(path) as recording:
        assert words in " ".join(recording.notes)
        np.testing.assert_array_equal(recording.read(0, recording.frames), expected)
    assert path.read_bytes() == content


@pytest.mark.parametrize("ending", ["wav", "flac", "mp3"])
def test_a_cut_off_file_is_read_to_where_it_ends(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, sound(), RATE)
    whole, _ = soundfile.read(path, dtype="float32", always_2d=True)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
    with open_recording(path) as recording:
        assert "cut off" in " ".join(recording.notes)
        assert 0.5 * len(whole) < recording.frames < 0.65 * len(whole)
        few = recording.frames - RATE // 10
        np.testing.assert_allclose(recording.read(0, few), whole[:few], atol=1e-6)


@pytest.mark.parametrize("content", [b"", b"a list of things\n" * 9, bytes(4096), b"RIFF\x24\0\0\0WAVEfmt "])
def test_what_is_no_recording_is_said_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "odd\nname.wav"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"odd\\nname.wav: ") as caught:
        open_recording(path)
    assert "\n" not in str(caught.value)


def test_infinite_samples_are_read_as_zero_and_named() -> None:
    x = sound()[:, None].copy()
    x[5000:5003, 0] = np.nan, -np.inf, 1e30
    recording = ArrayRecording(x, RATE)
    assert np.isfinite(recording.read(0, len(x))).all()
    assert check_health(recording).nonfinite.tolist() == [[5000, 5003]]


@pytest.mark.parametrize("rail", [1.0, 0.6])
def test_flat_tops_make_levels_bounds(rail: float) -> None:
    x = sound()
    x[48000:49000] += 2 * np.sin(2 * np.pi * 700 * np.arange(1000) / RATE).astype(np.float32)
    health = check_health(ArrayRecording(np.clip(x, -rail, rail)[:, None], RATE))
    assert health.levels.verdict == "bound only"
    assert health.clipped[0, 0] >= 47900
    assert check_health(ArrayRecording(0.2 * sound()[:, None], RATE)).levels.verdict != "not usable"
    assert len(check_health(ArrayRecording(0.2 * sound()[:, None], RATE)).clipped) == 0


def test_silence_is_no_audio() -> None:
    health = check_health(ArrayRecording(np.zeros((RATE, 1), np.float32), RATE))
    assert health.counts.verdict == "not usable"
    assert "no audio" in health.counts.reasons[0]


@pytest.mark.parametrize("header", ["whole", "unfinished"])
def test_a_file_that_becomes_shorter_while_it_is_read_says_so(header: str, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, sound(20.0), RATE)
    if header == "unfinished":
        content = bytearray(path.read_bytes())
        at = content.index(b"data") + 4
        content[at : at + 4] = bytes(4)  # the data size: read by ourselves then
        path.write_bytes(content)
    with open_recording(path) as recording:
        assert len(recording.read(0, RATE)) == RATE
        os.truncate(path, 10 * 2 * RATE)
        with pytest.raises(InputError, match=r"a\.wav: ends after .* s, but held 20\.0 s when it was opened"):
            check_health(recording)


@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64", "W64"])
@pytest.mark.parametrize("channels", [1, 3])
def test_samples_of_three_bytes_are_read_as_libsndfile_reads_them(kind: str, channels: int, tmp_path: Path) -> None:
    whole = np.random.default_rng(6).integers(-(2**23), 2**23, (70_001, channels))
    whole[:3, 0], whole[-1] = (-(2**23), 2**23 - 1, -1), 0
    path = tmp_path / "packed.wav"
    soundfile.write(path, (whole << 8).astype(np.int32), 48_000, format=kind, subtype="PCM_24")
    theirs, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert np.array_equal(theirs, whole / 2.0**23)
    with open_recording(path) as recording, soundfile.SoundFile(path) as file:
        assert type(recording) is RawWave
        assert (recording.container, recording.subtype) == (file.format.removesuffix("EX"), file.subtype)
        assert (recording.frames, recording.rate, recording.channels) == (len(whole), 48_000, channels)
        assert (recording.coding, recording.step, recording.notes) == ("integer", 2.0**-23, ())
        for start, stop in ((0, len(whole)), (0, 1), (1, 32_769), (65_535, 65_537), (70_000, 80_000), (5, 5)):
            assert np.array_equal(recording.read(start, stop), theirs[start:stop])


def test_samples_of_three_bytes_that_begin_with_the_highest_are_left_to_libsndfile(tmp_path: Path) -> None:
    path = tmp_path / "other.wav"
    soundfile.write(path, sound(), 48_000, subtype="PCM_24", endian="BIG")
    with open_recording(path) as recording:
        assert np.array_equal(recording.read(0, 9000), soundfile.read(path, dtype="float32", always_2d=True)[0][:9000])
