"""From a path to a reader: what a file is follows from its first bytes and its size, never from its name."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

from noisecheck.audio.recording import FileRecording
from noisecheck.audio.soundfiles import SoundReader
from noisecheck.audio.wave import RawWave, WaveLayout, read_caf_layout, read_layout
from noisecheck.core.errors import InputError, one_line

__all__ = ["content_of", "filled_size", "open_file"]

_BOXES: Final = {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"moof"}
_W64: Final = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_SPARSE_BYTES: Final = 1 << 26
_EXTENTS: Final = 4096


def content_of(head: bytes) -> str:
    """Return what the first bytes (64 will do) of a file say it is: ``wav``, ``mp4``, ``flac``, ... or ``unknown``."""
    if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64") and head[8:12] == b"WAVE":
        return "wav"
    if head[:16] == _W64:
        return "w64"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "aiff"
    if head[4:8] in _BOXES:
        return "mp4"
    for mark, kind in ((b"fLaC", "flac"), (b"OggS", "ogg"), (b"caff", "caf"), (b"ID3", "mp3"), (b".snd", "au")):
        if head.startswith(mark):
            return kind
    if len(head) > 2 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0:
        return "mp3" if head[1] & 0x06 else "adts"
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return "matroska"
    if head and not any(head):
        return "zeros"
    if head and all(32 <= b < 127 or b in (9, 10, 13) or b >= 128 for b in head):
        return "text"
    return "unknown"


def filled_size(descriptor: int, status: os.stat_result) -> int:
    """Return the size in bytes up to the last one ever written: less than the file's size for a sparse file."""
    size = status.st_size
    written = getattr(status, "st_blocks", size) * 512
    if size < _SPARSE_BYTES or written > size // 16 or not hasattr(os, "SEEK_DATA"):
        return size
    end = 0
    try:
        for _ in range(_EXTENTS):
            end = os.lseek(descriptor, os.lseek(descriptor, end, os.SEEK_DATA), os.SEEK_HOLE)
        return size
    except OSError:
        return end


_LEAST_RATE: Final = 1000
_MOST_SAMPLES: Final = 10_000_000
"""A second in all channels (208 at 48 kHz): a minute of it is held in memory."""
_OTHERWISE: Final = {
    "adts": "a bare AAC stream whose times cannot be known; record into m4a, or copy the stream into an m4a",
    "matroska": "a Matroska or WebM file, which is not read; save the sound as WAV or FLAC",
    "text": "it is text",
    "zeros": "it holds nothing but zero bytes at its start",
}


def _status(path: Path) -> os.stat_result:
    try:
        status = path.stat()
    except (OSError, ValueError) as error:
        reason = "no such file" if isinstance(error, FileNotFoundError) else getattr(error, "strerror", None) or error
        raise InputError(f"{one_line(path)}: cannot be read as a recording ({one_line(reason)})") from error
    if stat.S_ISDIR(status.st_mode):
        raise InputError(f"{one_line(path)}: cannot be read as a recording (it is a folder)")
    if not stat.S_ISREG(status.st_mode):
        raise InputError(f"{one_line(path)}: cannot be read as a recording (it is not a file)")
    if status.st_size == 0:
        raise InputError(f"{one_line(path)}: cannot be read as a recording (the file is empty)")
    return status


def open_file(path: Path, *, at_least: int = 0) -> FileRecording:
    """Open any recording; see :func:`noisecheck.audio.recording.open_recording`."""
    status = _status(path)
    try:
        with path.open("rb") as file:
            head = file.read(64)
            filled = filled_size(file.fileno(), status)
            kind = content_of(head)
            layout = read_layout(file, status.st_size, filled, path) if kind in ("wav", "w64") else None
            if kind == "caf" and filled == status.st_size:
                layout = read_caf_layout(file, filled)
    except OSError as error:
        raise InputError(f"{one_line(path)}: cannot be read ({one_line(error.strerror or error)})") from error
    if kind in _OTHERWISE and not (kind == "text" and filled > 64 and not _is_text(path)):
        raise InputError(f"{one_line(path)}: cannot be read as a recording ({_OTHERWISE[kind]})")
    if layout is not None:
        return _checked(_open_wave(path, layout))
    if filled < status.st_size // 100:
        raise InputError(
            f"{one_line(path)}: cannot be read as a recording (of {status.st_size:,} bytes only the first {filled:,} "
            "were ever written)"
        )
    if kind == "mp4":
        from noisecheck.audio.phone import PhoneReader

        return _checked(PhoneReader(path))
    return _checked(SoundReader(path, kind, at_least=at_least))


def _is_text(path: Path) -> bool:
    with path.open("rb") as file:
        return content_of(file.read(4096)) == "text"


def _open_wave(path: Path, layout: WaveLayout) -> FileRecording:
    recording: FileRecording
    if (layout.notes and layout.raw_subtype) or (layout.plain and layout.container == "WAV"):
        recording = RawWave(path, layout)  # libsndfile, which takes a while to load, would tell the same
    else:
        recording = SoundReader(path, "wav")
        told = (recording.subtype, recording.rate, recording.channels, recording.frames)
        frames = layout.data_bytes // max(layout.frame_bytes, 1)
        if layout.packed and told == (layout.raw_subtype, layout.rate, layout.channels, frames):
            recording.close()
            recording = RawWave(path, layout)
        recording.notes = (*layout.notes, *recording.notes)
    recording.started, recording.start_frame = layout.started, layout.start_frame
    return recording


def _checked(recording: FileRecording) -> FileRecording:
    if recording.frames <= 0:
        recording.close()
        raise InputError(f"{one_line(recording.path)}: holds no audio")
    if recording.rate < _LEAST_RATE:
        recording.close()
        raise InputError(
            f"{one_line(recording.path)}: its header gives {recording.rate} Hz: no sound of impacts is left below "
            f"{_LEAST_RATE} Hz, or the header is damaged"
        )
    if recording.rate * recording.channels > _MOST_SAMPLES:
        recording.close()
        raise InputError(
            f"{one_line(recording.path)}: its header gives {recording.channels} channels at {recording.rate} Hz: more "
            "than any recording here can have, or it is damaged"
        )
    return recording
