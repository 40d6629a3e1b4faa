"""Noise against flow: who is beaten in both, so that fixing noise by making balls stick is seen at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from noisecheck.compare.flowing import Rate, RunFlow, group_flow
from noisecheck.compare.standing import Figure, standing
from noisecheck.compare.summary import RunSummary

__all__ = ["Point", "Tradeoff", "trade_off"]

_KINDS: Final = ("revision", "treatment")


@dataclass(frozen=True)
class Point:
    """One revision or treatment: noise (L_AE of one ball over all stations) and balls held up or stuck."""

    kind: str
    value: str
    noise: Figure
    risk: Rate
    scale: int
    """Points of different scales have levels that cannot be compared."""
    beaten_by: tuple[str, ...] = ()
    """Those at least as quiet and at least as free of trouble, and better in one (by the values found)."""
    surely_beaten: bool = False
    """Whether one of them is better in one by more than both intervals, and not worse in the other."""

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
        }


@dataclass(frozen=True)
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
            mine = [f for f in flows if f.run.role == "test" and f.run.value(kind) == value]
            risk = group_flow(value, mine, confidence=confidence).troubled
            if noise is not None and noise.value == noise.value and risk.balls:
                found.append(Point(kind, value, noise, risk, scale))
        points += [_placed(p, found) for p in found]
    return Tradeoff(tuple(points))


def _placed(point: Point, others: Sequence[Point]) -> Point:
    beating = [o for o in others if o is not point and o.scale == point.scale and _beats(o, point)]
    sure = any(_surely(o, point) for o in beating)
    return Point(point.kind, point.value, point.noise, point.risk, point.scale, tuple(o.value for o in beating), sure)


def _beats(a: Point, b: Point) -> bool:
    noise, risk = a.noise.value - b.noise.value, a.risk.value - b.risk.value
    return noise <= 0 and risk <= 0 and (noise < 0 or risk < 0)


def _surely(a: Point, b: Point) -> bool:
    quieter, freer = a.noise.high < b.noise.low, a.risk.high < b.risk.low
    return quieter or freer
