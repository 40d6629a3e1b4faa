"""What is not heard: microphones that are dead, their samples all the same or always cut off, stations, the machine."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.flow.route import Route
from noisecheck.flow.silence import BALLS, Silence, silences
from noisecheck.pipeline.lost import HIDES_S

__all__ = ["LostSound", "Signal", "SignalCheck", "SilenceCheck", "StillnessCheck"]

_LONG_S: Final = 3.0
_LONGER: Final = 3.0
"""A channel is dead when all samples are the same for so long, and for so many times its longest such pause before:
noise gates, and quiet rooms at few bits, make pauses."""
_RAIL, _RAIL_SHARE, _RAIL_LEAST = 0.999, 0.25, 0.05
"""Cut off: so large a share of 20 ms lies within 0.1 % of its peak (a sine has 3 %), and the peak is no noise."""
_KEPT: Final = 1000
_STILL_S, _STILL_TIMES = 30.0, 3.0
"""A machine is still when nothing was heard for so long, and for so many times its longest such pause before."""


class Signal(NamedTuple):
    """A channel that is found dead, or alive again."""

    channel: int
    state: str
    """``same`` (all samples), ``cut`` (off at a rail, always), or empty when it gives sound again."""
    from_frame: int
    """Since when it has been so."""
    before: str = ""
    """What it was, where it gives sound again."""


class SignalCheck:
    """Watches the samples of every channel for such as no sound makes."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._state, self._told = [""] * channels, [""] * channels
        self._since = [0] * channels
        self._value = np.full(channels, np.nan, np.float32)
        self._longest = [0] * channels

    def take(self, part: NDArray[np.float32], at: int) -> list[Signal]:
        """Take the next samples, (frames, channels), the first of them frame ``at``; return what is new."""
        rows = np.ascontiguousarray(part.T)  # along a row the least and the most are found ten times as fast
        low, high = rows.min(axis=1), rows.max(axis=1)
        peak = np.maximum(-low, high)
        same = low == high
        # The mean of a comparison costs more than the rest: only what can be cut is looked at.
        cut = [
            bool(p >= _RAIL_LEAST and np.mean(np.abs(rows[c]) >= _RAIL * p) > _RAIL_SHARE) for c, p in enumerate(peak)
        ]
        found = []
        for c in range(part.shape[1]):
            state = (
                "same"
                if same[c] and (self._state[c] != "same" or low[c] == self._value[c])
                else "cut"
                if cut[c] and not same[c]
                else ""
            )
            if state != self._state[c]:
                if self._state[c] == "same" and not self._told[c]:
                    self._longest[c] = max(self._longest[c], at - self._since[c])
                self._state[c], self._since[c] = state, at
            self._value[c] = low[c]
            long = max(_LONG_S * self._rate, _LONGER * self._longest[c] if state == "same" else 0.0)
            if state != self._told[c] and at + len(part) - self._since[c] >= (long if state else 0):
                found.append(Signal(c, state, self._since[c], self._told[c]))
                self._told[c] = state
        return found


class LostSound:
    """Watches for spans in which every channel gives exact zeros, as :mod:`noisecheck.pipeline.lost` does in a file."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._since = 0
        """Frame behind the last one that was not silent."""

    def take(self, part: NDArray[np.float32], at: int) -> tuple[tuple[float, float], ...]:
        """Take the next samples, the first of them frame ``at``; return a span in s that is long enough by now or ends.

        One that goes on ends at infinity; the same start comes again with its end.
        """
        sounds = np.flatnonzero(part.any(axis=1))
        silent, since, least = not len(sounds), self._since, HIDES_S * self._rate
        end = at + (len(part) if silent else int(sounds[0]))
        if not silent:
            self._since = at + int(sounds[-1]) + 1
        if since <= 0 or end - since < least or (silent and at - since >= least):
            return ()  # none, too short yet, or said; silence at the very start is how some recorders begin
        return ((since / self._rate, math.inf if silent else end / self._rate),)


class SilenceCheck:
    """Stations that fall silent while balls are heard elsewhere, found as it goes on: each is told once.

    Args:
        route: the balls' way, as the ledger follows it.
        own: stations that alone have their microphone, which may be dead.
    """

    def __init__(self, route: Route, own: Collection[str]) -> None:
        self._route = route
        self._alive = [np.empty(0) if name in own else None for name in route.stations]
        self._heard: deque[tuple[float, int]] = deque(maxlen=_KEPT)
        self._balls = np.zeros((len(route.stations),) * 2, int)
        """Balls heard at each station (columns) since one was at another (rows)."""
        self.silent: dict[int, Silence] = {}
        """Stations silent now."""

    def take(self, time_s: NDArray[np.float64], code: NDArray[np.int64]) -> tuple[list[Silence], list[Silence]]:
        """Take more first contacts, (n,): s and station index or -1; return (fell silent, heard again)."""
        fell: list[Silence] = []
        again: list[Silence] = []
        for t, q in zip(time_s.tolist(), code.tolist(), strict=True):
            if q < 0:
                continue
            self._heard.append((t, q))
            self._balls[:, q] += 1
            self._balls[q] = 0
            if q in self.silent:
                again.append(self.silent.pop(q))
            beside = [p for p in range(len(self._balls)) if p < q or p == q + 1]
            if any(self._balls[p, q] >= BALLS and p not in self.silent for p in beside):
                fell += self._found(t)
        return fell, again

    def _found(self, now_s: float) -> list[Silence]:
        times, codes = np.array([t for t, _ in self._heard]), np.array([q for _, q in self._heard], np.int64)
        start_s = 0.0 if len(self._heard) < _KEPT else float(times[0])
        end_s = float(np.nextafter(now_s, np.inf))
        new = silences(times, codes, self._route, start_s=start_s, end_s=end_s, alive_s=self._alive)
        # Where something is heard behind it no way is blocked: a dozen balls there will say so.
        new = [
            s
            for s in new
            if s.to_s >= now_s
            and s.station not in self.silent
            and not (s.blocked and self._balls[s.station, s.station + 1 :].any())
        ]
        self.silent.update({s.station: s for s in new})
        return new


class StillnessCheck:
    """Tells when nothing at all has been heard for long: a machine that was stopped, or that a ball blocks."""

    def __init__(self) -> None:
        self._count, self._last_s, self._usual_s, self._told = 0, 0.0, 0.0, False

    def take(self, time_s: NDArray[np.float64], now_s: float) -> float:
        """Take more impacts, (n,) in s and in order, all before ``now_s``; return how long it has been still, once.

        0 at all other times.
        """
        for t in time_s.tolist():
            if self._count and not self._told:
                self._usual_s = max(self._usual_s, t - self._last_s)
            self._count, self._last_s, self._told = self._count + 1, t, False
        still_s = now_s - self._last_s
        if self._told or self._count < BALLS or still_s < max(_STILL_S, _STILL_TIMES * self._usual_s):
            return 0.0
        self._told = True
        return still_s

    def restart(self, now_s: float) -> None:
        """Begin anew behind a span that was not listened to."""
        self._last_s = now_s
