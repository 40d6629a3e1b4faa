"""From samples to impacts as the sound comes: found, measured, and placed.

The same stages as for a file, one behind the other; only the measurement does not wait for a sound's end, but takes
what has been heard of it when it is decided (about 0.1 s). No files, no clock, no output.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import ArrayRecording
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.detect.stream import Stream
from noisecheck.live.later import NEEDS_S, Later, measured
from noisecheck.live.microphones import LostSound, Signal, SignalCheck
from noisecheck.live.placing import Placer, Placing
from noisecheck.live.room import Room
from noisecheck.pipeline.decisions import joined_onsets, next_arrivals, quiet_spans
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.place.evidence import Evidence

__all__ = ["KEEP_S", "Heard", "Hearing", "Listened"]

KEEP_S: Final = max(32.0, NEEDS_S)
_SLICE_S: Final = 0.02
_BEFORE_S: Final = 1.0
_HEARD_S: Final = 0.5
_NONE: Final = slice(0, 0)
_FAR: Final = np.iinfo(np.int64).max // 2
_CLEAR_S: Final = 0.05
"""So much of an impact's sound is waited for in which nothing may turn out to be the next: it would be measured too."""


@dataclass
class Listened:
    """Time listened to and not, in frames of the watch."""

    heard: int = 0
    missed: int = 0


class Heard(NamedTuple):
    """Impacts newly decided."""

    onsets: Onsets
    impacts: Impacts
    """Measured and placed, in frames of the watch."""
    odds: Evidence | None
    """How each sounds at every station, row by row; None where nothing tells."""
    known_s: float
    """All impacts up to this time are known now."""
    said_s: float
    """How much of the sound has come, in s of the watch."""
    late: Impacts | None = None
    """The next of all impacts in order, measured again now that their sound is over; not placed."""
    signals: tuple[Signal, ...] = ()
    """Channels found dead, or alive again."""
    lost: tuple[tuple[float, float], ...] = ()
    """Spans in which all sound was lost, s."""


class Hearing:
    """Hear the impacts of a machine.

    Args:
        rate: frames a second.
        channels: of each frame.
        settings: detection and measurement.
        offset_db: dB to add for dB re 20 uPa, one a channel; None leaves dB re full scale.
        placer: tells the station of impacts; None where nothing can.
        coded: the sound went through a lossy codec.

    Positions are frames of the watch: gaps count, with what was lost in them.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        settings: ListenSettings,
        offset_db: NDArray[np.float64] | None = None,
        placer: Placer | None = None,
        coded: bool = False,
    ) -> None:
        self.rate, self.channels = rate, channels
        self.room = Room(int(KEEP_S * rate), channels)
        self.listened = Listened()
        self._settings, self._offset, self._coded = settings, offset_db, coded
        self._placing = Placing(placer, rate, channels) if placer is not None else None
        if placer is not None:
            placer.listen_to(self.room, channels)
        times = None if placer is None else placer.times
        self._begin = 0
        self._stream = self._new_stream()
        self._pending: list[NDArray[np.float32]] = []
        self._held = joined_onsets([], channels)
        """Impacts known, and not measured yet."""
        self._near = joined_onsets([], channels)
        """The last impacts: what still rings of them is none of those that follow."""
        self._signals, self._lost = SignalCheck(rate, channels), LostSound(rate)
        self._later = Later(self.room, rate, channels, offset_db=offset_db, settings=settings.measure, times=times)

    def _new_stream(self) -> Stream:
        s = self._settings
        return Stream(self.rate, self.channels, settings=s.detect, spread_s=s.spread_s, coded=self._coded)

    @property
    def seconds(self) -> float:
        """Seconds of the watch so far, gaps included."""
        return (self.listened.heard + self.listened.missed) / self.rate

    # -- in ---------------------------------------------------------------------------------------------------------
    def take(self, samples: NDArray[np.float32]) -> Iterator[Heard]:
        """Take the next samples, (frames, channels), and yield what is heard in them.

        They are worked through in slices of a fixed length, so that results do not depend on how they come.
        """
        self._pending.append(samples)
        waiting = sum(map(len, self._pending))
        step = max(1, int(_SLICE_S * self.rate))
        if waiting < step:
            return
        whole = np.concatenate(self._pending)
        self._pending = [whole[waiting - waiting % step :].copy()]
        for at in range(0, waiting - step + 1, step):
            if (heard := self._slice(whole[at : at + step])) is not None:
                yield heard

    def _slice(self, part: NDArray[np.float32]) -> Heard | None:
        """Take the samples of a slice; return what is heard, None where they only wait for more."""
        part = ArrayRecording(part, self.rate).read(0, len(part))  # what is no number is silence, as in a file
        self.room.add(part)
        at = self.listened.heard + self.listened.missed
        signals, lost = self._signals.take(part, at), self._lost.take(part, at)
        self.listened.heard += len(part)
        worked = self._stream.worked
        onsets = self._stream.push(part)
        if self._stream.worked == worked and not signals and not lost:
            return None
        known = self._begin + self._stream.known
        return self._heard(onsets, known)._replace(late=self._later.take(known), signals=tuple(signals), lost=lost)

    def flush(self) -> Iterator[Heard]:
        """Take what is left of a slice, and end the stream."""
        rest, self._pending = self._pending, []
        if any(map(len, rest)) and (heard := self._slice(np.concatenate(rest))) is not None:
            yield heard
        end = self.listened.heard + self.listened.missed
        yield self._heard(self._stream.finish(), end, ending=True)._replace(late=self._later.take(end, ending=True))

    def gap(self, frames: int) -> None:
        """Count frames that were not listened to, once the stream before them is flushed, and listen anew."""
        self.listened.missed += frames
        self._begin = self.listened.heard + self.listened.missed
        self._stream = self._new_stream()
        self.room.begin(self._begin)
        self._later.begin(self._begin)
        self._near = self._near.where(slice(0, 0))

    # -- impacts ----------------------------------------------------------------------------------------------------
    def _heard(self, onsets: Onsets, known: int, *, ending: bool = False) -> Heard:
        if len(onsets):
            onsets = _shifted(onsets, self._begin)
            self._held = joined_onsets([self._held, onsets], self.channels)
            if self._placing is not None:
                self._later.add(onsets)
        count = len(self._held) if ending else self._clear()
        onsets, self._held = self._held.where(slice(0, count)), self._held.where(slice(count, None))
        known_s = min([known, *self._held.frame[:1].tolist()]) / self.rate
        if not count:
            return Heard(onsets, Impacts.empty(), None, known_s, self.seconds)
        table = self._measured(onsets)
        odds = None
        if self._placing is not None:
            table, odds = self._placing.placed(onsets, table)
        return Heard(onsets, table, odds, max(known_s, float(table["time_s"].max())), self.seconds)

    def _clear(self) -> int:
        """Return how many of the impacts held can be measured: as much of their sound is their own as is needed."""
        held, ends = self._held, self._ends(self._held)
        limits = np.minimum(held.own_arrival + int(_CLEAR_S * self.rate), next_arrivals(held, held.where(_NONE), _FAR))
        waits = np.flatnonzero(ends < limits)
        return int(waits[0]) if len(waits) else len(held)

    def _ends(self, onsets: Onsets) -> NDArray[np.int64]:
        """Return for each impact up to where nothing undecided sounds at its channel."""
        rows = zip(onsets.own_arrival.tolist(), onsets.channel.tolist(), strict=True)
        return np.array([self._begin + self._stream.clear_from(at - self._begin, c) for at, c in rows], np.int64)

    def _measured(self, onsets: Onsets) -> Impacts:
        """Measure as much as has been heard and is their own, amid the impacts before."""
        first, rate = int(onsets.own_arrival.min()), self.rate
        origin = max(self.room.start, first - int(_BEFORE_S * rate))
        near = self._near.where((self._near.own_arrival >= origin) & (self._near.frame >= first - 3 * rate))
        self._near = joined_onsets([near, onsets], self.channels)
        samples = self.room.get(origin, min(self.room.stop, int(onsets.own_arrival.max()) + int(_HEARD_S * rate)))
        end = origin + len(samples)
        limits = next_arrivals(self._near, self._held, end)
        limits[len(near) :] = np.minimum(limits[len(near) :], np.maximum(self._ends(onsets), onsets.own_arrival + 1))
        return measured(
            samples,
            rate,
            self._near,
            origin=origin,
            limits=limits,
            quiet=quiet_spans(np.sort(self._near.frame), rate, origin, end),
            first=len(near),
            offset_db=self._offset,
            settings=self._settings.measure,
        )


def _shifted(onsets: Onsets, by: int) -> Onsets:
    """Return onsets counted from the start of the watch instead of the stream."""
    return replace(onsets, frame=onsets.frame + by, arrival=np.where(onsets.arrival >= 0, onsets.arrival + by, -1))
