"""Held up is what the ledger claims; undecided balls are named; revisions are pooled only where it is said."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from noisecheck.bench.rig import Rig
from noisecheck.compare.summary import summarise
from noisecheck.core.table import Impacts
from noisecheck.flow.challenge import Challenge
from noisecheck.flow.failures import failure_rate
from noisecheck.flow.findings import Finding, Ledger, OpenBall, Passage
from noisecheck.pipeline.account import account_for
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.report.found import claimed_late, pooled_sentence, way_of, why_of
from noisecheck.report.tell import tell_account

WAY = {"landing": (0.9, 1.2), "bend": (0.5, 0.9)}
LATE = Finding("held_up", 48.348, "tray", 2400.0, "2.22 s from bend, usually at most 0.90 s, 2,400 : 1", 27)


def ledger(*, claimed: bool, run: str = "bare-0", undecided: int = 0) -> Ledger:
    """Thirty balls over three stations, two of them late at the last; the last ball is not heard after the bend."""
    passages = []
    for n in range(30):
        at = 10.0 + 1.3 * n
        passages.append(Passage(n, "landing", "bend", at, 1.0, False, 1e6))
        if n < 29:
            passages.append(Passage(n, "bend", "tray", at + 0.7, 0.7, False, 1e6))
    passages[53] = Passage(26, "bend", "tray", 46.769, 2.15, True, 1.36)
    passages[55] = Passage(27, "bend", "tray", 48.348, 2.22, True, 2400.0 if claimed else 1.36)
    findings = (LATE,) if claimed else ()
    open_ = (OpenBall(29, "bend", 47.7, (("stuck", 2.0), ("unheard at tray", 0.4))),) * undecided
    return Ledger(
        run, 30, 29, findings, tuple(passages), undecided=undecided, listened_s=60.0, transit_s=WAY, open_balls=open_
    )


def campaign(
    result: CampaignResult, ledgers: dict[str, Ledger], monkeypatch: pytest.MonkeyPatch, **asked: float
) -> CampaignResult:
    """Treatments become revisions A, B, ... in turn; balls run from landing by the bend to the tray."""
    order = list(dict.fromkeys(r.run.treatment for r in result.runs))
    runs = [replace(r, run=replace(r.run, revision="ABC"[order.index(r.run.treatment)])) for r in result.runs]
    names = ["landing", "bend", "tray"]
    stations = [
        {"name": n, **({"next": m} if m else {"target": True})} for n, m in zip(names, [*names[1:], ""], strict=True)
    ]
    limit = {"id": "R", "text": "safe", "strict": True, "measure": "failures_per_million", "limit": 10_000.0}
    limit |= asked
    rig = Rig.model_validate({"station": stations, "revisions": {"order": ["B", "A"]}, "requirement": [limit]})
    made = replace(result.campaign, rig=rig, runs=tuple(r.run for r in runs))
    summaries = summarise(Impacts.concat(r.impacts for r in runs), made.runs)
    plain = tuple(ledgers.get(r.run.name, Ledger(r.run.name, 10, 10, listened_s=60.0, transit_s=WAY)) for r in runs)
    monkeypatch.setattr(CampaignResult, "ledgers", property(lambda _: plain))
    monkeypatch.setattr(CampaignResult, "heard_shares", property(lambda _: dict.fromkeys("ABC")))
    return replace(result, campaign=made, runs=tuple(runs), summaries=summaries)


def test_late_is_what_the_ledger_claims() -> None:
    claimed, open_ = ledger(claimed=True), ledger(claimed=False)
    assert [p.ball for p in claimed.passages if claimed_late(claimed, p)] == [27]
    assert not any(claimed_late(open_, p) for p in open_.passages)
    assert way_of(claimed, LATE) == ("bend", "tray")
    assert way_of(replace(claimed, passages=()), LATE) == ("bend", "tray")  # by the order of stations
    assert way_of(claimed, replace(LATE, station="landing", time_s=1.0)) == ("", "landing")
    assert why_of(LATE) == "2.22 s from bend, usually at most 0.90 s"


def test_page_counts_as_held_up_what_its_ledger_does(
    make: Any, written: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for claimed, words in ((False, "29 balls, median 0.70 s, 0 held up, 2 perhaps"), (True, "1 held up, 1 perhaps")):
        result = campaign(make(), {"bare-0": ledger(claimed=claimed)}, monkeypatch)
        _, page, document = written(result, tmp_path / f"out{claimed}")
        assert words in page.text
        assert "rings: perhaps held up" in page.text
        assert sum(len(r["findings"]) for r in document["flow"]["runs"]) == claimed
        assert ("Nothing stuck, stray, held up or unheard." in page.text) != claimed
    assert "bend to tray" in [d.strip() for t, d in page.words if t == "td"]
    assert page.text.count("2,400") == 1  # odds in their own column alone


def test_terminal_says_which_ball_and_the_odds_once(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    result = campaign(make(), {"bare-0": ledger(claimed=True, undecided=1)}, monkeypatch)
    account = account_for(result)
    lines = tell_account(account)
    assert (
        "  held up between bend and tray, arrived 48.35 s, 2,400 : 1: 2.22 s from bend, usually at most 0.90 s" in lines
    )
    assert (
        "  undecided: the 30th ball, last heard at bend at 47.70 s: stuck (2.0 : 1) or unheard at tray (1 : 2.5)"
        in lines
    )
    notes = [
        "revision A: 1 undecided ball is counted as a failure in the bound",
        "revision A: heard fraction 1 (at least 0.9018, used in the bound): bend missed 0 of 29 balls that later "
        "stations heard, which leaves out what is hard to hear at all of them",
    ]
    for note in notes:
        assert f"note: {note}" in lines
        assert note in account.to_dict()["notes"]
    two = failure_rate([replace(ledger(claimed=False, undecided=2), arrived=28)])
    assert any(n == "2 undecided balls are counted as failures in the bound" for n in two.notes)


def test_older_revisions_are_pooled_only_where_it_is_said(
    make: Any, written: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = campaign(make(), {}, monkeypatch)
    account = account_for(result)
    # No failure among n balls: 1 - 0.05^(1/n); 1 % is shown by ln(0.05) / ln(0.99) = 298.1 balls (Clopper-Pearson).
    bound = {n: f"{1e6 * (1 - 0.05 ** (1 / n)):,.0f} per million" for n in (30, 60)}
    more = math.ceil(math.log(0.05) / math.log(0.99)) - 30
    pooled = pooled_sentence(account.overall, ["A", "B"])
    assert pooled.startswith("revisions A and B pooled, as if nothing changed: 0 failures in 60 balls")
    assert bound[60] in pooled
    assert "more" not in pooled
    assert pooled_sentence(account.overall, ["A"]) == account.overall.sentence
    _, page, document = written(result, tmp_path / "out")
    (said,) = [s["text"] for s in document["answers"] if s["status"] == "bound only"]
    assert said.startswith("Revision A: 0 failures in 30 balls")  # the newest: rig.toml has the order B, A
    assert bound[30] in said
    assert f"{more} more failure-free balls" in said
    assert f"Revisions A and B p{pooled.split(' p', 1)[1]}" in page.text
    assert page.text.count("failure-free balls would show 10,000 per million") == 3  # at the head, and once each


def test_each_revision_answers_for_its_own_challenge(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Balls of felt are heard worse: its bound must not gain from how well those of bare are."""
    caught = {"A": 90, "B": 38}
    monkeypatch.setattr(
        "noisecheck.pipeline.account.challenge_run",
        lambda run, *_: Challenge(100, caught[run.run.revision], 50, 20),
    )
    account = account_for(campaign(make(), {}, monkeypatch), challenged=True)
    assert {name: rate.heard.share for name, rate in account.rates.items()} == {"A": 0.9, "B": 0.38}
    assert account.rates["B"].upper > 2 * account.rates["A"].upper
    assert account.overall.heard.share == 0.38
    assert len(account.to_dict()["challenges"]) == 6


def test_bounds_are_as_sure_as_the_requirement_asks(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    result = campaign(make(), {}, monkeypatch, confidence=0.99)
    account = account_for(result)
    more = math.ceil(math.log(0.01) / math.log(0.99)) - 60
    assert (
        f"per million at 99 %; {more} more failure-free balls would show 10,000 per million" in account.overall.sentence
    )
    assert account.overall.upper == pytest.approx(1 - 0.01 ** (1 / 60))
    assert account_for(result, confidence=0.9).overall.upper == pytest.approx(1 - 0.1 ** (1 / 60))
