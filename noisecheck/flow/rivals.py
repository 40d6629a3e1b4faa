"""Impacts of which one at most is the rebound due: a contact rebounds once."""

from __future__ import annotations

import math
from collections.abc import Sequence

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.explanations import SAME_REBOUND, Impact, ReboundsDue, as_rebound, unexplained
from noisecheck.flow.histories import Contacts, History, Overdue, decision_on, of_late

__all__ = ["Rival", "Rivals"]

_TINY = 1e-300


class Rival:
    """An impact that may be the same rebound as one after it."""

    __slots__ = ("_beliefs", "_due", "_known", "impact")

    def __init__(self, beliefs: Beliefs, impact: Impact) -> None:
        self._beliefs, self.impact = beliefs, impact
        self._due: ReboundsDue | None = None  # worked out when it is asked for
        self._known: dict[Contacts, dict[tuple[int, int], float]] = {}

    def by_none(self, h: History, contacts: Contacts) -> bool:
        """Return whether a history, with those contacts of late, has it that neither a ball nor its fall made this."""
        number = self.impact.number
        for _, contact in contacts:
            if contact == number:
                return False
        by = decision_on(h.past, self.impact)
        return by is not None and by.kind == "none" and by.ball < 0

    def share(self, at: tuple[int, int], contacts: Contacts) -> float:
        """Return the probability that this is the rebound due of a contact (station, impact), if no ball made it."""
        shares = self._known.get(contacts)
        if shares is None:
            if self._due is None:
                self._due = ReboundsDue(self._beliefs, self.impact)
            due = self._due.by_contact(tuple([c for c in contacts if c[1] < self.impact.number]))
            whole = sum(unexplained(self._beliefs, self.impact)) + sum(due.values())
            shares = self._known[contacts] = {c: p / whole for c, p in due.items()}
        return shares.get(at, 0.0)


class Rivals:
    """The impacts just before another that may be the same rebound.

    Args:
        beliefs: of the run.
        impact: it.
        heard: all impacts so far, by number, as they were taken in.
    """

    __slots__ = ("_beliefs", "_found", "_impact", "_reach_s")

    def __init__(self, beliefs: Beliefs, impact: Impact, heard: Sequence[Impact]) -> None:
        self._beliefs, self._impact = beliefs, impact
        self._reach_s = [SAME_REBOUND * law.first_s[0] if law.known else 0.0 for law in beliefs.laws]
        self._found: list[Rival] = []
        at, reach_s = impact.number - 1, max(self._reach_s, default=0.0)
        while at >= 0 and impact.time_s - heard[at].time_s < reach_s:
            self._found.append(Rival(beliefs, heard[at]))
            at -= 1

    @property
    def any(self) -> bool:
        """Whether there are any, whatever made them."""
        return bool(self._found)

    def of(self, h: History, contacts: Contacts) -> tuple[Rival, ...]:
        """Return those that no ball made, as a history with those contacts of late has it."""
        return tuple([r for r in self._found if r.by_none(h, contacts)]) if self._found else ()

    def room(self, at: tuple[int, int], contacts: Contacts, others: Sequence[Rival]) -> float:
        """Return the probability that none of them is the rebound due of a contact (station, impact)."""
        left, reach_s = 1.0, self._reach_s[at[0]]
        for other in others:
            if self._impact.time_s - other.impact.time_s < reach_s:
                left *= 1.0 - other.share(at, contacts)
        return left

    def without(self, histories: list[History], at: tuple[int, int]) -> list[History]:
        """Return the histories once the impact is known to be the rebound due of a contact (station, impact)."""
        if not self._found:
            return histories
        found, changed, now_s = [], False, self._impact.time_s
        odds = as_rebound(self._beliefs, self._impact, at[1], True)
        sure = odds / (1.0 + odds)
        for h in histories:
            contacts = of_late(h.contacts, now_s, self._beliefs.heard)
            left = self.room(at, contacts, self.of(h, contacts))
            changed |= left < 1.0
            log = math.log(max(1.0 - sure * (1.0 - left), _TINY))
            found.append(h if left == 1.0 else History(h.log_p + log, *h[1:]))
        return Overdue(now_s, self._beliefs).ranked(found) if changed else histories
