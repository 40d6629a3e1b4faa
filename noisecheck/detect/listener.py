"""Candidates of a stream as it comes, all its channels at once.

Band energies, floors and evidence of past frames are kept, so a step costs the same at any age of the stream.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.candidates import Candidates, find_peaks, weigh_peaks
from noisecheck.detect.coded import AHEAD_S as CODED_AHEAD_S
from noisecheck.detect.echoes import ECHO_S
from noisecheck.detect.lownotes import Told, low_strokes, with_strokes
from noisecheck.detect.neighbours import EARLIER_S, LATER_S
from noisecheck.detect.novelty import (
    FLOOR_CELLS,
    Novelty,
    floor_after,
    memory_frames,
    novelty,
    quiet_of,
)
from noisecheck.detect.pulses import AHEAD_S as DRIVEN_AHEAD_S
from noisecheck.detect.refine import SEARCH_S
from noisecheck.detect.spectra import PAIR, FrameGrid, decimated, frame_energies
from noisecheck.detect.timing import AHEAD_S, BACK_S, PAST_S, sharp_step

__all__ = ["Listener", "Looked"]

Floats = NDArray[np.float32]

_KEEP_S = EARLIER_S + PAST_S + 0.010
"""Evidence and samples kept before the frame searched next: what the timing, of earlier sounds too, looks back on."""
_EACH = (1, PAIR)
"""Frames to a fine and to a coarse energy."""
_BEFORE_S = max(EARLIER_S, ECHO_S)
"""Peaks so long before others may change what is told of these."""


class Looked(NamedTuple):
    """What a step found."""

    made: list[Candidates]
    """Candidates of each channel."""
    complete: int
    """Frame of the samples before which no more candidates come."""


class Listener:
    """Energies and evidence of recent frames, and floors.

    Args:
        grid: frames and bands.
        channels: of the stream.
        coded: the sound went through a lossy codec.
    """

    def __init__(self, grid: FrameGrid, channels: int, *, coded: bool) -> None:
        self._grid, self._channels, self._coded = grid, channels, coded
        self._memory, self._cell = memory_frames(grid), grid.cell
        # Energies of the frames (coarse: pairs of frames) from _first on, the bands of all channels side by side; those
        # before _heard have been weighed.
        self._energy = tuple(np.empty((0, channels * len(w)), np.float32) for w in (grid.fine_width, grid.coarse_width))
        self._first, self._heard = 0, 0
        self._quiet: list[tuple[Floats, Floats]] = []
        self._floors: dict[int, tuple[Floats, Floats]] = {}
        self._cells = 0
        # Evidence of the frames from _kept on; those before _searched hold no more peaks.
        none = np.empty((0, channels), np.float32).squeeze()
        self._found = Novelty(none, none, none, self._energy[0], self._energy[0], np.empty(0, np.int64))
        self._kept, self._searched = 0, 0
        self._told: dict[range, Told] = {}
        self._open = True

    @property
    def frames(self) -> int:
        """Frames of which the energies are known."""
        return self._first + len(self._energy[0])

    @property
    def searched(self) -> int:
        """Frame of the samples before which no more peaks will be found."""
        return self._searched * self._grid.hop

    @property
    def open(self) -> bool:
        """Whether something has begun in the frames not searched yet, or may have: no evidence is known so far."""
        return self._open

    @property
    def needed(self) -> int:
        """First frame of the samples that later steps look at."""
        return max(min(self.frames - self._margin, self._kept), 0) * self._grid.hop

    @property
    def _margin(self) -> int:
        """Frames, whole pairs, before new ones into which the windows of these reach."""
        return 2 * (self._grid.reach // (2 * self._grid.hop) + 1)

    def advance(self, count: int, samples: Floats, origin: int, *, ending: bool) -> Looked | None:
        """Work out the frames up to ``count``; return what follows, None where nothing may yet.

        Args:
            count: number of frames then known.
            samples: (channels, n), from :attr:`needed` or earlier on up to where the last frame reaches.
            origin: frame of the samples that comes first.
            ending: nothing comes after them.
        """
        grid = self._grid
        first = max(0, self.frames - self._margin)
        if count > self.frames:
            part = samples[:, first * grid.hop - origin :]
            wanted = range(self.frames - first, count - first)
            new = frame_energies(part, grid, low=decimated(part, grid.step), frames=wanted)
            self._energy = tuple(
                np.concatenate((old, e.swapaxes(0, 1).reshape(e.shape[1], -1)))
                for old, e in zip(self._energy, new, strict=True)
            )
        if not self.frames:
            return None
        self._learn_floors(ending=ending)
        if 0 not in self._floors and self._cells <= 1:
            return None
        self._weigh()
        looked = self._look(samples[:, self._kept * grid.hop - origin :], ending=ending)
        self._forget()
        return looked

    def _learn_floors(self, *, ending: bool) -> None:
        """Set the floor of each cell whose past is complete; the first cell waits for its own end."""
        end = self.frames
        while self._cells * self._cell < end:
            low = self._cells * self._cell - self._first
            whole = low + self._cell <= end - self._first
            if not whole and not (ending and self._cells == 0):
                break
            fine, coarse = (
                quiet_of(e[low // each : (low + self._cell) // each], each)
                for e, each in zip(self._energy, _EACH, strict=True)
            )
            self._quiet = [*self._quiet[1 - FLOOR_CELLS :], (fine, coarse)]
            if self._cells == 0:
                self._floors[0] = self._floor()
            self._cells += 1
            self._floors[self._cells] = self._floor()

    def _floor(self) -> tuple[Floats, Floats]:
        fine, coarse = zip(*self._quiet, strict=True)
        return floor_after(np.array(fine)), floor_after(np.array(coarse))

    def _weigh(self) -> None:
        """Add the evidence of the frames not weighed yet."""
        end = self.frames
        if self._heard >= end:
            return
        start = max(self._heard - self._memory, 0)
        cells = range(start // self._cell, (end - 1) // self._cell + 1)
        floors = np.array([self._floors[c][0] for c in cells]), np.array([self._floors[c][1] for c in cells])
        fine, coarse = (e[(start - self._first) // each :] for e, each in zip(self._energy, _EACH, strict=True))
        new = novelty(fine, coarse, self._grid, floors=floors, phase=start % self._cell, coded=self._coded)
        old, skip = self._found, self._heard - start
        self._found = replace(
            old,
            fine=np.concatenate((old.fine, new.fine[skip:])),
            coarse=np.concatenate((old.coarse, new.coarse[skip:])),
            new_energy=np.concatenate((old.new_energy, new.new_energy[skip:])),
            energy=np.concatenate((old.energy, new.energy[skip:])),
        )
        self._heard = end

    def _look(self, samples: Floats, *, ending: bool) -> Looked:
        """Find peaks up to where nothing to come can change them; ``samples`` begin with the frames kept."""
        grid, rate = self._grid, self._grid.rate
        if ending:
            upto, complete = self._heard, self._kept * grid.hop + samples.shape[1]
        else:
            driven_s = SEARCH_S[1] + DRIVEN_AHEAD_S + (CODED_AHEAD_S if self._coded else 0.0)
            sampled = samples.shape[1] - math.ceil(max(LATER_S + AHEAD_S, driven_s) * rate) - 8 * grid.step
            upto = min(self._heard - grid.frames(driven_s) - 3, self._kept + sampled // grid.hop)
            complete = upto * grid.hop - math.ceil(BACK_S * rate)
        if upto <= self._searched:
            return Looked([Candidates.concat([])] * self._channels, complete)
        # Channels lie one behind the other where nothing looks beyond their ends, which are mirrored otherwise.
        inside = self._kept > 0 and not ending and grid.hop % sharp_step(rate) == 0
        together = [range(self._channels)] if inside else [range(c, c + 1) for c in range(self._channels)]
        self._open = False
        made = [c for group in together for c in self._candidates(samples[group.start : group.stop], group, upto)]
        self._searched = upto
        return Looked(made, complete)

    def _candidates(self, samples: Floats, group: range, upto: int) -> list[Candidates]:
        """Return the candidates of each of some channels behind the peaks before ``upto`` not looked at yet."""
        grid = self._grid
        found, length = self._row_of(group), self._heard - self._kept
        low, whole = decimated(samples, grid.step), length * grid.hop
        if len(group) > 1:
            samples, low = samples[:, :whole], low[:, : whole // grid.step]
        told = self._told.get(group, Told.nothing(len(group))) if upto < self._heard else None  # not at the end
        strokes, self._told[group] = low_strokes(low, found, grid, self._kept, told)
        peaks, strokes = with_strokes(find_peaks(found, grid), strokes, grid)
        begin, end = self._searched - self._kept, upto - self._kept
        at = peaks % length
        self._open |= bool((at >= end).any())
        near = (at >= begin - grid.frames(_BEFORE_S)) & (at < end + grid.frames(LATER_S))
        peaks, at, strokes = peaks[near], at[near], strokes.where(near)
        wanted = np.flatnonzero((at >= begin) & (at < end))
        if not len(wanted):
            return [Candidates.concat([])] * len(group)
        made = weigh_peaks(
            samples.reshape(-1), low.reshape(-1), grid.rate, found, peaks, wanted, strokes, coded=self._coded
        )
        made, which = made.with_waves(low.reshape(-1), grid.rate), peaks[wanted] // length
        return [made.where(which == n).moved((self._kept - n * length) * grid.hop) for n in range(len(group))]

    def _row_of(self, group: range) -> Novelty:
        """Return the evidence of some channels, one behind the other."""
        cells = range(self._kept // self._cell, (self._heard - 1) // self._cell + 1)
        floor = np.array([self._floors[c][0] for c in cells])
        cell = (np.arange(self._heard - self._kept) + self._kept % self._cell) // self._cell

        def row(values: Floats) -> Floats:
            split = values.reshape(len(values), self._channels, -1)[:, group.start : group.stop]
            return np.ascontiguousarray(split.swapaxes(0, 1)).reshape(len(values) * len(group), -1)

        f = self._found
        fine, coarse, new = (row(e)[:, 0] for e in (f.fine, f.coarse, f.new_energy))
        which = (cell + len(cells) * np.arange(len(group))[:, None]).ravel()
        return Novelty(fine, coarse, new, row(f.energy), row(floor), which)

    def _forget(self) -> None:
        """Let go of frames that nothing to come looks at."""
        # (Whole pairs: what counts its samples by turns begins with an even one, as in a file.)
        keep = max((self._searched - self._grid.frames(_KEEP_S)) // PAIR * PAIR, self._kept)
        part, old = slice(keep - self._kept, None), self._found
        self._found = replace(
            old, fine=old.fine[part], coarse=old.coarse[part], new_energy=old.new_energy[part], energy=old.energy[part]
        )
        self._kept = keep
        first = max(min(self._heard - self._memory, self._cells * self._cell), self._first)
        if first - self._first > self._cell // 4:
            self._energy = tuple(
                e[(first - self._first) // each :].copy() for e, each in zip(self._energy, _EACH, strict=True)
            )
            self._first = first
        self._floors = {c: f for c, f in self._floors.items() if c >= min(self._first, self._kept) // self._cell}
