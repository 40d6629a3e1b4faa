"""The ledger of a measured run: every ball accounted for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.flow.contacts import first_contacts, followed_impacts, labels_of
from noisecheck.flow.findings import Ledger
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.silence import silences
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.windows import contradicted, without
from noisecheck.place.evidence import Evidence

__all__ = ["follow_balls"]

_LEARN_S = 300.0
"""Start of a recorded run from which transit times are learnt: it need not be quick."""


def follow_balls(
    impacts: Impacts,
    route: Route,
    *,
    end_s: float,
    feed: FeedPlan | None = None,
    settings: LedgerSettings | None = None,
    start_s: float = 0.0,
    gaps_s: Sequence[tuple[float, float]] = (),
    silent: Sequence[str] = (),
    run: str = "",
    odds: Evidence | None = None,
) -> Ledger:
    """Return the ledger of one measured run.

    Args:
        impacts: impacts of this run; ``time_s``, ``station``, ``station_confidence``, ``odds``, ``drop``,
            ``rebound`` and ``lae_db`` are used, and may be blank but for ``time_s``.
        route: the balls' way; stations without a single impact are left out as not listened to, and transit times
            that the sounds contradict are replaced by those heard; notes say so.
        end_s, start_s: span listened to, seconds of the run.
        gaps_s: spans within it not listened to.
        silent: stations known to have no microphone near.
        odds: what each impact sounds like, row by row with ``impacts``; else ``station_confidence`` is used.

    Raises:
        InputError: times outside the span (were frames given for seconds?), or ``end_s`` before ``start_s``.
    """
    if end_s < start_s:
        raise InputError(f"the run ends at {end_s:g} s, before it starts at {start_s:g} s")
    rows, codes = first_contacts(impacts, route, rebounds=True)
    times = impacts["time_s"][rows]
    if len(times) and not (times[0] >= start_s and times[-1] <= end_s):
        raise InputError(
            f"impacts from {times[0]:.3f} to {times[-1]:.3f} s lie outside the run ({start_s:g} to {end_s:g} s): "
            "are the times in seconds of this run?"
        )
    first = impacts["rebound"][rows] <= 0
    unheard = [n for i, n in enumerate(route.stations) if not np.any(codes[first] == i)]
    heard = route.heard_only([*silent, *unheard])
    translate = np.array([heard.stations.index(n) if n in heard.stations else -1 for n in route.stations] + [-1], int)
    chosen = settings or LedgerSettings()
    wrong = contradicted(
        times[first], translate[codes[first]], heard, longest_s=chosen.longest_transit_s, start_s=start_s, end_s=end_s
    )
    heard = without(heard, wrong)
    quiet = silences(times[first], translate[codes[first]], heard, start_s=start_s, end_s=end_s)
    if None in heard.transit_s:
        # Under an even feed a transit fits nearly as well with a feed period more: only many balls tell which it is.
        chosen = replace(chosen, learn_s=max(chosen.learn_s, _LEARN_S))
    solver = LedgerSolver(heard, feed=feed, settings=chosen, start_s=start_s, gaps_s=gaps_s, run=run)
    for silence in quiet:
        solver.beliefs.deaf[silence.station].append((silence.deaf_from_s, silence.to_s))
    solver.learn_habits(impacts)
    solver.update(
        times,
        translate[codes],
        now_s=end_s,
        confidence=impacts["station_confidence"][rows],
        odds=impacts["odds"][rows],
        level_db=impacts["lae_db"][rows],
        followed=followed_impacts(impacts)[rows],
        drop=impacts["drop"][rows],
        rebound=impacts["rebound"][rows],
        labels=None if odds is None else labels_of(odds.where(rows), heard),
    )
    ledger = solver.finish(end_s)
    left_out = [n for n in route.stations if n not in heard.stations]
    notes = [f"not listened to: {', '.join(left_out)}"] if left_out else []
    if (never := [n for n in left_out if n not in silent]) and rows.size:
        notes[0] += (
            f" (nothing was heard at {', '.join(never)} in the whole run: what became of balls there is not known, "
            f"and arrived means heard at {heard.stations[-1]})"
        )
    notes += [c.sentence for c in wrong]
    notes += [s.sentence(heard.stations) for s in quiet]
    return replace(ledger, notes=(*notes, *ledger.notes)) if notes else ledger
