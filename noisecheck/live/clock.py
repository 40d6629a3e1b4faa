"""The clock a watch goes by, so that tests can bring their own."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


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
        return time.monotonic()

    def now(self) -> datetime:
        """Return the local date and time."""
        return datetime.now()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(max(seconds, 0.0))
