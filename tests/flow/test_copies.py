"""One sound found at two microphones: the softer impact of the two is no ball's, even where it comes first."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import LedgerSettings, Route
from noisecheck.place.evidence import Evidence

STATIONS = ("landing", "bend", "tray")
ROUTE = Route(STATIONS, ((0.85, 1.2), (0.59, 0.84)))


@pytest.mark.parametrize("seed", [1, 3])
def test_what_comes_just_before_a_louder_sound_at_another_microphone_is_no_ball(seed: int) -> None:
    """Timed early, it sounds like no station; taken for balls, ten of them were stuck or held up, at up to 400 : 1."""
    rng, rows, fed_s, last = np.random.default_rng(seed), [], 2.0, [-9.0] * 3
    for _ in range(120):
        fed_s += 0.35 + rng.exponential(1.4)
        at = fed_s
        for q, usual in enumerate((0.0, 1.0, 0.7)):
            at = last[q] = max(at + usual * np.exp(rng.normal(0.0, 0.03)), last[q] + 0.12)
            rows += [(at, q, -46.0, q, 0), (at + 0.1 + rng.normal(0.0, 0.001), q, -54.0, q, 1)]
            if rng.random() < 0.2:
                rows.append((at - 0.004, -1, -62.0 - 8.0 * rng.random(), (q + 1) % 3, 0))
    time_s, at, level_db, channel, rebound = (np.array(v) for v in zip(*sorted(rows), strict=True))
    none, sounds = (at < 0)[:, None], np.arange(3) == at[:, None]
    impacts = Impacts.of(
        len(rows), time_s=time_s, station=[STATIONS[q] if q >= 0 else "" for q in at], channel=channel,
        station_confidence=np.where(at < 0, np.nan, 0.99), odds=8e3, drop=np.cumsum(rebound == 0), rebound=rebound,
        lae_db=level_db + rng.normal(0.0, 0.7, len(rows)),
    )  # fmt: skip
    odds = Evidence.none(STATIONS, len(rows))
    odds.log_likelihood[:] = np.where(none, np.array([-2.2, -1.3, -2.2]), np.where(sounds, 6.0, -6.0))
    settings = LedgerSettings(shared_microphone=False)
    ledger = follow_balls(impacts, ROUTE, end_s=time_s[-1] + 4.0, odds=odds, settings=settings)
    assert (ledger.findings, ledger.undecided) == ((), 0)
