"""What a watch says: one line, or one JSON document on a line, an event."""

from __future__ import annotations

import json
import math
from dataclasses import field
from typing import Any, Final

from noisecheck.core.errors import one_line
from noisecheck.core.records import record

__all__ = ["ALARMS", "Event", "clock_text"]

ALARMS: Final = ("stuck", "stray", "not_listening")
"""Kinds of events that call for someone."""


def clock_text(seconds: float) -> str:
    """Return seconds as ``h:mm:ss.s``."""
    tenths = round(seconds * 10)
    return f"{tenths // 36000}:{tenths // 600 % 60:02d}:{tenths // 10 % 60:02d}.{tenths % 10}"


@record
class Event:
    """One thing to say."""

    kind: str
    """``stuck``, ``stray``, ``held_up``, ``arrived_late`` (held up, and it closes a suspicion), ``unheard``,
    ``cleared`` (a suspicion proved groundless), ``impact``, ``not_listened``, ``not_listening``, ``note``,
    ``started`` or ``summary``."""
    time_s: float
    """When it happened, in s of the watch; the meaning for each kind is that of the ledger."""
    said_s: float
    """How much of the sound had come when it was said, in s of the watch."""
    text: str
    station: str = ""
    odds: float = math.nan
    state: str = ""
    """``suspected`` while it may still change, ``settled`` when not."""
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def alarm(self) -> bool:
        """Whether it calls for someone (a settled finding that was suspected, and told, before does not)."""
        return self.kind in ALARMS and not self.more.get("confirms", False)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; what does not apply is left out."""
        out: dict[str, Any] = {"event": self.kind, "time_s": round(self.time_s, 6), "said_s": round(self.said_s, 3)}
        if self.station:
            out["station"] = self.station
        if math.isfinite(self.odds):
            out["odds"] = float(f"{self.odds:.3g}")
        if self.state:
            out["state"] = self.state
        return {**out, "text": self.text, **self.more}

    def line(self, *, as_json: bool = False) -> str:
        """Return the event as one line."""
        if as_json:
            return json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False)
        word = self.kind.replace("_", " ")
        head = f"{clock_text(self.time_s)}  {word.upper() if self.alarm else word}"
        return one_line(f"{head}{' at ' + self.station if self.station else ''}: {self.text}")
