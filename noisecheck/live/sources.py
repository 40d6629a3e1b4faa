"""Where the sound of a watch comes from, and a file as one (also one that still grows).

A source yields samples, gaps (time not listened to) and notes, in order of time, until it ends.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import FileRecording, is_lossy, open_recording
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.records import record
from noisecheck.live import PIPE_FORMATS
from noisecheck.live.clock import Clock, SystemClock
from noisecheck.pipeline.history import note_coded, sounds_coded

__all__ = ["Chunk", "FileSource", "Gap", "Item", "Lateness", "Note", "Source"]

_BLOCK_S: Final = 0.25
_POLL_S: Final = 0.1
_OLD_S: Final = 60.0
"""A file that was not changed for so long does not grow (by two computers' clocks, where one holds the file)."""
_REST: Final = 3.0
"""One that grows is at its end when it rests for so many times its longest rest before, or for :data:`_LONGEST_S`."""
_LONGEST_S: Final = 60.0
_SAME_S: Final = 1.0
"""So much of what was heard last must still be there when it has grown: else it is another recording."""
_TAIL_S: Final = 0.1
"""What a recorder writes behind the samples passes for some until its header is final."""
_LATE_S: Final = 5.0
"""A watch so far behind what happens is none."""


@record
class Chunk:
    """Samples, (frames, channels) float32, full scale 1.0, that follow the last ones without a gap."""

    samples: NDArray[np.float32]


@record
class Gap:
    """Time not listened to, between the last samples and the next."""

    seconds: float
    why: str


@record
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


class Lateness:
    """Tells when a watch is far behind what happens, again each time it is twice as far, and when it no longer is."""

    def __init__(self) -> None:
        self._said_s = 0.0

    def take(self, behind_s: float) -> Iterator[Note]:
        """Yield what there is to say, mostly nothing, of a watch ``behind_s`` seconds behind."""
        if behind_s > max(_LATE_S, 2.0 * self._said_s):
            self._said_s = behind_s
            text = f"the watch is {behind_s:.0f} s behind what happens: NOT LISTENING to what happens now"
            yield Note(f"{text}; is this computer too slow, or too busy?", alarm=True)
        elif self._said_s and behind_s < 0.5 * _LATE_S:
            self._said_s = 0.0
            yield Note("the watch has caught up with what happens")


class FileSource:
    """A recording, to its end, as fast as it can be heard; one that still grows is followed until it rests.

    Args:
        path: the recording, any format.
        idle_s: how long one must rest that may still grow.
        clock: to wait by.

    Raises:
        InputError: it cannot be read; later, when it is gone, or is another recording than before.
    """

    live = False

    def __init__(self, path: str | Path, *, idle_s: float = 3.0, clock: Clock | None = None) -> None:
        self.path, self._clock = Path(path), clock or SystemClock()
        self._idle_s = idle_s
        self._recording = self._opened()
        self.name, self.rate, self.channels = self.path.name, self._recording.rate, self._recording.channels
        self.coded = sounds_coded(self._recording)
        note_coded(self._recording, self.coded)
        subtype = self._recording.subtype
        self.subtype = subtype if subtype in PIPE_FORMATS.values() else "PCM_16" if subtype == "PCM_U8" else "FLOAT"
        self._last = np.empty((0, self.channels), np.float32)

    def _opened(self) -> FileRecording:
        """Open the file, with patience for one that has only just begun."""
        waited = 0.0
        while True:
            try:
                return open_recording(self.path)
            except InputError:
                if waited >= self._idle_s or not self.path.is_file() or self._old():
                    raise
            self._clock.sleep(_POLL_S)
            waited += _POLL_S

    def _old(self) -> bool:
        return time.time() - self.path.stat().st_mtime >= _OLD_S

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, until the end."""
        block, at, patience, grew = max(1, int(_BLOCK_S * self.rate)), 0, self._idle_s, False
        for note in self._recording.notes:
            yield Note(note)
        late = Lateness()
        while True:
            since, new = self._clock.monotonic(), self._recording.frames - at
            while at < self._recording.frames:
                samples = self._recording.read(at, min(at + block, self._recording.frames))
                at += len(samples)
                self._last = np.concatenate([self._last, samples])[-int(_SAME_S * self.rate) :]
                yield Chunk(samples)
            busy_s = self._clock.monotonic() - since
            rested = self._rested(at, patience)
            if rested is None:
                break
            # What came while it was busy with less than that: a recorder may well write ten seconds at a time.
            yield from late.take(busy_s if rested == 0.0 and busy_s * self.rate > new else 0.0)
            patience, grew = min(max(patience, _REST * rested), max(_LONGEST_S, self._idle_s)), True
        if grew:
            # Its recorder may have failed.
            yield Note(f"{one_line(self.name)} has not grown for {patience:.0f} s: taken for its end", alarm=True)

    def _rested(self, heard: int, patience_s: float) -> float | None:
        """Wait for more, and return for how long; None when none came."""
        size, waited = -1, 0.0
        while True:
            try:
                now = self.path.stat()
                resting = waited >= patience_s or self._old()
            except OSError as error:
                raise InputError(f"{one_line(self.path)}: is gone while it was listened to") from error
            if now.st_size != size:  # the first time in any case: it may have grown, and rested, while it was heard
                try:
                    again = open_recording(self.path, at_least=heard)
                except InputError:
                    if resting:
                        raise
                    self._clock.sleep(_POLL_S)  # its writer may be bringing the header up to date
                    waited += _POLL_S
                    continue
                size = now.st_size
                self._check(again, heard)
                self._recording.close()
                self._recording = again
                if again.frames > heard:
                    return waited
            if resting:
                return None
            self._clock.sleep(_POLL_S)
            waited += _POLL_S

    def _check(self, again: FileRecording, heard: int) -> None:
        """Make sure that it is the same recording, only longer."""
        wrong = ""
        if (again.rate, again.channels) != (self.rate, self.channels):
            wrong = f"has {again.channels} channels at {again.rate} Hz now"
        elif heard - again.frames > _TAIL_S * self.rate:
            wrong = "became shorter"
        elif not is_lossy(again) and not np.array_equal(
            samples := again.read(heard - len(self._last), heard), self._last[: len(samples)]
        ):
            wrong = "was replaced by another recording"
        if wrong:
            again.close()
            raise InputError(f"{one_line(self.path)}: {wrong} while it was listened to")

    def close(self) -> None:
        """Close the file."""
        self._recording.close()
