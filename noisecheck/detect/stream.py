"""Detection of a stream as it comes: the same steps as for a file, each done once, about 0.1 s behind the sound.

Work is done in steps of a fixed number of frames counted from the first sample, whatever the blocks pushed: the
results do not depend on how the stream was cut, and memory stays flat.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.detect.alike import MOST_SHIFT_S, Alike
from noisecheck.detect.candidates import APART_S, EDGE_S, END_S, TAIL_S, Candidates, strongest
from noisecheck.detect.channels import MOST_SPREAD_S, Onsets, apart_s, merge_channels, moments, no_onsets
from noisecheck.detect.decide import FIRST_S, DetectSettings, Judge
from noisecheck.detect.habits import Habits
from noisecheck.detect.listener import Listener
from noisecheck.detect.spectra import frame_grid

__all__ = ["Stream"]

_STEP = 48
"""Frames worked out at once: fewer cost more for each, more would tell later."""
_IDLE_STEP = 2 * _STEP
"""The same while nothing is open: what begins meanwhile takes longer to be decided, so no impact is told later; that
none came is known so much later, which what waits for balls can just afford."""
_CHAIN_S = 0.100
"""Sounds that follow one another so closely that each could change the last are judged together, up to this."""


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
        self._settings, self._spread_s = (settings or DetectSettings()).shared_by(channels), spread_s
        self._listener = Listener(self._grid, channels, coded=coded)
        self._heard = [_Channel(rate, self._settings) for _ in range(channels)]
        self._buffer = np.empty((channels, 0), np.float32)
        self._parts: list[NDArray[np.float32]] = []
        """Samples pushed that no step needed yet."""
        self._origin = self._frames = 0
        self._pool: list[tuple[Candidates, NDArray[np.float64]]] = [_nothing() for _ in range(channels)]
        self._habits, self._alike = Habits(rate, channels), Alike(rate, channels)
        self._known = 0
        self._ended = False

    @property
    def frames(self) -> int:
        """Frames pushed so far."""
        return self._frames

    @property
    def worked(self) -> int:
        """Short-time frames worked out so far: while they stay the same, so does all else that is known."""
        return self._listener.frames

    @property
    def known(self) -> int:
        """Frame before which all impacts have been returned."""
        # What is yet to come may be told to have begun a little earlier.
        return self._known if self._ended else max(self._known - math.ceil(MOST_SHIFT_S * self.rate), 0)

    def clear_from(self, frame: int, channel: int) -> int:
        """Return up to where a channel holds nothing after ``frame`` that may still turn out to be an impact."""
        searched = self._listener.searched
        open_now = np.concatenate([self._heard[channel].undecided, self._pool[channel][0].onset])
        return int(open_now[open_now > frame].min(initial=searched))

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
        self._parts.append(new.T.copy())
        self._frames += len(new)
        if self._next_stop() > self.frames:
            return no_onsets(self.channels)
        self._join()
        told = []
        while (stop := self._next_stop()) <= self.frames:
            self._advance(self._next_count(), stop)
            told.append(self._decided())
        start = max(self._listener.needed, self._origin)
        self._buffer = self._buffer[:, start - self._origin :].copy()
        self._origin = start
        return Onsets.concat(told)

    def finish(self) -> Onsets:
        """Return what is still undecided; the stream ends here."""
        if self._ended:
            return self._merged(self.frames)
        self._ended = True
        self._join()
        count = self.frames // self._grid.hop
        if count >= 2 * self._grid.frames(TAIL_S):
            self._advance(count, self.frames, ending=True)
        self._pooled()
        last = self.frames - int(END_S * self.rate)  # nothing of an impact is left to measure there
        self._pool = [(c.where(c.onset < last), odds[c.onset < last]) for c, odds in self._pool]
        self._known = self.frames
        return self._merged(self.frames)

    # -- steps ------------------------------------------------------------------------------------------------------
    @property
    def _open(self) -> bool:
        """Whether anything is found, or begins to be, that is not decided."""
        found = any(len(heard.undecided) for heard in self._heard) or any(len(c) for c, _ in self._pool)
        return found or self._listener.open

    def _next_count(self) -> int:
        """Return the number of frames known after the next step: it hangs on what was heard, not on how it came."""
        return self._listener.frames + (_STEP if self._open else _IDLE_STEP)

    def _next_stop(self) -> int:
        """Return the number of samples that the next step needs."""
        return (self._next_count() - 1) * self._grid.hop + self._grid.reach

    def _join(self) -> None:
        self._buffer, self._parts = np.concatenate((self._buffer, *self._parts), axis=1), []

    def _advance(self, count: int, stop: int, *, ending: bool = False) -> None:
        """Work out the frames up to ``count`` from the samples before ``stop``, and what follows from them."""
        looked = self._listener.advance(count, self._buffer[:, : stop - self._origin], self._origin, ending=ending)
        if looked is not None:
            for heard, made in zip(self._heard, looked.made, strict=True):
                heard.settle(made, looked.complete, ending=ending)

    # -- decisions --------------------------------------------------------------------------------------------------
    def _pooled(self) -> None:
        """Move what the channels have settled into the pool."""
        for number, heard in enumerate(self._heard):
            fresh, odds = heard.take()
            if len(fresh):
                old, old_odds = self._pool[number]
                self._pool[number] = Candidates.concat([old, fresh]), np.concatenate((old_odds, odds))

    def _decided(self) -> Onsets:
        self._pooled()
        settled = min(heard.settled for heard in self._heard)
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
        merged = merge_channels(found, odds, self.rate, spread_s=self._spread_s, habits=self._habits)
        return self._alike.retimed(merged, found)


class _Channel:
    """What is found in one channel: candidates not settled yet, and what is decided of the others."""

    def __init__(self, rate: int, settings: DetectSettings) -> None:
        self._rate, self._judge = rate, Judge(rate, settings)
        self._waiting = Candidates.concat([])
        self._fresh: list[Candidates] = []
        self.settled = 0

    @property
    def undecided(self) -> NDArray[np.int64]:
        """Onsets of the candidates found and not settled."""
        return self._waiting.onset

    def settle(self, made: Candidates, complete: int, *, ending: bool) -> None:
        """Take candidates, and settle those that nothing at or after frame ``complete`` can change."""
        rate = self._rate
        if len(made):
            made = Candidates.concat([self._waiting, made])
            self._waiting = made.where(np.argsort(made.onset, kind="stable"))
        if ending:
            cut = complete
        else:
            cut = _chain_cut(self._waiting.onset, complete, int(APART_S * rate) + 1, int(_CHAIN_S * rate))
        if cut <= self.settled or (cut < FIRST_S * rate and not ending):
            return
        before = self._waiting.onset < cut
        if before.any():
            now = strongest(self._waiting.where(before), rate)
            self._waiting = self._waiting.where(~before)
            # The mirrored samples before the first make a kink there that is no onset.
            self._fresh.append(now.where(now.onset >= int(EDGE_S * rate)))
        self.settled = cut

    def take(self) -> tuple[Candidates, NDArray[np.float64]]:
        """Return the candidates settled since, and their odds."""
        if not any(map(len, self._fresh)):
            return _nothing()
        fresh, self._fresh = Candidates.concat(self._fresh), []
        return fresh, self._judge.odds(fresh)


def _nothing() -> tuple[Candidates, NDArray[np.float64]]:
    return Candidates.concat([]), np.empty(0)


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
