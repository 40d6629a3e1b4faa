"""Placing impacts as they come, by what those before them showed of how the microphones hear one another's stations."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.live.arriving import ArrivalTimes, stations_in_reach
from noisecheck.live.room import Room
from noisecheck.pipeline.decisions import joined_onsets
from noisecheck.pipeline.flowing import listened_at
from noisecheck.pipeline.machine import OwnTicks
from noisecheck.pipeline.placing import needs_arrivals, placed
from noisecheck.place.array import array_of
from noisecheck.place.crosstalk import CrossTalk
from noisecheck.place.evidence import Evidence
from noisecheck.place.microphones import cross_talk_of
from noisecheck.place.positions import locate
from noisecheck.place.taught import TaughtSounds
from noisecheck.place.timed import deaf_in

__all__ = ["RUN", "Placer", "Placing"]

RUN: Final = Run("watch", ("watch",))
"""What is known of a run nobody wrote down yet."""
_ROWS: Final = 1000
"""Impacts that are learnt from, as many as of a recording are..."""
_AGAIN: Final = 20
"""... again whenever one more in so many has come: to learn costs more than to measure an impact."""
_SCATTERED: Final = 200
"""Impacts whose arrivals show by how much they scatter."""
_NEAR_S: Final = 0.5
"""Impacts so long before another can hide it at a microphone, by far."""


class Placer:
    """Fills ``station`` and ``station_confidence`` of impacts, by microphones, and by sound where taps taught it.

    Args:
        rig: from the rig file.
        rate: frames a second.
        taught: sounds of its stations, None where nothing taught them.
        run: what the run sheet knows of what is listened to.
        ticks: what the machine makes without balls.
    """

    def __init__(
        self, rig: Rig, rate: int, taught: TaughtSounds | None, run: Run = RUN, ticks: OwnTicks | None = None
    ) -> None:
        self._rig, self._rate, self._taught = rig, rate, taught
        self._ticks = ticks or OwnTicks({})
        self.listened = listened_at(rig, taught)
        """Stations known to be heard."""
        self.run = run
        self.times: ArrivalTimes | None = None
        """Where microphones in known places help to tell stations."""

    def listen_to(self, room: Room, channels: int) -> None:
        """Measure arrival times, where they tell anything, in sound of so many channels."""
        if needs_arrivals(self._rig) and stations_in_reach(self._rig, channels):
            self.times = ArrivalTimes(self._rig, self._rate, channels, room)

    def __call__(
        self, onsets: Onsets, impacts: Impacts, talk: CrossTalk | None = None, *, widened: float = 1.0
    ) -> tuple[Impacts, Evidence | None]:
        """Return measured impacts placed, and how each sounds at every station, where anything can say so.

        Args:
            onsets: of the same impacts.
            impacts: measured.
            talk: how microphones hear one another's stations; None: as these impacts show it.
            widened: factor on standard deviations of arrivals that the watch asked for so far.
        """
        answer = placed(
            onsets, impacts, self.run, self._rig, rate=self._rate, taught=self._taught, timed=self.times, talk=talk,
            widened=widened, ticks=self._ticks,
        )  # fmt: skip
        return answer.impacts, answer.odds

    def own(self, onsets: Onsets, impacts: Impacts) -> NDArray[np.bool_]:
        """Return which impacts are the machine's own, (n,), by how its microphones hear them."""
        return self._ticks.among(onsets, impacts, self.run, self._rate)

    def talk(self, onsets: Onsets) -> CrossTalk | None:
        """Return what impacts show of how the microphones hear one another's stations; None where nothing can."""
        return cross_talk_of(onsets, self._rig, self._rate)

    def widened(self, onsets: Onsets) -> float:
        """Return by how much arrivals of impacts scatter beyond what their noise explains, 1 where none tell."""
        onsets = onsets.where(slice(-_SCATTERED, None))
        array = None if self.times is None else array_of(self._rig, without=deaf_in(onsets))
        if array is None or self.times is None or max(array.channels) >= onsets.arrival.shape[1]:
            return 1.0
        return locate(self.times.air(onsets, Impacts.empty(), array), array).widened


class Placing:
    """Places impacts of a stream of sound among those before them.

    Args:
        placer: of the watch.
        rate: frames a second.
        channels: of the sound.
    """

    def __init__(self, placer: Placer, rate: int, channels: int) -> None:
        self._placer, self._rate, self._channels = placer, rate, channels
        self._onsets, self._near = joined_onsets([], channels), Impacts.empty()
        """The last impacts, and those of them that may hide the next ones, measured."""
        self._own = np.empty(0, bool)
        """Which of the last impacts are the machine's own."""
        self._talk: CrossTalk | None = None
        self._widened = 1.0
        self._fresh = 0
        """Impacts since that was learnt."""

    def placed(self, onsets: Onsets, table: Impacts) -> tuple[Impacts, Evidence | None]:
        """Return impacts newly measured, placed, and how they sound at every station."""
        self._onsets = joined_onsets([self._onsets, onsets], self._channels).where(slice(-_ROWS, None))
        self._near = Impacts.concat([self._near, table])
        self._fresh += len(onsets)
        if self._placer.times is not None:
            self._placer.times.take(onsets, table)
        count = len(self._onsets)
        first = int(np.argmax(self._onsets.frame >= onsets.frame.min() - int(_NEAR_S * self._rate)))
        near = np.arange(max(min(first, count - len(onsets)), count - len(self._near)), count)
        self._near = self._near.where(np.arange(len(self._near) - len(near), len(self._near)))
        own = self._placer.own(self._onsets.where(near), self._near)[len(near) - len(onsets) :]
        self._own = np.concatenate([self._own, own])[-_ROWS:]
        if _AGAIN * self._fresh >= len(self._onsets):
            self._talk, self._fresh = self._placer.talk(self._onsets.where(~self._own)), 0
            self._widened = self._placer.widened(self._onsets)
        impacts, odds = self._placer(self._onsets.where(near), self._near, self._talk, widened=self._widened)
        mine = np.arange(len(near) - len(onsets), len(near))
        return impacts.where(mine), None if odds is None else odds.where(mine)
