"""Detection of a stream as it comes: the same steps as for a file, each done once, about 0.1 s behind the sound.

Work is done in steps of a fixed number of frames counted from the first sample, whatever the blocks pushed: the
results do not depend on how the stream was cut. Band energies, floors and evidence of past frames are kept, so a
step costs the same at any age of the stream, and memory stays flat.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.detect.candidates import (
    APART_S,
    EDGE_S,
    END_S,
    TAIL_S,
    Candidates,
    find_peaks,
    strongest,
    weigh_peaks,
)
from noisecheck.detect.channels import MOST_SPREAD_S, Onsets, apart_s, merge_channels, moments, no_onsets
from noisecheck.detect.coded import AHEAD_S as CODED_AHEAD_S
from noisecheck.detect.decide import FIRST_S, MEMORY_S, DetectSettings, decide
from noisecheck.detect.echoes import ECHO_S
from noisecheck.detect.habits import Habits
from noisecheck.detect.neighbours import EARLIER_S, LATER_S
from noisecheck.detect.novelty import (
    FLOOR_CELL_S,
    FLOOR_CELLS,
    Novelty,
    floor_after,
    memory_frames,
    novelty,
    quiet_of,
)
from noisecheck.detect.pulses import AHEAD_S as DRIVEN_AHEAD_S
from noisecheck.detect.refine import SEARCH_S
from noisecheck.detect.spectra import FrameGrid, decimated, frame_energies, frame_grid
from noisecheck.detect.timing import AHEAD_S, BACK_S, PAST_S

__all__ = ["Stream"]

Floats = NDArray[np.float32]

_STEP = 48
"""Frames worked out at once: fewer cost more for each, more would tell later."""
_KEEP_S = EARLIER_S + PAST_S + 0.010
"""Evidence and samples kept before the frame searched next: what the timing, of earlier sounds too, looks back on."""
_BEFORE_S = max(EARLIER_S, ECHO_S)
"""Peaks so long before others may change what is told of these."""
_CHAIN_S = 0.100
"""Sounds that follow one another so closely that each could change the last are judged together, up to this."""
_EMPTY = np.empty(0, np.float32)


class Stream:
    """Impacts of a stream of samples.

    Args:
        rate: frames a second.
        channels: channels of each frame.
        settings: the dial.
        spread_s: longest time a sound takes from the first microphone to the last.
        coded: the sound went through a lossy codec.

    :meth:`push` samples as they come; it returns impacts newly decided, in order. :attr:`known` tells up to where.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        settings: DetectSettings | None = None,
        spread_s: float = MOST_SPREAD_S,
        coded: bool = False,
    ) -> None:
        if channels < 1:
            raise InputError(f"a stream of {channels} channels: there must be at least 1")
        self.rate, self.channels = rate, channels
        self._grid = frame_grid(rate)
        self._settings, self._spread_s = settings or DetectSettings(), spread_s
        self._listeners = [_Listener(self._grid, self._settings, coded=coded) for _ in range(channels)]
        self._buffer = np.empty((channels, 0), np.float32)
        self._origin = 0
        self._energies = 0  # frames of band energies worked out so far
        self._pool: list[tuple[Candidates, NDArray[np.float64]]] = [_nothing() for _ in range(channels)]
        self._habits = Habits(rate, channels)
        self._known = 0
        self._ended = False

    @property
    def frames(self) -> int:
        """Frames pushed so far."""
        return self._origin + self._buffer.shape[1]

    @property
    def known(self) -> int:
        """Frame before which all impacts have been returned."""
        return self._known

    def clear_from(self, frame: int, channel: int) -> int:
        """Return up to where a channel holds nothing after ``frame`` that may still turn out to be an impact."""
        heard = self._listeners[channel]
        open_now = np.concatenate([heard.undecided, self._pool[channel][0].onset])
        return int(min(heard.searched, open_now[open_now > frame].min(initial=heard.searched)))

    def push(self, samples: ArrayLike) -> Onsets:
        """Take the next samples, (frames, channels) with full scale 1.0, and return impacts newly decided.

        Frames are counted from the first sample pushed.

        Raises:
            InputError: another number of channels, or samples after :meth:`finish`.
        """
        new = np.asarray(samples, np.float32)
        if new.ndim != 2 or new.shape[1] != self.channels:
            raise InputError(f"samples have shape {new.shape}, not (frames, {self.channels})")
        if self._ended:
            raise InputError("samples after the end of the stream: begin another")
        if not np.isfinite(new).all():
            new = np.where(np.isfinite(new), new, np.float32(0.0))
        self._buffer = np.concatenate((self._buffer, new.T), axis=1)
        grid, before = self._grid, self._energies
        while (self._energies + _STEP - 1) * grid.hop + grid.reach <= self.frames:
            self._advance(self._energies + _STEP, self._energies * grid.hop + (_STEP - 1) * grid.hop + grid.reach)
        if self._energies == before:
            return no_onsets(self.channels)
        start = max(self._needed(), self._origin)
        self._buffer = self._buffer[:, start - self._origin :].copy()
        self._origin = start
        return self._decided()

    def finish(self) -> Onsets:
        """Return what is still undecided; the stream ends here."""
        if self._ended:
            return self._merged(self.frames)
        self._ended = True
        count = self.frames // self._grid.hop
        if count >= 2 * self._grid.frames(TAIL_S):
            self._advance(count, self.frames, ending=True)
        self._pooled()
        last = self.frames - int(END_S * self.rate)  # nothing of an impact is left to measure there
        self._pool = [(c.where(c.onset < last), odds[c.onset < last]) for c, odds in self._pool]
        self._known = self.frames
        return self._merged(self.frames)

    # -- steps ------------------------------------------------------------------------------------------------------
    def _needed(self) -> int:
        """Return the first frame of samples that later steps look at."""
        first = min(self._energies - _margin(self._grid), min(heard.kept for heard in self._listeners))
        return max(first, 0) * self._grid.hop

    def _advance(self, count: int, stop: int, *, ending: bool = False) -> None:
        """Work out the frames up to ``count`` from the samples before ``stop``, and what follows from them."""
        grid = self._grid
        first = max(0, self._energies - _margin(grid))
        for heard, row in zip(self._listeners, self._buffer, strict=True):
            if count > self._energies:
                part = row[first * grid.hop - self._origin : stop - self._origin]
                energies = frame_energies(part, grid, low=decimated(part, grid.step), frames=range(count - first))
                heard.add(*(e[self._energies - first :] for e in energies))
            samples = row[heard.kept * grid.hop - self._origin : stop - self._origin]
            heard.search(samples, ending=ending)
        self._energies = max(count, self._energies)

    # -- decisions --------------------------------------------------------------------------------------------------
    def _pooled(self) -> None:
        """Move what the channels have settled into the pool."""
        for number, heard in enumerate(self._listeners):
            fresh, odds = heard.take()
            if len(fresh):
                old, old_odds = self._pool[number]
                self._pool[number] = Candidates.concat([old, fresh]), np.concatenate((old_odds, odds))

    def _decided(self) -> Onsets:
        self._pooled()
        settled = min(heard.settled for heard in self._listeners)
        if self.channels == 1:
            self._known = max(settled, self._known)
            return self._merged(settled)
        # Arrivals so far apart have nothing to do with one another: cut there.
        at = moments([c for c, _ in self._pool], settled)
        cut = _chain_cut(at, settled, int(apart_s(self._spread_s) * self.rate) + 1, int(_CHAIN_S * self.rate))
        self._known = max(cut, self._known)
        return self._merged(cut)

    def _merged(self, before: int) -> Onsets:
        """Return the impacts of pooled candidates with onset before a frame, and take them out of the pool."""
        if not any((c.onset < before).any() for c, _ in self._pool):
            return no_onsets(self.channels)
        now = [(c.where(c.onset < before), odds[c.onset < before]) for c, odds in self._pool]
        self._pool = [(c.where(c.onset >= before), odds[c.onset >= before]) for c, odds in self._pool]
        found, odds = [c for c, _ in now], [o for _, o in now]
        return merge_channels(found, odds, self.rate, spread_s=self._spread_s, habits=self._habits)


class _Listener:
    """One channel: energies and evidence of recent frames, floors, and candidates not settled yet."""

    def __init__(self, grid: FrameGrid, settings: DetectSettings, *, coded: bool) -> None:
        self.grid, self.settings, self.coded = grid, settings, coded
        self.rate = grid.rate
        self._memory, self._cell = memory_frames(grid), grid.frames(FLOOR_CELL_S)
        # Energies of the frames from _first on; those before _heard have been weighed.
        self._energy: tuple[Floats, Floats] | None = None
        self._first, self._heard = 0, 0
        self._quiet: list[tuple[Floats, Floats]] = []
        self._floors: dict[int, tuple[Floats, Floats]] = {}
        self._cells = 0
        # Evidence of the frames from kept on; those before _searched hold no more peaks.
        no_bands = np.empty((0, len(grid.fine_width)), np.float32)
        self._found = Novelty(_EMPTY, _EMPTY, _EMPTY, no_bands, no_bands, 0)
        self.kept, self._searched = 0, 0
        self._waiting = Candidates.concat([])
        self._history = Candidates.concat([])
        self._fresh: list[Candidates] = []
        self.settled = 0

    @property
    def searched(self) -> int:
        """Frame of the samples before which no more peaks will be found."""
        return self._searched * self.grid.hop

    @property
    def undecided(self) -> NDArray[np.int64]:
        """Onsets of the candidates found and not settled."""
        return self._waiting.onset

    def add(self, fine: Floats, coarse: Floats) -> None:
        """Take the band energies of the next frames."""
        if self._energy is None:
            self._energy = fine.copy(), coarse.copy()
        else:
            old_fine, old_coarse = self._energy
            self._energy = np.concatenate((old_fine, fine)), np.concatenate((old_coarse, coarse))

    def search(self, samples: Floats, *, ending: bool) -> None:
        """Weigh the frames taken since, and settle candidates; ``samples`` begin at frame :attr:`kept`."""
        if self._energy is None:
            return
        end = self._first + len(self._energy[0])
        self._learn_floors(end, ending=ending)
        if 0 in self._floors or self._cells > 1:
            self._weigh(end)
            self._look(samples, ending=ending)
            self._forget()

    def _learn_floors(self, end: int, *, ending: bool) -> None:
        """Set the floor of each cell whose past is complete; the first cell waits for its own end."""
        fine, coarse = self._energy or (_EMPTY, _EMPTY)
        while self._cells * self._cell < end:
            low = self._cells * self._cell - self._first
            whole = low + self._cell <= end - self._first
            if not whole and not (ending and self._cells == 0):
                break
            quiet = quiet_of(fine[low : low + self._cell]), quiet_of(coarse[low : low + self._cell])
            self._quiet = [*self._quiet[1 - FLOOR_CELLS :], quiet]
            if self._cells == 0:
                self._floors[0] = self._floor()
            self._cells += 1
            self._floors[self._cells] = self._floor()

    def _floor(self) -> tuple[Floats, Floats]:
        fine, coarse = zip(*self._quiet, strict=True)
        return floor_after(np.array(fine)), floor_after(np.array(coarse))

    def _weigh(self, end: int) -> None:
        """Add the evidence of the frames not weighed yet."""
        if self._heard >= end or self._energy is None:
            return
        start = max(self._heard - self._memory, 0)
        cells = range(start // self._cell, (end - 1) // self._cell + 1)
        floors = np.array([self._floors[c][0] for c in cells]), np.array([self._floors[c][1] for c in cells])
        fine, coarse = (e[start - self._first : end - self._first] for e in self._energy)
        new = novelty(fine, coarse, self.grid, floors=floors, phase=start % self._cell)
        old, skip = self._found, self._heard - start
        self._found = Novelty(
            np.concatenate((old.fine, new.fine[skip:])),
            np.concatenate((old.coarse, new.coarse[skip:])),
            np.concatenate((old.new_energy, new.new_energy[skip:])),
            np.concatenate((old.energy, new.energy[skip:])),
            new.floor,
            new.phase,
        )
        self._heard = end

    def _look(self, samples: Floats, *, ending: bool) -> None:
        """Find peaks up to where nothing to come can change them, and settle candidates."""
        grid, rate = self.grid, self.rate
        if ending:
            upto, complete = self._heard, self.kept * grid.hop + len(samples)
        else:
            driven_s = SEARCH_S[1] + DRIVEN_AHEAD_S + (CODED_AHEAD_S if self.coded else 0.0)
            sampled = len(samples) - math.ceil(max(LATER_S + AHEAD_S, driven_s) * rate) - 8 * grid.step
            upto = min(self._heard - grid.frames(driven_s) - 3, self.kept + sampled // grid.hop)
            complete = upto * grid.hop - math.ceil(BACK_S * rate)
        if upto > self._searched:
            peaks = find_peaks(self._found, grid)
            begin, end = self._searched - self.kept, upto - self.kept
            edges = begin - grid.frames(_BEFORE_S), begin, end, end + grid.frames(LATER_S)
            earlier, peaks, later = (peaks[(peaks >= a) & (peaks < b)] for a, b in itertools.pairwise(edges))
            if len(peaks):
                low = decimated(samples, grid.step)
                cells = range(self.kept // self._cell, (self._heard - 1) // self._cell + 1)
                floor = np.array([self._floors[c][0] for c in cells])
                found = replace(self._found, floor=floor, phase=self.kept % self._cell)
                first = self.kept * grid.hop
                near = {"earlier": earlier, "later": later}
                made = weigh_peaks(samples, low, rate, found, peaks, origin=first, coded=self.coded, **near)
                made = Candidates.concat([self._waiting, made])
                self._waiting = made.where(np.argsort(made.onset, kind="stable"))
            self._searched = upto
        if ending:
            cut = complete
        else:
            cut = _chain_cut(self._waiting.onset, complete, int(APART_S * rate) + 1, int(_CHAIN_S * rate))
        if cut <= self.settled or (cut < FIRST_S * rate and not ending):
            return
        now = self._waiting.where(self._waiting.onset < cut)
        if len(now):
            self._waiting = self._waiting.where(self._waiting.onset >= cut)
            now = strongest(now, rate)
            # The mirrored samples before the first make a kink there that is no onset.
            self._fresh.append(now.where(now.onset >= int(EDGE_S * rate)))
        self.settled = cut

    def take(self) -> tuple[Candidates, NDArray[np.float64]]:
        """Return the candidates settled since, and their odds."""
        if not any(map(len, self._fresh)):
            return _nothing()
        fresh, self._fresh = Candidates.concat(self._fresh), []
        known = Candidates.concat([self._history, fresh])
        odds = decide(known, self.rate, self.settings, past=len(self._history))[len(self._history) :]
        # Decisions look back MEMORY_S, and at when the first candidate of all came.
        keep = known.onset >= known.onset[-1] - int((MEMORY_S + 1.0) * self.rate)
        keep[0] = True
        self._history = known.where(keep)
        return fresh, odds

    def _forget(self) -> None:
        """Let go of frames that nothing to come looks at."""
        keep = max(self._searched - self.grid.frames(_KEEP_S), self.kept)
        part = slice(keep - self.kept, None)
        old = self._found
        self._found = replace(
            old, fine=old.fine[part], coarse=old.coarse[part], new_energy=old.new_energy[part], energy=old.energy[part]
        )
        self.kept = keep
        first = max(min(self._heard - self._memory, self._cells * self._cell), self._first)
        if self._energy is not None and first - self._first > self._cell // 4:
            fine, coarse = self._energy
            self._energy = fine[first - self._first :].copy(), coarse[first - self._first :].copy()
            self._first = first
        self._floors = {c: f for c, f in self._floors.items() if c >= min(self._first, self.kept) // self._cell}


def _nothing() -> tuple[Candidates, NDArray[np.float64]]:
    return Candidates.concat([]), np.empty(0)


def _margin(grid: FrameGrid) -> int:
    """Return frames worked out again before new ones, whose windows would reach before the samples at hand."""
    return -(-grid.reach // grid.hop) + 1


def _chain_cut(at: NDArray[np.int64], complete: int, apart: int, longest: int) -> int:
    """Return the frame before which nothing that may come at or after ``complete`` can change what belongs together.

    ``at`` are sorted; neighbours less than ``apart`` from each other may matter to one another. A chain of them
    longer than ``longest`` is cut, so that a decision never waits for long.
    """
    cut = complete
    for x in at[at < complete][::-1].tolist():
        if x <= cut - apart:
            break
        cut = x
        if cut < complete - longest:
            return complete - longest
    return cut
