"""Files that libsndfile reads, with what it does not say: how much of a cut-off file is there."""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.ogg import OPUS_HZ, pages_of
from noisecheck.audio.recording import FileRecording, step_of
from noisecheck.audio.tiles import LEAD_IN_S, Tiles
from noisecheck.core.errors import InputError, one_line

__all__ = ["SoundReader"]

_LOSSY: Final = ("VORBIS", "OPUS", "MPEG", "ADPCM", "GSM", "G72", "NMS", "DWVW")
_PIECE: Final = 4096


class SoundReader(FileRecording):
    """A file that libsndfile can open, read on demand."""

    def __init__(self, path: Path, kind: str, *, at_least: int = 0) -> None:
        super().__init__(path)
        self._file: Any = None
        self._lost: list[tuple[int, int]] = []
        self._file = self._opened()
        self.rate, self.channels = int(self._file.samplerate), int(self._file.channels)
        self.frames = max(int(self._file.frames), 0)
        self.container, self.subtype = str(self._file.format).removesuffix("EX"), str(self._file.subtype)
        self.step = step_of(self.subtype)
        if self.subtype in ("FLOAT", "DOUBLE"):
            self.coding = "float"
        elif self.subtype.startswith(_LOSSY) or "ADPCM" in self.subtype:
            self.coding = "lossy"
        self._position = 0
        if self.rate <= 0 or self.channels <= 0:
            self.close()
            raise InputError(f"{one_line(path)}: its header gives {self.channels} channels at {self.rate} Hz")
        self._tiles = Tiles(self._decode, rate=self.rate, channels=self.channels)
        self._check_length(kind, at_least)
        if self.coding == "lossy" and self.frames:
            self.bits_a_sample = 8.0 * path.stat().st_size / (self.frames * self.channels)
        if self.subtype.startswith("MPEG") and not _delay_stated(path):
            self.delay_known = False
            self.note("the file does not state the encoder's delay: all its times may be late by up to 50 ms")

    def _opened(self) -> Any:
        import soundfile

        # By descriptor: a name such as '-' or one ending in .raw would change what libsndfile does.
        try:
            descriptor = os.open(self.path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        except OSError as error:
            raise InputError(f"{one_line(self.path)}: cannot be read ({one_line(error.strerror or error)})") from error
        try:
            return soundfile.SoundFile(descriptor, closefd=True)
        except (soundfile.SoundFileError, OSError, RuntimeError, TypeError, ValueError, AttributeError) as error:
            import contextlib

            with contextlib.suppress(OSError):
                os.close(descriptor)
            reason = one_line(str(error).rsplit(": ", 1)[-1].rstrip(".")) or "not recognised"
            raise InputError(f"{one_line(self.path)}: cannot be read as a recording ({reason})") from error

    def _check_length(self, kind: str, at_least: int) -> None:
        stated = self.frames
        if kind in ("flac", "mp3", "ogg", "unknown", "caf", "aiff", "au"):
            if stated > 1 << 50:
                self.frames = stated = at_least + self._count_on(at_least)
            elif stated and not self._readable(stated - 1):
                self.frames = self._last_readable(stated)
        lost = _bytes_missing(self.path) if kind in ("aiff", "caf", "au") else 0
        pages = pages_of(self.path) if kind == "ogg" else None
        if pages is not None:
            self._lose(pages.lost)
        if self.frames < stated and self.frames > 0:
            where = "at the end" + (", or where it is damaged and all that follows is early," if kind == "mp3" else "")
            self.note(
                f"the file is cut off or damaged: the header says {stated / self.rate:,.1f} s, it can be read up to "
                f"{self.frames / self.rate:,.1f} s, {(stated - self.frames) / self.rate:,.2g} s {where} are lost"
            )
        elif pages is not None and not pages.ended:
            self.note(
                f"the file is cut off: its last page is missing, it is read up to {self.frames / self.rate:,.1f} s and "
                "how much is lost is not known"
            )
        elif lost:
            self.note(
                f"the file is cut off: {lost:,} bytes that the header promises are not there, it is read up to "
                f"{self.frames / self.rate:,.1f} s"
            )

    def _lose(self, lost: tuple[tuple[int, int], ...]) -> None:
        """Take nothing from where pages of an Ogg file are missing, nor where the decoder has not settled after it."""
        count = OPUS_HZ if self.subtype == "OPUS" else self.rate
        settle_s = LEAD_IN_S + 0.05
        for before, after in lost:
            low = max(int((before / count - 0.05) * self.rate), 0)
            high = min(int((after / count + settle_s) * self.rate), self.frames)
            if low < high:
                self._lost.append((low, high))
                self.note(f"the file is damaged: {low / self.rate:,.1f} to {high / self.rate:,.1f} s are not used")

    def _readable(self, frame: int) -> bool:
        return len(self._try(frame, 1)) == 1

    def _try(self, start: int, count: int) -> NDArray[np.float32]:
        """Return what can be read, from a newly opened file if the last read failed (libsndfile does not recover)."""
        import soundfile

        try:
            if start != self._position:
                self._file.seek(start)
            data: NDArray[np.float32] = self._file.read(count, dtype="float32", always_2d=True)
            self._position = start + len(data)
            return data
        except (soundfile.SoundFileError, RuntimeError, OSError, ValueError):  # ValueError: less than nothing is left
            self._file.close()
            self._file = self._opened()
            self._position = 0
            return np.empty((0, self.channels), np.float32)

    def _last_readable(self, stated: int) -> int:
        """Return the number of frames that can be read, by halving: seeking works in these formats."""
        low, high = 0, stated
        while high - low > 4 * _PIECE:
            middle = (low + high) // 2
            if self._readable(middle):
                low = middle
            else:
                high = middle
        return low + self._count_on(low, stated)

    def _count_on(self, start: int = 0, stop: int = 1 << 50) -> int:
        total = 0
        while start + total < stop:
            got = len(self._try(start + total, min(_PIECE, stop - start - total)))
            total += got
            if got < min(_PIECE, stop - start - total + got):
                break
        return total

    def _get(self, start: int, stop: int) -> NDArray[np.float32]:
        import soundfile

        if self.coding == "lossy":
            return self._tiles.read(start, stop)
        try:
            if start != self._position:
                self._file.seek(start)
            data: NDArray[np.float32] = self._file.read(stop - start, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, RuntimeError, OSError, ValueError) as error:
            self._file.close()
            self._file = self._opened()
            self._position = 0
            raise InputError(
                f"{one_line(self.path)}: damaged after {start / self.rate:.1f} s and cannot be decoded there "
                f"({one_line(str(error).rstrip('.')) or 'lost sync'})"
            ) from error
        self._position = start + len(data)
        return data

    def _decode(self, first: int, count: int) -> NDArray[np.float32]:
        """Return a tile of a lossy file, read by a newly opened decoder that starts a little before it.

        An Ogg file's sound after damage is asked for by its place, where it comes right; what is lost is 0.
        """
        count = min(count, self.frames - first)
        cuts = [(low, high) for low, high in self._lost if low < first + count and high > first]
        if not cuts:
            return self._decoded(first, count)
        data = np.zeros((count, self.channels), np.float32)
        at = first
        for low, high in [*cuts, (first + count, first + count)]:
            if low > at:
                part = self._decoded(at, low - at)
                data[at - first : at - first + len(part)] = part
            at = high
        return data

    def _decoded(self, first: int, count: int) -> NDArray[np.float32]:
        import soundfile

        lead = min(int(LEAD_IN_S * self.rate), first)
        pieces = [np.empty((0, self.channels), np.float32)]
        with self._opened() as file:
            try:
                if first:
                    file.seek(first - lead)
                for left in range(lead + count, 0, -self.rate):
                    pieces.append(file.read(min(left, self.rate), dtype="float32", always_2d=True))
            except (soundfile.SoundFileError, RuntimeError, OSError, ValueError) as error:
                place = first - lead + sum(len(p) for p in pieces)
                raise InputError(
                    f"{one_line(self.path)}: damaged after {place / self.rate:.1f} s and cannot be decoded there"
                ) from error
        return np.concatenate(pieces)[lead:]

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()


def _delay_stated(path: Path) -> bool:
    """Return whether an MP3 file's first frame carries the tag in which encoders state their delay and padding."""
    with path.open("rb") as file:
        head = file.read(10)
        start = 0
        if head[:3] == b"ID3" and len(head) == 10:
            start = 10 + sum((b & 0x7F) << 7 * (3 - i) for i, b in enumerate(head[6:10]))
        file.seek(start)
        frame = file.read(2048)
    return any(mark in frame for mark in (b"LAME", b"Lavc", b"Lavf"))


def _bytes_missing(path: Path) -> int:
    """Return how many bytes an AIFF, CAF or AU file is shorter than its header says."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] == b"FORM":
            return max(int(struct.unpack(">I", head[4:8])[0]) + 8 - size, 0)
        if head[:4] == b".snd":
            offset, length = struct.unpack(">II", head[4:12])
            return 0 if length == 0xFFFFFFFF else max(offset + length - size, 0)
        at = 8
        for _ in range(1000):
            file.seek(at)
            chunk = file.read(12)
            if len(chunk) < 12:
                return 0
            name, length = chunk[:4], struct.unpack(">q", chunk[4:])[0]
            if length < 0:
                return 0
            at += 12 + length
            if name == b"data":
                return max(at - size, 0)
    return 0
