"""What the ledger says: findings in the words of the design, and the ledger of one run."""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from noisecheck.core.units import nth

__all__ = [
    "KIND_WORDS",
    "MOST_ODDS",
    "Finding",
    "Ledger",
    "OpenBall",
    "Passage",
    "Passages",
    "ball_called",
    "either_way",
    "ledger_document",
    "say_odds",
]

MOST_ODDS: Final = 1e6
"""Odds are not claimed to be higher than this: no model of a machine is that good."""


KIND_WORDS: Final = {"stuck": "stuck", "stray": "stray", "held_up": "held up", "unheard": "unheard"}
"""The kinds of findings, the gravest first, as they are said."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that did not go as usual."""

    kind: str
    """``stuck``, ``stray``, ``held_up`` or ``unheard``."""
    time_s: float
    """Stuck: when last heard. Held up: when it came at last. Unheard: when it was due. Stray: when it sounded."""
    station: str
    """Stuck: where last heard. Held up and unheard: the station concerned. Stray: where placed, empty when unplaced."""
    odds: float
    """Odds for this against the best alternative (60 means 60 : 1), at most a million."""
    why: str
    ball: int = -1
    """Number of the ball in order of feeding, from 0; -1 for a stray or where it is not settled yet."""
    state: str = "settled"
    """``suspected`` while it may still change (live), ``settled``, or ``closed`` when a suspicion proved groundless."""
    said_s: float = math.nan
    """Time of the run at which it could be said."""
    or_s: float = math.nan
    """Stuck: when another ball was last heard there that it may have been instead; the odds are for either."""
    closes_s: float = math.nan
    """Time of the suspicion that this settles; NaN where there was none."""

    def to_dict(self) -> dict[str, Any]:
        """Return ``kind, time_s, station, odds, why`` as plain values for JSON."""
        return {
            "kind": self.kind,
            "time_s": round(self.time_s, 6),
            "station": self.station,
            "odds": float(f"{self.odds:.3g}"),
            "why": self.why,
            **({} if math.isnan(self.or_s) else {"or_time_s": round(self.or_s, 6)}),
        }


def ball_called(number: int) -> str:
    """Return how sentences name a ball that tables count from 0: people count from 1."""
    return f"the {nth(number + 1)} ball" if number >= 0 else "a ball"


@dataclass(frozen=True, slots=True)
class OpenBall:
    """A ball not heard again, although the odds do not allow to call it stuck."""

    ball: int
    station: str
    """Where it was last heard, and ``time_s`` when."""
    time_s: float
    readings: tuple[tuple[str, float], ...]
    """What may have become of it, the likeliest first, each with its odds against all others."""
    or_s: float = math.nan
    """When another ball was last heard there that it may have been instead."""

    @property
    def sentence(self) -> str:
        """Return the sentence that names it."""
        said = " or ".join(f"{what} ({either_way(odds)})" for what, odds in self.readings)
        other = "" if math.isnan(self.or_s) else f", or the one heard there at {self.or_s:.2f} s"
        return f"{ball_called(self.ball)}, last heard at {self.station} at {self.time_s:.2f} s{other}: {said}"

    def to_dict(self) -> dict[str, Any]:
        """Return ``ball, station, time_s, readings`` as plain values for JSON; readings as ``{what, odds}``."""
        readings = [{"what": what, "odds": float(f"{odds:.3g}")} for what, odds in self.readings]
        found = {"ball": self.ball, "station": self.station, "time_s": round(self.time_s, 6), "readings": readings}
        return found if math.isnan(self.or_s) else {**found, "or_time_s": round(self.or_s, 6)}


@dataclass(frozen=True, slots=True)
class Passage:
    """One ball from one station where it was heard to the next where it was heard."""

    ball: int
    origin: str
    station: str
    time_s: float
    took_s: float
    late: bool
    odds: float


class Passages:
    """The passages of a run as they are settled, kept as columns: a watch goes on for days."""

    def __init__(self, stations: Sequence[str]) -> None:
        self._names = stations
        self._ball, self._ends = array("q"), (array("h"), array("h"))
        self._floats = array("d"), array("d"), array("d")
        self._late = bytearray()

    def add(self, ball: int, origin: int, station: int, time_s: float, took_s: float, late: bool, odds: float) -> None:
        """Add one between two stations given by their index; the rest as of :class:`Passage`."""
        self._ball.append(ball)
        for ends, value in zip(self._ends, (origin, station), strict=True):
            ends.append(value)
        for floats, number in zip(self._floats, (time_s, took_s, odds), strict=True):
            floats.append(number)
        self._late.append(late)

    def all(self) -> tuple[Passage, ...]:
        """Return them in the order in which they were settled."""
        rows, names = zip(self._ball, *self._ends, *self._floats, self._late, strict=True), self._names
        return tuple(
            Passage(n, names[a], names[b], time_s, took_s, bool(late), odds)
            for n, a, b, time_s, took_s, odds, late in rows
        )


@dataclass(frozen=True)
class Ledger:
    """Every ball of one run accounted for."""

    run: str
    fed: int
    """Balls fed: as stated, else balls followed (those under way at the start, and stuck before they were heard,
    included)."""
    arrived: int
    """Balls heard at the last station."""
    findings: tuple[Finding, ...] = ()
    """In order of time; only those claimed."""
    passages: tuple[Passage, ...] = ()
    under_way: int = 0
    """Balls on their way, and not late, when the run ended."""
    undecided: int = 0
    """Balls that were not heard again although the odds do not allow to call them stuck."""
    not_followed: int = 0
    """Balls whose way led through time not listened to, and those stated as fed that were never heard."""
    listened_s: float = 0.0
    transit_s: dict[str, tuple[float, float]] = field(default_factory=dict)
    """For each station but the last: (shortest, longest) usual time to the next, given or learnt."""
    heard_share: dict[str, float] = field(default_factory=dict)
    """For each station: share heard of the balls that passed, as later stations show; NaN if none."""
    notes: tuple[str, ...] = ()
    open_balls: tuple[OpenBall, ...] = ()
    """The undecided ones."""

    def count(self, kind: str) -> int:
        """Return how many findings of a kind there are."""
        return sum(f.kind == kind for f in self.findings)

    @property
    def balls(self) -> int:
        """Balls whose history is complete: arrived or stuck. Those under way or undecided are not counted."""
        return self.arrived + self.count("stuck")

    @property
    def accounted(self) -> int:
        """All balls in the account, each in one column: those fed, or more where more were followed than stated."""
        return self.balls + self.undecided + self.under_way + self.not_followed

    def without(self, kind: str) -> Ledger:
        """Return the ledger with no finding of a kind."""
        return replace(self, findings=tuple(f for f in self.findings if f.kind != kind))

    def to_dict(self) -> dict[str, Any]:
        """Return ``run, fed, arrived, findings`` as plain values for JSON."""
        findings = [f.to_dict() for f in self.findings]
        rest: dict[str, Any] = {"undecided": [b.to_dict() for b in self.open_balls]} if self.open_balls else {}
        for name in ("under_way", "not_followed"):
            if count := getattr(self, name):
                rest[name] = count
        return {"run": self.run, "fed": self.fed, "arrived": self.arrived, "findings": findings, **rest}


def ledger_document(ledgers: Sequence[Ledger], failure_rate: dict[str, Any] | None) -> dict[str, Any]:
    """Return the document that ``ledger --json`` prints; ``failure_rate`` from ``FailureRate.to_dict()`` or None."""
    return {"runs": [ledger.to_dict() for ledger in ledgers], "failure_rate": failure_rate}


def say_odds(odds: float) -> str:
    """Return odds in words: ``60 : 1``."""
    if odds >= MOST_ODDS:
        return "over a million : 1"
    return f"{odds:,.0f} : 1" if odds >= 10 else f"{odds:.1f} : 1"


def either_way(odds: float) -> str:
    """Return odds with the larger number spoken: ``60 : 1``, ``1 : 60``, ``1 : over a million``."""
    return say_odds(odds) if odds >= 1 else f"1 : {say_odds(1 / max(odds, 1e-300)).removesuffix(' : 1')}"
