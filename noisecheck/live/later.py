"""Impacts measured again once their sound is over, as those of a recording are: with its tail and the pauses near."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import Flag
from noisecheck.core.order import median
from noisecheck.core.table import Impacts
from noisecheck.core.units import to_seconds
from noisecheck.detect.channels import Onsets
from noisecheck.live.arriving import ArrivalTimes
from noisecheck.live.room import Room
from noisecheck.measure.channel import MeasureSettings
from noisecheck.measure.events import MARGIN_AFTER_S
from noisecheck.measure.levels import BOUND_DB
from noisecheck.pipeline.decisions import joined_onsets, next_arrivals, quiet_spans
from noisecheck.pipeline.tiles import BEFORE_S, measure_onsets

__all__ = ["NEEDS_S", "Later", "NotKept", "measured"]

_PIECE_S: Final = 4.0
_LEAST_MEASURED: Final = 5
NEEDS_S: Final = BEFORE_S + _PIECE_S + MARGIN_AFTER_S + 2.0
"""Sound that must be kept."""


def measured(
    samples: NDArray[np.float32],
    rate: int,
    onsets: Onsets,
    *,
    origin: int,
    limits: NDArray[np.int64],
    quiet: NDArray[np.int64],
    first: int = 0,
    offset_db: NDArray[np.float64] | None,
    settings: MeasureSettings,
) -> Impacts:
    """Return the impacts of a watch, measured in the samples from frame ``origin`` on; the rest as of a file.

    The ``first`` ones are left out: they may ring before the others.
    """
    own = np.arange(first, len(onsets))
    columns = measure_onsets(
        samples,
        rate,
        onsets,
        origin=origin,
        limits=limits,
        quiet=quiet,
        wanted=np.arange(len(onsets)) >= first,
        offset_db=offset_db,
        settings=settings,
    )
    columns = {name: values[own] for name, values in columns.items()}
    onsets = onsets.where(own)
    return Impacts.of(
        len(onsets),
        run="watch",
        channel=onsets.channel,
        frame=onsets.frame,
        time_s=to_seconds(onsets.frame, rate),
        odds=onsets.odds,
        db_re="full scale" if offset_db is None else "20 uPa",
        **columns,
    )


class Later:
    """Measures impacts a second time, piece by piece, when what follows them has been heard.

    Args:
        room: the last :data:`NEEDS_S` s of sound at least.
        rate: frames a second.
        channels: of each frame.
        offset_db: dB to add for dB re 20 uPa, one a channel; None leaves dB re full scale.
        settings: of the measurement.
        times: measures their arrivals again, too.
    """

    def __init__(
        self,
        room: Room,
        rate: int,
        channels: int,
        *,
        offset_db: NDArray[np.float64] | None,
        settings: MeasureSettings,
        times: ArrivalTimes | None = None,
    ) -> None:
        self._room, self._rate, self._channels = room, rate, channels
        self._offset, self._settings, self._times = offset_db, settings, times
        self._waiting = joined_onsets([], channels)
        self._busy = np.empty(0, np.int64)
        self._last_quiet = np.empty((0, 2), np.int64)
        self._start = 0

    def begin(self, frame: int) -> None:
        """Begin anew at a frame, behind a gap."""
        self._busy, self._last_quiet, self._start = np.empty(0, np.int64), np.empty((0, 2), np.int64), frame

    def add(self, onsets: Onsets) -> None:
        """Take impacts newly decided, in order."""
        self._waiting = joined_onsets([self._waiting, onsets], self._channels)
        self._busy = np.sort(np.concatenate([self._busy, onsets.frame]))

    def take(self, known: int, *, ending: bool = False) -> Impacts | None:
        """Return the impacts of the next piece, once all up to frame ``known`` are; None until it is over."""
        stop = known if ending else self._start + int(_PIECE_S * self._rate)
        if not ending and known < stop + int((MARGIN_AFTER_S + 0.5) * self._rate):
            return None
        start, rate = self._start, self._rate
        quiet = quiet_spans(self._busy, rate, start, stop)
        near = self._last_quiet[self._last_quiet[:, 1] > start - int(BEFORE_S * rate)]
        count = len(self._waiting) if ending else int(np.searchsorted(self._waiting.frame, stop))
        own, after = self._waiting.where(slice(0, count)), self._waiting.where(slice(count, None))
        self._waiting, self._last_quiet, self._start = after, quiet, stop
        self._busy = self._busy[np.searchsorted(self._busy, stop - rate) :]
        if not len(own):
            return None
        origin = max(self._room.start, min(start, int(own.own_arrival.min())) - int(BEFORE_S * rate))
        samples = self._room.get(origin, stop + int(MARGIN_AFTER_S * rate))
        table = measured(
            samples,
            rate,
            own,
            origin=origin,
            limits=next_arrivals(own, after, origin + len(samples)),
            quiet=np.concatenate([near, quiet]),
            offset_db=self._offset,
            settings=self._settings,
        )
        if self._times is not None:
            self._times.take(own, table, again=True)
        return table


class NotKept:
    """Measures impacts whose sound is gone: what a split brings to light has no levels.

    Whether it stands out of the background of its own microphone, as it must, follows from how far the impacts that
    were measured there did.

    Args:
        rate: frames a second.
        calibrated: levels are dB re 20 uPa.
        onsets, impacts: measured impacts, row by row the same.
    """

    def __init__(self, rate: int, *, calibrated: bool, onsets: Onsets, impacts: Impacts) -> None:
        self.rate, self._calibrated = rate, calibrated
        above = onsets.level_db[np.arange(len(onsets)), onsets.channel] - impacts["margin_db"]
        self._bound_db = np.full(onsets.level_db.shape[1], -np.inf)
        for channel in range(len(self._bound_db)):
            here = above[(onsets.channel == channel) & np.isfinite(above)]
            if len(here) >= _LEAST_MEASURED:
                self._bound_db[channel] = median(here) + BOUND_DB

    def measured(self, onsets: Onsets, rows: Sequence[int]) -> list[Impacts]:
        """Return a table of one row for each of the rows of ``onsets``."""
        db_re = "20 uPa" if self._calibrated else "full scale"
        tables = []
        for r in rows:
            channel = int(onsets.channel[r])
            flags = Flag.OVERLAPPED
            if onsets.level_db[r, channel] < self._bound_db[channel]:
                flags |= Flag.BOUND
            tables.append(Impacts.of(1, run="watch", odds=onsets.odds[r], db_re=db_re, flags=flags))
        return tables
