"""The ledger of a measured run: every ball accounted for."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.flow.contacts import (
    faintness,
    first_contacts,
    followed_impacts,
    labels_of,
    levels_of,
    of_one_sound,
    real_odds,
)
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.readings import agreed, borne_out, other_readings, untold
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.siblings import Sibling, untold_here
from noisecheck.flow.silence import BALLS, Silence, never_heard, silences
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.strange import with_trains_by_sound
from noisecheck.flow.transits import Fit, learn_transits
from noisecheck.flow.windows import Contradiction, contradicted, without
from noisecheck.place.evidence import Evidence

__all__ = ["Followed", "follow_balls", "follow_so_far", "without_crowd"]

_LEARN_S = 300.0
"""Start of a watch from which transit times are learnt, as far as there is so much."""
_CROWD = (10, 0.1)
"""More strays than both so many and this share of the balls are sounds of the machine: single events are rarer."""
_CROWD_OF_STATION = (2, 0.05)
"""The same in a run in which a station of the way was never heard: they are what it sounds like."""


@dataclass(frozen=True)
class Followed:
    """A run followed up to some time."""

    solver: LedgerSolver
    route: Route
    """The way its solver knows: stations listened to, with the transit times that are heard."""
    news: tuple[Finding, ...]
    """Everything there was to say on the way, in order."""
    silences: tuple[Silence, ...]
    """Where a station fell silent, stations as on ``route``."""
    wrong: tuple[Contradiction, ...]
    """Stated transit times that are not what is heard."""
    notes: tuple[str, ...]
    others: tuple[LedgerSolver, ...] = ()
    """The run followed by other transit times that explain it nearly as well."""
    readings: tuple[Sequence[Fit], ...] = ((),)
    """The transit times that it and they follow it by."""
    never: tuple[str, ...] = ()
    """Stations at which nothing was heard in the whole run: sounds of no station may be theirs."""

    def finish(self, end_s: float) -> Ledger:
        """Return the ledger of the run, which ended then."""
        solvers = (self.solver, *self.others)
        ledgers = [s.finish(end_s) for s in solvers]
        fed = None if all(s.book.miscounted for s in solvers) else self.solver.feed.balls
        left = borne_out([s.book.balls for s in solvers], fed)
        ledger = ledgers[left[0]]
        if left[1:]:
            ledger = agreed(ledger, [ledgers[n] for n in left[1:]])
        open_times = untold(self.route, [self.readings[n] for n in left])
        return without_crowd(replace(ledger, notes=(*self.notes, *open_times, *ledger.notes)), self.never)


def without_crowd(ledger: Ledger, never: Sequence[str] = ()) -> Ledger:
    """Return the ledger without strays where they are too many to be any; ``never``: stations it never heard."""
    strays = ledger.count("stray")
    least, share = _CROWD_OF_STATION if never else _CROWD
    if strays <= max(least, share * ledger.fed):
        return ledger
    said = f"{strays} impacts seem to be no ball's where {ledger.fed} balls were fed: "
    if never:
        said += f"they may be what {' or '.join(never)} sounds like, and none is named as a stray"
    else:
        said += "so many are sounds of the machine or rebounds that are not told, and none is named as a stray"
    return replace(ledger.without("stray"), notes=(said, *ledger.notes))


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
    listened: Collection[str] = (),
    alive_s: Mapping[str, NDArray[np.float64]] | None = None,
    run: str = "",
    odds: Evidence | None = None,
    siblings: Sequence[Sibling] = (),
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
        listened: stations known to be heard: where nothing is in a run of few balls, they may be stuck before it.
        alive_s: for stations with a microphone of their own, when that heard sounds from elsewhere, in order of time.
        odds: what each impact sounds like, row by row with ``impacts``; else ``station_confidence`` is used.
        siblings: what other runs of the same revision show, where this one is short.

    Raises:
        InputError: times outside the span (were frames given for seconds?), or ``end_s`` before ``start_s``.
    """
    followed = follow_so_far(
        impacts,
        route,
        now_s=end_s,
        feed=feed,
        settings=settings,
        start_s=start_s,
        gaps_s=gaps_s,
        silent=silent,
        listened=listened,
        alive_s=alive_s,
        run=run,
        odds=odds,
        siblings=siblings,
        at_once=False,
    )
    return followed.finish(end_s)


def follow_so_far(
    impacts: Impacts,
    route: Route,
    *,
    now_s: float,
    goes_on: bool = False,
    feed: FeedPlan | None = None,
    settings: LedgerSettings | None = None,
    start_s: float = 0.0,
    gaps_s: Sequence[tuple[float, float]] = (),
    silent: Sequence[str] = (),
    deaf_s: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    alive_s: Mapping[str, NDArray[np.float64]] | None = None,
    run: str = "",
    odds: Evidence | None = None,
    siblings: Sequence[Sibling] = (),
    listened: Collection[str] = (),
    at_once: bool = True,
) -> Followed:
    """Return a run followed up to ``now_s``, arguments and errors as of :func:`follow_balls`.

    Args:
        goes_on: more is to come: stations not heard yet stay on the way, and transit times are learnt from what there
            is after ``learn_s``.
        deaf_s: for stations by name, spans (from, to) in which their microphone is known to have been dead.
    """
    if now_s < start_s:
        raise InputError(f"the run ends at {now_s:g} s, before it starts at {start_s:g} s")
    if odds is not None:
        impacts = with_trains_by_sound(impacts, odds)
    rows, codes = first_contacts(impacts, route, rebounds=True)
    times = impacts["time_s"][rows]
    if len(times) and not (times[0] >= start_s and times[-1] <= now_s):
        raise InputError(
            f"impacts from {times[0]:.3f} to {times[-1]:.3f} s lie outside the run ({start_s:g} to {now_s:g} s): "
            "are the times in seconds of this run?"
        )
    first = impacts["rebound"][rows] <= 0
    never = [n for i, n in enumerate(route.stations) if not goes_on and not np.any(codes[first] == i)]
    untold_at = [n for n in never if untold_here(n, codes[first], siblings)]
    never = [n for n in never if n not in untold_at]
    # So few balls may all have been held before a station that is listened to; without any nobody knows the place of
    # what was heard.
    balls = int(np.bincount(codes[first & (codes >= 0)], minlength=1).max())
    last = int(codes[first].max(initial=-1))
    few = 0 < balls < BALLS
    stays = [n for n in route.stations[last + 1 :] if few and n in never and n in listened and n not in silent]
    never = [n for n in never if n not in stays]
    heard = route.heard_only([*silent, *never])
    translate = np.array([heard.stations.index(n) if n in heard.stations else -1 for n in route.stations] + [-1], int)
    chosen = settings or LedgerSettings()
    wrong = contradicted(
        times[first], translate[codes[first]], heard, longest_s=chosen.longest_transit_s, start_s=start_s, end_s=now_s
    )
    heard = without(heard, wrong)
    signs = dict(alive_s or {})
    lives = [signs.get(n, None if chosen.shared_microphone else np.empty(0)) for n in heard.stations]
    quiet = silences(times[first], translate[codes[first]], heard, start_s=start_s, end_s=now_s, alive_s=lives)
    quiet = [s for s in quiet if heard.stations[s.station] not in untold_at]
    quiet += never_heard(translate[codes[first]], heard, stays, start_s=start_s, end_s=now_s)
    deaf = [list((deaf_s or {}).get(name, ())) for name in heard.stations]
    unheard = [list(spans) for spans in deaf]
    for s in quiet:
        span = s.deaf_from_s, math.inf if goes_on and s.to_s >= now_s else s.to_s
        unheard[s.station].append(span)
        if s.deafens(goes_on=goes_on):
            deaf[s.station].append(span)
    fits: list[Fit] = []
    if None in heard.transit_s and goes_on:
        # Under an even feed a transit fits nearly as well with a feed period more: only many balls tell which it is.
        most_s = now_s - float(times.min(initial=now_s)) - 1e-6
        chosen = replace(chosen, learn_s=max(chosen.learn_s, min(most_s, _LEARN_S)))
    elif None in heard.transit_s:
        own = times[first], translate[codes[first]]
        learnt = learn_transits(
            *own,
            heard,
            chosen.longest_transit_s,
            start_s=start_s,
            end_s=now_s,
            deaf_s=unheard,
            beside=[s.contacts_on(heard) for s in siblings],
            fed=math.inf if feed is None or feed.balls is None else feed.balls,
        )
        fits = [f if w is None else Fit(0.0, 0.0) for f, w in zip(learnt, heard.transit_s, strict=True)]
    level_db, at_most = levels_of(impacts)
    codes, labels = translate[codes], None if odds is None else labels_of(odds.where(rows), heard)
    if labels is not None:
        codes, labels = of_one_sound(impacts.where(rows), codes, labels)
    solvers, news = [], []
    readings = fits, *other_readings(fits)
    for these in readings:
        solver = LedgerSolver(
            heard, feed=feed, settings=chosen, start_s=start_s, gaps_s=gaps_s, run=run, at_once=at_once, fits=these
        )
        solvers.append(solver)
        solver.beliefs.deaf = [list(spans) for spans in deaf]
        solver.book.silences = list(quiet)
        solver.learn_habits(impacts, siblings)
        news.append(
            solver.update(
                times,
                codes,
                now_s=now_s,
                confidence=impacts["station_confidence"][rows],
                odds=real_odds(impacts.where(rows)),
                level_db=level_db[rows],
                at_most=at_most[rows],
                followed=followed_impacts(impacts)[rows],
                drop=impacts["drop"][rows],
                rebound=impacts["rebound"][rows],
                channel=impacts["channel"][rows],
                faint=faintness(impacts)[rows],
                labels=labels,
            )
        )
    left_out = [n for n in route.stations if n not in heard.stations]
    notes = [f"not listened to: {', '.join(left_out)}"] if left_out else []
    if (never := [n for n in left_out if n not in silent]) and rows.size:
        notes[0] += (
            f" (nothing was heard at {', '.join(never)} in the whole run: what became of balls there is not known, "
            f"and arrived means heard at {heard.stations[-1]})"
        )
    notes += [c.sentence for c in wrong]
    notes += [s.sentence(heard.stations) for s in quiet if s.balls]
    said = tuple(news[0]), tuple(quiet), tuple(wrong), tuple(notes)
    return Followed(solvers[0], heard, *said, tuple(solvers[1:]), readings, tuple(never))
