"""Noise and flow together: a quiet pad that holds balls up is no improvement, and one that was not tried is none yet.

A change is an improvement only if it is shown to be quieter and its flow is shown to be no worse by more than a
margin. "No worse" is never proven outright; it holds as far as the balls counted show, and the sentence says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.differences import Comparison, Difference
from noisecheck.compare.fair import nominal
from noisecheck.compare.flowing import GroupFlow, Rate, RunFlow, group_flow
from noisecheck.core.records import record
from noisecheck.core.units import many, significant
from noisecheck.flow.failures import lower_bound, upper_bound

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = [
    "MARGIN_PER_THOUSAND",
    "FlowChange",
    "JointVerdict",
    "flow_between",
    "flow_change",
    "flow_margin",
    "join",
    "join_flow",
    "p_more",
]

MARGIN_PER_THOUSAND: Final = 50.0
"""More balls held up or stuck than this make the flow worse in practice, where the rig file states no limit
(common practice, no source)."""
_CONDITIONS: Final = ("drop_height_mm", "treatment", "revision")
_ALPHA: Final = 0.05
_MOST_BALLS: Final = 10**7


@record
class FlowChange:
    """Balls held up or stuck, of a value against the baseline."""

    verdict: str
    """``worse``, ``better``, ``no worse`` or ``not yet shown``."""
    base: Rate
    value: Rate
    at_most_more: float
    """One-sided upper bound at 95 % on how many more of a thousand balls are held up or stuck."""
    margin: float
    p_worse: float
    more_balls: int | None = None
    """Trouble-free balls on each side that would show it no worse; None when settled or beyond reach."""

    def to_dict(self) -> dict[str, Any]:
        """Return the change as plain values."""
        return {
            "verdict": self.verdict,
            "baseline": self.base.to_dict(),
            "value": self.value.to_dict(),
            "at_most_more_per_thousand": significant(self.at_most_more, 4),
            "margin_per_thousand": self.margin,
            "p_worse": significant(self.p_worse, 4),
            "more_balls": self.more_balls,
        }


def _more_at_most(x0: float, n0: float, x1: float, n1: float) -> float:
    """Return the one-sided 95 % upper bound of the difference of two shares.

    Exact bounds of each share put together by squares (Zou & Donner 2008, from memory: the method of variance
    estimates recovery); tests show that it errs on the safe side.
    """
    p0, p1 = x0 / n0, x1 / n1
    up = upper_bound(x1, n1, confidence=1 - _ALPHA) - p1
    down = p0 - lower_bound(x0, n0, confidence=1 - _ALPHA)
    return p1 - p0 + math.hypot(up, down)


def p_more(x0: float, n0: float, x1: float, n1: float) -> float:
    """Return Fisher's one-sided exact p value that the second share is no larger than the first."""
    from scipy.special import gammaln

    a0, m0, a1, m1 = (math.floor(v + 1e-9) for v in (x0, n0, x1, n1))
    total, drawn = m0 + m1, a0 + a1

    def log_p(x: int) -> float:
        ways = (m1, x), (m0, drawn - x)
        return float(
            sum(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1) for n, k in ways)
            - (gammaln(total + 1) - gammaln(drawn + 1) - gammaln(total - drawn + 1))
        )

    return min(sum(math.exp(log_p(x)) for x in range(max(a1, drawn - m0), min(drawn, m1) + 1)), 1.0)


def flow_change(base: GroupFlow, value: GroupFlow, *, margin: float = MARGIN_PER_THOUSAND) -> FlowChange:
    """Return how the flow of a value stands against the baseline's.

    Worse: more balls held up or stuck, or more stuck alone, by Fisher's exact test (5 % in all). No worse: the upper
    bound on how many more stays within the margin. Else not yet shown.
    """
    a, b = base.troubled, value.troubled
    if not (a.balls and b.balls):
        return FlowChange("not yet shown", a, b, math.nan, margin, math.nan)
    counts = (a.events / a.dispersion, a.balls / a.dispersion, b.events / b.dispersion, b.balls / b.dispersion)
    lost = (float(base.failures.events), float(base.balls), float(value.failures.events), float(value.balls))
    p = min(2 * min(p_more(*counts), p_more(*lost)), 1.0)
    more = _more_at_most(*counts) * 1e3
    if p <= _ALPHA:
        return FlowChange("worse", a, b, more, margin, p)
    if more <= margin:
        better = p_more(counts[2], counts[3], counts[0], counts[1]) <= _ALPHA / 2
        return FlowChange("better" if better else "no worse", a, b, more, margin, p)
    return FlowChange("not yet shown", a, b, more, margin, p, _balls_to_show(counts, margin / 1e3))


def _balls_to_show(counts: tuple[float, float, float, float], margin: float) -> int | None:
    from noisecheck.compare.plan import least

    x0, n0, x1, n1 = counts
    return least(lambda k: _more_at_most(x0, n0 + k, x1, n1 + k) <= margin, 1, _MOST_BALLS)


@record
class JointVerdict:
    """Noise and flow of one value against the baseline, in one sentence. Improvement: quieter, and flow no worse."""

    value: str
    noise: str
    flow: FlowChange
    improvement: bool
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict as plain values."""
        return {
            "value": self.value,
            "noise": self.noise,
            "flow": self.flow.to_dict(),
            "improvement": self.improvement,
            "sentence": self.sentence,
        }


def _rates(flow: FlowChange) -> str:
    a, b = flow.base, flow.value
    return f"{b.events} of {b.balls:,} balls held up or stuck, against {a.events} of {a.balls:,}"


def join(difference: Difference, flow: FlowChange) -> JointVerdict:
    """Return noise and flow in one verdict."""
    noise = difference.verdict
    if difference.indicative:
        noise = "no difference shown"
    word = {"no difference shown": "not shown to be quieter"}.get(noise, noise)
    if noise == "not comparable":
        word = "noise not comparable"
    improvement = noise == "quieter" and flow.verdict in ("no worse", "better")
    if flow.verdict == "worse":
        more_stuck = flow.value.events <= flow.base.events
        what = "lets more balls stick" if more_stuck else "holds balls up more"
        text = f"{word} {'but' if noise == 'quieter' else 'and'} {what}: {_rates(flow)}"
        if noise == "quieter":
            text += "; no improvement"
    elif flow.verdict == "not yet shown":
        text = f"{word}, flow not yet shown: " + _open(flow)
    else:
        balls = min(flow.base.balls, flow.value.balls)
        what = "flow better" if flow.verdict == "better" else "flow no worse"
        text = f"{word}, {what} as far as {balls:,} balls a side show: {_at_most(flow.at_most_more)}"
    return JointVerdict(difference.value, noise, flow, improvement, text)


def _at_most(more: float) -> str:
    if more <= 0:
        return f"at least {-more:.3g} fewer per thousand"
    return f"at most {more:.3g} more per thousand"


def _open(flow: FlowChange) -> str:
    if not (flow.base.balls and flow.value.balls):
        return "no balls were followed; name the stations' way and the feed in rig.toml"
    text = f"{_rates(flow)}, up to {flow.at_most_more:.3g} more per thousand possible"
    if flow.more_balls is not None:
        text += f"; {many(flow.more_balls, 'more ball')} a side without trouble would show it"
    return text


def flow_margin(rig: Rig | None) -> float:
    """Return what increase per thousand counts as worse: the strictest limit on held-up balls, else the default."""
    limits = [r.limit for r in rig.requirements if r.measure == "held_up_per_thousand"] if rig is not None else []
    positive = [v for v in limits if v > 0]
    return min(positive) if positive else MARGIN_PER_THOUSAND


def join_flow(
    comparison: Comparison, flows: Sequence[RunFlow], *, rig: Rig | None = None
) -> tuple[tuple[GroupFlow, ...], tuple[JointVerdict, ...]]:
    """Return the flow of each group of a comparison, and noise and flow together for each value."""
    by, margin = comparison.by, flow_margin(rig)
    members = {g.value: [f for f in of_role(flows, "test") if f.run.value(by) == g.value] for g in comparison.groups}
    groups = tuple(group_flow(v, m, confidence=comparison.confidence) for v, m in members.items())
    verdicts = []
    for difference in comparison.differences:
        if difference.measure != "lae_db":
            continue
        change = flow_between(members[comparison.baseline], members[difference.value], by=by, margin=margin)
        verdicts.append(join(difference, change))
    return groups, tuple(verdicts)


def flow_between(base: Sequence[RunFlow], value: Sequence[RunFlow], *, by: str, margin: float) -> FlowChange:
    """Return whether balls run worse in some test runs than in others, which differ in the column ``by``.

    Drop height, treatment and revision are held equal as they are for the noise: where both sides share values, only
    runs of those count. Where they are not shared together, the first are.
    """
    one, two = _alike(base, value, by)
    return flow_change(group_flow("before", one), group_flow("after", two), margin=margin)


def _alike(base: Sequence[RunFlow], value: Sequence[RunFlow], by: str) -> tuple[Sequence[RunFlow], Sequence[RunFlow]]:
    keys: list[list[tuple[str, ...]]] = [[() for _ in side] for side in (base, value)]
    for condition in _CONDITIONS:
        label = nominal({f.run.value(condition) for f in (*base, *value)}, condition)
        found = [[label[f.run.value(condition)] for f in side] for side in (base, value)]
        both = [[(*k, v) for k, v in zip(*side, strict=True)] for side in zip(keys, found, strict=True)]
        if condition != by and set(both[0]) & set(both[1]):
            keys = both
    shared = set(keys[0]) & set(keys[1])
    if not shared:  # a side without runs
        return base, value
    one, two = (
        [f for f, k in zip(*both, strict=True) if k in shared] for both in zip((base, value), keys, strict=True)
    )
    return one, two
