"""What a watch says before it can judge balls: that it listens, what is not known yet, and when it begins."""

from __future__ import annotations

import math

from noisecheck.flow.solver import LedgerSolver
from noisecheck.live.events import Event, clock_text

__all__ = ["Readiness"]


class Readiness:
    """Says once what is waited for before anything is said of balls, and once that it is over."""

    def __init__(self) -> None:
        self._waits = self._ready = False

    def waits(self, solver: LedgerSolver, heard: str, now_s: float, *, until_s: float = math.nan) -> list[Event]:
        """Return what is not known yet.

        Args:
            solver: of what was heard so far.
            heard: how many impacts so far, in words.
            now_s: seconds of the watch.
            until_s: how long laws of rebounds are waited for; NaN: they are not.
        """
        if self._waits or self._ready:
            return []
        self._waits = True
        names = solver.route.stations
        unknown = [n for n, law in zip(names, solver.beliefs.laws, strict=True) if not law.known]
        reasons = []
        if unknown and not math.isnan(until_s):
            known = f"is waited for, until {clock_text(until_s)} at most"
            reasons.append(f"how they rebound at {', '.join(unknown)} {known}")
        open_links = [n for n, w in zip(names, solver.route.transit_s, strict=False) if w is None]
        if open_links:
            reasons.append(
                f"how long they take from {', '.join(open_links)} is not in the rig file (transit_s), and learnt from "
                f"their first {solver.settings.learn_s:.0f} s"
            )
        why = "; ".join(reasons) or "too much is odd about what was heard so far"
        return [Event("note", now_s, now_s, f"{heard}; nothing is said of balls yet: {why}")]

    def ready(self, now_s: float) -> list[Event]:
        """Return that balls are followed, once."""
        if self._ready:
            return []
        self._ready = True
        text = "balls are followed from here on; those heard until now are accounted for"
        return [Event("note", now_s, now_s, text)]
