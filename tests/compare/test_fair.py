"""Which runs may be compared: refusals in words, conditions held equal, sessions tied."""

from __future__ import annotations

import dataclasses
import math
import statistics
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import levels_of, summary_of

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.differences import Difference
from noisecheck.compare.effects import compare
from noisecheck.compare.summary import RunSummary


def row(name: str, level: float, *, db_re: str = "full scale", **run: Any) -> RunSummary:
    return summary_of(Run(name=name, files=(), **run), levels_of(level), db_re=db_re)


def three(treatment: str, level: float, **more: Any) -> list[RunSummary]:
    return [row(f"{treatment}{i}{more}", level + 0.3 * i, treatment=treatment, **more) for i in range(3)]


def felt(rows: list[RunSummary], **options: Any) -> Difference:
    return compare(rows, by="treatment", **options).of("felt")


def refused(difference: Difference) -> str:
    assert difference.verdict == "not comparable"
    document = difference.to_dict()
    assert (document["difference_db"], document["ci_db"], document["p"], document["bands"]) == (None, None, None, {})
    return difference.warnings[0]


def test_heights_that_go_with_treatments_are_refused() -> None:
    rows = three("bare", 60, drop_height_mm=120.0) + three("felt", 50, drop_height_mm=60.0)
    assert refused(felt(rows)) == (
        "all bare runs have drop height 120 mm, all felt runs 60 mm: the two cannot be told apart"
    )
    found = compare(rows, by="drop_height_mm")
    assert refused(found.of("60")) == (
        "all 120 mm runs have treatment bare, all 60 mm runs felt: the two cannot be told apart"
    )


def test_a_height_on_one_side_only_is_refused() -> None:
    rows = three("bare", 60, drop_height_mm=120.0) + three("felt", 50)
    assert refused(felt(rows)) == "the drop height of felt is not given"


def test_a_revision_is_the_sum_of_its_changes() -> None:
    rows = three("bare", 60, drop_height_mm=120.0, revision="A") + three("felt", 50, drop_height_mm=60.0, revision="B")
    found = compare(rows, by="revision").of("B")
    assert found.verdict == "quieter"
    assert sum("cannot be told apart" in w for w in found.warnings) == 2


def test_heights_on_both_sides_are_held_equal() -> None:
    rows = three("bare", 60, drop_height_mm=60.0) + three("bare", 64, drop_height_mm=120.0)
    rows += three("felt", 57, drop_height_mm=60.0) + three("felt", 59, drop_height_mm=120.0)
    rows += three("felt", 30, drop_height_mm=240.0)
    found = felt(rows)
    assert found.difference_db == pytest.approx(-4.0)  # mean of -3 and -5; 240 mm has no counterpart
    assert found.balanced_for == ("drop_height_mm",)
    assert "3 runs left out" in found.warnings[0]


def test_a_session_with_both_sides_in_other_conditions_says_nothing_and_that_is_what_is_said() -> None:
    """Day 2 has bare at 120 mm and felt at 60 mm only, and nothing else tells what the height makes."""
    rows = three("bare", 60, session="day 1", drop_height_mm=60.0)
    rows += three("felt", 57, session="day 1", drop_height_mm=60.0)
    rows += three("bare", 63, session="day 2", drop_height_mm=120.0)[:1]
    rows += three("felt", 56, session="day 2", drop_height_mm=60.0)[:1]
    rows += three("felt", 61, session="day 3", drop_height_mm=120.0)[:1]
    found = felt(rows)
    assert found.difference_db == pytest.approx(-3.0)
    assert any(
        w.startswith("3 runs of sessions day 2 and day 3 say nothing of the difference, since the other side was not "
                     "recorded there in the same conditions") for w in found.warnings
    )  # fmt: skip


def test_runs_of_sessions_without_the_other_side_say_nothing_and_are_not_counted() -> None:
    rows = three("bare", 60, session="day 1") + three("felt", 57, session="day 1")
    rows += three("bare", 70, session="day 2") + three("felt", 40, session="day 3")[:1]
    found = felt(rows)
    assert found.difference_db == pytest.approx(-3.0)
    assert found.runs == (3, 3)
    assert found.warnings == (
        "4 runs of sessions day 2 and day 3 say nothing of the difference, since the other side was not recorded "
        "there: it rests on the 6 other runs",
    )


def test_one_run_left_out_is_one() -> None:
    alone = three("bare", 60, session="day 1") + three("felt", 57, session="day 1")
    alone += three("felt", 40, session="day 2")[:1]
    assert felt(alone).warnings[0].startswith("1 run of session day 2 says nothing of the difference, ")
    rows = three("bare", 60, drop_height_mm=60.0) + three("felt", 57, drop_height_mm=60.0)
    rows += three("felt", 59, drop_height_mm=120.0)[:1]
    assert felt(rows).warnings[0].startswith("1 run left out: ")
    rows += [row("x", 50.0)]
    assert "1 run left out: treatment is empty there" in compare(rows, by="treatment").warnings


def test_unequal_numbers_at_each_height_do_not_leak_into_the_difference() -> None:
    rows = three("bare", 60, drop_height_mm=60.0) + three("bare", 70, drop_height_mm=120.0)[:1]
    rows += three("felt", 60, drop_height_mm=60.0)[:1] + three("felt", 70, drop_height_mm=120.0)
    assert abs(felt(rows).difference_db) < 0.5


def at_heights(treatment: str, level: float, slope: float, heights: tuple[float, ...], **run: Any) -> list[RunSummary]:
    """Runs on a line through ``level`` at 100 mm, off it by 0.2 dB in turn."""
    return [
        row(
            f"{treatment}{h}{i}",
            level + slope * 10 * math.log10(h / 100) + (0.2, -0.3, 0.1)[i],
            treatment=treatment,
            drop_height_mm=h,
            **run,
        )
        for h in heights
        for i in range(3)
    ]


def test_treatments_without_a_common_height_are_compared_at_one_inside_both_ranges() -> None:
    """A line with height for each side, compared at their common middle: as statsmodels with HC2 errors."""
    rows = at_heights("bare", 60, 1.3, (50.0, 80.0, 125.0)) + at_heights("felt", 55, 1.0, (90.0, 140.0, 200.0))
    found = felt(rows)
    at_mm = math.sqrt(90 * 125)
    x = np.array([10 * math.log10((r.run.drop_height_mm or 0) / at_mm) for r in rows])
    is_felt = np.array([r.run.treatment == "felt" for r in rows], float)
    y = [r.mean[0] for r in rows]
    expected = sm.OLS(y, np.column_stack([np.ones(len(x)), is_felt, x, is_felt * x])).fit(cov_type="HC2")
    assert found.difference_db == pytest.approx(expected.params[1])
    assert found.difference_db == pytest.approx(-5 - 0.3 * 10 * math.log10(at_mm / 100))
    assert found.standard_error_db == pytest.approx(expected.bse[1])
    assert found.verdict == "quieter"
    assert found.balanced_for == ("drop_height_mm",)
    assert "compared at 106 mm, inside the heights of both" in found.warnings[0]


def test_levels_are_not_carried_beyond_the_heights_of_either_side() -> None:
    far = at_heights("bare", 60, 1.3, (50.0, 80.0)) + at_heights("felt", 55, 1.0, (90.0, 140.0))
    assert "all bare runs have drop height 50 and 80 mm, all felt runs 90 and 140 mm" in refused(felt(far))
    one = at_heights("bare", 60, 1.3, (50.0, 125.0)) + at_heights("felt", 55, 1.0, (90.0,))
    assert "cannot be told apart" in refused(felt(one))
    apart = at_heights("bare", 60, 1.3, (50.0, 125.0), session="a") + at_heights(
        "felt", 55, 1, (90.0, 140.0), session="b"
    )
    assert "the recorder's gain may differ" in refused(felt(apart))


def test_calibrated_against_not_is_refused() -> None:
    rows = three("bare", 60, db_re="20 uPa") + three("felt", 50)
    assert refused(felt(rows)) == "bare is in dB re 20 uPa, felt in dB re full scale"
    mixed = three("bare", 60) + three("felt", 50) + [row("b9", 60, treatment="bare", db_re="20 uPa")]
    assert refused(felt(mixed)) == "some runs are calibrated (dB re 20 uPa) and some are not (dB re full scale)"


def test_kinds_of_microphone_are_never_mixed() -> None:
    rig = Rig.model_validate({"microphone": [{"channel": 0}, {"channel": 1, "kind": "contact"}]})
    other = [dataclasses.replace(s, channels=(1,)) for s in three("felt", 50)]
    assert "air microphones, felt by contact ones" in refused(felt(three("bare", 60) + other, rig=rig))


def test_levels_over_pickups_and_air_microphones_are_said_to_be_means_of_unlike_things() -> None:
    rig = Rig.model_validate({"microphone": [{"channel": 0}, {"channel": 1, "kind": "contact"}]})
    rows = [dataclasses.replace(s, channels=(0, 1)) for s in three("bare", 60) + three("felt", 50)]
    found = compare(rows, by="treatment", rig=rig)
    assert found.of("felt").difference_db == pytest.approx(-10.0)
    assert [w for w in found.warnings if "means over unlike things" in w]
    assert not compare(three("bare", 60) + three("felt", 50), by="treatment", rig=rig).warnings


def test_a_column_of_ones_own_that_changed_too_is_said() -> None:
    rows = three("bare", 60, extra={"glue": "old", "take": "1"}) + three("felt", 50, extra={"glue": "new", "take": "1"})
    said = "all bare runs have glue old, all felt runs new: whatever that changed is part of the difference"
    assert felt(rows).warnings == (said,)
    assert compare(rows, by="glue").of("new").warnings[-1] == (
        "all old runs have treatment bare, all new runs felt: the two cannot be told apart"
    )
    both = [*rows, row("b", 60, treatment="bare", extra={"glue": "new", "take": "1"})]
    assert said not in felt(both).warnings
    each = [dataclasses.replace(r, run=dataclasses.replace(r.run, extra={"glue": r.run.name})) for r in rows]
    assert felt(each).warnings == ()


def test_runs_without_a_value_are_none_of_every_run() -> None:
    rows = [*three("bare", 60), row("none", 60)]
    assert "every other run has treatment 'bare': there is nothing to compare it with" in compare(
        rows, by="treatment"
    ).warnings  # fmt: skip


def test_recordings_that_carry_less_are_refused_or_said() -> None:
    def limited(hz: float) -> list[RunSummary]:
        return three("bare", 60) + [dataclasses.replace(s, band_limit_hz=hz) for s in three("felt", 50)]

    assert "nothing above 3150 Hz" in refused(felt(limited(3150.0)))
    assert any("above 16000 Hz" in w for w in felt(limited(16000.0)).warnings)


def test_nothing_left_is_said_with_the_reason() -> None:
    gone = [dataclasses.replace(s, used=0, excluded={"clipped": 7}) for s in three("felt", 50)]
    assert refused(felt(three("bare", 60) + gone)) == "no impact of felt has a comparable level: 21 clipped"
    gone = [dataclasses.replace(s, used=0, impacts=0) for s in three("felt", 50)]
    assert refused(felt(three("bare", 60) + gone)) == "no impact was heard in the runs of felt"


def test_soft_impacts_lost_on_one_side_are_said() -> None:
    """Levels normal about 60 and 56 dB, sd 2: of those below 55 dB 0.6 % and 31 % (tables of the normal law)."""
    law = statistics.NormalDist()
    lost = [round(100 * law.cdf((55 - mean) / 2)) for mean in (60, 56)]
    assert lost == [1, 31]
    sides = [
        [dataclasses.replace(s, excluded={"doubtful place": n}) for s in three(value, level)]
        for value, level, n in (("bare", 60, lost[0]), ("felt", 56, lost[1]))
    ]
    (said,) = felt(sides[0] + sides[1]).warnings
    assert said.startswith("31% of the impacts of felt were too faint or too doubtful to use, 1% of those of bare")
    assert said.endswith("the level of felt is likely too high")
    assert felt(sides[0] + three("felt", 56)).warnings == ()


def test_sessions_apart_without_a_tie_are_refused() -> None:
    rows = three("bare", 60, session="a") + three("felt", 50, session="b")
    assert "the recorder's gain may differ" in refused(felt(rows))
    calibrated = three("bare", 60, session="a", db_re="20 uPa") + three("felt", 50, session="b", db_re="20 uPa")
    found = felt(calibrated)
    assert found.verdict == "quieter"
    assert "whatever else changed between the sessions" in found.warnings[0]


def test_reference_drops_tie_sessions() -> None:
    """The recorder's gain is 10 dB lower in session b: bare 60, felt 57 must come out as -3, not -13."""
    rows = three("bare", 60, session="a") + three("felt", 47, session="b")
    rows += [row(f"ra{i}", 50 + 0.2 * i, session="a", role="reference") for i in range(3)]
    rows += [row(f"rb{i}", 40 + 0.2 * i, session="b", role="reference") for i in range(3)]
    found = felt(rows)
    assert found.difference_db == pytest.approx(-3.0)
    assert found.verdict == "quieter"
    assert found.warnings == ("the sessions are tied by their reference drops",)


def test_devices_are_compared_only_where_reference_drops_tie_each_of_them() -> None:
    def by_device(session: str, treatment: str, level: float, device: str, role: str = "test") -> list[RunSummary]:
        extra = {"device": device}
        return [
            row(f"{session}{treatment}{role}{i}", level + 0.3 * i, session=session, treatment=treatment, role=role,
                extra=extra)
            for i in range(3)
        ]  # fmt: skip

    rows = by_device("a", "bare", 60, "phone") + by_device("b", "felt", 47, "recorder")
    assert "their gains differ" in refused(felt(rows))
    drops = by_device("a", "", 50, "phone", "reference") + by_device("b", "", 40, "recorder", "reference")
    found = felt(rows + drops)
    assert found.difference_db == pytest.approx(-3.0)
    assert any("what their responses differ by" in w for w in found.warnings)
    one_session = by_device("a", "bare", 60, "phone") + by_device("a", "felt", 47, "recorder")
    assert "their gains differ" in refused(felt(one_session + by_device("a", "", 50, "phone", "reference")))


def test_several_sessions_a_side_are_the_unit() -> None:
    rows = [
        r for i in range(3) for r in three("bare", 60 + i, session=f"a{i}") + three("felt", 50 + i, session=f"b{i}")
    ]
    found = felt(rows)
    assert found.runs == (3, 3)
    assert found.df == pytest.approx(4.0)
    assert "sessions, not runs, are the unit" in found.warnings[0]


def test_a_session_shift_cancels_where_sessions_hold_both() -> None:
    rows = three("bare", 60, session="a") + three("felt", 57, session="a")
    rows += three("bare", 75, session="b") + three("felt", 72, session="b")
    found = felt(rows)
    assert found.difference_db == pytest.approx(-3.0)
    assert found.ci_db[1] - found.ci_db[0] < 2
    assert found.balanced_for == ("session",)


def test_heights_measured_run_by_run_are_one_height() -> None:
    rows = [row(f"b{h}", 60 + h / 50, treatment="bare", drop_height_mm=h) for h in (99.0, 100.0, 101.0)]
    rows += [row(f"f{h}", 55 + h / 50, treatment="felt", drop_height_mm=h) for h in (100.5, 102.0, 103.5)]
    found = felt(rows)
    assert (found.verdict, found.balanced_for, found.runs) == ("quieter", (), (3, 3))


def test_stations_are_not_mixed() -> None:
    rows = three("bare", 60, station="landing") + three("felt", 50, station="bend")
    assert refused(felt(rows)) == (
        "all bare runs have station landing, all felt runs bend: the two cannot be told apart"
    )
    rows += three("felt", 59, station="landing")
    found = felt(rows)
    assert found.difference_db == pytest.approx(-1.0)
    assert felt(rows, station="landing").difference_db == pytest.approx(-1.0)


def test_a_station_not_heard_on_one_side_is_said() -> None:
    rows = three("bare", 60) + three("felt", 50)
    rows = [dataclasses.replace(s, station="landing" if s.run.treatment == "bare" else "bend") for s in rows]
    found = felt(rows, station="landing")
    assert refused(found) == "no impact was heard at landing in the runs of felt"


def test_a_run_without_impacts_is_said() -> None:
    gone = dataclasses.replace(row("f9", 50, treatment="felt"), used=0)
    found = felt([*three("bare", 60), *three("felt", 50), gone])
    assert found.warnings == ("run f9 is left out: no impact to compare",)
    assert found.runs == (3, 3)
