"""Balls followed beyond those fed, as stated: of the lost ones heard once only as many are foreign sounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from noisecheck.flow.findings import Finding, OpenBall, say_odds
from noisecheck.flow.odds import combine_odds
from noisecheck.flow.route import LedgerSettings

__all__ = ["Rest", "without_foreign"]

_MISCOUNTED: Final = 0.01
"""Share of stated numbers of balls that are too low (common practice, no source)."""
_LEAST: Final = 1e-6  # odds; so that none of them is 0


class Rest(NamedTuple):
    """Findings and open balls of a run, and how many of its balls were foreign sounds."""

    findings: list[Finding]
    open_balls: list[OpenBall]
    foreign: int


def without_foreign(
    findings: Sequence[Finding],
    open_balls: Sequence[OpenBall],
    once: Mapping[int, float],
    beyond: int,
    settings: LedgerSettings,
) -> Rest:
    """Return what is left where more balls were followed than were fed.

    Args:
        findings, open_balls: of the run.
        once: balls heard once, with the odds that it was a ball, whatever became of it.
        beyond: how many more balls were followed.
        settings: odds that claims need.

    A lost ball that was heard once may as well be a stray. As many of them are as there are balls too many, unless the
    stated number is wrong; which, the odds of each tell.
    """
    lost = [f for f in findings if f.kind == "stuck" and f.ball in once]
    if beyond <= 0 or not lost:
        return Rest(list(findings), list(open_balls), 0)
    odds = [once[f.ball] for f in lost] + [once[b.ball] for b in open_balls if b.ball in once]
    found, still_open, foreign = [f for f in findings if f not in lost], list(open_balls), 0
    for f, p in zip(lost, _shares([max(o, _LEAST) for o in odds], beyond), strict=False):
        stuck = combine_odds(1.0 - p, p, 1.0, 1.0 / f.odds)
        if stuck >= settings.claim_last_odds:
            why = f.why.replace(say_odds(f.odds), say_odds(stuck), 1)
            found.append(replace(f, odds=stuck, why=f"{why}, as more balls were followed than were fed"))
        elif (stray := combine_odds(p, 1.0 - p)) >= settings.claim_odds:
            why = f"an impact placed at {f.station}, but all balls fed were heard elsewhere, {say_odds(stray)}"
            found.append(Finding("stray", f.time_s, f.station, stray, why, said_s=f.said_s))
            foreign += 1
        else:
            still_open.append(OpenBall(f.ball, f.station, f.time_s, (("a stray", stray), ("stuck", stuck)), f.or_s))
    return Rest(found, still_open, foreign)


def _shares(odds: Sequence[float], beyond: int) -> list[float]:
    """Return how likely each of several balls is foreign, by the odds of each against it, and by how many must be."""
    due = min(beyond, len(odds))

    def ways(of: Sequence[float]) -> list[float]:
        """Return the weight of any 0, 1, 2... of them being foreign: coefficients of the product of (1 + x / odds)."""
        found = [1.0]
        for one in of:
            found = [a + b / one for a, b in zip([*found, 0.0], [0.0, *found], strict=True)]
        return found

    def likely(number: int) -> float:
        return 1.0 if number == due else _MISCOUNTED

    whole = sum(likely(k) * w for k, w in enumerate(ways(odds)))
    return [
        sum(likely(k + 1) * w for k, w in enumerate(ways([*odds[:n], *odds[n + 1 :]]))) / one / whole
        for n, one in enumerate(odds)
    ]
