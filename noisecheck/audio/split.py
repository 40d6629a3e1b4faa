"""A recorder's split files as one recording, in order, with what was not listened to in between.

Such a run has two clocks: time in its recording, and time of the run with what lies between files.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Coding, FileRecording, Samples, open_recording
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.records import record
from noisecheck.core.units import many

__all__ = ["Gap", "JoinedRecording", "join_recordings", "natural_order", "recorded_s", "with_gaps"]

_KEPT_OPEN: Final = 4
_LEAST_GAP_S: Final = 0.02  # shorter than this, clocks of one recorder differ by rounding
_CLOCK_STEP_S: Final = 1.0  # a start time without a time reference is given in whole seconds


@record
class Gap:
    """Time between two files in which nothing was recorded; it is time not listened to."""

    frame: int
    """First frame after the gap, in the joined recording."""
    seconds: float
    """How long nothing was recorded; negative where the files overlap."""
    exact: bool
    """Whether it is known to the sample (Broadcast WAV time references), else to about a second."""


def natural_order(paths: Iterable[str | Path]) -> list[Path]:
    """Return paths with numbers in their names ordered as numbers: ``take2`` comes before ``take10``."""

    def key(path: Path) -> tuple[list[tuple[int, int, str]], str]:
        parts = re.split(r"(\d+)", str(path))
        return [(1, int(p), "") if p.isdecimal() and p.isascii() else (0, 0, p.casefold()) for p in parts], str(path)

    return sorted((Path(p) for p in paths), key=key)


class JoinedRecording(FileRecording):
    """Several files read as one, with no silence put in between; ``gaps`` says where time is lost."""

    def __init__(self, paths: Sequence[Path]) -> None:
        super().__init__(paths[0])
        self.paths = tuple(paths)
        self._open: OrderedDict[int, FileRecording] = OrderedDict()
        codings: set[Coding] = set()
        starts: list[tuple[int | None, datetime | None]] = []
        lengths: list[int] = []
        notes: list[str] = []
        for number, path in enumerate(paths):
            part = self._part(number)
            if number == 0:
                self.rate, self.channels = part.rate, part.channels
                self.container, self.subtype, self.step = part.container, part.subtype, part.step
            elif (part.rate, part.channels) != (self.rate, self.channels):
                raise InputError(
                    f"{one_line(path)}: has {_format(part)} but {one_line(paths[0].name)} has {_format(self)}: "
                    "they are not parts of one recording"
                )
            if part.subtype != self.subtype:
                notes.append(f"{one_line(part.name)} is stored as {part.subtype}, the first file as {self.subtype}")
            codings.add(part.coding)
            self.step = max(self.step, part.step)
            self.delay_known &= part.delay_known
            bits = [b for b in (self.bits_a_sample, part.bits_a_sample) if b is not None]
            self.bits_a_sample = min(bits, default=None)
            notes += [f"{one_line(part.name)}: {note}" for note in part.notes]
            starts.append((part.start_frame, part.started))
            lengths.append(part.frames)
        self.coding = next(c for c in ("lossy", "float", "integer") if c in codings)
        self.starts = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
        """First frame of each file, and the end, int64 (files + 1,)."""
        self.frames = int(self.starts[-1])
        self.name = paths[0].name if len(paths) == 1 else f"{paths[0].name} to {paths[-1].name}"
        self.start_frame, self.started = starts[0]
        self.gaps, told = self._find_gaps(starts, lengths)
        self.notes = (*notes, *told)

    def _part(self, number: int) -> FileRecording:
        if number not in self._open:
            self._open[number] = open_recording(self.paths[number])
            while len(self._open) > _KEPT_OPEN:
                self._open.popitem(last=False)[1].close()
        self._open.move_to_end(number)
        return self._open[number]

    def _find_gaps(
        self, starts: list[tuple[int | None, datetime | None]], lengths: list[int]
    ) -> tuple[tuple[Gap, ...], list[str]]:
        gaps, told = [], []
        unknown = 0
        for k in range(1, len(starts)):
            (before, day), (after, next_day) = starts[k - 1], starts[k]
            if before is not None and after is not None and day and next_day:
                days = (next_day.date() - day.date()).days
                seconds, exact = (after - before - lengths[k - 1]) / self.rate + 86400.0 * days, True
            elif day and next_day:
                seconds, exact = (next_day - day).total_seconds() - lengths[k - 1] / self.rate, False
            else:
                unknown += 1
                continue
            if abs(seconds) <= (_LEAST_GAP_S if exact else 2 * _CLOCK_STEP_S):
                continue
            gaps.append(Gap(int(self.starts[k]), seconds, exact))
            names = f"{one_line(self.paths[k - 1].name)} and {one_line(self.paths[k].name)}"
            about = "" if exact else "about "
            if seconds > 0:
                told.append(f"between {names} {about}{seconds:.3g} s were not recorded: that time was not listened to")
            else:
                told.append(f"{names} overlap by {about}{-seconds:.3g} s: they may not belong in this order")
        if unknown:
            told.append(
                f"{unknown} of {len(starts) - 1} joints between files carry no start time: whether time is missing "
                "there is not known"
            )
        return tuple(gaps), told

    def _get(self, start: int, stop: int) -> Samples:
        pieces: list[NDArray[np.float32]] = []
        first = int(np.searchsorted(self.starts, start, side="right")) - 1
        for number in range(first, len(self.paths)):
            origin, end = int(self.starts[number]), int(self.starts[number + 1])
            if origin >= stop:
                break
            part = self._part(number)
            data = part.read(start - origin, min(stop, end) - origin)
            self._broken(part.nonfinite_of, origin)
            if len(data) < min(stop, end) - max(start, origin):
                raise InputError(f"{one_line(part.path)}: became shorter while it was read")
            pieces.append(data)
            start = end
        return np.concatenate(pieces)

    def close(self) -> None:
        """Close all files."""
        while self._open:
            self._open.popitem()[1].close()


def _format(recording: FileRecording) -> str:
    return f"{many(recording.channels, 'channel')} at {recording.rate} Hz"


def join_recordings(paths: Sequence[str | Path]) -> FileRecording:
    """Open one file, or several in natural order as one recording.

    Raises:
        InputError: no file, a file that cannot be read, or files of different rate or number of channels.
    """
    if not paths:
        raise InputError("no recording was named")
    ordered = natural_order(paths)
    return open_recording(ordered[0]) if len(ordered) == 1 else JoinedRecording(ordered)


def recorded_s(time_s: float, *, gaps: Sequence[Gap], rate: int) -> float:
    """Return the time in the recording of a time of the run, which counts what lies between split files."""
    lost = 0.0
    for gap in gaps:
        if time_s > gap.frame / rate + lost:
            lost += gap.seconds
    return time_s - lost


def with_gaps(
    time_s: NDArray[np.float64], rate: int, gaps: Sequence[Gap]
) -> tuple[NDArray[np.float64], tuple[tuple[float, float], ...]]:
    """Return times of the run with what lies between split files counted, and those spans."""
    shifted = time_s.copy()
    spans = []
    lost = 0.0
    for gap in gaps:
        at = gap.frame / rate
        shifted[time_s >= at] += gap.seconds
        spans.append((at + lost, at + lost + gap.seconds))
        lost += gap.seconds
    return shifted, tuple(spans)
