"""Arrival times at microphones in known places, measured while the sound of a watch's impacts is kept."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.live.room import Room
from noisecheck.pipeline.decisions import joined_onsets
from noisecheck.place.array import Array, array_of, pickups_of
from noisecheck.place.delays import NOISE_ROWS, Arrivals, Reader
from noisecheck.place.timed import air_arrivals, contact_arrivals, deaf, noise_before

__all__ = ["ArrivalTimes", "stations_in_reach"]

_MOST: Final = 50_000
"""Impacts whose arrivals are kept: more than are ever accounted for again."""
_AROUND_S: Final = (0.03, 0.15)
"""Sound kept before and after each of the first impacts: more than bending waves take over any plate."""


def stations_in_reach(rig: Rig, channels: int) -> set[str]:
    """Return the stations that microphones in known places, among so many channels, can tell by arrival times."""
    arrays = [array_of(rig), pickups_of(rig, channels)]
    return {name for a in arrays if a is not None and max(a.channels) < channels for name in a.stations}


class ArrivalTimes:
    """Arrivals of a watch's impacts: measured at once, and again with what was measured later; then known.

    The background is what the first impacts show, as in a recording: their sound is kept for that.

    Args:
        rig: where microphones and stations are.
        rate: frames a second.
        channels: of the sound.
        room: the last seconds of it.
    """

    def __init__(self, rig: Rig, rate: int, channels: int, room: Room) -> None:
        self._rig, self._rate, self._channels, self._room = rig, rate, channels, room
        self._first, self._first_impacts = joined_onsets([], channels), Impacts.empty()
        self._pieces: list[tuple[int, NDArray[np.float32]]] = []
        """Sound of these, each from a frame on."""
        self._count, self._heard = 0, np.zeros(channels, np.int64)
        self._unheard: list[int] = []
        self._all: dict[tuple[tuple[int, ...], bool], _Way] = {}
        """By microphones and kind: those of now, and of arrays that may be left where some fall deaf."""
        self._ways = self._ways_of_now()

    def _ways_of_now(self) -> list[_Way]:
        arrays = (array_of(self._rig, without=self._unheard), False), (pickups_of(self._rig, self._channels), True)
        return [self._way(a, contact=c) for a, c in arrays if a is not None and max(a.channels) < self._channels]

    def _way(self, array: Array, *, contact: bool) -> _Way:
        return self._all.setdefault((array.channels, contact), _Way(array, self._rate, contact=contact))

    # -- in ---------------------------------------------------------------------------------------------------------
    def take(self, onsets: Onsets, impacts: Impacts, *, again: bool = False) -> None:
        """Measure arrivals of impacts whose sound is kept; ``again``: of such as were taken when they came."""
        if not len(onsets):
            return
        changed = not again and self._counted(onsets, impacts)
        if again and (mine := np.flatnonzero(np.isin(onsets.frame, self._first.frame))).size:
            rows = np.arange(len(self._first))
            rows[np.searchsorted(self._first.frame, onsets.frame[mine])] = len(rows) + np.arange(len(mine))
            self._first_impacts = Impacts.concat([self._first_impacts, impacts.where(mine)]).where(rows)
            changed = True
        more = ~np.isin(onsets.frame, self._first.frame)
        for way in self._ways:
            if changed:
                way.learn(self._kept, self._first, self._first_impacts)
            if more.any():
                way.measure(self._live, onsets.where(more), impacts.where(more))
                if not way.contact:
                    self._measure_without(way, onsets.where(more), impacts.where(more))

    def _measure_without(self, way: _Way, onsets: Onsets, impacts: Impacts) -> None:
        """Measure impacts also by those microphones alone that heard them: the others may turn out to be deaf."""
        channels = np.array(way.array.channels)
        unheard = onsets.arrival[:, channels] < 0
        for row in np.unique(unheard[unheard.any(axis=1)], axis=0):
            array = array_of(self._rig, without=[*self._unheard, *channels[row].tolist()])
            if array is None:
                continue
            other = self._way(array, contact=False)
            if other.noise is None:
                other.hear(self._kept, self._first)
            mine = (unheard == row).all(axis=1)
            other.measure(self._live, onsets.where(mine), impacts.where(mine))

    def _counted(self, onsets: Onsets, impacts: Impacts) -> bool:
        """Count who heard impacts and keep the first ones; return whether anything must be learnt anew."""
        self._count += len(onsets)
        self._heard += (onsets.arrival >= 0).sum(axis=0)
        unheard = deaf(self._heard, self._count)
        changed = unheard != self._unheard
        if changed:
            self._unheard = unheard
            self._ways = self._ways_of_now()
        new = np.arange(min(len(onsets), max(NOISE_ROWS - len(self._first), 0)))
        before, after = (round(s * self._rate) for s in _AROUND_S)
        for at in onsets.frame[new].tolist():
            start = max(at - before, self._room.start)
            self._pieces.append((start, self._room.get(start, at + after).copy()))
        self._first = joined_onsets([self._first, onsets.where(new)], self._channels)
        self._first_impacts = Impacts.concat([self._first_impacts, impacts.where(new)])
        return changed or len(new) > 0

    def _live(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return frames of the sound, zero where it is gone."""
        return _pasted([(max(start, self._room.start), self._room.get(start, stop))], start, stop, self._channels)

    def _kept(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return frames around the first impacts, zero elsewhere."""
        return _pasted(self._pieces, start, stop, self._channels)

    # -- out --------------------------------------------------------------------------------------------------------
    def air(self, onsets: Onsets, impacts: Impacts, array: Array) -> Arrivals:
        """Return arrivals at the air microphones of an array."""
        return self._known(onsets, array, contact=False)

    def contact(self, onsets: Onsets, array: Array) -> Arrivals:
        """Return arrivals at the contact pickups of an array."""
        return self._known(onsets, array, contact=True)

    def _known(self, onsets: Onsets, array: Array, *, contact: bool) -> Arrivals:
        unknown = np.stack([np.full(len(array.channels), np.nan), np.ones(len(array.channels))])
        # What was heard before a microphone fell deaf was measured with it.
        wider = [w for w in self._all.values() if w.contact == contact and {*w.array.channels} >= {*array.channels}]
        known: dict[int, NDArray[np.float64]] = {}
        for way in sorted(wider, key=lambda w: -len(w.array.channels)):
            known |= way.of(array.channels, onsets)
        rows = np.array([known.get(f, unknown) for f in onsets.frame.tolist()]).reshape(-1, *unknown.shape)
        return Arrivals(rows[:, 0], rows[:, 1])


class _Way:
    """Arrivals at the microphones of one array."""

    def __init__(self, array: Array, rate: int, *, contact: bool) -> None:
        self.array, self.contact, self._rate = array, contact, rate
        self.known: dict[int, NDArray[np.float64]] = {}
        """(seconds, variance) at each microphone, by first arrival."""
        self.noise: NDArray[np.float64] | None = None

    def hear(self, read: Reader, first: Onsets) -> None:
        """Learn the background from the first impacts."""
        self.noise = noise_before(read, self._rate, first, self.array, contact=self.contact)

    def of(self, channels: Sequence[int], onsets: Onsets) -> dict[int, NDArray[np.float64]]:
        """Return what is known of impacts at some of the microphones: (seconds, variance), by first arrival."""
        found = {f: self.known[f] for f in onsets.frame.tolist() if f in self.known}
        if len(channels) == len(self.array.channels):
            return found
        columns = [self.array.channels.index(c) for c in channels]
        some = {f: known[:, columns] for f, known in found.items()}
        return {f: np.stack([t - t.mean(), v]) for f, (t, v) in some.items()}

    def learn(self, read: Reader, first: Onsets, impacts: Impacts) -> None:
        """Learn the background from the first impacts, and measure these."""
        self.hear(read, first)
        self.measure(read, first, impacts)

    def measure(self, read: Reader, onsets: Onsets, impacts: Impacts) -> None:
        """Measure impacts; the oldest are forgotten where there are too many."""
        if self.contact:
            found = contact_arrivals(read, self._rate, onsets, self.array, noise=self.noise)
        else:
            found = air_arrivals(read, self._rate, onsets, impacts, self.array, noise=self.noise)
        self.known.update(zip(onsets.frame.tolist(), np.stack([found.seconds, found.variance], axis=1), strict=True))
        for frame in list(islice(self.known, max(len(self.known) - _MOST, 0))):
            del self.known[frame]


def _pasted(
    pieces: Sequence[tuple[int, NDArray[np.float32]]], start: int, stop: int, channels: int
) -> NDArray[np.float32]:
    out = np.zeros((stop - start, channels), np.float32)
    for at, samples in pieces:
        first, last = max(at, start), min(at + len(samples), stop)
        if last > first:
            out[first - start : last - start] = samples[first - at : last - at]
    return out
