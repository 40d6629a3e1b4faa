"""What no ball made bounces: two sounds of one event, and no ball that fell."""

from __future__ import annotations

import numpy as np
import pytest
from test_ledger import ROUTE, quiet_run, table

from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Finding
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import LedgerSettings

STRAY_S, LEVEL_DB = 61.4, -30.0


def _findings(*strays: tuple[float, str, float, float], claim_odds: float = 5.0) -> list[Finding]:
    """Return what is found in a quiet run with strays of (time, station, confidence, level)."""
    impacts = table(quiet_run(), [(time_s, station) for time_s, station, _, _ in strays])
    level_db, sure = np.full(len(impacts), LEVEL_DB), np.array(impacts["station_confidence"])
    for time_s, _, confidence, level in strays:
        at = int(np.argmin(np.abs(impacts["time_s"] - time_s)))
        level_db[at], sure[at] = level, confidence
    settings = LedgerSettings(copied=0.0, claim_odds=claim_odds)
    told: Impacts = impacts.with_columns(lae_db=level_db, station_confidence=sure)
    return list(follow_balls(told, ROUTE, end_s=135.0, settings=settings).findings)


def test_a_stray_that_bounces_is_one() -> None:
    first = (STRAY_S, "", np.nan, -28.0)
    bounces = [(STRAY_S + after_s, "", np.nan, level) for after_s, level in ((0.31, -33.0), (0.5, -37.0))]
    assert [(f.kind, f.time_s) for f in _findings(first, *bounces)] == [("stray", STRAY_S)]
    assert len(_findings(first, (STRAY_S + 0.31, "", np.nan, -25.0))) == 2  # no bounce is louder
    assert len(_findings(first, (STRAY_S + 0.31, "", np.nan, -29.0))) == 2  # or hardly softer
    assert len(_findings(first, (STRAY_S + 1.4, "", np.nan, -33.0))) == 2  # or so late


@pytest.mark.parametrize("bounces", [1, 0])
def test_what_bounces_was_no_ball(bounces: int) -> None:
    """It sounds like the first station; followed by its bounce it was taken for a ball there that fell, 5 : 1."""
    stray = (STRAY_S, "lift", 0.9, -29.0), (STRAY_S + 0.31, "", np.nan, -35.0)
    found = _findings(*stray[: 1 + bounces])
    assert [(f.kind, f.time_s) for f in found] == [("stray", STRAY_S)]
    assert found[0].odds > 50.0


def test_where_a_stray_is_not_said_its_bounce_is() -> None:
    """The first may be a ball's contact, the other not."""
    stray = (STRAY_S, "lift", 0.9, -29.0), (STRAY_S + 0.31, "", np.nan, -35.0)
    (first,) = _findings(*stray)
    (found,) = _findings(*stray, claim_odds=1.1 * first.odds)
    assert (found.kind, found.time_s) == ("stray", stray[1][0])
