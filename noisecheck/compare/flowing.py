"""How balls ran, by run and by group: what stands beside every noise figure, so that quiet never hides stuck balls.

The run is the unit for transit times and restitution. Balls are counted one by one with exact bounds, and where runs
differ more than chance allows, balls count for less (effective sample size, Korn & Graubard 1998, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from noisecheck.bench.runsheet import Run
from noisecheck.compare.linear import t_interval
from noisecheck.core.records import record
from noisecheck.core.units import rounded, rounded_pair
from noisecheck.flow.failures import HeardShare, dispersion_of, lower_bound, upper_bound

if TYPE_CHECKING:
    from noisecheck.flow.drops import Drops
    from noisecheck.flow.ledger import Ledger

__all__ = [
    "LINK",
    "GroupFlow",
    "Odd",
    "Rate",
    "RunFlow",
    "RunMean",
    "count_rate",
    "group_flow",
    "restitutions",
    "run_flow",
]

LINK: Final = " > "
"""Between the names of two stations."""
_ODD_KINDS: Final = ("held_up", "stuck", "stray", "unheard")


@record
class Odd:
    """One odd event of a run: kind, station, and the time (s)."""

    run: str
    kind: str
    station: str
    time_s: float

    def to_dict(self) -> dict[str, Any]:
        """Return the event as plain values."""
        return {"run": self.run, "kind": self.kind, "station": self.station, "time_s": rounded(self.time_s, 3)}


@record
class RunFlow:
    """What the ledger and the drops of one run say. Balls are those followed to their end: arrived or stuck."""

    run: Run
    balls: int = 0
    arrived: int = 0
    held_up: int = 0
    """Balls held up at least once."""
    stuck: int = 0
    troubled: int = 0
    """Balls held up or stuck: each counts once."""
    undecided: int = 0
    seconds: float = 0.0
    transit_median_s: Mapping[str, float] = field(default_factory=dict)
    """For each link (``landing > bend``)."""
    transit_spread_s: Mapping[str, float] = field(default_factory=dict)
    """For each link: half the span that holds the middle 68 % of the times (one standard deviation if normal)."""
    restitution: Mapping[str, float] = field(default_factory=dict)
    """For each station: mean over the drops with two intervals."""
    odd: tuple[Odd, ...] = ()
    notes: tuple[str, ...] = ()

    def count(self, kind: str, station: str | None = None) -> int:
        """Return the number of odd events of a kind (at a station)."""
        return sum(o.kind == kind and station in (None, o.station) for o in self.odd)


def restitutions(drops: Drops, stations: Sequence[str]) -> dict[str, float]:
    """Return the mean restitution of a run's drops at each station (whose codes index ``stations``) that has any."""
    found = {}
    for code, name in enumerate(stations):
        e = drops.restitution[(drops.station == code) & np.isfinite(drops.restitution)]
        if len(e):
            found[name] = float(np.mean(e))
    return found


def run_flow(run: Run, ledger: Ledger, drops: Drops | None = None, stations: Sequence[str] = ()) -> RunFlow:
    """Return the flow of one run from its ledger and its drops (whose station codes index ``stations``)."""
    held = [f for f in ledger.findings if f.kind == "held_up"]
    stuck = [f for f in ledger.findings if f.kind == "stuck"]
    # a finding whose ball is not known is a ball of its own
    numbers = {(f.ball if f.ball >= 0 else -2 - i) for i, f in enumerate(held)}
    lost = {(f.ball if f.ball >= 0 else -100_000 - i) for i, f in enumerate(stuck)}
    times: dict[str, list[float]] = {}
    for passage in ledger.passages:
        times.setdefault(f"{passage.origin}{LINK}{passage.station}", []).append(passage.took_s)
    links = {name: np.array(t) for name, t in times.items() if _usual(name, ledger)}
    return RunFlow(
        run=run,
        balls=ledger.balls,
        arrived=ledger.arrived,
        held_up=min(len(numbers), ledger.balls),
        stuck=min(len(lost), ledger.balls),
        troubled=min(len(numbers | lost), ledger.balls),
        undecided=ledger.undecided,
        seconds=ledger.listened_s,
        transit_median_s={name: float(np.median(t)) for name, t in links.items()},
        transit_spread_s={
            name: float(np.diff(np.quantile(t, [0.1587, 0.8413]))[0] / 2) for name, t in links.items() if len(t) > 2
        },
        restitution={} if drops is None else restitutions(drops, stations),
        odd=tuple(Odd(run.name, f.kind, f.station, f.time_s) for f in ledger.findings),
        notes=ledger.notes,
    )


def _usual(link: str, ledger: Ledger) -> bool:
    """Return whether a link joins neighbours: a passage over an unheard station tells nothing of either link."""
    origin, _, station = link.partition(LINK)
    names = list(ledger.transit_s)
    return origin not in names or names.index(origin) + 1 >= len(names) or names[names.index(origin) + 1] == station


@record
class Rate:
    """Balls to which something happened, among balls; rates are for ``per`` balls."""

    events: int
    balls: int
    per: float
    low: float
    high: float
    """Exact two-sided bounds (Clopper & Pearson 1934)."""
    upper: float
    """Exact one-sided upper bound."""
    dispersion: float = 1.0
    """How much more the runs differ than chance allows (1: no more); bounds are widened by it."""

    @property
    def value(self) -> float:
        """Rate counted; NaN without balls."""
        return self.events / self.balls * self.per if self.balls else math.nan

    def to_dict(self) -> dict[str, Any]:
        """Return the rate as plain values."""
        return {
            "events": self.events,
            "balls": self.balls,
            "per": int(self.per),
            "value": rounded(self.value, 4),
            "ci": rounded_pair(self.low, self.high, 4),
            "upper": rounded(self.upper, 4),
            "dispersion": rounded(self.dispersion, 2),
        }


def count_rate(
    counts: Iterable[tuple[int, int]], *, per: float, confidence: float = 0.95, heard: float = 1.0, undecided: int = 0
) -> Rate:
    """Return the rate pooled over runs from (events, balls) of each.

    ``heard`` is the share of events that listening shows (upper bounds are divided by it), ``undecided`` balls count
    as events in the upper bounds. Runs that differ more than chance allows (Pearson's dispersion of three runs and
    three events or more) make balls count for less.
    """
    pairs = [(x, n) for x, n in counts if n > 0]
    events, balls = sum(x for x, _ in pairs), sum(n for _, n in pairs)
    if not balls:
        return Rate(0, 0, per, math.nan, math.nan, math.nan)
    wide = dispersion_of(pairs)
    x, n = events / wide, balls / wide
    doubtful = min(events + undecided, balls) / wide
    side = (1 + confidence) / 2
    low = lower_bound(x, n, confidence=side) * per
    high = min(upper_bound(doubtful, n, confidence=side) / heard, 1.0) * per if heard > 0 else per
    upper = min(upper_bound(doubtful, n, confidence=confidence) / heard, 1.0) * per if heard > 0 else per
    return Rate(events, balls, per, low, high, upper, wide)


@record
class RunMean:
    """Mean over runs of a figure of each run, with a t interval (NaN with one run)."""

    value: float
    low: float
    high: float
    runs: int

    def to_dict(self) -> dict[str, Any]:
        """Return the mean as plain values."""
        return {"value": rounded(self.value, 5), "ci": rounded_pair(self.low, self.high, 5), "runs": self.runs}


def _run_mean(values: Sequence[float], confidence: float) -> RunMean:
    y = np.array([v for v in values if math.isfinite(v)])
    if len(y) < 2:
        return RunMean(float(y[0]) if len(y) else math.nan, math.nan, math.nan, len(y))
    low, high, _ = t_interval(y.mean(), y.std(ddof=1) / math.sqrt(len(y)), len(y) - 1.0, confidence=confidence)
    return RunMean(float(y.mean()), float(low), float(high), len(y))


@record
class GroupFlow:
    """Flow of a group of runs: counts, rates with exact bounds, and run means with t intervals."""

    value: str
    runs: int
    balls: int
    arrived: int
    counts: dict[str, int]
    """Odd events by kind."""
    held_up: Rate
    """Per thousand balls."""
    troubled: Rate
    """Balls held up or stuck, per thousand: the risk to the flow."""
    failures: Rate
    """Stuck balls per million."""
    transit_s: dict[str, RunMean]
    transit_spread_s: dict[str, RunMean]
    restitution: dict[str, RunMean]
    seconds: float
    undecided: int
    odd: tuple[Odd, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the flow as plain values."""
        means = {
            "transit_s": self.transit_s,
            "transit_spread_s": self.transit_spread_s,
            "restitution": self.restitution,
        }
        return {
            "value": self.value,
            "runs": self.runs,
            "balls": self.balls,
            "arrived": self.arrived,
            "events": self.counts,
            "held_up_per_thousand": self.held_up.to_dict(),
            "held_up_or_stuck_per_thousand": self.troubled.to_dict(),
            "failures_per_million": self.failures.to_dict(),
            **{name: {k: v.to_dict() for k, v in mean.items()} for name, mean in means.items()},
            "undecided": self.undecided,
        }


def group_flow(
    value: str, flows: Sequence[RunFlow], *, heard: HeardShare | None = None, confidence: float = 0.95
) -> GroupFlow:
    """Return the flow of a group; ``heard`` is the share of failures that listening shows (None: taken as all)."""
    undecided = sum(f.undecided for f in flows)

    def means(of: str) -> dict[str, RunMean]:
        names = dict.fromkeys(n for f in flows for n in getattr(f, of))
        return {n: _run_mean([getattr(f, of).get(n, math.nan) for f in flows], confidence) for n in names}

    def rate(of: str, per: float, *, lost: bool = False) -> Rate:
        # an undecided ball was followed too, but not to its end
        pairs = [(getattr(f, of), f.balls + (f.undecided if lost else 0)) for f in flows]
        share = heard.lower if heard is not None and lost else 1.0
        return count_rate(pairs, per=per, confidence=confidence, heard=share, undecided=undecided if lost else 0)

    return GroupFlow(
        value=value,
        runs=len(flows),
        balls=sum(f.balls for f in flows),
        arrived=sum(f.arrived for f in flows),
        counts={kind: sum(f.count(kind) for f in flows) for kind in _ODD_KINDS},
        held_up=rate("held_up", 1e3),
        troubled=rate("troubled", 1e3),
        failures=rate("stuck", 1e6, lost=True),
        transit_s=means("transit_median_s"),
        transit_spread_s=means("transit_spread_s"),
        restitution=means("restitution"),
        seconds=sum(f.seconds for f in flows),
        undecided=undecided,
        odd=tuple(o for f in flows for o in f.odd),
    )
