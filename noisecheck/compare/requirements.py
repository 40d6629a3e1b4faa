"""Does a result meet a limit: guard-band verdicts with the odds, and what would settle an open one.

With result y and expanded uncertainty U: met if y + U <= L, not met if y - U > L, else not yet shown
(Eurachem/CITAC guide on uncertainty in compliance assessment, 2nd edition 2021; ISO 14253-1 decides at 95 %). U is
one-sided, so that a false "met" has at most the probability 1 - confidence. Levels use Student's t over run means;
counts of failures use the exact binomial bounds of Clopper and Pearson.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from noisecheck.compare.plan import least, noncentral_t
from noisecheck.core.errors import InputError, one_line

if TYPE_CHECKING:
    from noisecheck.bench.rig import Requirement

__all__ = ["RATES", "Verdict", "judge", "judge_mean", "judge_rate", "judge_uncertain", "overall", "rate_bounds"]

_MOST_RUNS: Final = 1000
_CERTAIN: Final = 1e6
RATES: Final = {"failures_per_million": 1e6, "held_up_per_thousand": 1e3}
"""Measures that count balls, with the number of balls they are given for."""
Sense = Literal["at most", "at least"]


@dataclass(frozen=True)
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

        def cell(value: float) -> float | None:
            return float(f"{value:.6g}") if math.isfinite(value) else None

        return {
            "verdict": self.verdict,
            "value": cell(self.value),
            "low": cell(self.low),
            "high": cell(self.high),
            "limit": self.limit,
            "confidence": self.confidence,
            "odds": cell(self.odds),
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
        f"met if the whole one-sided {confidence:.3g} interval lies {side} the limit, not met if it lies {other}, "
        "else not yet shown"
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
    run_values: Sequence[float],
    limit: float,
    *,
    sense: Sense = "at most",
    confidence: float = 0.95,
    added_uncertainty: float = 0.0,
) -> Verdict:
    """Return the verdict on the mean of run values (dB, ms, ...), with runs as the unit.

    ``added_uncertainty`` is a standard uncertainty that all runs share, such as the calibrator's; degrees of freedom
    are combined by Welch and Satterthwaite (GUM, JCGM 100:2008, G.4.1).
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
    error = sd / math.sqrt(len(values))
    combined = math.hypot(error, added_uncertainty)
    df = (len(values) - 1) * (combined / error) ** 4
    verdict = judge_uncertain(mean, combined, limit, sense=sense, confidence=confidence, df=df)
    if verdict.verdict != "not yet shown":
        return verdict
    needed = _runs_to_settle(abs(limit - mean), sd, len(values), confidence, added_uncertainty)
    if needed is None:
        step = (
            f"the mean lies {abs(limit - mean):.2g} from the limit: no number of runs up to {_MOST_RUNS} would settle "
            "it; change the design or the limit"
        )
        return _with_step(verdict, step, None)
    more = needed - len(values)
    direction = "met" if verdict.odds >= 1 else "not met"
    step = f"{more} more run{'s' if more > 1 else ''} ({needed} in all) would show it {direction}, if nothing changes"
    return _with_step(verdict, step, more)


def _with_step(verdict: Verdict, step: str, more: int | None) -> Verdict:
    v = verdict
    return Verdict(v.verdict, v.value, v.low, v.high, v.limit, v.confidence, v.odds, v.rule, step, more)


def _runs_to_settle(
    room: float, sd: float, present: int, confidence: float, added: float, *, power: float = 0.8
) -> int | None:
    from scipy.special import stdtrit

    def enough(n: int) -> bool:
        combined = math.hypot(sd / math.sqrt(n), added)
        df = (n - 1) * (combined * math.sqrt(n) / sd) ** 4
        return 1 - noncentral_t(float(stdtrit(df, confidence)), df, room / combined) >= power

    return least(enough, present + 1, _MOST_RUNS) if sd > 0 and room > 0 else None


def rate_bounds(events: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact lower and upper bounds of a probability (Clopper & Pearson 1934), each one-sided."""
    from scipy.special import betaincinv

    low = 0.0 if events == 0 else float(betaincinv(events, trials - events + 1, 1 - confidence))
    high = 1.0 if events >= trials else float(betaincinv(events + 1, trials - events, confidence))
    return low, high


def judge_rate(
    events: int,
    trials: int,
    limit: float,
    *,
    scale: float = 1e6,
    heard_fraction: float = 1.0,
    confidence: float = 0.95,
) -> Verdict:
    """Return the verdict on a rate of failures among balls, in events per ``scale`` balls (a million, a thousand).

    ``heard_fraction`` is the share of failures that the listening would have caught: the upper bound is divided by
    it; the lower bound is not, since what was heard happened. ``more`` counts failure-free balls still needed.
    """
    from scipy.special import betainc

    rule = _rule("at most", confidence)
    if trials < 1 or not 0 < heard_fraction <= 1:
        step = "no balls were listened to" if trials < 1 else "the heard fraction is not known"
        nothing = (math.nan, 0.0, math.nan)
        return Verdict("not yet shown", *nothing, limit, confidence, math.nan, rule, step, None)
    low, high = rate_bounds(events, trials, confidence=confidence)
    target = limit / scale * heard_fraction
    verdict = _decide(low * scale, high / heard_fraction * scale, limit, "at most")
    # Jeffreys' posterior for the odds: bounds decide, odds only tell how it stands
    inside = float(betainc(events + 0.5, trials - events + 0.5, min(target, 1.0)))
    value = events / trials / heard_fraction * scale
    result = Verdict(verdict, value, low * scale, high / heard_fraction * scale, limit, confidence, _odds(inside), rule)
    if verdict != "not yet shown":
        return result
    more = _balls_to_settle(events, trials, target, confidence)
    if more is None:
        return _with_step(result, "a limit of 0 cannot be shown by counting: name a rate above 0", None)
    return _with_step(result, f"{more:,} more failure-free balls would show it", more)


def _balls_to_settle(events: int, trials: int, target: float, confidence: float) -> int | None:
    if target <= 0:
        return None

    def enough(n: int) -> bool:
        return rate_bounds(events, n, confidence=confidence)[1] <= target

    last = trials + 1
    while not enough(last):
        last *= 2
        if last > 10**13:
            return None
    needed = least(enough, trials + 1, last)
    return None if needed is None else needed - trials


def judge(
    requirement: Requirement,
    *,
    run_values: Sequence[float] = (),
    events: int = 0,
    balls: int = 0,
    heard_fraction: float = 1.0,
    added_uncertainty: float = 0.0,
) -> Verdict:
    """Return the verdict on a requirement of the rig file: rates from counts, all else from run values.

    Raises:
        InputError: a rate that must be *at least* something, which listening cannot show.
    """
    r = requirement
    if r.measure not in RATES:
        return judge_mean(
            run_values, r.limit, sense=r.sense, confidence=r.confidence, added_uncertainty=added_uncertainty
        )
    if r.sense != "at most":
        raise InputError(f"requirement '{one_line(r.id)}': {r.measure} can only be limited with sense = 'at most'")
    scale = RATES[r.measure]
    return judge_rate(events, balls, r.limit, scale=scale, heard_fraction=heard_fraction, confidence=r.confidence)


def overall(verdicts: Iterable[tuple[Requirement, Verdict]]) -> str:
    """Return how the strict requirements stand together: any not met, else any not yet shown, else met."""
    strict = {v.verdict for r, v in verdicts if r.strict}
    return next((word for word in ("not met", "not yet shown") if word in strict), "met")
