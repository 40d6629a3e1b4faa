"""Sections of sources and revisions, against figures worked out by hand and what the trend itself says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from noisecheck.bench.rig import Rig
from noisecheck.compare.summary import summarise
from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.revisions import plan_campaign, trend_campaign
from noisecheck.report.answers import ask, opening
from noisecheck.report.context import Context
from noisecheck.report.events import events_section
from noisecheck.report.plan_view import plan_section
from noisecheck.report.sources import sources_section
from noisecheck.report.tell import tell_comparison
from noisecheck.report.trend import trend_section


def with_revisions(result: CampaignResult, requirements: list[dict[str, Any]]) -> CampaignResult:
    """Treatment bare becomes revision A, felt B, and so on."""
    order = list(dict.fromkeys(r.run.treatment for r in result.runs))
    runs = [replace(r, run=replace(r.run, revision="ABCD"[order.index(r.run.treatment)])) for r in result.runs]
    stations = [{"name": "landing"}, {"name": "tray"}]
    order_of = {"order": list("ABCD"[: len(order)])}
    rig = Rig.model_validate({"revisions": order_of, "requirement": requirements, "station": stations})
    campaign = replace(result.campaign, rig=rig, runs=tuple(r.run for r in runs))
    summaries = summarise(Impacts.concat(r.impacts for r in runs), campaign.runs)
    return replace(result, campaign=campaign, runs=tuple(runs), summaries=summaries)


def followed(result: CampaignResult, held_up: dict[str, int], monkeypatch: pytest.MonkeyPatch) -> None:
    """Give each run a ledger of 100 balls, of which some were held up, by treatment."""

    def late(balls: int) -> tuple[Finding, ...]:
        return tuple(Finding("held_up", float(n), "tray", 50.0, "late", n, "settled", n + 1.0) for n in range(balls))

    ledgers = tuple(Ledger(r.run.name, 100, 100, late(held_up[r.run.treatment]), listened_s=60.0) for r in result.runs)
    monkeypatch.setattr(CampaignResult, "ledgers", property(lambda _: ledgers))


def test_shares_are_shares_of_exposure(make: Any) -> None:
    """10 impacts of -50 dB at one station and 10 of -60 at the other: 10 parts to 1 of the exposure."""
    result = make(treatments=("bare",), runs=1, impacts=20)
    table = result.runs[0].impacts
    loud = table.is_text("station", "landing")
    table = table.with_columns(lae_db=np.where(loud, -50.0, -60.0))
    result = replace(result, runs=(replace(result.runs[0], impacts=table),))
    section = sources_section(Context(result, ()))
    assert section is not None
    landing, tray = section.document[0]["stations"]
    assert (landing["station"], tray["station"]) == ("landing", "tray")
    assert landing["share"] == pytest.approx(10 / 11, abs=1e-5)
    # ISO 1996-1:2016 clause 3.1.8: exposures add. Silent: -10 lg(1/11); 6 dB quieter: -10 lg(1 - 10/11 (1 - 10^-0.6)).
    assert landing["total_falls_db"][3] == pytest.approx(10 * np.log10(11), abs=1e-3)
    assert landing["total_falls_db"][1] == pytest.approx(-10 * np.log10(1 - 10 / 11 * (1 - 10**-0.6)), abs=1e-3)
    assert (landing["worth_quieting"], tray["worth_quieting"]) == (True, False)
    (said,) = section.said
    assert "Landing makes 91 % of the noise" in said.text
    assert "Not worth quieting: tray" in said.text


def test_a_run_of_another_gain_does_not_decide_the_shares(make: Any) -> None:
    """Five runs of 10 to 1 at a place, and one at 40 dB more gain whose loud place was cut at the rail: 1 to 1."""
    result = make(treatments=("bare",), runs=6, impacts=20)
    runs = []
    for number, run in enumerate(result.runs):
        loud = run.impacts.is_text("station", "landing") & (number != 3)
        level = np.where(loud, -50.0, -60.0) + 40.0 * (number == 3)
        runs.append(replace(run, run=replace(run.run, session="one"), impacts=run.impacts.with_columns(lae_db=level)))
    summaries = summarise(Impacts.concat(r.impacts for r in runs), [r.run for r in runs])
    section = sources_section(Context(replace(result, runs=tuple(runs), summaries=summaries), ()))
    assert section is not None
    assert section.data["apart"] == ["bare-3"]
    landing, tray = section.document[0]["stations"]
    assert (landing["station"], landing["impacts"], tray["impacts"]) == ("landing", 50, 50)
    assert landing["share"] == pytest.approx(10 / 11, abs=1e-5)


def test_what_most_runs_note_is_counted_of_the_runs_that_are_shown(make: Any) -> None:
    result = make(treatments=("bare",), runs=5, impacts=20)
    noted = [replace(r, notes=("far",)) for r in result.runs]
    whole = events_section(Context(replace(result, runs=tuple(noted)), ()))
    noted[2] = replace(noted[2], impacts=noted[2].impacts.where(np.zeros(20, bool)))
    less = events_section(Context(replace(result, runs=tuple(noted)), ()))
    assert whole is not None
    assert less is not None
    assert whole.data["common"] == ["5 of 5 test runs: far"]
    assert less.data["common"] == ["4 of 4 test runs with impacts: far"]


def test_a_pickup_and_an_air_microphone_are_not_ranked_together(make: Any) -> None:
    result = make(treatments=("bare",), runs=1, impacts=20)
    rig = Rig.model_validate({
        "microphone": [{"channel": 0, "kind": "contact"}, {"channel": 1}],
        "station": [{"name": "landing", "position_mm": [0, 0]}, {"name": "tray", "position_mm": [400, 100]}],
    })  # fmt: skip
    table = result.runs[0].impacts
    table = table.with_columns(channel=np.where(table.is_text("station", "landing"), 0, 1))
    result = replace(result, campaign=replace(result.campaign, rig=rig), runs=(replace(result.runs[0], impacts=table),))
    section = sources_section(Context(result, ()))
    assert section is not None
    assert section.data["tables"] == []
    assert section.said[0].text.startswith("Contact pickups heard some impacts and air microphones others")
    plan = plan_section(Context(result, ()))
    assert plan is not None
    assert not plan.data["shares"]


def test_the_newest_revision_is_the_rig_files_last(make: Any) -> None:
    """Not the run sheet's: bare, recorded first, is the newest here; at felt the tray is the louder place."""
    result = with_revisions(make(), [])
    rig = Rig.model_validate({
        "revisions": {"order": ["B", "A"]},
        "station": [{"name": "landing", "position_mm": [0, 0]}, {"name": "tray", "position_mm": [400, 100]}],
    })  # fmt: skip
    runs = []
    for run in result.runs:
        landing = run.impacts.is_text("station", "landing")
        loud = landing if run.run.revision == "A" else ~landing
        runs.append(replace(run, impacts=run.impacts.with_columns(lae_db=np.where(loud, -50.0, -60.0))))
    result = replace(result, campaign=replace(result.campaign, rig=rig), runs=tuple(runs))
    section = sources_section(Context(result, ()))
    assert section is not None
    (said,) = section.said
    assert said.text.startswith("In revision A, landing makes")
    assert [t["revision"] for t in section.data["tables"]] == ["A", "B"]
    plan = plan_section(Context(result, ()))
    assert plan is not None
    share = 100 * section.document[0]["stations"][0]["share"]
    assert share > 80  # of both revisions together it would be half
    assert f"landing {share:.0f} %" in plan.data["chart"]
    assert plan.data["newest"] == "A"


def test_one_station_has_no_ranking(make: Any) -> None:
    assert sources_section(Context(make(stations=("landing",)), ())) is None


def test_revisions_stand_as_the_trend_says(
    make: Any, written: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = [
        {"id": "R1", "text": "quiet", "strict": True, "measure": "lae_db", "station": "landing", "limit": -53.0},
        {"id": "R2", "text": "flows", "strict": True, "measure": "held_up_per_thousand", "limit": 50.0},
        {"id": "R3", "text": "safe", "strict": False, "measure": "failures_per_million", "limit": 1.0},
    ]
    result = with_revisions(make(treatments=("bare", "felt", "rubber")), asked)
    followed(result, {"bare": 0, "felt": 30, "rubber": 1}, monkeypatch)
    trend = trend_campaign(result)
    assert [r.card.verdict for r in trend.revisions] == ["not met", "not met", "met"]
    _, page, document = written(result, tmp_path / "out")
    assert document["trend"]["verdict"] == "met"
    verdicts = {c["revision"]: c["verdict"] for c in document["trend"]["revisions"]}
    assert verdicts == {"A": "not met", "B": "not met", "C": "met"}
    text = page.text
    assert "Revision C meets everything it must: R1 met, R2 met." in text
    # what would settle it is told at the head and in the table, of the newest alone
    assert text.count("failure-free balls would show it") == 2
    assert "Of what it should meet 0 of 1 met: R3 not yet shown." in text
    for words in ("L_AE at landing at most \N{MINUS SIGN}53 dB", "balls held up at most 50 per thousand"):
        assert words in text
    assert "if the whole one-sided 95 % interval lies at or below the limit" in text
    assert "3,333" not in text  # 1 of 300 held up is 3.3 per thousand, not per million
    for words in ("Noise against flow, by revision", "What changed from B to C", "R3 safe", "not yet shown"):
        assert words in text
    # felt is as quiet as it gets but for rubber, and holds balls up: beaten by rubber in both.
    points = {p["value"]: p for p in document["trend"]["tradeoff"]["revision"]}
    assert points["C"]["on_frontier"]
    assert points["B"]["beaten_by"] == ["C"]
    assert points["B"]["held_up_or_stuck_per_thousand"]["value"] == pytest.approx(300.0)


def test_bounces_are_held_against_their_limit_also_where_no_balls_are_followed(make: Any) -> None:
    """Contacts 0.2 s and then about 0.12 s apart make a restitution of 0.6; the rig file says no way of the balls."""
    result = make(treatments=("bare",), runs=3, impacts=24)
    number = np.arange(24)
    runs = []
    for k, run in enumerate(result.runs):
        at = 0.4 * (number // 3) + np.array([0.0, 0.2, 0.318 + 0.002 * k])[number % 3]
        table = run.impacts.with_columns(drop=number // 3, rebound=number % 3, time_s=at, station="landing")
        runs.append(replace(run, impacts=table))
    limit = {"id": "R1", "measure": "restitution", "limit": 0.5, "station": "landing"}
    found = trend_campaign(with_revisions(replace(result, runs=tuple(runs)), [limit]))
    (judged,) = found.newest.card.judged
    assert judged.verdict.value == pytest.approx(0.6)
    assert judged.verdict.verdict == "not met"


def test_what_must_be_met_and_is_not_comes_with_the_next_step(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = [{"id": "R", "text": "safe", "strict": True, "measure": "failures_per_million", "limit": 1000.0}]
    result = with_revisions(make(), asked)
    followed(result, {"bare": 0, "felt": 0}, monkeypatch)
    section = trend_section(Context(result, ()))
    assert section is not None
    (said,) = section.said
    assert said.status == "not yet shown"
    # 95 % one-sided, no failure: ln(0.05) / ln(1 - 0.001) = 2995 balls (Clopper and Pearson 1934), of which 300 ran.
    assert "2,69" in said.next_step
    assert "failure-free balls" in said.next_step


def test_what_is_only_hoped_for_and_open_comes_with_its_next_step(make: Any) -> None:
    """Where all that must be met is met, what would settle the rest stood in `plan` alone."""
    asked = [
        {"id": "R1", "text": "x", "measure": "lae_db", "station": "landing", "limit": 0.0, "strict": True},
        {"id": "R2", "text": "y", "measure": "lae_db", "station": "landing", "limit": -55.95, "strict": False},
    ]
    result = with_revisions(make(), asked)
    section = trend_section(Context(result, ()))
    assert section is not None
    (said,) = section.said
    assert said.status == "met"
    assert "R2 not yet shown" in said.text
    assert said.next_step.startswith("R2: ")
    assert "more run" in said.next_step


def test_requirements_without_a_revision_are_said_to_be_unjudged(make: Any) -> None:
    """Before, page and plan passed over them in silence: a reader took them for met."""
    result = make()
    rig = Rig.model_validate({"requirement": [{"id": "R1", "text": "x", "measure": "lae_db", "limit": -40.0}]})
    asked = replace(result, campaign=replace(result.campaign, rig=rig))
    words = "R1 cannot be judged: no test run names a revision (column 'revision' of runs.csv)"
    assert words in plan_campaign(asked).notes
    (said,) = (s for s in opening(Context(asked, ()), []) if words in s.text)
    assert said.next_step.startswith("Name the revision of each run")
    assert words not in plan_campaign(result).notes


@pytest.mark.parametrize("clipped", ["bare", "felt"])
def test_what_clipped_impacts_leave_of_a_difference_is_told_as_a_bound_or_as_open(
    make: Any, written: Any, tmp_path: Path, clipped: str
) -> None:
    """Page and terminal showed the interval of the impacts that had not clipped."""
    result = make(runs=4)
    rows = [
        replace(s, too_low=f"run {s.run.name}: clipped", lacks_db=np.inf) if s.run.treatment == clipped else s
        for s in result.summaries
    ]
    result = replace(result, summaries=tuple(rows))
    asked = ask(result)
    said, *_ = opening(Context(result, asked), ())
    words = tell_comparison(asked[0].comparisons[0])
    if clipped == "bare":
        assert said.status == "quieter"
        assert "felt against bare: at least 5." in said.text
        assert "(95 % bound; 6." in said.text
        assert "by what could be measured" in words[3]
        assert "or less)" not in words[3]
        assert said.next_step.startswith("Record anew to know more than a bound: run bare-0: clipped (so are ")
        assert "or more)" in words[1]
    else:
        assert said.status == "no difference shown"
        assert "lies above \N{MINUS SIGN}" in said.text
        assert said.next_step.startswith("Record anew, for what there is proves nothing: run felt-0: clipped (so are ")
        assert words[3].endswith(" or more)")
    _, page, document = written(result, tmp_path / "out")
    assert ("or less" if clipped == "bare" else "or more") in page.text
    (first,) = (d for d in document["comparisons"][0]["differences"] if d["measure"] == "lae_db")
    assert (first["ci_db"][0] is None, first["ci_db"][1] is None) == (clipped == "bare", clipped == "felt")


def test_without_revisions_noise_still_stands_against_flow(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    result = make()
    assert trend_section(Context(result, ())) is None  # nothing is known of the flow
    followed(result, {"bare": 0, "felt": 30}, monkeypatch)
    section = trend_section(Context(result, ()))
    assert section is not None
    (picture,) = section.data["pictures"]
    assert picture["kind"] == "treatment"
    bare, felt = section.document["treatment"]
    # felt is 6 dB quieter and holds 30 of 100 balls up: neither is beaten in both.
    assert bare["lae_db"]["value"] - felt["lae_db"]["value"] == pytest.approx(6.0, abs=0.5)
    assert (bare["on_frontier"], felt["on_frontier"]) == (True, True)
