"""Noise against flow: who is beaten in both, so that fixing noise by making balls stick is seen at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.flowing import Rate, RunFlow, group_flow
from noisecheck.compare.standing import Figure, standing
from noisecheck.compare.summary import RunSummary
from noisecheck.core.errors import listed
from noisecheck.core.records import record

__all__ = ["Point", "Tradeoff", "trade_off"]

_KINDS: Final = ("revision", "treatment")


@record
class Point:
    """One revision or treatment: noise (L_AE of one ball over all stations) and balls held up or stuck."""

    kind: str
    value: str
    noise: Figure
    risk: Rate
    scale: int
    """Points of different scales have levels that cannot be compared."""
    beaten_by: tuple[str, ...] = ()
    """Those that are quieter *and* freer of trouble, by the values found: who is equal in one beats nobody."""
    surely_beaten: bool = False
    """Whether one of them is so in at least one of both by more than both intervals."""
    against: str = ""
    """What those at least as good in both are better in, as far as intervals show; empty where there are none."""

    @property
    def on_frontier(self) -> bool:
        """Whether none beats it in both."""
        return not self.beaten_by

    def to_dict(self) -> dict[str, Any]:
        """Return the point as plain values."""
        return {
            "kind": self.kind,
            "value": self.value,
            "lae_db": self.noise.to_dict(),
            "held_up_or_stuck_per_thousand": self.risk.to_dict(),
            "scale": self.scale,
            "on_frontier": self.on_frontier,
            "beaten_by": list(self.beaten_by),
            "surely_beaten": self.surely_beaten,
            "against": self.against,
        }


@record
class Tradeoff:
    """Points of each kind (``revision``, ``treatment``), in the order of the run sheet."""

    points: tuple[Point, ...]

    def of(self, kind: str) -> tuple[Point, ...]:
        """Return the points of one kind."""
        return tuple(p for p in self.points if p.kind == kind)

    def to_dict(self) -> dict[str, Any]:
        """Return the points by kind as plain values."""
        return {kind: [p.to_dict() for p in self.of(kind)] for kind in _KINDS}


def trade_off(
    totals: Sequence[RunSummary],
    references: Sequence[RunSummary],
    flows: Sequence[RunFlow],
    *,
    confidence: float = 0.95,
) -> Tradeoff:
    """Return noise against flow of every revision and treatment that has both.

    ``totals`` and ``references`` hold one summary a run (see :func:`noisecheck.compare.trend.total_rows`).
    """
    points: list[Point] = []
    for kind in _KINDS:
        place = standing(totals, references, by=kind, quantities=("lae_db",), confidence=confidence)
        found = []
        for value, scale in place.scale_of.items():
            noise = place.of(value)
            mine = [f for f in of_role(flows, "test") if f.run.value(kind) == value]
            risk = group_flow(value, mine, confidence=confidence).troubled
            if noise is not None and noise.value == noise.value and risk.balls:
                found.append(Point(kind, value, noise, risk, scale))
        points += [_placed(p, found) for p in found]
    return Tradeoff(tuple(points))


def _placed(point: Point, others: Sequence[Point]) -> Point:
    alike = [o for o in others if o is not point and o.scale == point.scale]
    beating = [o for o in alike if o.noise.value < point.noise.value and o.risk.value < point.risk.value]
    sure = any(_quieter(o, point) or _freer(o, point) for o in beating)
    names = tuple(o.value for o in beating)
    return replace(point, beaten_by=names, surely_beaten=sure, against=_against(point, alike))


def _quieter(a: Point, b: Point) -> bool:
    return a.noise.high < b.noise.low


def _freer(a: Point, b: Point) -> bool:
    return a.risk.high < b.risk.low


def _against(point: Point, others: Sequence[Point]) -> str:
    said: dict[str, list[str]] = {}
    for o in others:
        noise, risk = o.noise.value - point.noise.value, o.risk.value - point.risk.value
        if noise > 0 or risk > 0 or (noise == 0 and risk == 0):
            continue
        quieter, freer = _quieter(o, point), _freer(o, point)
        if quieter and freer:
            text = "beaten in both by {}"
        elif quieter:
            text = f"louder than {{}}, flow {'equal' if risk == 0 else 'not shown to differ'}"
        elif freer:
            text = (
                f"more balls held up or stuck than with {{}}, noise {'equal' if noise == 0 else 'not shown to differ'}"
            )
        else:
            text = "not shown to differ from {} in either"
        said.setdefault(text, []).append(o.value)
    return "; ".join(text.format(listed(names)) for text, names in said.items())
