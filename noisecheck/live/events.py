"""What a watch says: one line, or one JSON document on a line, an event."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from typing import Any, Final

from noisecheck.core.errors import one_line
from noisecheck.flow.findings import Finding

__all__ = ["ALARMS", "Event", "Teller", "clock_text"]

ALARMS: Final = ("stuck", "stray", "not_listening")
"""Kinds of events that call for someone."""
_TOLD: Final = 5000


def clock_text(seconds: float) -> str:
    """Return seconds as ``h:mm:ss.s``."""
    tenths = round(seconds * 10)
    return f"{tenths // 36000}:{tenths // 600 % 60:02d}:{tenths // 10 % 60:02d}.{tenths % 10}"


@dataclass(frozen=True)
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


class Teller:
    """Turns the ledger's findings into events, each told once, and ties late arrivals to earlier suspicions."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, int, str], Finding] = {}
        self._told: dict[tuple[str, int, str], None] = {}

    def tell(self, news: list[Finding], said_s: float) -> list[Event]:
        """Return the events of what the ledger has to say at ``said_s`` seconds of the watch."""
        return [event for finding in news if (event := self._event(finding, said_s)) is not None]

    def _event(self, f: Finding, said_s: float) -> Event | None:
        key = _key(f)
        if f.state == "closed":
            known = self._open.pop(key, None)
            text = f"the suspicion of {clock_text(f.time_s)} is closed: {f.why}"
            return Event("cleared", f.time_s, said_s, text, f.station, f.odds, "settled") if known else None
        if f.state == "suspected":
            self._open[key] = f
            return Event(f.kind, f.time_s, said_s, f.why, f.station, f.odds, "suspected")
        if key in self._told:
            return None
        self._told[key] = None
        if len(self._told) > _TOLD:
            del self._told[next(iter(self._told))]
        more: dict[str, Any] = {} if f.ball < 0 else {"ball": f.ball}
        if key in self._open:
            del self._open[key]
            return Event(
                f.kind,
                f.time_s,
                said_s,
                f"borne out: {f.why}",
                f.station,
                f.odds,
                "settled",
                {**more, "confirms": True},
            )
        if f.kind == "held_up":
            closes = self._suspicion_of(f)
            if closes is not None:
                del self._open[_key(closes)]
                more["closes_s"] = round(closes.time_s, 6)
                since = f"last heard at {closes.station} at {clock_text(closes.time_s)}"
                text = f"the ball suspected stuck, {since}, came: {f.why}"
                return Event("arrived_late", f.time_s, said_s, text, f.station, f.odds, "settled", more)
        return Event(f.kind, f.time_s, said_s, f.why, f.station, f.odds, "settled", more)

    def _suspicion_of(self, held: Finding) -> Finding | None:
        """Return the open suspicion that a held-up ball's coming closes: of that ball, else the likeliest before."""
        stuck = [f for f in self._open.values() if f.kind == "stuck" and f.time_s < held.time_s]
        own = [f for f in stuck if f.ball == held.ball >= 0]
        late = held.late_s if math.isfinite(held.late_s) else 0.0
        return min(own or stuck, key=lambda f: abs(held.time_s - late - f.time_s), default=None)


def _key(f: Finding) -> tuple[str, int, str]:
    return f.kind, round(f.time_s * 1e6), f.station
