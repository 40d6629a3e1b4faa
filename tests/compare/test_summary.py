"""From impacts to run summaries: what counts, what is left out, and why."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import impacts_of

from noisecheck.bench.runsheet import Run
from noisecheck.compare.summary import BANDS, RunSummary, one_station, summarise
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.core.units import energy_sum_db

RUN = Run(name="a", files=("a.wav",), station="landing")


def table(n: int = 40) -> Impacts:
    return impacts_of(np.random.default_rng(1), "a", n, 60.0)


def test_means_are_those_of_numpy() -> None:
    impacts = table()
    (row,) = summarise(impacts, [RUN])
    lae = impacts["lae_db"]
    assert (row.impacts, row.used, row.station) == (40, 40, "landing")
    assert row.value("lae_db") == pytest.approx(lae.mean())
    assert row.sd[0] == pytest.approx(lae.std(ddof=1))
    assert row.energy[0] == pytest.approx(energy_sum_db(lae) - 10.0 * np.log10(len(lae)))
    assert row.value("decay_ms") == pytest.approx(100.0)
    np.testing.assert_allclose(row.mean[BANDS], impacts.data["bands"].astype(float).mean(axis=0))


def test_energy_mean_exceeds_the_arithmetic_one_by_a_known_amount() -> None:
    """Normal dB: energy mean = arithmetic mean + 0.115 s^2 (ln 10 / 20 = 0.1151)."""
    (row,) = summarise(impacts_of(np.random.default_rng(2), "a", 200_000, 60.0, sd=2.0), [RUN])
    assert row.energy[0] - row.mean[0] == pytest.approx(0.1151 * 4, abs=0.02)


@pytest.mark.parametrize("flag", [Flag.CLIPPED, Flag.GAIN_RIDING, Flag.BOUND, Flag.NONFINITE, Flag.FILE_EDGE])
def test_values_that_are_not_comparable_are_left_out_and_counted(flag: Flag) -> None:
    impacts = table()
    flags = np.zeros(40, np.uint32)
    flags[:10] = flag
    loud = impacts["lae_db"].copy()
    loud[:10] += 50
    (row,) = summarise(impacts.with_columns(flags=flags, lae_db=loud), [RUN])
    assert (row.used, dict(row.excluded)) == (30, {str(flag.name).lower(): 10})
    assert row.mean[0] == pytest.approx(impacts["lae_db"][10:].mean())
    assert bool(row.warnings) == (flag in (Flag.CLIPPED, Flag.BOUND))
    assert (bool(row.too_low), row.too_high) == (flag == Flag.CLIPPED, "")


def test_warnings_say_of_which_place_they_are() -> None:
    """A run clipped at two places is one run, not two."""
    both = [table().with_columns(station=name, flags=int(Flag.CLIPPED)) for name in ("landing", "tray")]
    rows = summarise(Impacts.concat(both), [Run(name="a", files=("a.wav",))])
    said = [w.partition(": ")[2].partition(" clipped")[0] for r in rows for w in r.warnings]
    assert said == ["40 of 40 impacts at landing", "40 of 40 impacts at tray"]


def test_other_flags_stay() -> None:
    flags = Flag.OVERLAPPED | Flag.LOW_MARGIN | Flag.UNCALIBRATED
    (row,) = summarise(table().with_columns(flags=int(flags)), [RUN])
    assert row.used == 40


def test_cut_windows_go_unless_most_are_cut() -> None:
    flags = np.zeros(40, np.uint32)
    flags[:15] = Flag.TRUNCATED
    (row,) = summarise(table().with_columns(flags=flags), [RUN])
    assert (row.used, dict(row.excluded)) == (25, {"truncated": 15})
    flags[:] = Flag.TRUNCATED
    (row,) = summarise(table().with_columns(flags=flags), [RUN])
    assert row.used == 40
    assert "cut short" in row.warnings[0]


def test_only_first_contacts_count() -> None:
    rebound = np.tile([0, 1, 2, -1], 10)
    impacts = table()
    (row,) = summarise(impacts.with_columns(rebound=rebound), [RUN])
    assert row.used == 20
    assert row.mean[0] == pytest.approx(impacts["lae_db"][rebound <= 0].mean())


def test_a_band_heard_only_now_and_then_has_no_mean() -> None:
    impacts = table()
    bands = impacts.data["bands"].copy()
    bands[:30, 0] = np.nan
    bands[:10, 1] = np.nan
    (row,) = summarise(impacts.with_columns(bands=bands), [RUN])
    assert np.isnan(row.mean[BANDS][0])
    assert row.n[BANDS][1] == 30
    assert np.isfinite(row.mean[BANDS][1])


def test_decays_read_over_10_and_20_db_stand_apart() -> None:
    flags = np.where(np.arange(40) < 25, int(Flag.DECAY_T20), int(Flag.DECAY_T10)).astype(np.uint32)
    decay = np.where(np.arange(40) < 25, 400.0, 40.0)
    (row,) = summarise(table().with_columns(flags=flags, decay_ms=decay), [RUN])
    assert row.value("decay_ms") == pytest.approx(400.0)
    assert np.isnan(row.value("decay_t10_ms"))  # 15 of 40: the mean of a chosen few


def test_no_impacts_is_a_summary_without_values() -> None:
    (row,) = summarise(Impacts.empty(), [RUN])
    assert (row.impacts, row.used, row.station) == (0, 0, "landing")
    assert np.isnan(row.mean).all()
    assert np.isnan(row.energy).all()


def test_unplaced_sounds_do_not_count_where_others_are_placed() -> None:
    station = ["landing"] * 30 + [""] * 10
    (row,) = summarise(table().with_columns(station=station), [RUN])
    assert (row.station, row.used) == ("landing", 30)
    (row,) = summarise(table().with_columns(station=""), [RUN])
    assert (row.station, row.used) == ("landing", 40)


def test_stations_count_alike_when_none_is_chosen() -> None:
    impacts = table().with_columns(station=["landing"] * 30 + ["bend"] * 10, lae_db=[60.0] * 30 + [50.0] * 10)
    rows = summarise(impacts, [RUN])
    assert {r.station for r in rows} == {"landing", "bend"}
    (both,) = one_station(rows, None)
    assert both.value("lae_db") == pytest.approx(55.0)
    (bend,) = one_station(rows, "bend")
    assert (bend.value("lae_db"), bend.used) == (50.0, 10)


def _ticked(fed: int | None, ticks: int = 60, out: int = 2, drop_db: float = -44.0, own: int = 0) -> RunSummary:
    """Ten drops, many ticks of a lift lost in the background, and some that stand out of it a little."""
    rng = np.random.default_rng(8)
    levels = np.concatenate([rng.normal(drop_db, 1, 10), rng.normal(-78, 2, ticks), np.linspace(-76.0, -74.0, out)])
    flags = np.repeat([own, Flag.BOUND | Flag.LOW_MARGIN, Flag.LOW_MARGIN], [10, ticks, out])
    found = Impacts.of(len(levels), run="one", rebound=0, lae_db=levels, db_re="full scale", flags=flags)
    return summarise(found, [Run("one", ("one.wav",), balls_fed=fed)])[0]


def test_ticks_of_the_machine_are_no_drops() -> None:
    row = _ticked(10)
    assert (row.impacts, row.used, row.warnings) == (10, 10, ())
    assert dict(row.excluded) == {"background": 62}
    assert row.value("lae_db") == pytest.approx(-44, abs=1)


@pytest.mark.parametrize(("drop_db", "own"), [(-44.0, 0), (-65.0, Flag.LOW_MARGIN)])
def test_ticks_that_stand_out_are_no_drops_where_they_outnumber_them(drop_db: float, own: int) -> None:
    """Twenty ticks beside ten drops made their mean 20 dB too low, in one take and not in the next."""
    row = _ticked(None, out=20, drop_db=drop_db, own=own)
    assert (row.used, row.excluded["background"]) == (10, 20)
    assert row.value("lae_db") == pytest.approx(drop_db, abs=1)
    # what is no crowd, or all there is, stays
    assert _ticked(None, ticks=8, out=20).used == 30
    assert _ticked(None, ticks=60, drop_db=-75.0, own=Flag.LOW_MARGIN).used == 12


def test_drops_lost_in_the_background_are_told_by_the_balls_fed() -> None:
    row = _ticked(14)
    assert row.excluded["bound"] == 4
    assert "4 of 14 impacts lost in the background" in row.warnings[0]
    assert (row.too_low, row.too_high) == ("", row.warnings[0])
    assert row.exceeds_db == pytest.approx(15 * 4 / 14)
    assert _ticked(13).too_high == ""
    assert "60 of 70 impacts lost in the background and left out: where they are drops" in _ticked(None).warnings[0]


def test_of_more_drops_than_balls_the_loudest_are_taken_and_that_is_said() -> None:
    """A loud chain's ticks, 70 beside eight drops, made a pad that is 4.6 dB quieter "no difference shown"."""
    rng = np.random.default_rng(4)
    levels = np.concatenate([rng.normal(-80, 2, 70), rng.normal(-55, 1, 8)])
    flags = np.repeat([Flag.LOW_MARGIN, 0], [70, 8])
    found = Impacts.of(78, run="one", rebound=0, lae_db=levels, db_re="full scale", flags=flags)
    (row,) = summarise(found, [Run("one", ("one.wav",), balls_fed=8, station="landing")])
    assert row.value("lae_db") == pytest.approx(-55, abs=1)
    assert (row.used, dict(row.excluded)) == (8, {"beyond the balls fed": 70})
    assert row.warnings == (
        "run one: 78 impacts at landing count as drops, but 8 balls were fed: the 8 loudest are taken, the rest for "
        "rebounds or sounds of the machine (a run without balls, role = background, tells those)",
    )
    spoilt = found.with_columns(flags=np.where(np.arange(78) < 73, flags, Flag.CLIPPED))
    (row,) = summarise(spoilt, [Run("one", ("one.wav",), balls_fed=8, station="landing")])
    assert (row.used, row.value("lae_db")) == (3, pytest.approx(-55, abs=1.5))  # 5 of the 8 clipped
    (row,) = summarise(found, [Run("one", ("one.wav",), balls_fed=8)])
    assert (row.used, row.too_low) == (78, row.warnings[1])  # a ball may strike many stations
    assert "other stations, rebounds, or sounds of the machine" in row.warnings[0]
    (unstated,) = summarise(found, [Run("one", ("one.wav",), station="landing")])
    assert (unstated.used, unstated.too_low) == (78, unstated.warnings[0])
    assert "70 of 78 impacts at landing that count as drops hardly stand out of the background" in unstated.warnings[0]
    assert summarise(found, [Run("one", ("one.wav",), balls_fed=60)])[0].warnings == ()
    alike = found.with_columns(lae_db=np.concatenate([levels[:70], rng.normal(-72, 1, 8)]))
    assert summarise(alike, [Run("one", ("one.wav",))])[0].warnings == ()


def test_what_no_ball_is_soft_enough_for_stands_in_no_mean_at_any_margin() -> None:
    """Two small sounds 35 dB below eight contacts made their mean 7 dB too low."""
    levels = np.concatenate([np.random.default_rng(3).normal(-59, 0.5, 8), [-94.2, -94.3]])
    found = Impacts.of(10, run="one", station="gate", rebound=0, lae_db=levels, margin_db=7.0, db_re="full scale")
    (row,) = summarise(found, [Run("one", ("one.wav",))])
    assert (row.used, dict(row.excluded)) == (8, {"far fainter": 2})
    assert row.value("lae_db") == pytest.approx(-59, abs=0.5)
    anywhere = found.with_columns(station="")  # another place may well be so much softer
    assert summarise(anywhere, [Run("one", ("one.wav",))])[0].used == 10


def test_a_rebound_without_its_contact_is_no_drop() -> None:
    # Two contacts were hidden by other sounds: their rebounds stand alone, 10 dB softer than drops.
    rng = np.random.default_rng(9)
    drops, again, lone = rng.normal(-57, 1, 15), rng.normal(-67, 1, 15), [-66.5, -68.0]
    levels = np.concatenate([drops, again, lone])
    number = np.repeat([0, 1, 0], [15, 15, 2])
    found = Impacts.of(32, run="one", station="landing", rebound=number, lae_db=levels, db_re="full scale")
    (row,) = summarise(found, [Run("one", ("one.wav",))])
    assert (row.used, dict(row.excluded)) == (15, {"far fainter": 2})
    assert row.value("lae_db") == pytest.approx(drops.mean())
    (kept,) = summarise(found.where(number == 0), [Run("one", ("one.wav",))])  # nothing says that balls rebound here
    assert kept.used == 17


@pytest.mark.parametrize(("hidden", "fed", "said"), [(7, 20, True), (2, 20, False), (7, None, False), (7, 13, False)])
def test_drops_taken_for_the_machine_itself_are_missed_where_balls_were_counted(
    hidden: int, fed: int | None, said: bool
) -> None:
    flags = np.repeat(np.array([0, Flag.MACHINE], np.uint32), [20 - hidden, 200 + hidden])
    levels = np.linspace(-40.0, -60.0, len(flags))
    found = Impacts.of(len(flags), run="one", rebound=0, lae_db=levels, db_re="full scale", flags=flags)
    (row,) = summarise(found, [Run("one", ("one.wav",), station="gate", balls_fed=fed)])
    assert row.used == 20 - hidden
    assert row.too_high == "".join(row.warnings)
    assert bool(row.too_high) == said
    if said:
        assert row.warnings[0].startswith(
            "run one: 20 balls were fed, but 13 drops at gate stand out of what the machine makes without balls"
        )
        assert 1.0 < row.exceeds_db < 10.0
