"""What is kept of a watch: an ordinary run with its row in the run sheet, and the sound around each alarm."""

from __future__ import annotations

import os
import shutil
import string
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import COLUMNS, UNFILLED_SHEET, csv_rows, read_text, separator_of
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.files import csv_text, replaced
from noisecheck.live.clock import Clock
from noisecheck.live.events import Event
from noisecheck.live.room import Room
from noisecheck.live.wavefile import WaveWriter

__all__ = ["ALARM_S", "AlarmSounds", "RunKeeper", "add_run", "claimed"]

ALARM_S: Final = 20.0
"""Sound kept around an alarm: half before, half after."""
_FLUSH_S: Final = 1.0


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    """Say what cannot be written, and why, in one sentence."""
    try:
        yield
    except OSError as error:
        name = path if error.filename is None else error.filename
        raise InputError(f"{one_line(name)}: cannot be written ({error.strerror or error})") from error


def claimed(folder: Path, name: str) -> Path:
    """Return a new, empty event log in a folder: the name is this watch's own, with a letter where another has it.

    Raises:
        InputError: the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for letter in ("", *string.ascii_lowercase[1:]):
            path = folder / f"{name}{letter}.jsonl"
            with suppress(FileExistsError), path.open("x"):
                return path
    except OSError as error:
        raise InputError(
            f"{one_line(folder)}: cannot be written ({error.strerror or error}): name another folder with -o, or watch "
            "with --keep-nothing"
        ) from error
    raise InputError(f"{one_line(folder)}: too many watches began in it at {name}")


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Wait until no other watch changes the folder's run sheet, where the system can tell."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network file systems cannot
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


class RunKeeper:
    """Writes what is listened to as one run of the campaign, good at any moment.

    Args:
        folder: the campaign.
        name: of the run, and of its files.
        rate: frames a second.
        channels: of each frame.
        subtype: how samples are kept, see :class:`noisecheck.live.wavefile.WaveWriter`.
        clock: tells when it began.
        revision, treatment: written into the run sheet.

    A new file begins behind each gap (its time in the header), and where one would grow too large.
    """

    def __init__(
        self,
        folder: Path,
        name: str,
        rate: int,
        channels: int,
        *,
        subtype: str,
        clock: Clock,
        revision: str = "",
        treatment: str = "",
    ) -> None:
        self.folder, self.name = folder, name
        self._rate, self._channels, self._subtype, self._clock = rate, channels, subtype, clock
        self._row = {"revision": revision, "treatment": treatment}
        self._writer: WaveWriter | None = None
        self._began: datetime | None = None
        self._frames = self._flushed = self._parts = 0

    def write(self, samples: NDArray[np.float32]) -> None:
        """Append samples; the first ones begin the run and its row.

        Raises:
            InputError: the folder cannot be written.
        """
        with _writing(self._place):
            if self._writer is None or self._writer.full:
                self._writer = self._next_part()
            self._writer.write(samples)
            self._frames += len(samples)
            if self._frames - self._flushed >= _FLUSH_S * self._rate:
                self._writer.flush()
                self._flushed = self._frames

    def gap(self, frames: int) -> None:
        """Say that so many frames are missing: what comes next goes into a new file."""
        if self._writer is not None:
            with _writing(self._place):
                self._writer.close()
            self._writer = None
            self._frames += frames

    def close(self) -> None:
        """Finish the run."""
        if self._writer is not None:
            with _writing(self._place):
                self._writer.close()

    @property
    def _place(self) -> Path:
        return self.folder if self._writer is None else self._writer.path

    def _next_part(self) -> WaveWriter:
        if self._writer is not None:
            self._writer.close()
        self.folder.mkdir(parents=True, exist_ok=True)
        first = self._began is None
        began = self._began or self._clock.now()
        self._began = began
        at = began + timedelta(seconds=self._frames / self._rate)
        midnight = began.replace(hour=0, minute=0, second=0, microsecond=0)
        since = round((began - midnight).total_seconds() * self._rate) + self._frames
        self._parts += 1
        path = self.folder / f"{self.name}-{self._parts}.wav"
        writer = WaveWriter(
            path,
            self._rate,
            self._channels,
            subtype=self._subtype,
            started=at,
            start_frame=since,
        )
        if first:
            recorded = began.strftime("%Y-%m-%d %H:%M")
            row = {"run": self.name, "file": f"{self.name}-*.wav", "role": "test", "recorded": recorded, **self._row}
            add_run(self.folder / "runs.csv", {**row, "notes": "watched live"})
        return writer


def add_run(sheet: Path, row: dict[str, str]) -> None:
    """Add a row to a run sheet, made if missing, written beside and renamed.

    Raises:
        InputError: the sheet cannot be read.
        OSError: it cannot be written.
    """
    with _alone(sheet.parent):
        text = read_text(sheet) if sheet.exists() else UNFILLED_SHEET
        _, names = next(csv_rows(sheet, text), (0, None))
        whole = text if not text or text.endswith("\n") else text + "\n"
        if names is None:
            names = list(COLUMNS)
            whole += ",".join(names) + "\n"
        whole += csv_text([[row.get(n.strip(), "") for n in names]], separator_of(text))
        with replaced(sheet) as file:
            file.write(whole.encode())
            if sheet.exists():
                shutil.copymode(sheet, file.name)


class AlarmSounds:
    """Keeps :data:`ALARM_S` seconds of sound around each alarm as files of their own.

    Args:
        folder: where they go, made when needed.
        name: of the run: files are ``name-0001-stuck.wav``.
        rate: frames a second.
        channels: of each frame.
        subtype: how samples are kept.
        clock: the time of day for the header.
    """

    def __init__(self, folder: Path, name: str, rate: int, channels: int, *, subtype: str, clock: Clock) -> None:
        self._folder, self._name, self._rate, self._channels = folder, name, rate, channels
        self._subtype, self._clock = subtype, clock
        self._waiting: list[tuple[int, Event]] = []
        self._count = 0

    def alarm(self, event: Event) -> Path:
        """Note an alarm; its sound is written when what follows it has come. Return the file it will be in."""
        self._count += 1
        self._waiting.append((self._count, event))
        return self._path(self._count, event)

    def write_due(self, room: Room, *, ending: bool = False) -> list[Path]:
        """Write the sounds whose time has come; return their files."""
        written = []
        half = round(ALARM_S / 2 * self._rate)
        for number, event in list(self._waiting):
            # A ball is called stuck long after it was last heard; what is kept then is the latest of it.
            middle = max(round(event.time_s * self._rate), room.start + half) if room.stop else 0
            if room.stop < middle + half and not ending:
                continue
            self._waiting.remove((number, event))
            start, stop = max(middle - half, room.start), min(middle + half, room.stop)
            if stop <= start:
                continue
            path = self._path(number, event)
            now = self._clock.now()
            with _writing(path):
                self._folder.mkdir(parents=True, exist_ok=True)
                path.unlink(missing_ok=True)
                writer = WaveWriter(
                    path, self._rate, self._channels, subtype=self._subtype, started=now, start_frame=start
                )
                writer.write(room.get(start, stop))
                writer.close()
            written.append(path)
        return written

    def _path(self, number: int, event: Event) -> Path:
        return self._folder / f"{self._name}-{number:04d}-{event.kind}.wav"
