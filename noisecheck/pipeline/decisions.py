"""Decisions tile by tile: what the candidates found so far settle, with flat memory.

Decisions look back a minute, impacts heard on several channels are told apart within milliseconds, and a window needs
the impact after it. So each tile is settled once the next one's candidates are in, and older candidates are let go.
The result is the same to the bit as deciding over the whole recording at once.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.alike import Alike
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import Onsets, apart_s, merge_channels, moments
from noisecheck.detect.decide import DetectSettings, Judge
from noisecheck.detect.habits import Habits
from noisecheck.pipeline.tiles import BEFORE_S, DecidedTile, Tile

__all__ = ["WARM_TILES", "Decisions", "joined_onsets", "next_arrivals", "quiet_spans"]

WARM_TILES: Final = 5
"""Tiles to be heard again before the first that is to be decided as if all had been."""
_QUIET_AFTER_S: Final = (0.30, 0.15, 0.08)
_QUIET_BEFORE_S: Final = 0.006
_QUIET_LEAST_S: Final = 0.02
_ENOUGH_QUIET: Final = 0.1
_LOUD_SCORE: Final = 30.0
_EDGE_S: Final = 0.003


def joined_onsets(parts: list[Onsets], channels: int) -> Onsets:
    """Return the impacts of all parts, one after the other."""
    if not parts:
        return merge_channels([Candidates.concat([])] * channels, [np.empty(0)] * channels, 1)
    return Onsets.concat(parts)


def next_arrivals(onsets: Onsets, following: Onsets, frames: int) -> NDArray[np.int64]:
    """Return for each impact where its window must end: the next impact on the channel measured, or the end.

    Args:
        onsets: impacts in order.
        following: the impact after the last of them, or none.
        frames: length of the recording.
    """
    if not len(onsets):
        return np.empty(0, np.int64)
    end = np.full((1, onsets.arrival.shape[1]), frames)
    first = np.concatenate([onsets.frame[1:], following.frame[:1], [frames]])[: len(onsets)]
    heard = np.vstack([onsets.arrival[1:], following.arrival[:1], end])[np.arange(len(onsets)), onsets.channel]
    return np.maximum(np.where(heard >= 0, heard, first), onsets.own_arrival + 1)


def quiet_spans(busy: NDArray[np.int64], rate: int, start: int, stop: int) -> NDArray[np.int64]:
    """Return the spans of frames in a piece, (m, 2), that begin well after each busy moment and end before the next.

    How long "well after" is depends on how busy the piece is: rings should have faded, but something must be left to
    take the background from.

    Args:
        busy: moments at which something sounds, sorted, those shortly before and after the piece among them.
        rate: frames a second.
        start: first frame of the piece.
        stop: its end.
    """
    edges = np.concatenate(([np.iinfo(np.int64).min // 2], busy, [np.iinfo(np.int64).max // 2]))
    spans = np.empty((0, 2), np.int64)
    for after in _QUIET_AFTER_S:
        starts = np.maximum(edges[:-1] + int(after * rate), start)
        stops = np.minimum(edges[1:] - int(_QUIET_BEFORE_S * rate), stop)
        keep = stops - starts > int(_QUIET_LEAST_S * rate)
        spans = np.column_stack((starts[keep], stops[keep])).astype(np.int64)
        if (spans[:, 1] - spans[:, 0]).sum() > _ENOUGH_QUIET * (stop - start):
            break
    return spans


class Decisions:
    """Takes the candidates of tile after tile and gives out tiles that are settled."""

    def __init__(
        self,
        tiles: list[Tile],
        rate: int,
        channels: int,
        *,
        detect: DetectSettings,
        spread_s: float,
        longest_s: float,
        give_from: int = 0,
        first: list[Candidates] | None = None,
    ) -> None:
        """Begin.

        Args:
            tiles: all tiles of the recording.
            rate: frames a second.
            channels: of the recording.
            detect: the dial.
            spread_s: longest time from the first microphone to the last.
            longest_s: the longest window measured.
            give_from: number of the first tile to be given out; the candidates of the :data:`WARM_TILES` before it
                (where there are so many) must be taken first, to know what is remembered.
            first: then, the first candidate ever on each channel (see :attr:`first`); None: they are still to come.
        """
        self._tiles, self._rate, self._frames = tiles, rate, tiles[-1][1] if tiles else 0
        self._apart, self._spread_s = int(apart_s(spread_s) * rate), spread_s
        self._reach = int((longest_s + 1.0) * rate)
        self._habits, self._alike = Habits(rate, channels), Alike(rate, channels)
        of_each = detect.shared_by(channels)
        self._judges = [Judge(rate, of_each, first[c] if first else None) for c in range(channels)]
        self._open = [Candidates.concat([]) for _ in range(channels)]
        self._open_odds: list[NDArray[np.float64]] = [np.empty(0) for _ in range(channels)]
        self._onsets = joined_onsets([], channels)
        self._busy = np.empty(0, np.int64)
        self._last_quiet = np.empty((0, 2), np.int64)
        self._taken = self._given = max(0, give_from - WARM_TILES)
        self._give_from = give_from
        self._settled = 0

    @property
    def first(self) -> list[Candidates]:
        """The first candidate ever on each channel (where there was one)."""
        return [judge.first for judge in self._judges]

    def take(self, found: list[Candidates]) -> list[DecidedTile]:
        """Take the candidates of the next tile, one entry a channel; return the tiles that are settled now."""
        stop = self._tiles[self._taken][1]
        self._taken += 1
        # Of an impact at the very end nothing is left to measure.
        last = self._frames - int(_EDGE_S * self._rate)
        for channel, (candidates, judge) in enumerate(zip(found, self._judges, strict=True)):
            new = candidates.where(candidates.onset < last)
            self._open[channel] = Candidates.concat([self._open[channel], new])
            self._open_odds[channel] = np.concatenate([self._open_odds[channel], judge.odds(new)])
        self._settle(self._frames if self._taken == len(self._tiles) else stop)
        return self._give()

    def _settle(self, heard_to: int) -> None:
        """Make impacts of the candidates with which none yet to come can belong together."""
        at = moments(self._open, heard_to)
        gap = np.diff(np.append(at, heard_to)) > self._apart
        whole = heard_to >= self._frames
        cut = heard_to if whole else int(at[np.flatnonzero(gap)[-1]]) + 1 if gap.any() else 0
        closed = [c.where(c.onset < cut) for c in self._open]
        odds = [o[c.onset < cut] for o, c in zip(self._open_odds, self._open, strict=True)]
        self._open_odds = [o[c.onset >= cut] for o, c in zip(self._open_odds, self._open, strict=True)]
        self._open = [c.where(c.onset >= cut) for c in self._open]
        new = merge_channels(closed, odds, self._rate, spread_s=self._spread_s, habits=self._habits)
        new = self._alike.retimed(new, closed)
        self._onsets = joined_onsets([self._onsets, new], len(closed))
        loud = [c.onset[c.score > _LOUD_SCORE] for c in closed]
        self._busy = np.sort(np.concatenate([self._busy, new.frame, *loud]))
        open_from = min((int(c.onset[0]) for c in self._open if len(c)), default=heard_to)
        self._settled = self._frames if whole else open_from

    def _give(self) -> list[DecidedTile]:
        given: list[DecidedTile] = []
        while self._given < self._taken:
            start, stop = self._tiles[self._given]
            if self._settled < min(stop + self._reach, self._frames):
                break
            tile = self._decided(start, stop)
            if self._given >= self._give_from:
                given.append(tile)
            self._given += 1
        return given

    def _decided(self, start: int, stop: int) -> DecidedTile:
        lo, hi = np.searchsorted(self._onsets.frame, [start, stop])
        own, after = self._onsets.where(slice(int(lo), int(hi))), self._onsets.where(slice(int(hi), None))
        quiet = quiet_spans(self._busy, self._rate, start, stop)
        near = self._last_quiet[self._last_quiet[:, 1] > start - int(BEFORE_S * self._rate)]
        tile = DecidedTile(start, stop, own, next_arrivals(own, after, self._frames), np.concatenate([near, quiet]))
        self._last_quiet = quiet
        self._onsets = after
        self._busy = self._busy[np.searchsorted(self._busy, stop - self._rate) :]
        return tile
