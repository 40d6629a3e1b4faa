"""Ledgers of one run by several transit times that explain it alike: what all of them say is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from noisecheck.flow.findings import Finding, Ledger, OpenBall
from noisecheck.flow.route import Route
from noisecheck.flow.transits import Fit

__all__ = ["agreed", "borne_out", "other_readings", "untold"]

_MOST: Final = 5
"""Readings beside the likeliest that are gone into."""
_SAME_S: Final = 0.02
"""Findings nearer in time than this are of the same impact."""


def other_readings(fits: Sequence[Fit]) -> list[list[Fit]]:
    """Return the fits with one link of several possible transit times taken otherwise, each in turn."""
    found = [
        [*fits[:link], Fit(*rival), *fits[link + 1 :]]
        for number in range(_MOST)
        for link, fit in enumerate(fits)
        for rival in fit.rivals[number : number + 1]
    ]
    return found[:_MOST]


def borne_out(followed: Sequence[int], fed: int | None) -> list[int]:
    """Return which readings the stated number of balls leaves.

    Args:
        followed: how many balls each reading follows, the likeliest first.
        fed: how many were fed, as stated.

    A ball more than were fed is a foreign sound taken for one, which is a hundred times rarer. The likeliest reading
    may lead another by more than that (400 : 1), so that one ball does not speak against it.
    """
    beyond = [0 if fed is None else max(n - fed, 0) for n in followed]
    return [n for n, many in enumerate(beyond) if many <= min(beyond) + (n == 0)]


def untold(route: Route, readings: Sequence[Sequence[Fit]]) -> list[str]:
    """Return the sentences on links whose transit times cannot be told: those of the readings that are left differ."""
    found = []
    for name, fits in zip(route.stations, zip(*readings, strict=True), strict=False):
        means = list(dict.fromkeys(fit.mean for fit in fits))
        if len(means) > 1:
            found.append(
                f"how long a ball takes from {name} on is not told: {' or '.join(f'{m:.2f} s' for m in means)} explain "
                "what is heard nearly as well, so only what holds for each is claimed (state transit_s in rig.toml)"
            )
    return found


def agreed(ledger: Ledger, others: Sequence[Ledger]) -> Ledger:
    """Return the ledger with only those findings that others, by other transit times, have as well.

    A ball that one reading has stuck is another ball by another one: two that it may have been are said, more are left
    open, as is what only some readings have stuck.
    """
    findings, still_open = [], list(ledger.open_balls)
    for finding in ledger.findings:
        same = [_same(finding, ledger, other) for other in others]
        found = [s for s in same if s is not None]
        odds = min(f.odds for f in (finding, *found))
        # Another reading may have another ball: the odds are for either.
        instead = {round(f.time_s, 2): f.time_s for f in found if abs(f.time_s - finding.time_s) > _SAME_S}
        instead |= {round(f.or_s, 2): f.or_s for f in (finding, *found) if not math.isnan(f.or_s)}
        instead.pop(round(finding.time_s, 2), None)
        if len(found) == len(same) and len(instead) <= 1:
            other_s = next(iter(instead.values()), math.nan)
            findings.append(replace(finding, odds=odds, or_s=other_s))
        elif finding.kind == "stuck":
            share = len(found) / len(same)
            readings = (("stuck", share / (1.0 - share) if share < 1.0 else odds),)
            other_s = next(iter(instead.values()), math.nan)
            still_open.append(OpenBall(finding.ball, finding.station, finding.time_s, readings, other_s))
    return replace(
        ledger,
        findings=tuple(findings),
        open_balls=tuple(still_open),
        undecided=ledger.undecided + len(still_open) - len(ledger.open_balls),
    )


def _same(finding: Finding, ledger: Ledger, other: Ledger) -> Finding | None:
    """Return the finding of another ledger on the same thing: the same impact, or the same arrival missing."""
    if finding.kind != "stuck":
        alike = [f for f in other.findings if f.kind == finding.kind]
        if finding.kind == "unheard":  # when it was due is known no better than a transit
            reach_s = _blur_before(finding.station, ledger)
            alike = [f for f in alike if f.station == finding.station]
        else:
            reach_s = _SAME_S
        return next((f for f in alike if abs(f.time_s - finding.time_s) <= reach_s), None)
    due, _ = _due(finding, ledger)
    best, least = None, math.inf
    for one in other.findings:
        if one.kind == "stuck" and one.station == finding.station:
            its_due, blur = _due(one, other)
            if abs(its_due - due) <= min(blur, least):
                best, least = one, abs(its_due - due)
    return best


def _due(finding: Finding, ledger: Ledger) -> tuple[float, float]:
    """Return when a stuck ball was due at the next station, and by how much that may be wrong."""
    low, high = ledger.transit_s.get(finding.station, (0.0, 0.0))
    return finding.time_s + 0.5 * (low + high), 0.5 * (high - low) + _SAME_S


def _blur_before(station: str, ledger: Ledger) -> float:
    """Return by how much the time at which a ball is due at a station may be wrong, in s."""
    names = list(ledger.transit_s)
    before = names.index(station) - 1 if station in names else -1
    low, high = ledger.transit_s[names[before]] if before >= 0 else (0.0, 0.0)
    return 0.5 * (high - low) + _SAME_S
