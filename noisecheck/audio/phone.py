"""m4a, mp4 and mov through the extra ``phone``: decoded in fixed tiles, the encoder's delay taken out.

An AAC encoder puts 1,024 to 2,112 samples before the sound. The container's edit list (ISO/IEC 14496-12 clause 8.6.6)
says how many, and decoding then starts after them; where there is none, ``delay_known`` is False and a note says so.

A tile is always decoded by a decoder of its own that starts a little before it, so a sample never depends on
what was read before.
"""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import FileRecording
from noisecheck.audio.tiles import LEAD_IN_S, Tiles
from noisecheck.core.errors import InputError, missing_extra, one_line

__all__ = ["MovieFacts", "PhoneReader", "movie_facts"]

_LOSSLESS: Final = ("alac", "flac", "pcm")
_BOXES: Final = 4096
_PARENTS: Final = (b"moov", b"trak", b"edts", b"mdia", b"udta", b"meta", b"ilst")
_MOST_BYTES: Final = 64 << 20


@dataclass
class MovieFacts:
    """What the boxes of an MPEG-4 or QuickTime file say that decoding does not."""

    finished: bool = False
    """Whether there is an index (``moov``)."""
    missing_bytes: int = 0
    """How many bytes the last box is shorter than it says."""
    whole_bytes: int = 0
    """Up to where the file can be used: the end, or where an index of a fragment begins that is cut off."""
    tracks: list[dict[str, Any]] = field(default_factory=list)
    """For each track: ``kind`` (such as ``soun``) and ``edits`` [(duration, media_time)]."""
    gapless_tag: bool = False

    @property
    def delay_stated(self) -> bool:
        """Whether the first sound track says where its sound begins."""
        sound = [t for t in self.tracks if t.get("kind") == b"soun"]
        return self.gapless_tag or bool(sound and any(start > 0 for _, start in sound[0].get("edits", [])))


def movie_facts(file: IO[bytes], size: int) -> MovieFacts:
    """Read the boxes of a file of ``size`` bytes (never its samples)."""
    facts = MovieFacts(whole_bytes=size)
    at = 0
    for _ in range(1 << 20):
        if at + 8 > size:
            break
        name, body, end = _box(file, at, size)
        if name is None:
            break
        if name == b"moov":
            facts.finished = True
            file.seek(body)
            content = file.read(min(end, size) - body) if end - body <= _MOST_BYTES else b""
            _walk(content, 0, len(content), facts, 0)
            facts.gapless_tag = b"iTunSMPB" in content
        if end > size:
            facts.missing_bytes = end - size
            if name == b"moof":
                facts.whole_bytes = at
        at = end
    return facts


def _box(file: IO[bytes], at: int, size: int) -> tuple[bytes | None, int, int]:
    file.seek(at)
    head = file.read(16)
    if len(head) < 8:
        return None, at, at
    length, name = struct.unpack(">I4s", head[:8])
    body = at + 8
    if length == 1 and len(head) == 16:
        length, body = struct.unpack(">Q", head[8:])[0], at + 16
    elif length == 0:
        length = size - at
    if length < body - at:
        return None, at, at
    return name, body, at + length


def _walk(data: bytes, at: int, end: int, facts: MovieFacts, depth: int) -> None:
    for _ in range(_BOXES):
        if at + 8 > end or depth > 6:
            return
        length, name = struct.unpack(">I4s", data[at : at + 8])
        if length < 8 or at + length > end:
            return
        body = data[at + 8 : at + min(length, 1 << 16)] if name in (b"hdlr", b"elst") else b""
        if name == b"trak":
            facts.tracks.append({"edits": []})
        if facts.tracks and name == b"hdlr" and len(body) >= 12:
            facts.tracks[-1].setdefault("kind", body[8:12])
        elif facts.tracks and name == b"elst" and len(body) >= 8:
            facts.tracks[-1]["edits"] = list(_edits(body))
        if name in _PARENTS and name not in (b"meta", b"ilst"):
            _walk(data, at + 8, at + length, facts, depth + 1)
        at += length


def _edits(body: bytes) -> Iterator[tuple[int, int]]:
    form = ">Qq4x" if body[0] == 1 else ">Ii4x"
    step = struct.calcsize(form)
    count = min(struct.unpack(">I", body[4:8])[0], (len(body) - 8) // step, 1000)
    for k in range(count):
        yield struct.unpack(form, body[8 + k * step : 8 + (k + 1) * step])


def _library() -> Any:
    import av

    return av


class _Part(io.FileIO):
    """A file up to a place, as if it ended there: a fragment's index that is cut off spoils all before it."""

    def __init__(self, path: Path, stop: int) -> None:
        super().__init__(path, "r")
        self._stop = stop

    def read(self, size: int | None = -1, /) -> bytes:
        left = max(self._stop - self.tell(), 0)
        return super().read(left if size is None or size < 0 else min(size, left)) or b""

    def seek(self, offset: int, whence: int = 0, /) -> int:
        return super().seek(self._stop + offset) if whence == os.SEEK_END else super().seek(offset, whence)


class PhoneReader(FileRecording):
    """The sound of an MPEG-4 or QuickTime file."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        with path.open("rb") as file:
            facts = movie_facts(file, os.fstat(file.fileno()).st_size)
        self._bytes = facts.whole_bytes
        if not facts.finished:
            raise InputError(
                f"{one_line(path)}: this recording was not finished: its index (the 'moov' part written when recording "
                "stops) is missing, so it cannot be decoded; copy it again, or let the recorder repair it"
            )
        try:
            self._av = _library()
        except ImportError as error:
            raise missing_extra(f"{one_line(path)}: is a phone recording (MPEG-4), which", "phone") from error
        self.container, self.coding = "MPEG-4", "lossy"
        self._origin = 0
        with self._session() as (_, stream):
            context = stream.codec_context
            self.rate, self.channels = int(context.sample_rate or 0), int(context.channels or 0)
            codec = str(context.name)
            self._base = float(stream.time_base or 0)
            self._origin = int(stream.start_time or 0)
            stated = round((stream.duration or 0) * self._base * self.rate)
            bit_rate = int(stream.bit_rate or 0)
        if not 1 <= self.rate <= 1_000_000 or not 1 <= self.channels <= 64 or self._base <= 0:
            raise InputError(f"{one_line(path)}: its header gives {self.channels} channels at {self.rate} Hz")
        self.subtype = codec.upper()
        if codec.startswith(_LOSSLESS):
            self.coding = "float" if codec.startswith("pcm_f") else "integer"
            self.step = 2.0**-15
        elif bit_rate:
            self.bits_a_sample = bit_rate / (self.rate * self.channels)
        self._tiles = Tiles(self._decode, rate=self.rate, channels=self.channels)
        self.frames = min(stated, 1 << 50) or (1 << 50)
        self.frames = self._last_frame(self.frames)
        self._tell(facts, stated)

    def _tell(self, facts: MovieFacts, stated: int) -> None:
        if self.coding == "lossy" and not facts.delay_stated:
            self.delay_known = False
            self.note(
                "the file does not state the encoder's delay (it has no edit list): all its times may be late by 20 to "
                "50 ms"
            )
        if self._origin * self._base > 0.001:
            self.note(f"the sound begins {self._origin * self._base:.3f} s into the film: times count from the sound")
        if self.frames + self.rate // 10 < stated:
            self.note(
                f"the file is cut off or damaged: its index says {stated / self.rate:,.1f} s, it can be decoded up to "
                f"{self.frames / self.rate:,.1f} s, {(stated - self.frames) / self.rate:,.1f} s at the end are lost"
            )
        elif facts.missing_bytes:
            self.note(
                f"the file is cut off: {facts.missing_bytes:,} bytes at the end are not there, it is read up to "
                f"{self.frames / self.rate:,.1f} s"
            )
        sounds = sum(t.get("kind") == b"soun" for t in facts.tracks)
        if sounds > 1:
            self.note(f"the file has {sounds} sound tracks: the first is read")

    @contextmanager
    def _session(self) -> Iterator[tuple[Any, Any]]:
        """Open the file and the sound in it, in a ``with``."""
        av = self._av
        with _Part(self.path, self._bytes) as file:
            try:
                # The container's name is given and the file handed over open: no other file or address can be reached.
                container = av.open(file, "r", format="mov", metadata_errors="replace")
            except (av.FFmpegError, OSError, ValueError, EOFError) as error:
                raise InputError(f"{one_line(self.path)}: cannot be decoded ({_reason(error)})") from error
            with closing(container):
                streams = container.streams.audio
                if not streams or streams[0].codec_context is None:
                    raise InputError(f"{one_line(self.path)}: holds no sound that can be decoded")
                streams[0].codec_context.thread_count = 1
                yield container, streams[0]

    def _decode(self, first: int, size: int) -> NDArray[np.float32]:
        """Return up to ``size`` frames from ``first`` on, fewer where the sound ends."""
        out = np.zeros((size, self.channels), np.float32)
        filled = 0
        av = self._av
        with self._session() as (container, stream):
            try:
                if first:
                    at = self._origin + int((first / self.rate - LEAD_IN_S) / self._base)
                    container.seek(at, stream=stream, backward=True)
                running: int | None = None if first else 0
                for packet in container.demux(stream):
                    try:
                        decoded = packet.decode()
                    except (av.FFmpegError, ValueError):
                        running = None
                        continue
                    for frame in decoded:
                        if frame.pts is not None and frame.time_base:
                            running = round(
                                (frame.pts * float(frame.time_base) - self._origin * self._base) * self.rate
                            )
                        if running is None or frame.sample_rate != self.rate:
                            continue
                        samples = _as_float(frame, self.channels)
                        low, high = max(running - first, 0), min(running + len(samples) - first, size)
                        if high > low:
                            out[low:high] = samples[first + low - running : first + high - running]
                            filled = max(filled, high)
                        running += len(samples)
                    if running is not None and running >= first + size:
                        break
            except (av.FFmpegError, OSError, ValueError, EOFError):
                pass  # what came before it is good; the caller sees a shorter tile
        return out[:filled]

    def _last_frame(self, stated: int) -> int:
        """Return how many frames can be decoded: looks at the last tile, and halves its way back where it is empty."""
        if stated >= 1 << 50:
            last = 0
            with self._session() as (container, stream):
                try:
                    for packet in container.demux(stream):
                        if packet.pts is not None:
                            last = max(last, packet.pts + (packet.duration or 0))
                except (self._av.FFmpegError, OSError, ValueError, EOFError):
                    pass
            stated = round((last - self._origin) * self._base * self.rate)
        tile = max(stated - 1, 0) // self._tiles.frames
        got = len(self._tiles.tile(tile))
        if got == 0 and tile:
            low, high = 0, tile
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if len(self._tiles.tile(middle)) else (low, middle)
            tile, got = low, len(self._tiles.tile(low))
        return min(tile * self._tiles.frames + got, stated)

    def _get(self, start: int, stop: int) -> NDArray[np.float32]:
        return self._tiles.read(start, stop)

    def close(self) -> None:
        """Forget what was decoded."""
        self._tiles.clear()


def _as_float(frame: Any, channels: int) -> NDArray[np.float32]:
    """Return a decoded frame as (frames, channels) float32, full scale 1.0."""
    array = frame.to_ndarray()
    if not frame.format.is_planar:
        array = array.reshape(-1, channels).T
    if array.shape[0] != channels:
        array = np.broadcast_to(array[:1], (channels, array.shape[1]))
    if array.dtype.kind == "i":
        return (array.T / np.float64(-float(np.iinfo(array.dtype).min))).astype(np.float32)
    if array.dtype.kind == "u":
        return ((array.T.astype(np.float64) - 128.0) / 128.0).astype(np.float32)
    return np.asarray(array.T, np.float32)


def _reason(error: Exception) -> str:
    return one_line(getattr(error, "strerror", None) or "its data are invalid")
