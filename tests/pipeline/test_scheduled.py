"""What the sound left open is told by the ball that was due, and nothing else is touched."""

from __future__ import annotations

import numpy as np

from noisecheck.bench.runsheet import Run
from noisecheck.compare.summary import summarise
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import FeedPlan, Route
from noisecheck.pipeline.scheduled import left_open, placed_by_schedule

STATIONS = ("landing", "bend", "tray")
ROUTE = Route(STATIONS, ((0.9, 1.1), (0.55, 0.75)))
BALLS = 40


def run_of(changes: dict[tuple[int, int], dict[str, object]]) -> Impacts:
    """Balls every 2.3 s, heard 1.0 s later at the bend and 0.65 s after that in the tray, but for the changes."""
    rng = np.random.default_rng(5)
    rows = []
    for ball in range(BALLS):
        at = 1.0 + 2.3 * ball + rng.normal(0, 0.01)
        for k, name in enumerate(STATIONS):
            at += (0.0, 1.0, 0.65)[k] + rng.normal(0, 0.01)
            rows.append({"time_s": at, "station": name, "station_confidence": 0.99, **changes.get((ball, k), {})})
            at += float(rows[-1].pop("late_s", 0.0))
    rows.sort(key=lambda r: r["time_s"])
    unplaced = np.array([not r["station"] for r in rows])
    return Impacts.of(
        len(rows),
        **{name: [r[name] for r in rows] for name in ("time_s", "station", "station_confidence")},
        odds=1e4,
        lae_db=60.0,
        rebound=0,
        flags=np.where(unplaced, np.uint32(Flag.UNPLACED), np.uint32(0)),
    )


def told(impacts: Impacts) -> Impacts:
    ledger = follow_balls(impacts, ROUTE, end_s=100.0, feed=FeedPlan(2.3, BALLS))
    return placed_by_schedule(impacts, ledger)


def row_of(impacts: Impacts, ball: int, k: int) -> dict[str, object]:
    due = 1.0 + 2.3 * ball + (0.0, 1.0, 1.65)[k]
    return list(impacts.rows())[int(np.argmin(np.abs(impacts["time_s"] - due)))]


def test_what_the_sound_left_open_is_told_by_the_ball_that_was_due() -> None:
    before = run_of(
        {
            (5, 0): {"station": "", "station_confidence": 0.3},
            (9, 1): {"station": "", "station_confidence": 0.45},
            (13, 2): {"station": "bend", "station_confidence": 0.6},
        }
    )
    assert left_open(before).sum() == 3
    after = told(before)
    for ball, k in ((5, 0), (9, 1), (13, 2)):
        row = row_of(after, ball, k)
        assert row["station"] == STATIONS[k]
        assert row["station_confidence"] >= 0.95
        assert "scheduled" in row["flags"]
        assert "unplaced" not in row["flags"]
    assert after.flagged(Flag.SCHEDULED).sum() == 3
    rest = ~after.flagged(Flag.SCHEDULED)
    assert list(after.where(rest).rows()) == list(before.where(rest).rows())


def test_what_the_sound_is_sure_of_stands() -> None:
    """A sure "none of these" just when a ball was due, and a sure other station, are not argued with."""
    before = run_of(
        {
            (9, 1): {"station": "", "station_confidence": 0.97},
            (20, 2): {"station": "landing", "station_confidence": 0.95},
        }
    )
    assert not left_open(before).any()
    assert list(told(before).rows()) == list(before.rows())


def test_a_late_ball_tells_no_place() -> None:
    """Held up before the bend and again behind it: neither passage was due when it came, so none names a place.

    Held up before the bend alone, the tray is on time behind it, and that tells the bend.
    """
    held = {(9, 0): {"late_s": 0.8}, (9, 1): {"station": "", "station_confidence": 0.4, "late_s": 0.5}}
    twice = told(run_of(held))
    assert not twice.flagged(Flag.SCHEDULED).any()
    assert left_open(twice).sum() == 1
    held[(9, 1)] = {"station": "", "station_confidence": 0.4}
    once = told(run_of(held))
    assert once["station"][once.flagged(Flag.SCHEDULED)].tolist() == ["bend"]


def test_a_mean_rests_on_what_the_sound_was_sure_of() -> None:
    """An impact placed by the schedule counts at its station, but its level, 20 dB off here, moves no mean."""
    loud = told(run_of({(9, 1): {"station": "", "station_confidence": 0.4}}))
    loud = loud.with_columns(run="a", lae_db=np.where(loud.flagged(Flag.SCHEDULED), 80.0, 60.0))
    (row,) = (s for s in summarise(loud, [Run(name="a", files=("a.wav",))]) if s.station == "bend")
    assert (row.impacts, row.used, dict(row.excluded)) == (BALLS, BALLS - 1, {"doubtful place": 1})
    assert row.value("lae_db") == 60.0


def test_nothing_open_or_nothing_followed_changes_nothing() -> None:
    clear = run_of({})
    assert told(clear) is clear
    empty = Impacts.empty()
    assert placed_by_schedule(empty, follow_balls(empty, ROUTE, end_s=10.0)) is empty
