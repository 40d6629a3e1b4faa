"""Odds put together: of findings from those between histories and within one, and of what became of a ball."""

from __future__ import annotations

from noisecheck.flow.findings import MOST_ODDS

__all__ = ["combine_odds", "ways_odds"]


def combine_odds(share: float, rest: float, this: float = 1.0, other: float = 0.0) -> float:
    """Return the odds of a finding from those between histories and those within one, at most a million."""
    against = max(rest, 0.0) / max(share, 1e-300) + other / max(this, 1e-300)
    return min(1.0 / max(against, 1e-300), MOST_ODDS)


def ways_odds(share: float, rest: float, ways: dict[str, float]) -> tuple[tuple[str, float], ...]:
    """Return what may have become of a ball, each way with its odds, those above 1 : 100, the likeliest first."""
    total = sum(ways.values())
    parts = {what: share * p / total for what, p in ways.items()}
    parts["heard as another impact"] = rest
    found = [(what, combine_odds(p, share + rest - p)) for what, p in parts.items() if p > 0.01 * (share + rest)]
    return tuple(sorted(found, key=lambda r: -r[1]))
