"""Corrections by ear: read, refused where they make no sense, carried out, shown, and taken back."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile

from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main
from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.files import campaign_at
from noisecheck.report.page import write_report

RATE = 16_000
RIG = '[[station]]\nname = "landing"\n[[station]]\nname = "bend"\n'
TIMES = (0.5, 1.25, 2.0, 2.75, 3.5, 4.25)


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    """One take with six clear impacts, and one at 5.0 s so faint that it is not found by itself."""
    folder = tmp_path / "clock"
    folder.mkdir()
    rng = np.random.default_rng(1)
    x = 2e-4 * rng.standard_normal(6 * RATE)
    t = np.arange(RATE // 10) / RATE
    shape = np.exp(-t / 0.01) * np.sin(2 * np.pi * 1500 * t)
    for at, size in (*((at, 0.1) for at in TIMES), (5.0, 3e-4)):
        x[round(at * RATE) : round(at * RATE) + len(t)] += size * shape
    soundfile.write(folder / "take.wav", x, RATE, subtype="PCM_24")
    (folder / "rig.toml").write_text(RIG)
    (folder / "runs.csv").write_text("run,file,station\ntake,take.wav,landing\n")
    return folder


def measured(folder: Path) -> Impacts:
    return measure_campaign(load_campaign(folder)).impacts


def correct(folder: Path, *rows: str) -> None:
    (folder / "corrections.csv").write_text("\n".join(["run,time_s,what,station,note", *rows]) + "\n")


def test_each_kind_is_carried_out_and_taken_back(campaign: Path) -> None:
    before = measured(campaign)
    assert before["time_s"] == pytest.approx(TIMES, abs=1e-3)
    correct(campaign, "take,1.26,not a ball,,a door", "take,2.0,station,bend,", "take,5.0,missed,bend,faint")
    after = measured(campaign)
    assert after["time_s"] == pytest.approx([*(t for t in TIMES if t != 1.25), 5.0], abs=1e-3)
    assert after["station"].tolist() == ["landing", "bend", "landing", "landing", "landing", "bend"]
    flags = [("corrected" in row["flags"]) for row in after.rows()]
    assert flags == [False, True, False, False, False, True]
    # The others keep their figures to the bit, and a deleted correction leaves no trace.
    kept = np.isin(before["time_s"], after["time_s"])
    np.testing.assert_array_equal(after["lzpeak_db"][:5], before["lzpeak_db"][kept])
    # The one put in is measured as any other: its peak is the highest point, also between samples, of its first 0.1 s.
    x, _ = soundfile.read(campaign / "take.wav")
    between = scipy.signal.resample(x, 16 * len(x))[16 * 5 * RATE : round(16 * 5.1 * RATE)]
    assert after["lzpeak_db"][-1] == pytest.approx(20 * np.log10(np.abs(between).max()), abs=0.2)
    (campaign / "corrections.csv").unlink()
    again = measured(campaign)
    assert list(again.rows()) == list(before.rows())


def test_they_are_shown_and_respected_by_measure(
    campaign: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    correct(campaign, "take,1.25,not_a_ball,,<b>a door</b>", "take,4.9,station,bend,")
    result = measure_campaign(load_campaign(campaign))
    assert any("line 3: no impact within 50 ms of 4.9 s" in n for n in result.runs[0].notes)
    write_report(result, tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text()
    assert "Corrected by ear" in page
    assert "&lt;b&gt;a door" in page
    document = json.loads((tmp_path / "out" / "results.json").read_text())
    assert [c["what"] for c in document["corrections"]] == ["not a ball", "station"]
    words = ["measure", str(campaign / "take.wav"), "--rig", str(campaign / "rig.toml"), "--json"]
    assert main(words) == 0
    assert len(json.loads(capsys.readouterr().out)["impacts"]) == len(TIMES) - 1
    monkeypatch.chdir(campaign)  # the rig file's folder is then the working folder
    assert main(["measure", "take.wav", "--rig", "rig.toml", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["impacts"]) == len(TIMES) - 1
    alone = campaign_at(campaign / "take.wav", campaign / "rig.toml")
    assert len(measure_campaign(alone).impacts) == len(TIMES) - 1


def test_separators_are_those_of_the_run_sheet(campaign: Path) -> None:
    (campaign / "corrections.csv").write_text("run;time_s;what\n# by ear\ntake;1.25;not a ball\n")
    assert len(measured(campaign)) == len(TIMES) - 1


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("tale,1,missed,,", r"line 2, column 'run': there is no run 'tale' \(did you mean 'take'\?\)"),
        ("take,soon,missed,,", "line 2, column 'time_s': 'soon' is not a time in seconds"),
        ("take,-1,missed,,", "is not a time in seconds"),
        ("take,1,no ball,,", "line 2, column 'what': 'no ball' is none of"),
        ("take,1,station,,", "line 2, column 'station': is empty"),
        ("take,1,station,bent,", r"is not declared in rig.toml \(did you mean 'bend'\?\)"),
    ],
)
def test_a_wrong_row_is_one_sentence(campaign: Path, row: str, sentence: str) -> None:
    correct(campaign, row)
    with pytest.raises(InputError, match=sentence) as caught:
        load_campaign(campaign)
    assert "corrections.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("head", "sentence"), [("run,time_s,wat", "unknown column 'wat'"), ("run,time_s", "no column 'what'")]
)
def test_a_wrong_header_is_one_sentence(campaign: Path, head: str, sentence: str) -> None:
    (campaign / "corrections.csv").write_text(f"{head}\n")
    with pytest.raises(InputError, match=sentence):
        load_campaign(campaign)


def test_the_ledger_gets_the_odds_of_placing_with_what_the_user_said(campaign: Path) -> None:
    """Placed by the run sheet alone: 4 : 1 for the landing; the user's ear says more than that."""
    assert measure_campaign(load_campaign(campaign)).runs[0].odds is not None
    correct(campaign, "take,2.0,station,bend,", "take,2.75,station,landing,")
    run = measure_campaign(load_campaign(campaign)).runs[0]
    assert run.odds is not None
    assert run.odds.stations == ("landing", "bend")
    p = run.odds.posterior()
    assert len(p) == len(run.impacts) == 6
    np.testing.assert_allclose(p[[0, 1, 4, 5], 0], 0.8)
    assert p[2, 1] > 0.9999
    assert p[3, 0] > 0.9999
