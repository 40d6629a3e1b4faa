"""Headers held against the file: sizes that wrapped at 4 GiB, long formats, holes."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavs import RATE, chunk, fmt, noise, pcm16, sparse_wav, wav

from noisecheck.audio.recording import open_recording
from noisecheck.core.errors import InputError

GIB = 1 << 30


def header(stated: int) -> bytes:
    return (
        b"RIFF" + struct.pack("<I", (stated + 36) & 0xFFFFFFFF) + b"WAVE" + fmt() + b"data" + struct.pack("<I", stated)
    )


@pytest.mark.parametrize("stated", ["wrapped", 0xFFFFFFFF, 0])
def test_a_plain_wav_past_4_gib_is_read_whole(tmp_path: Path, stated: int | str) -> None:
    tail = noise(3.0)
    data = 4 * GIB + 200_000_000  # 12.5 h in 16 bits; a hole but for its end
    size = data & 0xFFFFFFFF if stated == "wrapped" else int(stated)
    path = sparse_wav(tmp_path / "long.wav", data, tail, header(size))
    assert path.stat().st_blocks * 512 < 10_000_000
    with open_recording(path) as recording:
        assert recording.frames == data // 2
        np.testing.assert_array_equal(recording.read(recording.frames - len(tail), recording.frames), tail)
        words = {"wrapped": "4 GiB", 0xFFFFFFFF: "no length", 0: "says 0 s"}[stated]
        assert words in " ".join(recording.notes)


def test_rf64_past_4_gib_just_works(tmp_path: Path) -> None:
    tail = noise(3.0)
    data = 4 * GIB + 200_000_000
    sizes = chunk(b"ds64", struct.pack("<QQQI", data + 72, data, data // 2, 0))
    head = b"RF64\xff\xff\xff\xffWAVE" + sizes + fmt() + b"data\xff\xff\xff\xff"
    with open_recording(sparse_wav(tmp_path / "long.wav", data, tail, head)) as recording:
        assert recording.notes == ()
        assert recording.frames == data // 2
        np.testing.assert_array_equal(recording.read(recording.frames - len(tail), recording.frames), tail)


@pytest.mark.parametrize("kind", ["RF64", "W64", "WAVEX", "AIFF", "CAF", "AU", "FLAC"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_formats_by_content_not_by_name(tmp_path: Path, kind: str, subtype: str) -> None:
    x = noise(1.0, 2)
    path = tmp_path / "-x <b>.mp3"
    soundfile.write(path, x, RATE, format=kind, subtype=subtype)
    before = path.read_bytes()
    with open_recording(path) as recording:
        assert (recording.rate, recording.channels, recording.frames) == (RATE, 2, len(x))
        assert (recording.notes, recording.coding, recording.subtype) == ((), "integer", subtype)
        np.testing.assert_array_equal(recording.read(100, 40000), x[100:40000])
    assert path.read_bytes() == before


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAW", "ULAW"])
def test_the_salvaging_reader_reads_every_sample_type(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(2.0, 2), RATE, subtype=subtype)
    expected, _ = soundfile.read(path, dtype="float32")
    content = bytearray(path.read_bytes())
    at = content.rindex(b"data") + 4
    content[at : at + 4] = bytes(4)
    path.write_bytes(content)
    with open_recording(path) as recording:
        assert "says 0 s" in " ".join(recording.notes)
        np.testing.assert_array_equal(recording.read(7, 70_000), expected[7:70_000])


@pytest.mark.parametrize("subtype", ["MS_ADPCM", "IMA_ADPCM", "GSM610"])
def test_a_wrong_size_of_a_coding_without_frames_is_no_traceback(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(2.0), RATE, subtype=subtype)
    content = bytearray(path.read_bytes())
    at = content.rindex(b"data") + 4
    content[at : at + 4] = bytes(4)
    path.write_bytes(content)
    told = []
    try:
        with open_recording(path) as recording:
            told = list(recording.notes)
    except InputError as error:
        told = [str(error)]
    assert told
    assert "\n" not in " ".join(told)


@pytest.mark.parametrize("kind", ["W64", "AIFF", "CAF", "AU"])
def test_other_formats_cut_off_say_so(tmp_path: Path, kind: str) -> None:
    x = noise(4.0)
    path = tmp_path / "a"
    soundfile.write(path, x, RATE, format=kind, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with open_recording(path) as recording:
        assert "cut off" in " ".join(recording.notes)
        assert abs(recording.frames - len(x) // 2) < 4096
        np.testing.assert_array_equal(recording.read(0, recording.frames), x[: recording.frames])


def test_a_chunk_after_the_data_is_no_loss(tmp_path: Path) -> None:
    path = wav(tmp_path / "a.wav", noise(1.0))
    path.write_bytes(path.read_bytes() + chunk(b"LIST", b"INFOISFT" + struct.pack("<I", 4) + b"abcd"))
    with open_recording(path) as recording:
        assert recording.notes == ()
        assert recording.frames == RATE


def test_a_sparse_file_of_100_gb(tmp_path: Path) -> None:
    hollow = tmp_path / "hollow.wav"
    with hollow.open("wb") as file:
        file.write(header(0xFFFFFFFF) + pcm16(noise(2.0)))
        file.truncate(100 * GIB)
    with open_recording(hollow) as recording:
        assert 2 * RATE <= recording.frames < 3 * RATE
        assert "never written" in " ".join(recording.notes)
    nothing = tmp_path / "nothing.wav"
    with nothing.open("wb") as file:
        file.truncate(100 * GIB)
    with pytest.raises(InputError, match="zero bytes"):
        open_recording(nothing)
    for name, head in (("a.flac", b"fLaC"), ("a.m4a", b"\0\0\0\x18ftypM4A "), ("a.mp3", b"ID3\x04")):
        path = tmp_path / name
        with path.open("wb") as file:
            file.write(head)
            file.truncate(100 * GIB)
        with pytest.raises(InputError, match="ever written"):
            open_recording(path)


def test_no_file_no_folder_no_loop(tmp_path: Path) -> None:
    loop = tmp_path / "loop.wav"
    loop.symlink_to(loop)
    for path in (tmp_path, loop, tmp_path / "none.wav", Path("/dev/zero"), Path("a\0b.wav")):
        with pytest.raises(InputError, match="cannot be read") as caught:
            open_recording(path)
        assert "\n" not in str(caught.value)
