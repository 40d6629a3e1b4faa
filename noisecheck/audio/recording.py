"""Recordings opened lazily and read in pieces, always as (frames, channels) float32."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.ranges import Ranges, runs_of
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.records import record

__all__ = [
    "MOST",
    "ArrayRecording",
    "Block",
    "Coding",
    "FileRecording",
    "Recording",
    "blocks",
    "is_lossy",
    "open_recording",
    "step_of",
]

Samples = NDArray[np.float32]

Coding = Literal["integer", "float", "lossy"]
"""How samples are stored: whole steps, floating point, or by a codec that changes them."""

MOST: Final = np.float32(1e6)
"""Of full scale: floating point beyond it (120 dB over) is damage, as NaN is."""
_STEP_BITS: Final = {"PCM_S8": 7, "PCM_U8": 7, "PCM_16": 15, "PCM_24": 23, "PCM_32": 31, "ALAC_16": 15, "ALAC_20": 19,
                     "ALAC_24": 23, "ALAC_32": 31}  # fmt: skip


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

        Positions outside the recording are clipped, so the result may be shorter. NaN and infinite samples (and
        those over a million times full scale) come as 0, so that no spectrum downstream is lost to one of them;
        where they were is kept (``nonfinite``).
        """
        ...


def _finite(data: Samples) -> tuple[Samples, list[NDArray[np.int64]]]:
    """Return ``data`` with samples that are no numbers as 0, and where in each channel, as ranges (m, 2), if any."""
    good: NDArray[np.bool_] = np.abs(data) <= MOST  # False for NaN
    if good.all():
        return data, []
    return np.where(good, data, np.float32(0.0)), [runs_of(~good[:, c]) for c in range(good.shape[1])]


def _all_of(ranges: Iterable[NDArray[np.int64]]) -> NDArray[np.int64]:
    together = Ranges()
    for some in ranges:
        together.add(some)
    return together.array()


def step_of(subtype: str) -> float:
    """Return the step of samples stored so, of full scale; 0.0 where there is none."""
    bits = _STEP_BITS.get(subtype)
    return 2.0**-bits if bits else 0.0


def is_lossy(recording: object) -> bool:
    """Return whether the sound of a recording went through a lossy codec; integer samples where it does not say."""
    return getattr(recording, "coding", "integer") == "lossy"


@record
class ArrayRecording:
    """Samples already in memory: (frames, channels), full scale 1.0."""

    samples: Samples
    rate: int
    name: str = "array"
    coding: Coding = "integer"
    notes: tuple[str, ...] = ()

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def frames(self) -> int:
        """Length in frames."""
        return int(self.samples.shape[0])

    @functools.cached_property
    def nonfinite_of(self) -> tuple[NDArray[np.int64], ...]:
        """Of each channel the frames that are NaN or infinite, as ranges (m, 2); empty where all are numbers."""
        return tuple(_finite(self.samples)[1])

    @property
    def nonfinite(self) -> NDArray[np.int64]:
        """Frames with NaN or infinite samples, as ranges (m, 2)."""
        return _all_of(self.nonfinite_of)

    def read(self, start: int, stop: int) -> Samples:
        """Return frames start to stop (clipped to what there is), (frames, channels) float32, full scale 1.0."""
        return _finite(np.asarray(self.samples[max(start, 0) : max(stop, 0)], dtype=np.float32))[0]


class FileRecording:
    """A recording in a file, read on demand. Use as a context manager. Nothing is ever written to the file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = path.name
        self.rate = 0
        self.channels = 0
        self.frames = 0
        self.container = ""
        """Such as ``WAV``, ``FLAC``, ``MPEG-4``; from the content, never from the name."""
        self.subtype = ""
        """How samples are stored, such as ``PCM_16`` or ``AAC``."""
        self.coding: Coding = "integer"
        self.step: float = 0.0
        """Difference of neighbouring sample values (0 where there is no fixed step)."""
        self.bits_a_sample: float | None = None
        """What a lossy codec spent on each sample of each channel; None without one, or where it is not known."""
        self.started: datetime | None = None
        """Clock time of the first frame, where the file says so (without a time zone)."""
        self.start_frame: int | None = None
        """Frames since midnight of the first frame (the time reference of a Broadcast WAV), where the file says so."""
        self.delay_known = True
        """False where the codec's delay is not stated, so that all times may be late by the same some 20 to 50 ms."""
        self.notes: tuple[str, ...] = ()
        """Sentences on what is lost or was put right in reading this file."""
        self._nonfinite: dict[int, Ranges] = {}

    def _get(self, start: int, stop: int) -> Samples:
        """Return frames inside the recording, as stored."""
        raise NotImplementedError

    def read(self, start: int, stop: int) -> Samples:
        """Return frames ``start`` to ``stop``; see :meth:`Recording.read`.

        Raises:
            InputError: the file is damaged there, or became shorter since it was opened.
        """
        start, stop = max(start, 0), min(stop, self.frames)
        if stop <= start:
            return np.empty((0, self.channels), np.float32)
        data, bad = self._get(start, stop), list[NDArray[np.int64]]()
        if self.coding != "integer":  # whole steps are always numbers
            data, bad = _finite(data)
        if len(data) < stop - start:
            raise InputError(
                f"{one_line(self.path)}: ends after {(start + len(data)) / self.rate:.1f} s, but held "
                f"{self.frames / self.rate:.1f} s when it was opened: was it still being copied?"
            )
        self._broken(bad, start)
        return data

    def _broken(self, bad: Sequence[NDArray[np.int64]], start: int) -> None:
        """Keep where the samples of each channel from a frame on were no numbers."""
        for channel, ranges in enumerate(bad):
            self._nonfinite.setdefault(channel, Ranges()).add(ranges + start)

    @property
    def nonfinite_of(self) -> tuple[NDArray[np.int64], ...]:
        """Of each channel the frames read so far that are NaN or infinite, as ranges (m, 2); empty where none are."""
        return tuple(self._nonfinite[c].array() for c in sorted(self._nonfinite))

    @property
    def nonfinite(self) -> NDArray[np.int64]:
        """Frames with NaN or infinite samples among those read so far, as ranges (m, 2)."""
        return _all_of(self.nonfinite_of)

    def note(self, sentence: str) -> None:
        """Add a sentence to the notes, once."""
        if sentence not in self.notes:
            self.notes = (*self.notes, sentence)

    def close(self) -> None:
        """Close the file."""

    def __enter__(self) -> FileRecording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_recording(path: str | Path, *, at_least: int = 0) -> FileRecording:
    """Open a recording without reading all of it; what it is follows from its content, not from its name.

    WAV, RF64, W64, AIFF, CAF, FLAC, OGG and MP3, and (with the extra ``phone``) m4a, mp4 and mov. A file that was cut
    off or never finished is opened with what is there, and ``notes`` says what is lost and where.

    Args:
        path: of the file.
        at_least: frames known to be in it, from when it was shorter: where its header states no length, they are not
            counted again.

    Raises:
        InputError: the file is missing, holds no audio, or is in no format that can be read.
        MissingExtraError: a phone recording, and the extra is not installed.
    """
    from noisecheck.audio.opening import open_file

    return open_file(Path(path), at_least=at_least)


@record
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
