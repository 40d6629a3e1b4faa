"""Two impacts heard as one: told apart by the stations' own microphones, and measured again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Recording
from noisecheck.core.flags import Flag
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.core.units import to_seconds
from noisecheck.detect.channels import Onsets
from noisecheck.measure.channel import MeasureSettings
from noisecheck.measure.events import MARGIN_AFTER_S, measure_impacts
from noisecheck.pipeline.tiles import BEFORE_S, opened_once

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["Measurer", "Take", "told_apart"]


@record
class Take:
    """A recording in which single impacts can be measured again."""

    opened: Callable[[], Recording]
    rate: int
    frames: int
    quiet: NDArray[np.int64]
    """Spans of frames without impacts, (m, 2)."""
    offset_db: NDArray[np.float64] | None
    """dB to add for dB re 20 uPa; None leaves dB re full scale."""
    settings: MeasureSettings

    def measured(self, onsets: Onsets, rows: Sequence[int]) -> list[Impacts]:
        """Return a table of one row for each of the rows of ``onsets``, measured by itself amid the others."""
        with opened_once(self.opened) as recording:
            return [self._measured(onsets, row, recording) for row in rows]

    def _measured(self, onsets: Onsets, row: int, recording: Recording) -> Impacts:
        own, channel = int(onsets.own_arrival[row]), int(onsets.channel[row])
        later = onsets.arrival[row + 1 :, channel]
        later = later[later > own]
        limit = int(later.min()) if len(later) else self.frames
        origin = max(0, own - int(BEFORE_S * self.rate))
        samples = recording.read(origin, min(self.frames, own + int(MARGIN_AFTER_S * self.rate)))
        near = self.quiet[(self.quiet[:, 1] > origin) & (self.quiet[:, 0] < origin + len(samples))]
        columns = measure_impacts(
            samples,
            self.rate,
            origin=origin,
            onsets=[own],
            channels=[channel],
            limits=[limit],
            quiet=near,
            offset_db=self.offset_db,
            settings=self.settings,
        )
        flags = columns.pop("flags") | (Flag.UNCALIBRATED if self.offset_db is None else 0) | Flag.OVERLAPPED
        return Impacts.of(
            1,
            odds=onsets.odds[row],
            db_re="full scale" if self.offset_db is None else "20 uPa",
            flags=flags,
            **columns,
        )


class Measurer(Protocol):
    """Measures single impacts again."""

    @property
    def rate(self) -> int:
        """Frames a second."""
        ...

    def measured(self, onsets: Onsets, rows: Sequence[int]) -> list[Impacts]:
        """Return a table of one row for each of the rows of ``onsets``."""
        ...


def told_apart(onsets: Onsets, impacts: Impacts, rig: Rig, take: Measurer) -> tuple[Onsets, Impacts]:
    """Return onsets and impacts with those split that are two at two stations within one detection.

    Rows that stay as they were keep their figures; only the impacts that a split brings to light are measured.

    Args:
        onsets, impacts: what was heard, row by row the same.
        rig: stations and microphones.
        take: the recording, or another that measures.
    """
    if onsets.arrival.shape[1] < 2:
        return onsets, impacts
    from noisecheck.place.microphones import split_simultaneous

    split = split_simultaneous(onsets, rig, take.rate)
    if len(split) == len(onsets) and np.array_equal(split.own_arrival, onsets.own_arrival):
        return onsets, impacts
    known = {(int(f), int(c)): i for i, (f, c) in enumerate(zip(onsets.own_arrival, onsets.channel, strict=True))}
    row = np.array(
        [known.get((int(f), int(c)), -1) for f, c in zip(split.own_arrival, split.channel, strict=True)], int
    )
    if len(split) == len(onsets) and np.array_equal(row, np.arange(len(onsets))):
        return onsets, impacts
    fresh = np.flatnonzero(row < 0)
    tables = [impacts.where(row[row >= 0]), *take.measured(split, fresh.tolist())]
    # Rows kept come first in the joined table, new ones after them: put all in the order of the onsets.
    place = np.empty(len(split), np.int64)
    place[row >= 0] = np.arange(int((row >= 0).sum()))
    place[fresh] = int((row >= 0).sum()) + np.arange(len(fresh))
    joined = Impacts.concat(tables).where(place)
    time_s = to_seconds(split.frame, take.rate)
    joined = joined.with_columns(frame=split.frame, time_s=time_s, channel=split.channel)
    # What does not stand out at its own microphone is no second impact: the first was heard there with a wrong onset.
    drowned = (row < 0) & joined.flagged(Flag.BOUND)
    return split.where(~drowned), joined.where(~drowned)
