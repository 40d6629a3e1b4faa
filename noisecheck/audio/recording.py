"""Recordings opened lazily and read in pieces, always as (frames, channels) float32."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError, one_line

__all__ = ["ArrayRecording", "Block", "Recording", "SoundFile", "blocks", "open_recording"]

Samples = NDArray[np.float32]


class Recording(Protocol):
    """What the rest of the tool needs of a recording; never holds more than what is asked for."""

    @property
    def name(self) -> str:
        """Name shown to the user."""
        ...

    @property
    def rate(self) -> int:
        """Frames a second."""
        ...

    @property
    def channels(self) -> int:
        """Number of channels."""
        ...

    @property
    def frames(self) -> int:
        """Length in frames."""
        ...

    def read(self, start: int, stop: int) -> Samples:
        """Return frames ``start`` to ``stop`` as float32 (frames, channels), full scale 1.0.

        Positions outside the recording are clipped, so the result may be shorter.
        """
        ...


@dataclass(frozen=True)
class ArrayRecording:
    """Samples already in memory: (frames, channels), full scale 1.0."""

    samples: Samples
    rate: int
    name: str = "array"

    @property
    def channels(self) -> int:
        return int(self.samples.shape[1])

    @property
    def frames(self) -> int:
        return int(self.samples.shape[0])

    def read(self, start: int, stop: int) -> Samples:
        return np.asarray(self.samples[max(start, 0) : max(stop, 0)], dtype=np.float32)


class SoundFile:
    """A file that soundfile can open, read on demand. Use as a context manager."""

    def __init__(self, path: Path) -> None:
        import soundfile

        self.path = path
        try:
            self._file: Any = soundfile.SoundFile(str(path))
        except (soundfile.SoundFileError, OSError, RuntimeError, TypeError) as error:
            raise InputError(f"{one_line(path)}: cannot be read as a recording ({_reason(path, error)})") from error
        self.rate = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.frames = int(self._file.frames)
        self.subtype = str(self._file.subtype)
        self.name = path.name
        self._position = 0
        if self.frames == 0:
            self.close()
            raise InputError(f"{one_line(path)}: holds no audio")

    def read(self, start: int, stop: int) -> Samples:
        import soundfile

        start, stop = max(start, 0), min(stop, self.frames)
        if stop <= start:
            return np.empty((0, self.channels), np.float32)
        try:
            if start != self._position:
                self._file.seek(start)
            data: Samples = self._file.read(stop - start, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, RuntimeError) as error:
            raise InputError(f"{one_line(self.path)}: damaged after {start / self.rate:.1f} s ({error})") from error
        self._position = start + len(data)
        return data

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> SoundFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _reason(path: Path, error: Exception) -> str:
    if not path.exists():
        return "no such file"
    if path.is_dir():
        return "it is a folder"
    if not path.is_file():
        return "it is not a file"
    if path.stat().st_size == 0:
        return "the file is empty"
    return one_line(str(error).rsplit(": ", 1)[-1].rstrip("."))


def open_recording(path: str | Path) -> SoundFile:
    """Open a recording without reading its samples.

    Raises:
        InputError: the file is missing, holds no audio, or is in no format that can be read.
    """
    return SoundFile(Path(path))


@dataclass(frozen=True)
class Block:
    """A piece of a recording with margins on both sides.

    ``samples`` covers frames ``start - before`` to ``stop + after``; the piece itself is ``start`` to ``stop``.
    """

    samples: Samples
    start: int
    stop: int
    before: int
    after: int

    @property
    def origin(self) -> int:
        """Frame of ``samples[0]`` in the recording."""
        return self.start - self.before


def blocks(
    recording: Recording, *, block_frames: int, before_frames: int = 0, after_frames: int = 0
) -> Iterator[Block]:
    """Yield the recording in pieces on a fixed grid, each with up to the given margins (shorter at the ends)."""
    for start in range(0, recording.frames, block_frames):
        stop = min(start + block_frames, recording.frames)
        first, last = max(start - before_frames, 0), min(stop + after_frames, recording.frames)
        yield Block(recording.read(first, last), start, stop, start - first, last - stop)
