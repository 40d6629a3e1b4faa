"""The clock a watch goes by, so that tests can bring their own."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Protocol

from noisecheck.live import recorder

__all__ = ["Clock", "SystemClock", "clock_words"]


class Clock(Protocol):
    """Time that only goes forward, the time of day, and waiting."""

    def monotonic(self) -> float:
        """Return seconds that only go forward."""
        ...

    def now(self) -> datetime:
        """Return the local date and time."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class SystemClock:
    """The computer's own."""

    def monotonic(self) -> float:
        """Return seconds that only go forward."""
        return recorder.seconds()

    def now(self) -> datetime:
        """Return the local date and time."""
        return datetime.now()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(max(seconds, 0.0))


def clock_words(seconds: float) -> str:
    """Return a span as it is said: ``12.3 s``, ``4 min 10 s``, ``2 h 5 min``."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
