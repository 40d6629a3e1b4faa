"""What a watch has heard so far, accounted for again as a recording is: the first seconds judged by all that followed.

A ball's first seconds are heard before anything is known of the machine: which sounds are rebounds, how loud contacts
are, how long balls take. So the account is made again while the watch is young, each time from twice as much, and at
the end; what it says then is what the ledger says of the same sound recorded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.flow.contacts import first_contacts
from noisecheck.flow.ledger import Followed, follow_so_far
from noisecheck.flow.route import Route
from noisecheck.live.hearing import Heard
from noisecheck.live.later import NotKept
from noisecheck.live.placing import Placer
from noisecheck.pipeline.decisions import joined_onsets
from noisecheck.pipeline.flowing import feed_of, heard_beside, ledger_settings, with_drops
from noisecheck.pipeline.lost import at_return, few_enough
from noisecheck.pipeline.references import machine_impacts, mark_references
from noisecheck.pipeline.together import told_apart

__all__ = ["Account", "Accounted", "with_spans"]

_MOST: Final = 40_000
"""Impacts kept to be accounted for again: well over an hour, 30 MB, and some seconds of work."""

_QUICK: Final = 6_000
"""Impacts that can be accounted for again in a second, while it is listened to."""

_PARTS: Final = 200
"""Parts that are joined into one."""

Spans = Sequence[tuple[float, float]]


class Accounted(NamedTuple):
    """What became of every ball so far."""

    followed: Followed
    impacts: Impacts
    """All impacts, with stations and drops."""


def with_spans(spans: Sequence[tuple[float, float]], more: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return spans in order with more of them, each in the place of one that began at the same time."""
    return sorted((dict(spans) | dict(more)).items())


class Account:
    """Keeps what was heard, and accounts for it.

    Args:
        rig: from the rig file.
        route: the balls' way.
        silent: stations on it that no microphone hears.
        channels, rate: of the sound.
        placer: tells the station of impacts.
        calibrated: levels are dB re 20 uPa.
    """

    def __init__(
        self,
        rig: Rig,
        route: Route,
        silent: Sequence[str],
        channels: int,
        rate: int,
        placer: Placer,
        *,
        calibrated: bool,
    ) -> None:
        self._rig, self._route, self._silent = rig, route, tuple(silent)
        self._channels, self._rate, self._placer, self._calibrated = channels, rate, placer, calibrated
        self._onsets: list[Onsets] = []
        self._impacts: list[Impacts] = []
        self._late: list[Impacts] = []
        """The first of them, measured again once their sound was over."""
        self._packed = 0
        """Parts of onsets, and of what was measured again, that are many impacts each."""
        self._count = self._again = self._let_go = 0
        """Impacts, those measured again, and those let go of as they were measured first."""
        self.gaps_s: list[tuple[float, float]] = []
        self._lost_s: list[tuple[float, float]] = []

    @property
    def lost_s(self) -> list[tuple[float, float]]:
        """Return the spans in which sound was lost; none where they are a gate's."""
        return self._lost_s if few_enough(len(self._lost_s), self._count) else []

    @property
    def whole(self) -> bool:
        """Whether everything heard is still kept."""
        return self._count <= _MOST

    @property
    def quick(self) -> bool:
        """Whether it can be accounted for again without missing what happens meanwhile."""
        return self._count <= _QUICK

    def contacts(self, impacts: Impacts) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return (rows, station index on the route) of impacts that a ledger is made of, in order of time."""
        rows, codes = first_contacts(impacts, self._route, rebounds=True)
        struck = ~at_return(impacts, self.lost_s, self._rate)[rows]
        return rows[struck], codes[struck]

    def add(self, heard: Heard) -> None:
        """Keep impacts; more than can be kept is let go of, and nothing is accounted for again."""
        self._count += len(heard.onsets)
        self._lost_s = with_spans(self._lost_s, heard.lost)
        if not self.whole:
            self._onsets, self._impacts, self._late = [], [], []
            return
        if len(heard.onsets):
            self._onsets.append(heard.onsets)
            self._impacts.append(heard.impacts)
        if heard.late is not None:
            self._late.append(heard.late)
            self._again += len(heard.late)
        if len(self._onsets) >= self._packed + _PARTS:
            self._pack()

    def _pack(self) -> None:
        """Join what came in parts: a column of few rows takes more for itself than for them."""
        new = slice(self._packed, None)
        self._onsets[new] = [joined_onsets(self._onsets[new], self._channels)]
        self._late[new] = [Impacts.concat(self._late[new])]
        self._packed += 1
        self._impacts, self._let_go = [self._early()], self._again

    def _early(self) -> Impacts:
        """Return the impacts not measured again yet."""
        early = Impacts.concat(self._impacts)
        return early.where(np.arange(self._again - self._let_go, len(early)))

    def again(self, now_s: float, *, deaf_s: Mapping[str, Spans], ended: bool = False) -> Accounted:
        """Account for everything up to ``now_s``; ``deaf_s``: spans in which stations' microphones were dead."""
        onsets, run = joined_onsets(self._onsets, self._channels), self._placer.run
        impacts = Impacts.concat([*self._late, self._early()])
        gone = NotKept(self._rate, calibrated=self._calibrated, onsets=onsets, impacts=impacts)
        onsets, impacts = told_apart(onsets, impacts, self._rig, gone)
        struck = ~at_return(impacts, self.lost_s, self._rate)
        onsets, impacts = onsets.where(struck), impacts.where(struck)
        impacts, odds = self._placer(onsets, impacts)
        if ended:  # drops on a reference tile: told only by both ends of a take
            ((impacts, _),) = mark_references([(run, impacts, now_s)])
        (impacts,) = with_drops([(run, impacts)], self._rig)
        followed = follow_so_far(
            machine_impacts(impacts),
            self._route,
            now_s=now_s,
            goes_on=not ended,
            feed=feed_of(self._rig, run),
            settings=ledger_settings(self._rig),
            gaps_s=sorted((*self.gaps_s, *self.lost_s)),
            silent=self._silent,
            deaf_s=deaf_s,
            listened=self._placer.listened,
            alive_s=heard_beside(onsets, impacts["time_s"], self._rig),
            run=run.name,
            odds=None if odds is None else odds.where(~impacts.flagged(Flag.REFERENCE)),
        )
        return Accounted(followed, impacts)
