"""The answer of ``compare``: its document, its verdicts, its coverage and its speed."""

from __future__ import annotations

import json
import math
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats as st

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import impacts_of, levels_of, simulated, summary_of
from studies import coverage, coverage_by_design, reasons, requirement_errors

from noisecheck.bench.runsheet import Run
from noisecheck.compare import effects
from noisecheck.compare.effects import compare
from noisecheck.compare.summary import BANDS, LEVELS, summarise
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts, band_names, band_set


def campaign(runs: int, n: int, change: float = -4.0) -> tuple[Impacts, list[Run]]:
    placements = np.random.default_rng(8).normal(0, 1, 2 * runs)
    rng = np.random.default_rng(7)
    tables, sheet = [], []
    for value, shift in (("bare", 0.0), ("felt", change)):
        for i in range(runs):
            tables.append(impacts_of(rng, f"{value}-{i}", n, 60 + shift + placements[len(tables)]))
            sheet.append(Run(name=f"{value}-{i}", files=(), treatment=value, station="landing"))
    return Impacts.concat(tables), sheet


def test_document_has_the_agreed_shape() -> None:
    impacts, sheet = campaign(3, 30)
    document = compare(summarise(impacts, sheet), by="treatment").to_dict()
    assert {"by", "baseline", "station", "groups", "differences"} <= set(document)
    assert (document["by"], document["baseline"], document["station"]) == ("treatment", "bare", "landing")
    assert {"value", "runs", "impacts", "lae_db", "ci_db"} <= set(document["groups"][0])
    assert [g["value"] for g in document["groups"]] == ["bare", "felt"]
    assert [(d["value"], d["measure"]) for d in document["differences"]] == [("felt", m) for m in LEVELS]
    first = document["differences"][0]
    keys = {"value", "measure", "difference_db", "ci_db", "p", "verdict", "bands", "why", "warnings"}
    assert keys <= set(first)
    assert set(first["bands"]) == set(band_names())
    assert first["verdict"] == "quieter"
    assert first["bands"]["le_1000hz"]["shown"]
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_numbers_are_those_of_welch_on_run_means() -> None:
    impacts, sheet = campaign(4, 25)
    found = compare(summarise(impacts, sheet), by="treatment").of("felt")
    lae = {r.name: impacts["lae_db"][impacts.is_text("run", r.name)].mean() for r in sheet}
    bare, felt = ([v for k, v in lae.items() if k.startswith(g)] for g in ("bare", "felt"))
    expected = st.ttest_ind(felt, bare, equal_var=False)
    assert found.difference_db == pytest.approx(np.mean(felt) - np.mean(bare))
    assert found.p == pytest.approx(expected.pvalue)
    assert found.ci_db == pytest.approx(tuple(expected.confidence_interval(0.95)))
    group = compare(summarise(impacts, sheet), by="treatment").groups[0]
    assert group.ci["lae_db"] == pytest.approx(st.t.interval(0.95, 3, np.mean(bare), st.sem(bare)))


def test_background_against_background_is_no_difference() -> None:
    """Bands drowned on both sides are left open; drowned after only, the fall is at least what is seen."""
    impacts, sheet = campaign(3, 8)
    names = band_names()
    bare = impacts["run"].astype(str)
    members = np.zeros((len(impacts), 30), bool)
    members[:, names.index("le_10000hz")] = True
    members[np.char.startswith(bare, "felt"), names.index("le_5000hz")] = True
    drowned = impacts.with_columns(bound_bands=band_set(members))
    bands = compare(summarise(drowned, sheet), by="treatment").of("felt").bands
    assert bands["le_10000hz"]["bound"] == "both"
    assert bands["le_10000hz"]["difference_db"] is None
    assert not bands["le_10000hz"]["shown"]
    assert bands["le_5000hz"]["bound"] == "value"
    assert bands["le_5000hz"]["difference_db"] == pytest.approx(-4.0, abs=3.0)
    assert bands["le_1000hz"]["bound"] is None


def test_more_impacts_do_not_narrow_the_interval() -> None:
    """Pseudoreplication (Hurlbert 1984): the same runs with 50 times the impacts stay as uncertain."""
    widths = []
    for n in (100, 5000):
        found = compare(summarise(*campaign(3, n)), by="treatment").of("felt")
        widths.append(found.ci_db[1] - found.ci_db[0])
    assert widths[1] > 0.5 * widths[0]


def test_baseline_can_be_chosen_and_turns_the_sign() -> None:
    summaries = summarise(*campaign(3, 30))
    forward = compare(summaries, by="treatment").of("felt")
    back = compare(summaries, by="treatment", baseline="felt").of("bare")
    assert back.difference_db == pytest.approx(-forward.difference_db)
    assert (forward.verdict, back.verdict) == ("quieter", "louder")


def test_one_run_a_side_is_indicative_only() -> None:
    summaries = summarise(*campaign(1, 500))
    found = compare(summaries, by="treatment").of("felt")
    document = found.to_dict()
    assert document["indicative"]
    assert (document["ci_db"], document["p"]) == (None, None)
    assert document["difference_db"] < -1
    assert document["verdict"] == "no difference shown"
    assert document["warnings"][0].startswith("indicative only: one run")
    assert compare(summaries, by="treatment").groups[0].to_dict()["ci_db"] is None


def test_one_run_against_three_is_indicative_too() -> None:
    rows = [summary_of(Run(name=f"felt{i}", files=(), treatment="felt"), levels_of(56.0 + i)) for i in range(3)]
    rows.insert(0, summary_of(Run(name="bare", files=(), treatment="bare"), levels_of(60.0)))
    found = compare(rows, by="treatment").of("felt")
    assert (found.difference_db, found.indicative, found.runs) == (pytest.approx(-3.0), True, (1, 3))
    assert found.warnings[0].startswith("indicative only: one run on a side has no spread")


def test_copies_of_one_recording_are_as_uncertain_as_its_impacts() -> None:
    """Two copies a side: 2 dB of scatter over 100 impacts a run is 0.2 dB a run, and 0.2 dB of the difference."""
    rows = [
        summary_of(Run(name=f"{value}{i}", files=(), treatment=value), levels_of(level), n=100, sd=2.0)
        for value, level in (("bare", 60.0), ("felt", 59.0))
        for i in range(2)
    ]
    found = compare(rows, by="treatment").of("felt")
    assert found.standard_error_db == pytest.approx(0.2)


def test_a_group_has_the_mean_of_its_runs_energy_means() -> None:
    rows = [summary_of(Run(name=f"{v}", files=(), treatment="bare"), levels_of(v)) for v in (60.0, 61.0, 65.0)]
    group = compare(rows, by="treatment").groups[0]
    assert (group.levels["lae_db"], group.energy_lae_db) == (pytest.approx(62.0), pytest.approx(62.0 + 0.115 * 4.0))


@pytest.mark.parametrize(
    ("difference", "ci", "verdict"),
    [
        (-0.4, (-0.7, -0.1), "quieter"),
        (0.4, (0.1, 0.7), "louder"),
        (0.4, (0.0, 0.8), "no difference shown"),
        (-0.4, (-0.8, 0.0), "no difference shown"),
        (-0.4, (np.nan, np.nan), "no difference shown"),
        (np.nan, (np.nan, np.nan), "not comparable"),
    ],
)
def test_a_verdict_needs_the_whole_interval_on_one_side(
    difference: float, ci: tuple[float, float], verdict: str
) -> None:
    assert effects._verdict(difference, ci) == verdict


@pytest.mark.parametrize(
    ("side", "lacks_db", "shown"),
    [("felt", math.inf, False), ("felt", 9.0, False), ("felt", 0.5, True), ("bare", 9.0, True)],
)
def test_who_is_softer_only_for_what_its_mean_lacks_is_not_called_quieter(
    side: str, lacks_db: float, *, shown: bool
) -> None:
    impacts, sheet = campaign(4, 30)
    rows = [
        replace(s, too_low="most clipped", lacks_db=lacks_db) if s.run.treatment == side else s
        for s in summarise(impacts, sheet)
    ]
    found = compare(rows, by="treatment").of("felt")
    assert (found.verdict, round(found.difference_db)) == ("quieter" if shown else "no difference shown", -3)
    assert (found.why is not None) == shown
    assert any("is not shown to be so: most clipped" in w for w in found.warnings) != shown


@pytest.mark.parametrize(
    ("side", "doubt", "lacks_db", "end", "at_least"),
    [
        ("bare", "low", math.inf, 0, True),  # truly louder: felt is quieter still
        ("bare", "low", 9.0, 0, True),
        ("bare", "low", 0.1, 0, False),
        ("felt", "low", 0.1, 1, False),
        ("felt", "high", math.inf, 0, True),  # truly softer, where drops were drowned
        ("bare", "high", 0.1, 1, False),
    ],
)
def test_what_a_mean_lacks_is_in_the_interval_and_a_difference_that_may_be_larger_is_told_as_a_bound(
    side: str, doubt: str, lacks_db: float, end: int, *, at_least: bool
) -> None:
    """Drops 10.1 dB louder, most of them clipped, were told as 4.7 dB louder, 3.1 to 6.3."""
    impacts, sheet = campaign(4, 30)
    rows = summarise(impacts, sheet)
    told = {"low": {"too_low": "cut", "lacks_db": lacks_db}, "high": {"too_high": "lost", "exceeds_db": lacks_db}}[
        doubt
    ]
    doubted = [replace(s, **told) if s.run.treatment == side else s for s in rows]
    sure, found = (compare(r, by="treatment").of("felt") for r in (rows, doubted))
    assert found.verdict == "quieter"
    assert found.ci_db[1 - end] == sure.ci_db[1 - end]
    assert abs(found.ci_db[end] - sure.ci_db[end]) == pytest.approx(lacks_db)
    document = found.to_dict()
    assert document["at_least"] == at_least
    assert (document["ci_db"][0] is None) == math.isinf(lacks_db)
    least = f"at least {-sure.ci_db[1]:.1f} dB quieter" if at_least else f"{-sure.difference_db:.1f} dB quieter"
    assert found.size == least
    assert found.why is not None
    assert found.why.sentence.startswith(f"felt: {least}, ")
    group = compare(doubted, by="treatment").groups[side == "felt"]
    assert math.isinf(max(abs(v) for v in group.ci["lae_db"])) == math.isinf(lacks_db)


def test_what_comes_out_louder_for_drowned_drops_alone_is_not_shown() -> None:
    impacts, sheet = campaign(4, 30, change=4.0)
    rows = [
        replace(s, too_high="run x: lost", exceeds_db=math.inf) if s.run.treatment == "felt" else s
        for s in summarise(impacts, sheet)
    ]
    found = compare(rows, by="treatment").of("felt")
    assert (found.verdict, found.why) == ("no difference shown", None)
    assert found.lacking == "run x: lost (so are those of felt-1, felt-2 and felt-3)"


@pytest.mark.parametrize("verdict", ["quieter", "no difference shown"])
def test_a_few_clipped_impacts_take_no_verdict_away_that_they_could_not_change(verdict: str) -> None:
    """Two of 30 in one run of four: they would have to be tens of decibels louder than any drop."""
    impacts, sheet = campaign(4, 30)
    flags = np.zeros(len(impacts), np.uint32)
    for run in sheet[4:]:
        rows = np.flatnonzero(impacts.is_text("run", run.name))
        flags[rows[: 20 if verdict != "quieter" else 2 * (run is sheet[4])]] = Flag.CLIPPED
    found = compare(summarise(impacts.with_columns(flags=flags), sheet), by="treatment").of("felt")
    assert found.verdict == verdict
    assert any("clipped" in w for w in found.warnings)


def test_rings_heard_in_octaves_tell_damping_at_the_place_compared() -> None:
    """Two octaves of four ring a tenth as long, and lose 10 dB there alone; rings of another place tell nothing."""
    rng = np.random.default_rng(4)
    rows, decays = [], {}
    for value in ("bare", "felt"):
        change = np.zeros(10)
        change[4:6] = np.log(0.1) if value == "felt" else 0.0
        for i in range(4):
            run = Run(name=f"{value}{i}", files=(), treatment=value, station="landing")
            levels = levels_of(60.0 + 3.0 * change[4] / np.log(10) + 0.1 * rng.standard_normal())
            levels[BANDS] = 50.0 + np.repeat(change, 3) * 10 / np.log(10) + 0.1 * rng.standard_normal(30)
            rows.append(summary_of(run, levels))
            decays[run.name, "landing"] = np.log(100.0) + change + 0.02 * rng.standard_normal(10)
            decays[run.name, "landing"][[0, 1, 2, 3, 8, 9]] = np.nan
    elsewhere = {(name, "bend"): logs for (name, _), logs in decays.items()}
    told = [compare(rows, by="treatment", decays=d).of("felt").why for d in (decays, elsewhere, None)]
    back = compare(rows, by="treatment", baseline="felt", decays=decays).of("bare").why
    parts = [reason.parts_db["damping"] for reason in (*told, back) if reason is not None]
    assert parts[0] < -1.0 < parts[1] == parts[2] == 0.0
    assert parts[3] > 1.0


def test_extra_columns_and_heights_can_be_compared_by() -> None:
    rows = [
        summary_of(Run(name=f"{h}{i}", files=(), drop_height_mm=h, extra={"pad_mm": p}), levels_of(level + 0.2 * i))
        for h, p, level in ((60.0, "0", 60.0), (120.0, "3", 63.5))
        for i in range(3)
    ]
    assert compare(rows, by="drop_height_mm").of("120").difference_db == pytest.approx(3.5)
    assert compare(rows, by="pad_mm").of("3").verdict == "not comparable"


def test_a_side_drowned_though_louder_is_drowned_by_chance() -> None:
    impacts, sheet = campaign(3, 8)
    members = np.zeros((len(impacts), 30), bool)
    members[np.char.startswith(impacts["run"].astype(str), "bare"), 3] = True  # and yet felt is 4 dB softer
    drowned = impacts.with_columns(bound_bands=band_set(members))
    bands = compare(summarise(drowned, sheet), by="treatment").of("felt").bands
    assert bands[band_names()[3]]["bound"] == "both"
    assert bands[band_names()[3]]["difference_db"] is None


def test_values_that_differ_in_spelling_only_are_said() -> None:
    impacts, sheet = campaign(2, 5)
    sheet[0] = replace(sheet[0], treatment="Bare ")
    found = compare(summarise(impacts, sheet), by="treatment", baseline="bare").warnings
    assert found == ("'Bare ' and 'bare' are told apart by spelling alone: write them alike if they are one",)


def test_bad_requests_are_one_sentence() -> None:
    summaries = summarise(*campaign(2, 5))
    with pytest.raises(InputError, match=r"no column 'treatmnt' \(did you mean 'treatment'\?\)"):
        compare(summaries, by="treatmnt")
    with pytest.raises(InputError, match=r"baseline 'bear': .* \(did you mean 'bare'\?\)"):
        compare(summaries, by="treatment", baseline="bear")
    with pytest.raises(InputError, match=r"station 'landign': .* \(did you mean 'landing'\?\)"):
        compare(summaries, by="treatment", station="landign")
    with pytest.raises(InputError, match="no test run has a"):
        compare(summaries, by="revision")
    with pytest.raises(InputError, match="no run has the role test"):
        compare([], by="treatment")


def test_campaign_without_impacts_is_not_comparable() -> None:
    _, sheet = campaign(2, 5)
    document = compare(summarise(Impacts.empty(), sheet), by="treatment").to_dict()
    assert document["differences"][0]["verdict"] == "not comparable"
    assert document["groups"][0]["lae_db"] is None


def test_forty_runs_of_two_thousand_impacts_in_three_seconds() -> None:
    impacts, sheet = campaign(20, 2000)
    start = time.process_time()
    compare(summarise(impacts, sheet), by="treatment").to_dict()
    assert time.process_time() - start < 3.0


def within_binomial(count: int, n: int, low: float, high: float) -> bool:
    """Whether a rate between ``low`` and ``high`` could give this count: by chance wrong once in a thousand."""
    return bool(st.binom.ppf(0.0005, n, low) <= count <= st.binom.ppf(0.9995, n, high))


@pytest.mark.parametrize("runs", [(3, 3), (6, 6), None])
def test_intervals_cover_and_equal_treatments_are_not_called_quieter(runs: tuple[int, int] | None) -> None:
    """200 campaigns: between-run sd 1 dB, within-run sd 2 dB, unequal impacts, two sessions."""
    held, quieter, louder, n = coverage(200, seed=11, runs=runs)
    assert n == 200
    assert within_binomial(held, n, 0.93, 0.97)
    assert quieter <= st.binom.ppf(0.9995, n, 0.025)
    assert louder <= st.binom.ppf(0.9995, n, 0.025)


def test_intervals_cover_in_blocked_tied_and_nested_campaigns() -> None:
    for held, n in coverage_by_design(150, seed=12).values():
        assert within_binomial(held, n, 0.93, 0.97)


def test_coverage_from_impact_tables() -> None:
    """The same study through the impact table: 100 campaigns of 4 against 4 runs, true difference -2 dB."""
    rng = np.random.default_rng(13)
    held = 0
    for _ in range(100):
        tables, sheet = [], []
        for value, level in (("bare", 60.0), ("felt", 58.0)):
            for i in range(4):
                name = f"{value}{i}"
                tables.append(impacts_of(rng, name, int(rng.integers(5, 40)), level + rng.normal(0, 1)))
                sheet.append(Run(name=name, files=(), treatment=value))
        low, high = compare(summarise(Impacts.concat(tables), sheet), by="treatment").of("felt").ci_db
        held += low <= -2.0 <= high
    assert within_binomial(held, 100, 0.93, 0.97)


def test_reason_is_right_in_pure_cases() -> None:
    for kind, (right, n) in reasons(40, seed=14).items():
        # the null case is wrong whenever a difference is shown by chance: that is the 5 % of the intervals
        assert right >= st.binom.ppf(0.0005, n, 0.95), kind


def test_a_false_met_is_rare() -> None:
    for kind, (wrong, n) in requirement_errors(400, seed=15).items():
        assert wrong <= st.binom.ppf(0.9995, n, 0.05), kind


def test_true_differences_are_found() -> None:
    rng = np.random.default_rng(16)
    change = {"felt": np.full(30, -6.0)}
    found = [compare(simulated(rng, [("bare", 5), ("felt", 5)], band_change=change), by="treatment") for _ in range(40)]
    differences = [c.of("felt").difference_db for c in found]
    assert np.mean(differences) == pytest.approx(-6.0, abs=0.5)
    assert sum(c.of("felt").verdict == "quieter" for c in found) >= 38
