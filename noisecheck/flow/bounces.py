"""What no ball made bounces, too: what follows a stray, softer, is the same event, no ball and none that fell."""

from __future__ import annotations

import math
from collections.abc import Container
from typing import Final

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.explanations import Impact, unexplained
from noisecheck.flow.histories import Decision, decision_of

__all__ = ["Bounces"]

_BOUNCE_S: Final = (0.04, 1.0)
"""A bounce of two millimetres takes 40 ms, one after a fall of a metre and more on a hard floor a second."""
_BOUNCES: Final = 0.3
"""Share of strays that are heard to bounce once more, after any time in proportion (common practice, no source)."""
_SOFTER_DB: Final = 2.0
"""A bounce is softer by more at a restitution below 0.84 (26 dB a decade)."""
_LEAST: Final = 0.05
"""What is less likely a stray, should no ball have made it, is a rebound of a ball or chance."""


class Bounces:
    """The strays of which an impact may be a bounce, worked out once for all histories.

    Args:
        beliefs: of the run.
        impact: it.
    """

    __slots__ = ("_foreign", "_number", "_of")

    def __init__(self, beliefs: Beliefs, impact: Impact) -> None:
        self._foreign, self._number = beliefs.foreign, impact.number
        self._of: list[tuple[int, float, float]] = []
        """(number, s, density) of what may be one in some history, the last one first."""
        (low, high), each, times = _BOUNCE_S, 0.0, beliefs.heard
        for number in reversed(self._foreign):
            if (since := impact.time_s - times[number]) >= high:
                break
            softer = impact.level_db < beliefs.heard_db[number] - _SOFTER_DB
            if softer and since > low and impact.channel == beliefs.heard_by[number]:
                each = each or unexplained(beliefs, impact)[0] / beliefs.stray_rate * _BOUNCES / math.log(high / low)
                self._of.append((number, times[number], each / since))

    def __bool__(self) -> bool:
        return bool(self._of)

    def density(self, past: Decision | None, only: Container[int] | None = None) -> float:
        """Return the density of a bounce, by what a history says of the strays; ``only`` of these if given."""
        total = 0.0
        for number, time_s, density in self._of:
            if only is None or number in only:
                at = decision_of(past, number, time_s)
                if at is not None:
                    total += density * at.foreign
        return total

    def share(self, stray: float, total: float) -> float:
        """Return how likely the impact was a stray or the bounce of one, ``stray`` of ``total``, and remember that."""
        share = stray / total
        if share <= _LEAST:
            return 0.0
        if not self._foreign or self._foreign[-1] != self._number:
            self._foreign.append(self._number)
        return share
