"""Whether a run's balls can have been followed rightly: where they cannot, nothing is claimed of them."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from noisecheck.flow.findings import Ledger

__all__ = ["credible", "nothing_claimed"]

_MISCOUNTED = (3, 0.1)
"""Balls, and the share of those fed, that may be counted too many."""
_UNHEARD = 10
"""Balls that pass unheard somewhere in most runs that are followed rightly, where most do not arrive."""
_OFF_BY_ONE = (10, 0.2, 0.8)
"""Balls late on one link, their share, and the share of them that come when the next is due, and whose next is late,
too: balls held up come at any time, or when the next one sets them free."""


def credible(ledger: Ledger) -> Ledger:
    """Return the ledger, with all balls undecided where they cannot have been followed rightly.

    That is where far more arrive than were fed and many of them come as if unheard (balls that come round again are
    heard all the way), where more are followed than were fed and most never arrive, and where most never arrive and
    more pass unheard somewhere than arrive.
    """
    unheard = ledger.count("unheard")
    if link := _off_by_one(ledger):
        said = (
            f"ball after ball seems to come late from {link}, just when the next one is due: they are followed off by "
            f"one, or one stays there until the next sets it free, so nothing is claimed of them (look at {link}; feed "
            "them further apart, or give each station a microphone)"
        )
        return nothing_claimed(ledger, said)
    likely = ledger.fed + max(_MISCOUNTED[0], _MISCOUNTED[1] * ledger.fed)
    lost = ledger.count("stuck") + ledger.undecided + ledger.under_way
    if ledger.arrived + lost > likely and lost > ledger.arrived:
        said = (
            f"{ledger.arrived + lost} balls seem to be on their way where {ledger.fed} were fed, {lost} of them never "
            "heard to arrive: they are not followed rightly, so nothing is claimed of them (say transit_s in rig.toml; "
            "record more balls in one run, and the machine without balls, too, as role background)"
        )
        return nothing_claimed(ledger, said)
    if unheard > max(_UNHEARD, ledger.arrived) and ledger.accounted > 2 * ledger.arrived:
        said = (
            f"{ledger.accounted} balls seem to be on their way, {ledger.arrived} of them arrive, and {unheard} times "
            "one passes unheard: what is heard is not told apart by stations, so nothing is claimed of its balls (tap "
            "the stations, or give each a microphone)"
        )
        return nothing_claimed(ledger, said)
    if ledger.arrived <= likely:
        return ledger
    if unheard <= _MISCOUNTED[1] * ledger.arrived:
        return ledger
    said = (
        f"{ledger.arrived} balls seem to arrive where {ledger.fed} were fed, {unheard} of them unheard on their way: "
        "contacts are put to the wrong stations, so nothing is claimed of its balls (tap the stations again, or give "
        "each a microphone)"
    )
    return nothing_claimed(ledger, said)


def nothing_claimed(ledger: Ledger, said: str) -> Ledger:
    """Return the ledger with all balls undecided."""
    notes = (said, *ledger.notes)
    none = replace(ledger, arrived=0, under_way=0, not_followed=0, findings=(), passages=(), open_balls=(), notes=notes)
    return replace(none, undecided=ledger.fed)


def _off_by_one(ledger: Ledger) -> str:
    """Return the station from which balls are followed off by one, if there is one.

    Balls let go together say nothing of it: one of them is due at any time.
    """
    least, part, most = _OFF_BY_ONE
    for name, (low, high) in ledger.transit_s.items():
        passed = sorted((p for p in ledger.passages if p.origin == name), key=lambda p: p.time_s - p.took_s)
        gaps = np.diff([p.time_s - p.took_s for p in passed], append=math.inf)
        passed = [p for p, gap in zip(passed, gaps, strict=True) if gap > high - low]
        late = [p for p in passed if p.late]
        follows = [after.late for one, after in itertools.pairwise(passed) if one.late]
        if len(late) <= max(least, part * len(passed)) or sum(follows) <= most * len(follows):
            continue
        left = np.sort([p.time_s - p.took_s for p in passed])
        came = np.array([p.time_s for p in late])
        after = np.array([p.time_s - p.took_s for p in late]) + 1e-6
        due = np.searchsorted(left, came - low, "right") > np.maximum(
            np.searchsorted(left, came - high), np.searchsorted(left, after)
        )
        if due.mean() > most:
            return name
    return ""
