"""One impact, however many microphones heard it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.candidates import Candidates

__all__ = ["MOST_SPREAD_S", "Onsets", "merge_channels"]

MOST_SPREAD_S = 0.010
"""Arrivals within this belong together where microphone positions do not say better (3.4 m of air)."""


@dataclass(frozen=True)
class Onsets:
    """Impacts found, in order of first arrival."""

    frame: NDArray[np.int64]
    """First arrival over all channels, frame of the recording, (n,)."""
    channel: NDArray[np.int64]
    """Channel that heard it loudest, (n,)."""
    odds: NDArray[np.float64]
    """Odds that it is real, of the channel surest of it, (n,)."""
    arrival: NDArray[np.int64]
    """Onset on each channel, -1 where not heard, (n, channels)."""
    level_db: NDArray[np.float64]
    """Level of the new sound on each channel, for comparing channels; NaN where not heard, (n, channels)."""

    def __len__(self) -> int:
        return len(self.frame)

    def where(self, keep: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Onsets:
        """Return the impacts picked by mask, index or slice."""
        return Onsets(*(getattr(self, f.name)[keep] for f in fields(self)))

    @property
    def own_arrival(self) -> NDArray[np.int64]:
        """Return the onset on the channel that heard it loudest, (n,)."""
        return self.arrival[np.arange(len(self)), self.channel]


def merge_channels(
    found: Sequence[Candidates], odds: Sequence[NDArray[np.float64]], rate: int, *, spread_s: float = MOST_SPREAD_S
) -> Onsets:
    """Return impacts from the candidates of each channel and their odds.

    Arrivals closer than ``spread_s``, at most one a channel, are one impact if any of them is more likely real
    than chance; the others then tell when and how loud it was heard there.

    Args:
        found: candidates of each channel, in order of onset.
        odds: odds of each candidate, from :func:`noisecheck.detect.decide.decide`.
        rate: frames a second.
        spread_s: longest time a sound takes from the first microphone to the last.
    """
    count = len(found)
    at = np.concatenate([c.onset for c in found]) if count else np.empty(0, np.int64)
    of = np.repeat(np.arange(count), [len(c) for c in found])
    sure = np.concatenate(list(odds)) if count else np.empty(0)
    level = np.concatenate([c.new_db for c in found]) if count else np.empty(0)
    if count == 1:
        keep = sure > 1.0
        n = int(keep.sum())
        return Onsets(at[keep], np.zeros(n, np.int64), sure[keep], at[keep, None], level[keep, None])
    groups = _groups(at, of, sure, int(spread_s * rate))
    arrival = np.full((len(groups), count), -1, np.int64)
    heard = np.full((len(groups), count), np.nan)
    best = np.zeros(len(groups))
    for g, members in enumerate(groups):
        arrival[g, of[members]] = at[members]
        heard[g, of[members]] = level[members]
        best[g] = sure[members].max()
    first = (
        np.where(arrival >= 0, arrival, np.iinfo(np.int64).max).min(axis=1) if len(groups) else np.empty(0, np.int64)
    )
    channel = np.nanargmax(heard, axis=1) if len(groups) else np.empty(0, np.int64)
    order = np.argsort(first, kind="stable")
    return Onsets(first, channel.astype(np.int64), best, arrival, heard).where(order)


def _groups(
    at: NDArray[np.int64], of: NDArray[np.int64], sure: NDArray[np.float64], spread: int
) -> list[NDArray[np.int64]]:
    """Return index groups of arrivals that are one impact: seeded by the surest, at most one a channel."""
    order = np.argsort(at, kind="stable")
    sorted_at = at[order]
    taken = np.zeros(len(at), bool)
    groups = []
    for seed in np.argsort(-sure, kind="stable"):
        if sure[seed] <= 1.0:
            break
        if taken[seed]:
            continue
        lo, hi = np.searchsorted(sorted_at, [at[seed] - spread, at[seed] + spread + 1])
        near = order[lo:hi]
        near = near[~taken[near]]
        members = [seed]
        for channel in np.unique(of[near]):
            if channel != of[seed]:
                own = near[of[near] == channel]
                # A chance candidate in between must not stand in for the arrival that surely is one.
                members.append(own[np.lexsort((np.abs(at[own] - at[seed]), sure[own] <= 1.0))[0]])
        group = np.array(members, np.int64)
        # Members must also fit with one another, not only with the seed.
        while at[group].max() - at[group].min() > spread:
            group = group[np.abs(at[group] - at[seed]) < np.abs(at[group] - at[seed]).max()]
        taken[group] = True
        groups.append(group)
    return groups
