"""Where the sound of a watch comes from: a file (also one that still grows), or raw samples through a pipe.

A source yields samples, gaps (time not listened to) and notes, in order of time, until it ends.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import FileRecording, is_lossy, open_recording
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.live import PIPE_FORMATS
from noisecheck.live.clock import Clock, SystemClock

__all__ = ["Chunk", "FileSource", "Gap", "Item", "Note", "PipeSource", "Source", "decode_pcm"]

_WIDTH: Final = {"s16le": 2, "s24le": 3, "s32le": 4, "f32le": 4}
_BLOCK_S: Final = 0.02
_FAST_BLOCK_S: Final = 0.25
_POLL_S: Final = 0.1


@dataclass(frozen=True)
class Chunk:
    """Samples, (frames, channels) float32, full scale 1.0, that follow the last ones without a gap."""

    samples: NDArray[np.float32]


@dataclass(frozen=True)
class Gap:
    """Time not listened to, between the last samples and the next."""

    seconds: float
    why: str
    loss: bool = False
    """Whether the source itself was lost."""


@dataclass(frozen=True)
class Note:
    """Something the user should know."""

    text: str
    alarm: bool = False
    """Whether it means that nothing is heard now."""


Item = Chunk | Gap | Note


class Source(Protocol):
    """What a watch listens to."""

    name: str
    rate: int
    channels: int
    subtype: str
    """How samples are kept without loss: PCM_16, PCM_24, PCM_32 or FLOAT."""
    live: bool
    """Whether the sound happens now (else it was recorded before)."""
    coded: bool
    """Whether the sound went through a lossy codec."""

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, until the end."""
        ...

    def close(self) -> None:
        """Let go of the source."""
        ...


class FileSource:
    """A recording, to its end; one that still grows is followed until it has rested for ``idle_s``.

    Args:
        path: the recording, any format.
        real_time: pace it as it was recorded (else as fast as it can be heard).
        idle_s: a file changed within the last so many seconds may still grow.
        clock: to pace and wait by.
    """

    live = False

    def __init__(
        self, path: str | Path, *, real_time: bool = False, idle_s: float = 3.0, clock: Clock | None = None
    ) -> None:
        self.path, self._clock = Path(path), clock or SystemClock()
        self._real_time, self._idle_s = real_time, idle_s
        self._recording: FileRecording = open_recording(self.path)
        self.name, self.rate, self.channels = self.path.name, self._recording.rate, self._recording.channels
        self.coded = is_lossy(self._recording)
        subtype = self._recording.subtype
        self.subtype = subtype if subtype in PIPE_FORMATS.values() else "PCM_16" if subtype == "PCM_U8" else "FLOAT"

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, until the end."""
        block = max(1, int((_BLOCK_S if self._real_time else _FAST_BLOCK_S) * self.rate))
        started, at = self._clock.monotonic(), 0
        for note in self._recording.notes:
            yield Note(note)
        while True:
            while at < self._recording.frames:
                samples = self._recording.read(at, min(at + block, self._recording.frames))
                at += len(samples)
                if self._real_time:
                    self._clock.sleep(started + at / self.rate - self._clock.monotonic())
                yield Chunk(samples)
            if not self._grown(at):
                return

    def _grown(self, heard: int) -> bool:
        """Wait for more; return whether it came."""
        size, waited = -1, 0.0
        while True:
            try:
                now = self.path.stat()
            except OSError as error:
                raise InputError(f"{one_line(self.path)}: is gone while it was listened to") from error
            resting = waited >= self._idle_s or time.time() - now.st_mtime >= self._idle_s + 1.0
            if now.st_size != size:  # the first time in any case: it may have grown, and rested, while it was heard
                try:
                    again = open_recording(self.path)
                except InputError:
                    if resting:
                        raise
                    self._clock.sleep(_POLL_S)  # its writer may be bringing the header up to date
                    waited += _POLL_S
                    continue
                size = now.st_size
                if again.frames < heard:
                    again.close()
                    raise InputError(f"{one_line(self.path)}: became shorter while it was listened to")
                self._recording.close()
                self._recording = again
                if again.frames > heard:
                    return True
            if resting:
                return False
            self._clock.sleep(_POLL_S)
            waited += _POLL_S

    def close(self) -> None:
        """Close the file."""
        self._recording.close()


def decode_pcm(data: bytes, form: str, channels: int) -> NDArray[np.float32]:
    """Return whole frames of raw samples as float32 (frames, channels), full scale 1.0."""
    if form == "f32le":
        samples = np.frombuffer(data, "<f4").astype(np.float32)
    elif form == "s16le":
        samples = np.frombuffer(data, "<i2").astype(np.float32) / np.float32(1 << 15)
    elif form == "s32le":
        samples = (np.frombuffer(data, "<i4") / float(1 << 31)).astype(np.float32)
    else:
        wide = np.zeros((len(data) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        samples = (wide.reshape(-1).view("<i4") / float(1 << 31)).astype(np.float32)
    return samples.reshape(-1, channels)


class PipeSource:
    """Raw interleaved samples from a pipe, until it is closed at the other end.

    A pipe has no clock: what its writer dropped cannot be noticed here.

    Raises:
        InputError: no rate or number of channels, or an unknown format; later, when a file with a header comes.
    """

    live = True
    coded = False

    def __init__(
        self, stream: BinaryIO, *, rate_hz: int | None, channels: int | None, form: str = "s16le", name: str = "pipe"
    ) -> None:
        if rate_hz is None or channels is None:
            raise InputError("raw samples say nothing of themselves: give --rate-hz and --channels")
        if not 4000 <= rate_hz <= 768_000:
            hint = " (was it given in kHz?)" if 4 <= rate_hz <= 768 else ""
            raise InputError(f"--rate-hz {rate_hz}: must be from 4000 to 768000 frames a second{hint}")
        if not 1 <= channels <= 64:
            raise InputError(f"--channels {channels}: must be from 1 to 64")
        if form not in PIPE_FORMATS:
            raise InputError(
                f"--format {one_line(form)}: is none of {', '.join(PIPE_FORMATS)}{nearest(form, PIPE_FORMATS)}"
            )
        self.name, self.rate, self.channels, self._form = name, rate_hz, channels, form
        self.subtype = PIPE_FORMATS[form]
        self._stream = stream

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, until the end."""
        frame = _WIDTH[self._form] * self.channels
        wanted = max(1, int(_BLOCK_S * self.rate)) * frame
        rest, first = b"", True
        while True:
            data = self._read(wanted)
            if first and data[:4] in (b"RIFF", b"RF64", b"fLaC", b"OggS", b"FORM"):
                raise InputError("the pipe carries a recording with a header, not raw samples: name the file instead")
            first = first and not data
            if not data:
                if rest:
                    yield Note(f"the pipe ended inside a frame: its last {len(rest)} bytes are left out")
                return
            data = rest + data
            whole = len(data) - len(data) % frame
            rest = data[whole:]
            if whole:
                yield Chunk(decode_pcm(data[:whole], self._form, self.channels))

    def _read(self, wanted: int) -> bytes:
        """Return what is there, at most ``wanted`` bytes, waiting only when there is nothing."""
        try:
            descriptor = self._stream.fileno()
        except OSError:
            return self._stream.read(wanted)
        while not select.select([descriptor], [], [], 1.0)[0]:
            pass
        return os.read(descriptor, wanted)

    def close(self) -> None:
        """Nothing to let go of: the pipe belongs to the caller."""
