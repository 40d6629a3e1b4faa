"""How often balls fail: exact bounds, corrected for what listening misses.

Bounds are those of Clopper & Pearson 1934 (Biometrika 26, 404), the interval every exact binomial routine gives.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from noisecheck.core.errors import InputError
from noisecheck.flow.findings import Ledger

__all__ = [
    "FailureRate",
    "HeardShare",
    "balls_needed",
    "binomial_bounds",
    "dispersion_of",
    "failure_rate",
    "heard_share_of_links",
    "lower_bound",
    "recapture",
    "say_differing",
    "say_share",
    "upper_bound",
]

_LEAST_EVENTS: Final = 3  # fewer do not tell whether runs differ
_SAID: Final = 1.2
"""Balls that count for no less than this share are not worth a note."""


def _check(failures: float, balls: float, confidence: float) -> None:
    if not 0 <= failures <= balls:
        raise InputError(f"{failures} failures of {balls} balls: failures must lie between 0 and the number of balls")
    if not 0 < confidence < 1:
        hint = " (did you give per cent?)" if 1 <= confidence <= 100 else ""
        raise InputError(f"confidence = {confidence:g} must lie between 0 and 1{hint}")


def binomial_bounds(failures: float, balls: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided (lower, upper) bounds of a share; (0, 1) for no balls.

    Clopper-Pearson, each side at (1 - confidence) / 2. Counts may be effective ones (not whole), as where runs
    differ more than chance allows. Raises ``InputError`` for impossible counts.
    """
    _check(failures, balls, confidence)
    side = (1.0 - confidence) / 2.0
    return _lower(failures, balls, side), _upper(failures, balls, side)


def upper_bound(failures: float, balls: float, *, confidence: float = 0.95) -> float:
    """Return the exact one-sided upper bound of a share; 1 for no balls."""
    _check(failures, balls, confidence)
    return _upper(failures, balls, 1.0 - confidence)


def lower_bound(failures: float, balls: float, *, confidence: float = 0.95) -> float:
    """Return the exact one-sided lower bound of a share; 0 for no balls."""
    _check(failures, balls, confidence)
    return _lower(failures, balls, 1.0 - confidence)


def _upper(x: float, n: float, side: float) -> float:
    from scipy.special import betaincinv

    if x == n:
        return 1.0
    return -math.expm1(math.log(side) / n) if x == 0 else float(betaincinv(x + 1.0, n - x, 1.0 - side))


def _lower(x: float, n: float, side: float) -> float:
    from scipy.special import betaincinv

    if x == 0:
        return 0.0
    return math.exp(math.log(side) / n) if x == n else float(betaincinv(x, n - x + 1.0, side))


def dispersion_of(pairs: Sequence[tuple[int, int]]) -> float:
    """Return by what number of balls one counts where runs differ more than chance allows, at least 1.

    Pearson's statistic of the (events, balls) of each run over its degrees of freedom, times the square of Student's t
    over the normal quantile for the few runs it is known from (Korn & Graubard 1998, from memory). 1 for fewer than
    three runs or three events.
    """
    from scipy.special import ndtri, stdtrit

    pairs = [(x, n) for x, n in pairs if n > 0]
    events, balls = sum(x for x, _ in pairs), sum(n for _, n in pairs)
    if len(pairs) < 3 or events < _LEAST_EVENTS or events >= balls:
        return 1.0
    share, df = events / balls, len(pairs) - 1
    excess = sum((x - n * share) ** 2 / (n * share * (1 - share)) for x, n in pairs) / df
    if excess <= 1:
        return 1.0
    few = float(stdtrit(df, 0.975) / ndtri(0.975)) ** 2
    # no more than balls of a run all sharing one fate
    return max(min(excess * few, balls / len(pairs)), 1.0)


def balls_needed(limit: float, *, confidence: float = 0.95, failures: int = 0) -> int:
    """Return the least number of balls, with so many failures among them, that shows a share below ``limit``.

    Exact binomial; for no failure the success run ``n = ceil(ln(1 - C) / ln(1 - limit))``: 2,995,731 for one per
    million at 95 %. Raises ``InputError`` for a limit outside (0, 1).
    """
    if not 0 < limit < 1:
        raise InputError(f"limit = {limit:g} must be a share between 0 and 1 (1 per million is 1e-6)")
    _check(failures, max(failures, 1), confidence)
    if failures == 0:
        return max(1, math.ceil(math.log1p(-confidence) / math.log1p(-limit) - 1e-9))
    low, high = failures, failures + 1
    while upper_bound(failures, high, confidence=confidence) > limit:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        if upper_bound(failures, middle, confidence=confidence) > limit:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, slots=True)
class HeardShare:
    """Share of failures that listening would have shown, with its lower bound at 95 %, and how it was found."""

    share: float
    lower: float
    how: str

    def __post_init__(self) -> None:
        if not 0 <= self.lower <= self.share <= 1:
            raise InputError(f"heard share {self.share:g} with lower bound {self.lower:g}: both are shares, 0 to 1")

    @classmethod
    def from_test(cls, caught: int, tried: int, *, how: str = "challenge test") -> HeardShare:
        """Return the share from a test with known events: ``caught`` of ``tried``, exact one-sided lower bound."""
        if tried == 0:
            return cls(0.0, 0.0, f"{how}, nothing tried")
        _check(caught, tried, 0.95)
        return cls(caught / tried, _lower(caught, tried, 0.05), f"{how}, {caught:,} of {tried:,} caught")


def recapture(first: int, second: int, both: int) -> tuple[float, float, float]:
    """Return (Lincoln-Petersen, Chapman, Chapman's standard error) of the number of events two listeners share.

    Events heard by the ``first``, by the ``second``, and by ``both`` (Polya 1976: 10, 12 and 8 make 15; Chapman 1951;
    variance after Seber 1970). Both assume the listeners miss independently. When some events are hard for both, the
    number is too low, so **what was missed is at least this much**: use it to lower a heard share, never to raise it.
    Lincoln-Petersen is infinite when nothing was heard by both.
    """
    if not 0 <= both <= min(first, second):
        raise InputError(f"heard by both {both}, but by the first {first} and the second {second}: both cannot be more")
    lincoln = first * second / both if both else math.inf
    chapman = (first + 1) * (second + 1) / (both + 1) - 1.0
    variance = (first + 1) * (second + 1) * (first - both) * (second - both) / ((both + 1) ** 2 * (both + 2))
    return lincoln, chapman, math.sqrt(variance)


def heard_share_of_links(ledgers: Sequence[Ledger]) -> HeardShare | None:
    """Return the share of passing balls each station heard, as later stations witness: an upper bound on hearing.

    The worst station counts. None where there is no station with another behind it.
    """
    worst: HeardShare | None = None
    names = {p.origin for ledger in ledgers for p in ledger.passages}
    for name in sorted(names):
        missed = sum(f.kind == "unheard" and f.station == name for ledger in ledgers for f in ledger.findings)
        heard = sum(p.origin == name for ledger in ledgers for p in ledger.passages)
        if heard + missed == 0:
            continue
        lower = _lower(heard, heard + missed, 0.05)
        share = heard / (heard + missed)
        if worst is None or share < worst.share:
            how = (
                f"{name} missed {missed:,} of {heard + missed:,} balls that later stations heard, which leaves out "
                "what is hard to hear at all of them"
            )
            worst = HeardShare(share, lower, how)
    return worst


@dataclass(frozen=True, slots=True)
class FailureRate:
    """Failures among balls, and what they show."""

    balls: int
    failures: int
    confidence: float
    heard: HeardShare
    lower: float
    """Two-sided exact bounds of the rate of failures heard."""
    upper_two_sided: float
    upper: float
    """One-sided exact upper bound, corrected for what listening misses: the figure to quote."""
    limit: float | None
    balls_needed: int | None
    """More balls without any failure that would show the limit; 0 when shown, None without a limit or hearing."""
    listened_s: float
    notes: tuple[str, ...] = ()
    """How the heard fraction was found, and what else the bound rests on."""

    @property
    def sentence(self) -> str:
        """One sentence that says it all."""
        plural = "failure" if self.failures == 1 else "failures"
        said = (
            f"{self.failures:,} {plural} in {self.balls:,} balls, heard fraction {say_share(self.heard.share)}: "
            f"below {_per_million(self.upper)} at {100 * self.confidence:.6g} %"
        )
        if self.balls == 0:
            said = "no ball's way was followed to its end: nothing is shown about failures"
        limit = "" if self.limit is None else f"{self.limit * 1e6:,.6g} per million"
        if limit and self.balls_needed:
            said += f"; {_rounded(self.balls_needed)} more failure-free balls would show {limit}"
        elif limit and self.balls_needed == 0:
            said += f", so {limit} is shown"
        return said + "."

    def to_dict(self) -> dict[str, Any]:
        """Return the ``failure_rate`` part of ``ledger --json``."""
        return {
            "balls": self.balls,
            "failures": self.failures,
            "upper_per_million": round(self.upper * 1e6, 3),
            "confidence": self.confidence,
            "heard_fraction": round(self.heard.share, 6),
            "heard_fraction_at_least": round(self.heard.lower, 6),
            "heard_how": self.heard.how,
            "balls_needed_for_limit": self.balls_needed,
        }


def _per_million(bound: float) -> str:
    """Return an upper bound in words, rounded up: rounded down it would claim more than was shown."""
    value = bound * 1e6
    digits = 0 if value >= 10 else 1 if value >= 1 else 3
    return f"{_up(value, digits):,.{digits}f} per million"


def _rounded(count: int) -> str:
    return f"{_up(count / 1e6, 2):.2f} million" if count >= 1_000_000 else f"{count:,}"


def say_differing(dispersion: float) -> list[str]:
    """Return the note that balls count for less, from :func:`dispersion_of`; none where it hardly matters."""
    return [f"runs differ more than chance allows: {dispersion:.1f} balls count as one"] if dispersion > _SAID else []


def say_share(share: float) -> str:
    """Return a share in words, rounded down: never 1 where something was missed."""
    return f"{math.floor(share * 1e4 + 1e-6) / 1e4:g}"


def _up(value: float, digits: int) -> float:
    return math.ceil(value * 10**digits * (1.0 - 1e-9)) / 10**digits


def failure_rate(
    ledgers: Sequence[Ledger],
    *,
    heard: HeardShare | None = None,
    limit_per_million: float | None = None,
    confidence: float = 0.95,
) -> FailureRate:
    """Return the failure rate pooled over the runs of one revision.

    Args:
        ledgers: of the runs; only balls whose way was followed to its end in listened time count (arrived or stuck).
        heard: share of failures that listening shows (challenge or detection-limit test). None: from the agreement
            between stations, which flatters; without even that every failure is taken as heard, and a note says so.
        limit_per_million: requirement to compare with.
        confidence: of every bound.

    The rate p of true failures shows itself as ``p h`` when a share h is heard, so the exact bound on ``p h`` is
    divided by the lower bound of h; coverage is checked by simulation. Where runs differ more than chance allows
    balls count for less (:func:`dispersion_of`). Balls not heard again but not called stuck (``undecided``) count as
    failures in the bound, never in ``failures``: a bound must not gain from doubt.

    Raises:
        InputError: a confidence or limit that is no share.
    """
    balls = sum(ledger.balls + ledger.undecided for ledger in ledgers)
    failures = sum(ledger.count("stuck") for ledger in ledgers)
    undecided = sum(ledger.undecided for ledger in ledgers)
    _check(failures, balls, confidence)
    notes = []
    if heard is None:
        heard = heard_share_of_links(ledgers)
    if heard is not None:
        least = say_share(heard.lower)
        notes.append(f"heard fraction {say_share(heard.share)} (at least {least}, used in the bound): {heard.how}")
    else:
        heard = HeardShare(1.0, 1.0, "not tested")
        notes.append("what listening misses was not tested: the bound holds only if every failure is heard")
    if undecided:
        counted = "ball is counted as a failure" if undecided == 1 else "balls are counted as failures"
        notes.append(f"{undecided} undecided {counted} in the bound")
    wide = dispersion_of([(ledger.count("stuck"), ledger.balls + ledger.undecided) for ledger in ledgers])
    notes += say_differing(wide)
    doubtful, effective = min(failures + undecided, balls) / wide, balls / wide
    upper = _corrected(doubtful, effective, heard, confidence)
    low, high = binomial_bounds(failures / wide, effective, confidence=confidence)
    limit = None if limit_per_million is None else limit_per_million * 1e-6
    needed = None if limit is None else _still_needed(doubtful, effective, heard, limit, confidence, wide)
    listened_s = sum(ledger.listened_s for ledger in ledgers)
    return FailureRate(balls, failures, confidence, heard, low, high, upper, limit, needed, listened_s, tuple(notes))


def _corrected(failures: float, balls: float, heard: HeardShare, confidence: float) -> float:
    """Upper bound of the true rate: the bound of the heard rate over the lower bound of the heard share, at most 1."""
    if heard.lower <= 0:
        return 1.0
    return min(1.0, upper_bound(failures, balls, confidence=confidence) / heard.lower)


def _still_needed(
    failures: float, balls: float, heard: HeardShare, limit: float, confidence: float, wide: float
) -> int | None:
    """Return how many more failure-free balls show the limit, ``wide`` of which count as one; 0 where it is shown."""
    if heard.lower <= 0 or not 0 < limit * heard.lower < 1:
        return None
    if balls > 0 and _corrected(failures, balls, heard, confidence) <= limit:
        return 0
    needed = balls_needed(limit * heard.lower, confidence=confidence, failures=math.ceil(failures))
    return max(1, math.ceil((needed - balls) * wide))
