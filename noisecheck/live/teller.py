"""What the ledger finds told as events, each once; what it takes back is told too."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final, Protocol

from noisecheck.flow.findings import KIND_WORDS, Finding, OpenBall
from noisecheck.live.events import Event, clock_text

__all__ = ["Teller", "standing"]

_TOLD: Final = 5000
_SAME_S: Final = {"stuck": 0.005, "stray": 0.005, "held_up": 0.005, "unheard": 0.1}
"""Two findings of one kind and place this near in time are one: when a ball unheard was due is known roughly only."""


class Solver(Protocol):
    """Follows the balls from which suspicions are told."""

    def stands(self, suspicion: Finding) -> bool:
        """Return whether it is not settled, and borne out still."""
        ...

    def forget(self, suspicion: Finding) -> None:
        """Forget one that nobody was told."""
        ...

    def take_over(self, suspicion: Finding) -> bool:
        """Take over one that was told before it followed them; return whether it is open here, too."""
        ...


class Teller:
    """Turns the ledger's findings into events, each told once, and ties late arrivals to earlier suspicions."""

    def __init__(self) -> None:
        self._open: list[Finding] = []
        """Suspicions told, and not decided yet."""
        self._told: list[Finding] = []
        """The last findings told as settled."""

    def tell(self, news: list[Finding], said_s: float, *, solver: Solver | None = None) -> list[Event]:
        """Return the events of what the ledger has to say at ``said_s`` seconds of the watch.

        Suspicions that did not last until then are not told; ``solver`` knows.
        """
        events = []
        for f in news:
            if solver is not None and f.state == "suspected" and not _find(self._open, f) and not solver.stands(f):
                solver.forget(f)
            elif (event := self._event(f, said_s)) is not None:
                events.append(event)
        return events

    def tell_over(
        self,
        news: Iterable[Finding],
        said_s: float,
        *,
        from_s: float = math.inf,
        undecided: Sequence[OpenBall] = (),
        solver: Solver | None = None,
    ) -> list[Event]:
        """Return the events of everything there is to say, now that all was accounted for again.

        What was told before is not told again; what was told and is not borne out now is taken back, unless it is of
        a time from ``from_s`` on, which is not settled yet, or of a ball that stays undecided. What was suspected and
        is not settled is handed on to the ``solver`` that goes on.
        """
        left = standing(news)
        open_now, settled = ([f for f in left if f.state == state] for state in ("suspected", "settled"))
        events = []
        for told in [t for t in self._told if t.time_s < from_s and not _find(settled, t) and not _find(open_now, t)]:
            self._told.remove(told)
            events.append(_taken_back(told, said_s))
        events += self.tell([f for f in settled if f.kind == "held_up"], said_s)
        for old in [o for o in self._open if not _find(settled, o) and not _find(open_now, o)]:
            if solver is not None and solver.take_over(old):
                continue
            self._open.remove(old)
            ball = next((b for b in undecided if old.kind == "stuck" and _of(old, b)), None)
            events.append(_taken_back(old, said_s) if ball is None else _undecided(old, ball, said_s))
        events += self.tell([f for f in settled if f.kind != "held_up"], said_s)
        return events + self.tell([f for f in open_now if not _find(self._open, f)], said_s, solver=solver)

    def _event(self, f: Finding, said_s: float) -> Event | None:
        if f.state == "closed":
            known = _take(self._open, f)
            text = f"the suspicion of {clock_text(f.time_s)} is closed: {f.why}"
            return Event("cleared", f.time_s, said_s, text, f.station, f.odds, "settled") if known else None
        if f.state == "suspected":
            self._open.append(f)
            # After the account was made again, what was settled may be open once more.
            again = _take(self._told, f)
            return None if again else Event(f.kind, f.time_s, said_s, f.why, f.station, f.odds, "suspected")
        if _find(self._told, f):
            return None
        self._told.append(f)
        del self._told[:-_TOLD]
        more: dict[str, Any] = {} if f.ball < 0 else {"ball": f.ball}
        if _take(self._open, f):
            why, more = f"borne out: {f.why}", {**more, "confirms": True}
            return Event(f.kind, f.time_s, said_s, why, f.station, f.odds, "settled", more)
        if f.kind == "held_up":
            closes = next((o for o in self._open if _closes(f, o)), None)
            if closes is not None:
                self._open.remove(closes)
                more["closes_s"] = round(closes.time_s, 6)
                since = f"last heard at {closes.station} at {clock_text(closes.time_s)}"
                text = f"the ball suspected stuck, {since}, came: {f.why}"
                return Event("arrived_late", f.time_s, said_s, text, f.station, f.odds, "settled", more)
        return Event(f.kind, f.time_s, said_s, f.why, f.station, f.odds, "settled", more)


def standing(news: Iterable[Finding]) -> list[Finding]:
    """Return what is left of all that was said of a run: what is settled, and the suspicions still open."""
    left: list[Finding] = []
    for f in news:
        left = [o for o in left if o.state != "suspected" or not (_same(o, f) or _closes(f, o))]
        if f.state != "closed":
            left.append(f)
    return left


def _same(a: Finding, b: Finding) -> bool:
    # A stray is put to this station or that, or none, by what the run has taught so far: it is the same sound.
    there = a.station == b.station or a.kind == "stray"
    return a.kind == b.kind and there and abs(a.time_s - b.time_s) <= _SAME_S[a.kind]


def _closes(f: Finding, suspicion: Finding) -> bool:
    """Return whether a finding, a ball that came late, settles a suspicion."""
    return suspicion.kind == "stuck" and suspicion.time_s == f.closes_s


def _of(f: Finding, ball: OpenBall) -> bool:
    return f.station == ball.station and abs(f.time_s - ball.time_s) <= _SAME_S[f.kind]


def _find(among: list[Finding], f: Finding) -> Finding | None:
    """Return the finding that is the same, heard over perhaps; None where there is none."""
    return next((o for o in reversed(among) if _same(o, f)), None)


def _take(among: list[Finding], f: Finding) -> Finding | None:
    """Take the finding that is the same out of a list and return it; None where there is none."""
    found = _find(among, f)
    if found is not None:
        among.remove(found)
    return found


def _taken_back(f: Finding, said_s: float) -> Event:
    what = f"{KIND_WORDS[f.kind]}{' at ' + f.station if f.station else ''}"
    text = f"what was said of {clock_text(f.time_s)} ({what}) is taken back: all that was heard since speaks against it"
    return Event("cleared", f.time_s, said_s, text, f.station, math.nan, "settled")


def _undecided(f: Finding, ball: OpenBall, said_s: float) -> Event:
    text = f"what was said of {clock_text(f.time_s)} stays undecided: {ball.sentence}"
    return Event(f.kind, f.time_s, said_s, text, f.station, math.nan, "suspected", {"confirms": True})
