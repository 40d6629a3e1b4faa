"""How long balls are waited for that nothing more is heard of."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Ledger
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import LedgerSettings, Route

WAY = Route(("landing", "bend", "tray"), ((0.85, 1.15), (0.6, 0.8)))
PERIOD_S = 1.2


def _followed(rows: list[tuple[float, int]], end_s: float) -> Ledger:
    rows = sorted(r for r in rows if r[0] < end_s)
    rng = np.random.default_rng(1)
    impacts = Impacts.of(
        len(rows),
        time_s=[t for t, _ in rows],
        station=[WAY.stations[q] for _, q in rows],
        station_confidence=np.full(len(rows), 0.98),
        lae_db=rng.normal(-30.0, 0.7, len(rows)),
        odds=np.full(len(rows), 1e5),
        rebound=0,
    )
    return follow_balls(impacts, WAY, end_s=end_s, settings=LedgerSettings(copied=0.0))


def _balls(until_s: float, *, blocked: tuple[float, float] = (0.0, 0.0), link: int = 0) -> list[tuple[float, int]]:
    """Return (s, station) of what is heard where one way is blocked for a time, then frees."""
    rng = np.random.default_rng(2)
    before = [0.0, 0.0]
    rows: list[tuple[float, int]] = []
    for fed_s in np.arange(1.0, until_s, PERIOD_S) + rng.normal(0.0, 0.02, len(np.arange(1.0, until_s, PERIOD_S))):
        came_s = float(fed_s)
        rows.append((came_s, 0))
        for at, middle_s in enumerate((1.0, 0.7)):
            came_s += middle_s + rng.normal(0.0, 0.02)
            if at == link and blocked[0] <= came_s < blocked[1]:
                came_s = blocked[1]
            came_s = before[at] = max(came_s, before[at] + 0.12)
            rows.append((came_s, at + 1))
    return rows


@pytest.mark.parametrize(("link", "foreign_s"), [(0, None), (1, None), (0, 80.0)])
def test_what_a_jam_of_more_than_a_minute_lets_go_was_held_up(link: int, foreign_s: float | None) -> None:
    rows = _balls(125.0, blocked=(20.0, 110.0), link=link)
    if foreign_s is not None:
        rows.append((foreign_s, link + 1))
    ledger = _followed(rows, 125.0)
    kinds = [f.kind for f in ledger.findings]
    assert kinds.count("stuck") + kinds.count("unheard") == 0
    assert kinds.count("held_up") >= 70
    assert ledger.arrived >= 98


def test_a_ball_that_others_pass_is_stuck() -> None:
    rows = _balls(120.0)
    lost = sorted(r for r in rows if r[1] == 0)[30]
    there = [t for t, q in rows if q == 1]
    gone = [min((t for t in there if t > lost[0] + 0.8), default=0.0)]
    gone.append(min(t for t, q in rows if q == 2 and t > gone[0] + 0.5))
    ledger = _followed([r for r in rows if r[0] not in gone], 120.0)
    (found,) = ledger.findings
    assert (found.kind, found.time_s) == ("stuck", lost[0])
    assert found.odds > 100.0
