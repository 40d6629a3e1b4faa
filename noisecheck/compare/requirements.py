"""Does a result meet a limit: guard-band verdicts with the odds, and what would settle an open one.

With result y and expanded uncertainty U: met if y + U <= L, not met if y - U > L, else not yet shown
(Eurachem/CITAC guide on uncertainty in compliance assessment, 2nd edition 2021; ISO 14253-1 decides at 95 %). U is
one-sided, so that a false "met" has at most the probability 1 - confidence. Levels use Student's t over run means;
counts of failures use the exact binomial bounds of Clopper and Pearson.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from noisecheck.compare.plan import least, noncentral_t
from noisecheck.core.records import record
from noisecheck.core.units import significant
from noisecheck.flow.failures import balls_needed, lower_bound, upper_bound

if TYPE_CHECKING:
    from noisecheck.bench.rig import Requirement

__all__ = ["RATES", "Verdict", "judge_estimate", "judge_mean", "judge_rate", "judge_uncertain", "overall"]

_MOST_RUNS: Final = 1000
_POWER: Final = 0.8  # "four times in five"
_CERTAIN: Final = 1e6
RATES: Final = {"failures_per_million": 1e6, "held_up_per_thousand": 1e3}
"""Measures that count balls, with the number of balls they are given for."""
Sense = Literal["at most", "at least"]


@record
class Verdict:
    """``met``, ``not met`` or ``not yet shown``; the value, its one-sided bounds, the odds, and the next step."""

    verdict: str
    value: float
    low: float
    high: float
    limit: float
    confidence: float
    odds: float
    """Odds that the true value meets the limit (probability over its complement), capped at a million."""
    rule: str
    next_step: str = ""
    more: int | None = None
    """Runs (levels) or failure-free balls (rates) still needed; None when settled or beyond reach."""

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict as plain values."""
        return {
            "verdict": self.verdict,
            "value": significant(self.value, 6),
            "low": significant(self.low, 6),
            "high": significant(self.high, 6),
            "limit": self.limit,
            "confidence": self.confidence,
            "odds": significant(self.odds, 6),
            "rule": self.rule,
            "next_step": self.next_step,
            "more": self.more,
        }


def _decide(low: float, high: float, limit: float, sense: Sense) -> str:
    if sense == "at least":
        low, high, limit = -high, -low, -limit
    if high <= limit:
        return "met"
    return "not met" if low > limit else "not yet shown"


def _odds(probability: float) -> float:
    return min(probability / max(1 - probability, 1 / _CERTAIN / 10), _CERTAIN)


def _rule(sense: Sense, confidence: float) -> str:
    side, other = ("at or below", "above") if sense == "at most" else ("at or above", "below")
    return (
        f"met if the whole one-sided {100 * confidence:.6g} % interval lies {side} the limit, not met if it lies "
        f"{other}, else not yet shown"
    )


def judge_uncertain(
    value: float,
    uncertainty: float,
    limit: float,
    *,
    sense: Sense = "at most",
    confidence: float = 0.95,
    df: float = math.inf,
) -> Verdict:
    """Return the verdict on a value with a standard uncertainty (normal, or Student's t with ``df``)."""
    from scipy.special import ndtr, ndtri, stdtr, stdtrit

    finite = math.isfinite(df)
    factor = float(stdtrit(df, confidence) if finite else ndtri(confidence))
    half = factor * uncertainty
    room = (limit - value) * (1 if sense == "at most" else -1)
    if uncertainty > 0:
        inside = float(stdtr(df, room / uncertainty) if finite else ndtr(room / uncertainty))
    else:
        inside = float(room >= 0)
    verdict = _decide(value - half, value + half, limit, sense)
    return Verdict(
        verdict, value, value - half, value + half, limit, confidence, _odds(inside), _rule(sense, confidence)
    )


def judge_mean(
    run_values: Sequence[float], limit: float, *, sense: Sense = "at most", confidence: float = 0.95
) -> Verdict:
    """Return the verdict on the mean of run values (dB, ms, ...), with runs as the unit.

    ``next_step`` says how many runs in all would settle it four times in five if mean and spread stay as they are.
    """
    values = np.array([v for v in run_values if math.isfinite(v)], np.float64)
    rule = _rule(sense, confidence)
    if len(values) < 2:
        value = float(values[0]) if len(values) else math.nan
        step = f"record {2 - len(values)} more run{'s' if len(values) == 0 else ''} at least: spread needs two"
        return Verdict(
            "not yet shown", value, math.nan, math.nan, limit, confidence, math.nan, rule, step, 2 - len(values)
        )
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    if sd == 0:
        step = (
            "all runs agree to the last digit: are they copies, or counts? counts are judged by their number of balls"
        )
        return Verdict("not yet shown", mean, math.nan, math.nan, limit, confidence, math.nan, rule, step, None)
    n = len(values)
    return judge_estimate(mean, sd / math.sqrt(n), n - 1, n, limit, sense=sense, confidence=confidence)


def judge_estimate(
    value: float,
    error: float,
    df: float,
    runs: int,
    limit: float,
    *,
    sense: Sense = "at most",
    confidence: float = 0.95,
    added_uncertainty: float = 0.0,
) -> Verdict:
    """Return the verdict on a value estimated from ``runs`` runs, with its standard error and degrees of freedom.

    ``added_uncertainty`` is a standard uncertainty that all runs share, such as the calibrator's; degrees of freedom
    are combined by Welch and Satterthwaite (GUM, JCGM 100:2008, G.4.1).
    ``next_step`` says how many runs in all would settle it four times in five if value and spread stay as they are.
    """
    if not (math.isfinite(error) and error > 0):
        step = "record more runs: those there are leave no spread to judge by"
        rule = _rule(sense, confidence)
        return Verdict("not yet shown", value, math.nan, math.nan, limit, confidence, math.nan, rule, step, None)
    combined = math.hypot(error, added_uncertainty)
    verdict = judge_uncertain(
        value, combined, limit, sense=sense, confidence=confidence, df=df * (combined / error) ** 4
    )
    if verdict.verdict != "not yet shown":
        return verdict
    room = abs(limit - value)
    needed = _runs_to_settle(room, error * math.sqrt(runs), runs, runs - df, confidence, added_uncertainty)
    if needed is None:
        step = (
            f"the mean lies {room:.2g} from the limit: no number of runs up to {_MOST_RUNS} would settle it; change "
            "the design or the limit"
        )
        return replace(verdict, next_step=step, more=None)
    more = needed - runs
    direction = "met" if verdict.odds >= 1 else "not met"
    step = f"{more} more run{'s' if more > 1 else ''} ({needed} in all) would show it {direction}, if nothing changes"
    return replace(verdict, next_step=step, more=more)


def _runs_to_settle(room: float, sd: float, present: int, fitted: float, confidence: float, added: float) -> int | None:
    """Return the runs in all; ``fitted`` of them go into the means and session shifts, not into the spread."""
    from scipy.special import stdtrit

    def enough(n: int) -> bool:
        combined = math.hypot(sd / math.sqrt(n), added)
        df = (n - fitted) * (combined * math.sqrt(n) / sd) ** 4
        return 1 - noncentral_t(float(stdtrit(df, confidence)), df, room / combined) >= _POWER

    return least(enough, present + 1, _MOST_RUNS) if sd > 0 and room > 0 else None


def judge_rate(
    events: int,
    trials: int,
    limit: float,
    *,
    scale: float = 1e6,
    heard_fraction: float = 1.0,
    dispersion: float = 1.0,
    undecided: int = 0,
    confidence: float = 0.95,
) -> Verdict:
    """Return the verdict on a rate of failures among balls, in events per ``scale`` balls (a million, a thousand).

    ``heard_fraction`` is the share of failures that the listening would have caught: the upper bound is divided by
    it; the lower bound is not, since what was heard happened. ``dispersion`` above 1 says how much more the runs differ
    than chance allows: balls then count for so much less. ``undecided`` balls count as failures in the upper bound: a
    bound must not gain from doubt; there are no odds where these balls decide on which side they lie. ``more`` counts
    failure-free balls still needed.
    """
    from scipy.special import betainc

    rule = _rule("at most", confidence)
    if trials < 1 or not 0 < heard_fraction <= 1:
        step = "no balls were listened to" if trials < 1 else "the heard fraction is not known"
        nothing = (math.nan, 0.0, math.nan)
        return Verdict("not yet shown", *nothing, limit, confidence, math.nan, rule, step, None)
    x, n = min(events + undecided, trials) / dispersion, trials / dispersion
    low = lower_bound(events / dispersion, n, confidence=confidence)
    high = upper_bound(x, n, confidence=confidence)
    target = limit / scale * heard_fraction
    verdict = _decide(low * scale, high / heard_fraction * scale, limit, "at most")
    # Jeffreys' posterior for the odds: bounds decide, odds only tell how it stands
    share = min(max(target, 0.0), 1.0)
    best, worst = (float(betainc(k + 0.5, n - k + 0.5, share)) for k in (events / dispersion, x))
    odds = math.nan if worst < 0.5 < best else _odds(worst if worst > 0.5 else best)
    value = events / trials / heard_fraction * scale
    result = Verdict(verdict, value, low * scale, high / heard_fraction * scale, limit, confidence, odds, rule)
    if verdict != "not yet shown":
        return result
    if target <= 0:
        return replace(result, next_step="a limit of 0 cannot be shown by counting: name a rate above 0", more=None)
    needed = balls_needed(target, confidence=confidence, failures=math.ceil(x))
    more = max(math.ceil(needed * dispersion) - trials, 1)
    if value > limit:
        step = f"as counted it is above the limit: change the design, or {more:,} more failure-free balls would show it"
        return replace(result, next_step=step, more=more)
    return replace(result, next_step=f"{more:,} more failure-free balls would show it", more=more)


def overall(verdicts: Iterable[tuple[Requirement, Verdict]]) -> str:
    """Return how the strict requirements stand together: any not met, else any not yet shown, else met."""
    strict = {v.verdict for r, v in verdicts if r.strict}
    return next((word for word in ("not met", "not yet shown") if word in strict), "met")
