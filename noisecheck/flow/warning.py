"""Early warning: a place that is about to hold a ball lets them pass ever more slowly, or less evenly, first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import robust_sd
from noisecheck.flow.drops import Drops
from noisecheck.flow.findings import Ledger

__all__ = ["LinkFlow", "RestitutionChange", "link_flows", "restitution_change"]

_ALL_TESTS: Final = 0.05
_TESTS: Final = 2  # of each link: hold-ups that grow, times that grow


@dataclass(frozen=True, slots=True)
class LinkFlow:
    """How balls get from one station to the next over a run. Times in s; NaN where too few balls passed."""

    origin: str
    station: str
    balls: int
    spread_s: float
    """Standard deviation in the robust sense (1.4826 median absolute deviation)."""
    slowing_s_per_hour: float
    """Trend of the transit time (Theil-Sen)."""
    slowing_p: float
    """Probability of such a trend by chance (Kendall's tau)."""
    tail_growth: float
    """How long the slow ones take (95th percentile minus median) in the second half of the run over the first."""
    held_up: int
    held_up_per_thousand: float
    growth_p: float
    """Probability, by chance, of so many more hold-ups in the second half of the balls (one-sided Fisher exact).

    Balls held up one behind another have one cause and count once here.
    """
    level: float = 0.01
    """Chance allowed to each test, so that 5 % is allowed to all tests of a run."""

    @property
    def warning(self) -> str:
        """What to say, empty when nothing is shown (each test at :attr:`level`)."""
        link = f"{self.origin} to {self.station}"
        if self.growth_p < self.level:
            return f"{link}: balls are held up more and more ({self.held_up} of {self.balls:,})"
        if self.slowing_p < self.level and self.slowing_s_per_hour > 0.5 * self.spread_s:
            return f"{link}: balls take longer and longer ({self.slowing_s_per_hour * 1e3:+.0f} ms an hour)"
        if self.tail_growth > 2.0 and self.balls >= 200:
            return f"{link}: the slow balls have become {self.tail_growth:.1f} times slower over the run"
        return ""


def link_flows(ledger: Ledger) -> list[LinkFlow]:
    """Return one row for each pair of stations between which balls were heard in turn, in order of first passage."""
    pairs: dict[tuple[str, str], list[tuple[float, float, bool]]] = {}
    for p in sorted(ledger.passages, key=lambda p: p.time_s):
        if p.origin in ledger.transit_s:
            pairs.setdefault((p.origin, p.station), []).append((p.time_s, p.took_s, p.late))
    order = list(ledger.transit_s)
    direct = {}
    for (origin, station), rows in pairs.items():
        usual = max((k for k in pairs if k[0] == origin), key=lambda k: len(pairs[k]))
        if usual == (origin, station):
            direct[origin, station] = rows
    level = _ALL_TESTS / (_TESTS * max(len(direct), 1))
    return [_flow(*pair, direct[pair], level) for pair in sorted(direct, key=lambda k: order.index(k[0]))]


def _flow(origin: str, station: str, rows: list[tuple[float, float, bool]], level: float) -> LinkFlow:
    from scipy.stats import fisher_exact, kendalltau

    when = np.array([r[0] for r in rows])
    took = np.array([r[1] for r in rows])
    late = np.array([r[2] for r in rows])
    n, held, half = len(rows), int(late.sum()), len(rows) // 2
    spread = robust_sd(took, float(np.median(took)))
    slow, p, growth = math.nan, 1.0, math.nan
    usual = took[~late]
    if len(usual) >= 20:
        slow = 3600.0 * _slope(when[~late], usual)
        p = float(kendalltau(when[~late], usual).pvalue)
        tails = [_tail(part) for part in np.array_split(usual, 2)]
        growth = tails[1] / tails[0] if tails[0] > 0 else math.nan
    begun = late & ~np.concatenate([[False], late[:-1]])
    first, second = int(begun[:half].sum()), int(begun[half:].sum())
    table = [[second, n - half - second], [first, half - first]]
    growth_p = float(fisher_exact(table, alternative="greater").pvalue) if held else 1.0
    return LinkFlow(origin, station, n, spread, slow, p, growth, held, 1e3 * held / n, growth_p, level)


def _tail(took: NDArray[np.float64]) -> float:
    return float(np.percentile(took, 95) - np.median(took))


def _slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Theil-Sen slope; over 2,000 points from pairs half the run apart only, so that it stays linear."""
    if len(x) > 2000:
        half = len(x) // 2
        dx, dy = x[half : 2 * half] - x[:half], y[half : 2 * half] - y[:half]
    else:
        i, j = np.triu_indices(len(x), 1)
        dx, dy = x[j] - x[i], y[j] - y[i]
    good = dx > 0
    return float(np.median(dy[good] / dx[good])) if good.any() else math.nan


@dataclass(frozen=True, slots=True)
class RestitutionChange:
    """How the rebound of one place changed over a run: pads set, dust gathers, screws work loose."""

    station: int
    drops: int
    first_half: float
    second_half: float
    p: float
    """Probability of such a trend by chance (Kendall's tau)."""


def restitution_change(drops: Drops) -> list[RestitutionChange]:
    """Return one row for each place with at least 20 drops of two intervals or more."""
    from scipy.stats import kendalltau

    rows = []
    for station in np.unique(drops.station):
        here = np.flatnonzero((drops.station == station) & np.isfinite(drops.restitution_all))
        if len(here) < 20:
            continue
        here = here[np.argsort(drops.time_s[here], kind="stable")]
        when, e = drops.time_s[here], drops.restitution_all[here]
        first, second = (float(np.median(part)) for part in np.array_split(e, 2))
        p = float(kendalltau(when, e).pvalue)
        rows.append(RestitutionChange(int(station), len(here), first, second, p))
    return rows
