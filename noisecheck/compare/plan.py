"""How large a difference the runs can show, and how many runs a wanted one takes (noncentral t)."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.differences import Comparison
from noisecheck.compare.linear import residual_square
from noisecheck.compare.summary import RunSummary, index_of, one_station
from noisecheck.core.records import record
from noisecheck.core.units import rounded

__all__ = [
    "EffectPlan",
    "Spread",
    "least",
    "noncentral_t",
    "plan_effects",
    "power_of",
    "runs_needed",
    "smallest_difference",
    "spread_of",
]

_MOST_RUNS: Final = 1000
POWERS: Final = (0.8, 0.95)
_UPPER: Final = 0.8


def power_of(difference: float, error: float, df: float, *, alpha: float = 0.05) -> float:
    """Return the probability that a two-sided t test at ``alpha`` shows a true ``difference`` of standard ``error``."""
    from scipy.special import stdtrit

    critical = float(stdtrit(df, 1 - alpha / 2))
    shift = abs(difference) / error
    return 1 - noncentral_t(critical, df, shift) + noncentral_t(-critical, df, shift)


def noncentral_t(t: float, df: float, shift: float) -> float:
    """Return the probability that Student's t with noncentrality ``shift`` lies below ``t``.

    In far tails scipy's series gives no number; there the normal approximation of Abramowitz & Stegun 26.7.10 holds
    to better than the digits that matter.
    """
    from scipy.special import nctdtr, ndtr

    found = float(nctdtr(df, shift, t))
    if math.isfinite(found):
        return found
    return float(ndtr((t * (1 - 1 / (4 * df)) - shift) / math.sqrt(1 + t * t / (2 * df))))


def smallest_difference(error: float, df: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Return the smallest true difference (dB) shown with probability ``power``, given the standard error and df."""
    low, high = 0.0, 1.0
    while power_of(high, 1.0, df, alpha=alpha) < power:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if power_of(middle, 1.0, df, alpha=alpha) < power else (low, middle)
    return high * error


def runs_needed(difference: float, sd: float, *, power: float = 0.8, alpha: float = 0.05) -> int | None:
    """Return the least runs a side that show a true ``difference`` when run means spread by ``sd``; None above 1000."""

    def enough(n: int) -> bool:
        return power_of(difference, sd * math.sqrt(2 / n), 2 * n - 2, alpha=alpha) >= power

    return least(enough, 2, _MOST_RUNS)


def least(enough: Callable[[int], bool], first: int, last: int) -> int | None:
    """Return the smallest whole number for which a condition that stays true once true holds; None if none does."""
    return bisect_left(range(last), True, lo=first, key=enough) if enough(last) else None


@record
class Spread:
    """Where the scatter of a level comes from, as standard deviations in dB.

    ``run_mean_db`` is that of the run means inside one group and session (``df`` degrees of freedom);
    ``between_run_db`` what is left of it when the impacts' own scatter is taken out (re-placement);
    ``within_run_db`` that of impacts inside a run; ``session_db`` what sessions add.
    """

    run_mean_db: float
    between_run_db: float
    within_run_db: float
    session_db: float
    df: int
    impacts_per_run: float

    def upper_db(self) -> float:
        """Return an upper bound of ``run_mean_db``, at 80 %: few runs know their own spread badly."""
        from scipy.special import chdtri

        return self.run_mean_db * math.sqrt(self.df / float(chdtri(self.df, _UPPER)))

    def to_dict(self) -> dict[str, Any]:
        """Return the spreads as plain values."""
        upper = self.upper_db() if self.df else math.nan
        values = {
            "run_mean_db": self.run_mean_db,
            "run_mean_upper_db": upper,
            "between_run_db": self.between_run_db,
            "within_run_db": self.within_run_db,
            "session_db": self.session_db,
            "impacts_per_run": self.impacts_per_run,
        }
        return {**{k: rounded(v) for k, v in values.items()}, "df": self.df}


def spread_of(summaries: Sequence[RunSummary], *, by: str, station: str | None = None) -> Spread:
    """Return the random effects on L_AE of runs within sessions, from run means (Henderson's method 3).

    Conditions (the column ``by``, treatment, revision, drop height, station) are fixed. In balanced campaigns these
    are the estimates of restricted maximum likelihood, as long as none is negative; a negative one is given as 0.
    """
    i = index_of("lae_db")
    rows = [
        s for s in one_station(of_role(summaries, "test"), station)
        if s.used and math.isfinite(s.mean[i])
    ]  # fmt: skip
    if not rows:
        return Spread(math.nan, math.nan, math.nan, math.nan, 0, math.nan)
    y = np.array([[s.mean[i]] for s in rows])
    held = (by, "treatment", "revision", "drop_height_mm")
    conditions = _indicators([(*(s.run.value(c) for c in held), s.station) for s in rows])
    sessions = _indicators([(s.run.session,) for s in rows])
    apart, free = residual_square(y, conditions)
    inside, df = residual_square(y, np.hstack([conditions, sessions]))
    variance = float(inside[0]) / df if df else math.nan
    session = math.nan
    if df and free > df:
        rest = sessions - conditions @ (np.linalg.pinv(conditions) @ sessions)
        session = max((float(apart[0] - inside[0]) - (free - df) * variance) / float(np.sum(rest**2)), 0.0)
    degrees = sum(int(s.n[i]) - 1 for s in rows)
    scatter = sum((int(s.n[i]) - 1) * float(np.nan_to_num(s.sd[i])) ** 2 for s in rows)
    within = scatter / degrees if degrees else math.nan
    impacts = float(len(rows) / np.sum([1 / max(int(s.n[i]), 1) for s in rows]))
    between = max(variance - (within / impacts if math.isfinite(within) else 0.0), 0.0) if df else math.nan
    return Spread(math.sqrt(variance), math.sqrt(between), math.sqrt(within), math.sqrt(session), df, impacts)


def _indicators(keys: Sequence[tuple[str, ...]]) -> NDArray[np.float64]:
    """Return one 0/1 column for each different key, shape (rows, keys)."""
    return np.array([[k == other for other in dict.fromkeys(keys)] for k in keys], np.float64)


@record
class EffectPlan:
    """What the present runs can show for one value against the baseline, and what more would take."""

    value: str
    smallest_db: dict[str, float]
    """Smallest true difference shown with 80 and 95 % probability; empty where a side has one run."""
    needed: tuple[dict[str, Any], ...]
    """For each wanted difference: runs a side at 80 and 95 % power (None: more than 1000)."""
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain values."""
        smallest = {k: round(v, 3) for k, v in self.smallest_db.items()}
        needed = list(self.needed)
        return {"value": self.value, "smallest_db": smallest, "runs_a_side": needed, "sentence": self.sentence}


def plan_effects(
    comparison: Comparison, spread: Spread, *, wanted_db: Sequence[float] = (1.0, 3.0)
) -> tuple[EffectPlan, ...]:
    """Return a plan for each difference in L_AE of a comparison, from the measured spread of run means.

    Beside the wanted differences it plans for the one found, where none was shown.
    """
    alpha = 1 - comparison.confidence
    plans = []
    for d in comparison.differences:
        if d.measure != "lae_db" or d.verdict == "not comparable":
            continue
        smallest: dict[str, float] = {}
        if math.isfinite(d.standard_error_db) and d.standard_error_db > 0:
            smallest = {
                f"{p:.0%}": smallest_difference(d.standard_error_db, d.df, power=p, alpha=alpha) for p in POWERS
            }
        wanted = list(wanted_db)
        found = round(abs(d.difference_db), 2)
        if d.verdict == "no difference shown" and found >= 0.1 and found not in wanted:
            wanted.append(found)
        needed = [_row(size, spread, alpha) for size in wanted] if spread.df else []
        plans.append(EffectPlan(d.value, smallest, tuple(needed), _sentence(d.value, d.runs, smallest, needed)))
    return tuple(plans)


def _row(size: float, spread: Spread, alpha: float) -> dict[str, Any]:
    sd = spread.run_mean_db
    return {
        "difference_db": size,
        **{f"{p:.0%}": runs_needed(size, sd, power=p, alpha=alpha) if sd > 0 else 2 for p in POWERS},
        "prudent": runs_needed(size, spread.upper_db(), power=POWERS[0], alpha=alpha) if sd > 0 else 2,
        "with_endless_impacts": (
            runs_needed(size, spread.between_run_db, power=POWERS[0], alpha=alpha) if spread.between_run_db > 0 else 2
        ),
    }


def _sentence(value: str, runs: tuple[int, int], smallest: dict[str, float], needed: list[dict[str, Any]]) -> str:
    if not needed:
        return f"{value}: too few runs to know how run means spread: record at least three runs a side"
    text = f"{value}: "
    if smallest:
        text += f"{runs[0]} against {runs[1]} runs show a difference of {smallest['80%']:.1f} dB four times in five; "
    parts = [
        f"{row['difference_db']:g} dB takes {row['80%'] or 'over 1000'} runs a side "
        f"({row['95%'] or 'over 1000'} to show it 19 times in 20)"
        for row in needed
    ]
    return text + ", ".join(parts)
