"""Source ranking: sums of exposures worked by hand (ISO 1996-1: levels add by energy)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.table import Impacts
from noisecheck.core.units import energy_sum_db
from noisecheck.place.ranking import UNPLACED, fall_db, rank_stations


def _table(levels: list[float], stations: list[str]) -> Impacts:
    bands = np.full((len(levels), 30), np.nan, np.float32)
    bands[:, 10], bands[:, 20] = levels, -60.0
    return Impacts.of(len(levels), lae_db=levels, station=stations, bands=bands)


def test_shares_and_falls_by_hand() -> None:
    """Exposures 8, 1 and 1: total 10; the first silent leaves 2, 6.99 dB less; 10 dB quieter leaves 2.8."""
    eight = 10 * math.log10(8.0)
    ranking = rank_stations(_table([eight, 0.0, 0.0], ["landing", "bend", UNPLACED]))
    first = ranking.rows[0]
    assert [r.station for r in ranking.rows][:1] == ["landing"]
    assert ranking.total_lae_db == pytest.approx(10.0)
    assert first.share == pytest.approx(0.8)
    np.testing.assert_allclose(
        first.falls_db, [-10 * math.log10(0.2 + 0.8 * 10 ** (-q / 10)) for q in (3, 6, 10)] + [6.9897], atol=1e-4
    )
    assert first.band_share[10] == pytest.approx(0.8)
    assert first.band_share[20] == pytest.approx(1 / 3, rel=1e-5)
    assert first.band_falls_db[3, 20] == pytest.approx(-10 * math.log10(2 / 3), rel=1e-4)
    assert math.isnan(first.band_share[0])
    assert sum(r.share for r in ranking.rows) == pytest.approx(1.0)


def test_totals_are_those_of_worked_examples(reference) -> None:
    """Levels of events add by energy; over a period the total is 10 lg(T / 1 s) above the equivalent level."""
    rows = reference("level_arithmetic")
    assert len(rows) == 12
    for row in rows:
        events = [part.split(" x ") for part in row["events"].split(";")]
        levels = [float(level) for count, level in events for _ in range(int(count))]
        total = rank_stations(_table(levels, ["landing"] * len(levels))).total_lae_db
        assert total - 10 * math.log10(float(row["period_s"])) == pytest.approx(float(row["exact_dB"]), abs=6e-5), row
        assert energy_sum_db(levels) == pytest.approx(total)


def test_says_what_is_not_worth_quieting() -> None:
    """A tenth of the noise: silence would lower the total by 0.46 dB."""
    ranking = rank_stations(_table([10 * math.log10(9.0), 0.0], ["landing", "bend"]))
    note = " ".join(ranking.notes)
    assert "'bend' is not worth quieting" in note
    assert "0.5 dB" in note
    assert "landing" not in note
    assert [r.worth_quieting for r in ranking.rows] == [True, False]


def test_the_only_source_silenced_leaves_nothing() -> None:
    ranking = rank_stations(_table([3.0], ["landing"]))
    assert ranking.rows[0].falls_db[-1] == math.inf
    assert float(fall_db(0.5, math.inf)) == pytest.approx(3.0103, abs=1e-4)


def test_empty_and_unmeasured() -> None:
    assert rank_stations(Impacts.empty()).rows == ()
    assert rank_stations(_table([math.nan, 1.0], ["landing", "bend"])).without_level == 1
