"""What changed between two revisions, on one page: every station, every requirement, odd events new or gone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.differences import Comparison, Difference
from noisecheck.compare.effects import compare
from noisecheck.compare.flowing import GroupFlow, Odd
from noisecheck.compare.joint import JointVerdict, flow_between, flow_margin, join, p_more
from noisecheck.compare.scorecard import Judged
from noisecheck.compare.summary import RunSummary
from noisecheck.compare.trend import ALL, Trend, total_rows
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.records import record

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["Changed", "OddChange", "RequirementChange", "changed"]

_SIDE: Final = 0.025
"""Of each of two one-sided tests, 5 % in all."""


@record
class OddChange:
    """Odd events of one kind at one station, before and after.

    ``status`` is ``new``, ``gone``, ``more`` or ``fewer`` per ball by more than chance (Fisher's exact test, 5 %), else
    ``same``.
    """

    kind: str
    station: str
    before: int
    after: int
    status: str
    examples: tuple[Odd, ...]

    @property
    def word(self) -> str:
        """The status in words."""
        return "no change shown" if self.status == "same" else self.status

    def to_dict(self) -> dict[str, Any]:
        """Return the events as plain values."""
        return {
            "kind": self.kind,
            "station": self.station,
            "before": self.before,
            "after": self.after,
            "status": self.status,
            "examples": [o.to_dict() for o in self.examples],
        }


@record
class RequirementChange:
    """One requirement before and after."""

    before: Judged
    after: Judged

    @property
    def changed(self) -> bool:
        """Whether the verdict is another one."""
        return self.before.verdict.verdict != self.after.verdict.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return both verdicts as plain values."""
        r = self.after.requirement
        sides = {"before": self.before.to_dict(), "after": self.after.to_dict()}
        return {"id": r.id, "text": r.text, "strict": r.strict, "changed": self.changed, **sides}


@record
class Changed:
    """Everything that differs between two revisions."""

    before: str
    after: str
    stations: dict[str, Difference]
    """L_AE with bands, decay and reason, by station and in total."""
    joint: JointVerdict | None
    flow: tuple[GroupFlow, GroupFlow]
    requirements: tuple[RequirementChange, ...]
    odd: tuple[OddChange, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison as plain values."""
        return {
            "before": self.before,
            "after": self.after,
            "stations": {s: d.to_dict() for s, d in self.stations.items()},
            "joint": self.joint.to_dict() if self.joint else None,
            "flow": {"before": self.flow[0].to_dict(), "after": self.flow[1].to_dict()},
            "requirements": [r.to_dict() for r in self.requirements],
            "odd_events": [o.to_dict() for o in self.odd],
        }


def changed(trended: Trend, summaries: Sequence[RunSummary], *, rig: Rig, before: str, after: str) -> Changed:
    """Return what changed from one revision to another, not only to the next.

    Raises:
        InputError: a revision without runs, or one and the same.
    """
    known = [r.revision for r in trended.revisions]
    for name in (before, after):
        if name not in known:
            raise InputError(f"revision '{one_line(name)}': has no test run{nearest(name, known)}")
    if before == after:
        raise InputError(f"revision '{one_line(before)}' and itself: name two revisions")
    a, b = trended.of(before), trended.of(after)
    rows = [s for s in summaries if s.run.role == "reference" or s.run.revision in (before, after)]
    stations: dict[str, Difference] = {}
    names = [n for n in b.levels if n and n in a.levels and a.levels[n] and b.levels[n]]
    for name in names:
        stations[name] = _compared(rows, before, name, rig, trended.confidence).of(after)
    if not names:
        stations[ALL] = _compared(rows, before, None, rig, trended.confidence).of(after)
    if len(names) > 1:
        tests = total_rows(of_role(rows, "test"), names, rig=rig)
        references = of_role(rows, "reference")
        ties = total_rows(references, sorted({s.station for s in references}), rig=rig)
        stations[ALL] = _compared([*tests, *ties], before, None, rig, trended.confidence).of(after)
    whole = stations.get(ALL) or next(iter(stations.values()))
    first = {j.requirement.id: j for j in a.card.judged}
    return Changed(
        before=before,
        after=after,
        stations=stations,
        joint=join(whole, flow_between(a.run_flows, b.run_flows, by="revision", margin=flow_margin(rig))),
        flow=(a.flow, b.flow),
        requirements=tuple(RequirementChange(first[j.requirement.id], j) for j in b.card.judged),
        odd=_odd(a.flow, b.flow),
    )


def _compared(rows: Sequence[RunSummary], before: str, station: str | None, rig: Rig, confidence: float) -> Comparison:
    return compare(rows, by="revision", baseline=before, station=station, rig=rig, confidence=confidence)


def _odd(a: GroupFlow, b: GroupFlow) -> tuple[OddChange, ...]:
    first, second = (Counter((o.kind, o.station) for o in g.odd) for g in (a, b))
    found = []
    for key in sorted({*first, *second}):
        x, y = first[key], second[key]
        status = "new" if not x else "gone" if not y else _told_apart(x, y, a, b)
        examples = [o for o in (b.odd if y else a.odd) if (o.kind, o.station) == key]
        found.append(OddChange(*key, x, y, status, tuple(examples[:3])))
    order = {"new": 0, "gone": 1, "more": 2, "fewer": 3, "same": 4}
    return tuple(sorted(found, key=lambda o: order[o.status]))


def _told_apart(x: int, y: int, a: GroupFlow, b: GroupFlow) -> str:
    wide = max(a.troubled.dispersion, b.troubled.dispersion)
    first, second = ((min(k, g.balls) / wide, g.balls / wide) for k, g in ((x, a), (y, b)))
    if p_more(*first, *second) <= _SIDE:
        return "more"
    return "fewer" if p_more(*second, *first) <= _SIDE else "same"
