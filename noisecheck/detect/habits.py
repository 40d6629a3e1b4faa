"""How the microphones of a run hear one another's impacts, learnt as the run goes on, and what no one source can do.

An impact is first and loudest at the microphone beside it and comes to the others later and quieter, by nearly the
same each time. Arrivals that differ by more than that, each as loud as impacts beside its microphone are, are two
impacts.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record

__all__ = ["WEAK", "Arrival", "Habits", "Pattern"]

_MEMORY_S: Final = 120.0
_MOST: Final = 40
_LEAST: Final = 5
"""Impacts beside a microphone from which its pattern counts."""
_DELAY_S: Final = 0.0015
_LATE_S: Final = 0.005
"""A faint arrival may be noticed so late."""
_LEVEL_DB: Final = 6.0
_SPREADS: Final = 3.0
_OWN_DB: Final = 12.0
_UNHEARD_DB: Final = -40.0
WEAK: Final = (30.0, 80.0)
"""Arrivals of such scores are no chance, and not so loud that all microphones must hear them."""


@record
class Arrival:
    """A sound as one microphone hears it."""

    channel: int
    frame: int
    level_db: float
    odds: float
    sharp: bool = False
    """Whether its onset cannot be mistaken by milliseconds."""


@record
class Pattern:
    """How impacts beside one microphone come to all of them, (channels,) each."""

    delay: NDArray[np.float64]
    """Frames after the own microphone."""
    delay_spread: NDArray[np.float64]
    level_db: NDArray[np.float64]
    """Level minus that at the own one."""
    level_spread_db: NDArray[np.float64]
    least_own_db: float
    """Level at the own microphone that nearly all of them reach."""


class Habits:
    """Patterns of a run so far: of impacts in the last two minutes, at most 40 beside each microphone.

    Every call of :meth:`learn` is one detection, in order and as it was before anything was told apart: what is known
    at an impact depends on the two minutes before it alone, not on how the run was cut.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._own: list[deque[tuple[int, NDArray[np.float64], NDArray[np.float64]]]] = [
            deque(maxlen=_MOST) for _ in range(channels)
        ]
        self._made: dict[int, Pattern | None] = {}
        self._weak: list[deque[tuple[int, bool]]] = [deque() for _ in range(channels)]

    def copy(self) -> Habits:
        """Return habits that know the same and learn for themselves."""
        other = Habits(self._rate, len(self._own))
        other._own, other._weak = [d.copy() for d in self._own], [d.copy() for d in self._weak]
        other._made = self._made.copy()
        return other

    def learn(self, arrival: NDArray[np.int64], level_db: NDArray[np.float64]) -> None:
        """Take the next detection of one impact: arrivals (-1 unheard) and levels on each channel, (channels,)."""
        own = int(np.nanargmax(level_db))
        delay = np.where(arrival >= 0, arrival - arrival[own], np.nan).astype(np.float64)
        self._own[own].append((int(arrival[own]), delay, level_db.astype(np.float64)))
        self._made.pop(own, None)

    def learn_weak(self, channel: int, frame: int, *, alone: bool) -> None:
        """Take the next weak arrival (of a score within :data:`WEAK`), and whether it came alone."""
        self._weak[channel].append((frame, alone))

    def in_company(self, one: Arrival, heard: Sequence[Arrival]) -> bool:
        """Return whether another microphone tells of the same impact: surely, or as may be expected there."""
        return any(a.channel != one.channel and (a.odds > 1.0 or self.explains(one, a) is not False) for a in heard)

    def alone(self, channel: int, now: int) -> float:
        """Return the share of weak arrivals at a microphone that no other one heard, in the two minutes before."""
        weak = self._weak[channel]
        while weak and weak[0][0] < now - _MEMORY_S * self._rate:
            weak.popleft()
        return (1.0 + sum(lone for _, lone in weak)) / (1.0 + len(weak))

    def pattern(self, channel: int, now: int) -> Pattern | None:
        """Return how impacts beside a microphone were heard in the two minutes before frame ``now``; None: too few."""
        own = self._own[channel]
        while own and own[0][0] < now - _MEMORY_S * self._rate:
            own.popleft()
            self._made.pop(channel, None)
        if channel not in self._made:
            self._made[channel] = self._pattern(channel) if len(own) >= _LEAST else None
        return self._made[channel]

    def _pattern(self, channel: int) -> Pattern:
        _, delay, level = (np.array(column) for column in zip(*self._own[channel], strict=True))
        own = level[:, channel]
        least = float(np.sort(own)[len(own) // 10])
        return Pattern(*_middle(delay, np.nan), *_middle(level - own[:, None], _UNHEARD_DB), least)

    def explains(self, one: Arrival, other: Arrival) -> bool | None:
        """Return whether ``one``, beside its microphone, can come to another one as ``other``; None: unknown."""
        pattern = self.pattern(one.channel, min(one.frame, other.frame))
        if pattern is None:
            return None
        c = other.channel
        if not self.as_loud(one, other):
            return False
        if np.isnan(pattern.delay[c]):
            return True
        late = other.frame - one.frame - pattern.delay[c]
        spread = max(_DELAY_S * self._rate, _SPREADS * pattern.delay_spread[c])
        return bool(-spread <= late <= max(spread, _LATE_S * self._rate))

    def as_loud(self, one: Arrival, other: Arrival) -> bool:
        """Return whether ``one``, beside its microphone, is known to come to another one as loud as ``other``."""
        pattern = self.pattern(one.channel, min(one.frame, other.frame))
        if pattern is None:
            return False
        louder = other.level_db - one.level_db - pattern.level_db[other.channel]
        return bool(louder <= max(_LEVEL_DB, _SPREADS * pattern.level_spread_db[other.channel]))

    def beside(self, one: Arrival) -> bool:
        """Return whether it is as loud as impacts beside its microphone are."""
        pattern = self.pattern(one.channel, one.frame)
        return pattern is not None and one.level_db > pattern.least_own_db - _OWN_DB

    def apart(self, one: Arrival, other: Arrival) -> bool:
        """Return whether the two arrivals are further apart in time than any one source can make them."""
        first, second = sorted((one, other), key=lambda a: a.frame)
        # A source anywhere comes to two microphones no further apart than one beside either of them.
        longest = 0.0
        for a, b in ((first, second), (second, first)):
            pattern = self.pattern(a.channel, first.frame)
            if pattern is None or np.isnan(pattern.delay[b.channel]):
                return False
            spread = max(0.5 * _DELAY_S * self._rate, _SPREADS * pattern.delay_spread[b.channel])
            longest = max(longest, abs(pattern.delay[b.channel]) + spread)
        return second.frame - first.frame > longest


def _middle(values: NDArray[np.float64], empty: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return median and spread (1.48 times the median deviation) of columns; ``empty`` where most values are NaN."""
    count = (values == values).sum(axis=0)
    middle = _median(values, count)
    spread = 1.4826 * _median(np.abs(values - middle), count)
    known = 2 * count >= len(values)
    return np.where(known, middle, empty), np.where(known, spread, 0.0)


def _median(values: NDArray[np.float64], count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the (upper) median of the first ``count`` of each sorted column; NaN sorts last."""
    return np.asarray(np.sort(values, axis=0)[np.minimum(count // 2, len(values) - 1), np.arange(values.shape[1])])
