"""The run sheet, the campaign and its template: what is read, and one sentence for each fault."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from noisecheck.bench.campaign import load_campaign
from noisecheck.bench.rig import Rig
from noisecheck.bench.rig_file import load_rig
from noisecheck.bench.runsheet import UNFILLED_SHEET, load_runs, natural_key
from noisecheck.bench.template import RIG_TEMPLATE, write_campaign_template
from noisecheck.core.errors import InputError

RIG = '[[station]]\nname = "landing"\nnext = "tray"\n[[station]]\nname = "tray"\n[revisions]\norder = ["A", "B"]\n'
SHEET = """\
run,file,revision,treatment,drop_height_mm,station,session,recorded,balls_fed,role,notes,pad_mm
bare-1,bare.wav,A,bare,60,landing,s1,2025-03-01 14:30,50,test,"first, re-placed",0
felt-1,takes/felt_*.wav,B,felt,120.5,,s2,,,,,3
quiet,quiet.wav,,,,,,,,background,,
"""


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    folder = tmp_path / "clock"
    (folder / "takes").mkdir(parents=True)
    for name in ("bare.wav", "quiet.wav", "takes/felt_1.wav", "takes/felt_2.wav", "takes/felt_10.wav"):
        (folder / name).write_bytes(b"x")
    (tmp_path / "outside.wav").write_bytes(b"x")
    (folder / "rig.toml").write_text(RIG)
    (folder / "runs.csv").write_text(SHEET)
    return folder


def test_rows_are_typed(campaign: Path) -> None:
    loaded = load_campaign(campaign)
    bare, felt, quiet = loaded.runs
    assert (bare.name, bare.treatment, bare.drop_height_mm, bare.station, bare.balls_fed) == (
        "bare-1", "bare", 60.0, "landing", 50,
    )  # fmt: skip
    assert bare.recorded is not None
    assert bare.recorded.hour == 14
    assert bare.notes == "first, re-placed"
    assert felt.files == ("takes/felt_1.wav", "takes/felt_2.wav", "takes/felt_10.wav")
    assert (felt.role, felt.balls_fed, felt.recorded) == ("test", None, None)
    assert (felt.value("pad_mm"), felt.value("drop_height_mm"), loaded.columns) == ("3", "120.5", ("pad_mm",))
    assert loaded.of_role("background") == (quiet,)
    assert loaded.paths(felt)[0] == campaign / "takes/felt_1.wav"
    assert loaded.run("felt-1").line == 3
    assert loaded.notes == ()
    with pytest.raises(KeyError):
        felt.value("colour")


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators_byte_order_mark_and_comments(campaign: Path, separator: str) -> None:
    rows = ["run,file,drop_height_mm", "# a comment, of any kind", "", "a,bare.wav,60.5", "b,quiet.wav,"]
    text = "\r\n".join(r.replace(",", separator) for r in rows)
    if separator == ";":
        text = text.replace("60.5", "60,5")
    (campaign / "runs.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    runs = load_campaign(campaign).runs
    assert [(r.name, r.drop_height_mm, r.line) for r in runs] == [("a", 60.5, 4), ("b", None, 5)]


def test_a_line_that_tells_a_spreadsheet_the_separator_is_no_row(campaign: Path) -> None:
    (campaign / "runs.csv").write_text("sep=;\nrun;file;treatment\na;bare.wav;felt, thick\n")
    (run,) = load_campaign(campaign).runs
    assert (run.name, run.treatment, run.line) == ("a", "felt, thick", 3)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("felt_*", "feld_*", r"line 3, column 'file': 'takes/feld_\*.wav' matches no recording"),
        ("bare.wav", "bear.wav", r"line 2, column 'file': 'bear.wav' is missing \(did you mean 'bare.wav'\?\)"),
        ("bare.wav", "takes", "is a folder"),
        ("bare.wav", ".", r"'\.' is a folder"),
        ("bare.wav", "../outside.wav", "leaves the campaign"),
        ("bare.wav", "/etc/hosts", "leaves the campaign"),
        ("bare.wav", "C:\\x.wav", "leaves the campaign"),
        ("bare.wav", "out*.wav", "outside the campaign: copy it here"),
        ("bare.wav", "quiet.wav", None),
        ("quiet,quiet.wav,,,,,,,,background", "q,bare.wav,,,,landing,,,,test", "already belongs to the run of line 2"),
        ("felt-1", "bare-1", r"line 3, column 'run': 'bare-1' is already the name of line 2"),
        ("felt-1,", ",", r"line 3, column 'run': is empty"),
        ("landing", "landign", r"column .station.: .landign. is not declared in rig.toml \(did you mean 'landing'"),
        ("wav,A,", "wav,C,", r"column 'revision': 'C' is not declared"),
        ("120.5", "120.5mm", r"line 3, column 'drop_height_mm': '120.5mm' is not a number"),
        ("120.5", '"120,5"', "write the decimal point"),
        ("120.5", "0.12", "was it given in metres"),
        ("120.5", "-3", "must be above 0"),
        ("120.5", "inf", "not a number"),
        (",50,test", ",5.5,test", "not a whole number of balls"),
        (",50,test", ",50,tset", r"column 'role': 'tset' is none of .* \(did you mean 'test'\?\)"),
        ("2025-03-01 14:30", "1.3.2025", "not a date and time"),
        ("run,file,", "run,", "no column 'file'"),
        ("run,file,", "run,datei,", "no column 'file'"),
        ("treatment", "treatmnt", r"unknown column 'treatmnt' \(did you mean 'treatment'\?\)"),
        ("pad_mm", "reference_drop", r"unknown column 'reference_drop' \(did you mean 'reference_drops'\?\)"),
        ("pad_mm", "notes", "column 'notes' is there twice"),
        ('"first, re-placed"', "first, re-placed", r"line 2: has 13 cells for 12 columns"),
        ('"first, re-placed"', '"first, re-placed', "not readable as CSV"),
    ],
)  # fmt: skip
def test_faults_name_file_row_and_column(campaign: Path, old: str, new: str, sentence: str | None) -> None:
    (campaign / "out1.wav").symlink_to(campaign.parent / "outside.wav")
    assert old in SHEET
    (campaign / "runs.csv").write_text(SHEET.replace(old, new, 1))
    if sentence is None:  # one recording may serve two roles
        assert load_campaign(campaign).runs[0].files == ("quiet.wav",)
        return
    with pytest.raises(InputError, match=sentence) as caught:
        load_campaign(campaign)
    assert "runs.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_empty_campaign(campaign: Path, tmp_path: Path) -> None:
    (campaign / "runs.csv").write_text("run,file\n# nothing yet\n")
    with pytest.raises(InputError, match="lists no runs"):
        load_campaign(campaign)
    (campaign / "runs.csv").write_text("\n")
    with pytest.raises(InputError, match="is empty: its first row must name"):
        load_campaign(campaign)
    (tmp_path / "none").mkdir()
    with pytest.raises(InputError, match="an empty campaign"):
        load_campaign(tmp_path / "none")
    with pytest.raises(InputError, match="no such folder"):
        load_campaign(tmp_path / "nowhere")
    with pytest.raises(InputError, match="name the folder"):
        load_campaign(campaign / "runs.csv")


def test_recordings_alone_are_a_campaign(tmp_path: Path) -> None:
    for name in ("take2.wav", "take10.FLAC", "sub/take2.wav", "results/old.wav", ".hidden/a.wav", "read.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    campaign = load_campaign(tmp_path)
    assert [(r.name, r.files) for r in campaign.runs] == [
        ("sub/take2.wav", ("sub/take2.wav",)),
        ("take2.wav", ("take2.wav",)),
        ("take10", ("take10.FLAC",)),
    ]
    assert campaign.rig == Rig()
    assert len(campaign.notes) == 2


def test_a_sheet_not_filled_in_yet_takes_each_recording_as_a_run(campaign: Path) -> None:
    (campaign / "runs.csv").write_text(UNFILLED_SHEET)
    loaded = load_campaign(campaign)
    assert [r.name for r in loaded.runs] == ["bare", "quiet", "felt_1", "felt_2", "felt_10"]
    assert loaded.notes == ("runs.csv lists no runs: each recording is taken as one run, and no treatments are known",)


def test_recordings_the_sheet_does_not_list_are_said(campaign: Path) -> None:
    (campaign / "extra.wav").write_bytes(b"x")
    (campaign / "tone.wav").write_bytes(b"x")
    (campaign / "rig.toml").write_text(RIG + '[calibration]\nfile = "tone.wav"\n')
    assert load_campaign(campaign).notes == ("1 recording is not in runs.csv and left out: extra.wav",)
    for number in range(4):
        (campaign / f"more{number}.wav").write_bytes((campaign / "extra.wav").read_bytes())
    (said,) = load_campaign(campaign).notes
    assert said == "5 recordings are not in runs.csv and left out: extra.wav, more0.wav, more1.wav and 2 more"


def test_stations_of_the_sheet_alone_are_enough(campaign: Path) -> None:
    (campaign / "rig.toml").unlink()
    assert load_campaign(campaign).runs[0].station == "landing"
    assert load_runs(campaign / "runs.csv", Rig())[0].revision == "A"


def test_natural_order() -> None:
    assert sorted(["a10", "a2", "A1", "b"], key=natural_key) == ["A1", "a2", "a10", "b"]
    assert sorted(["x", "1"], key=natural_key) == ["1", "x"]


def test_template_loads_once_a_recording_is_there(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    rig, runs = write_campaign_template(folder)
    assert sorted(p.name for p in folder.iterdir()) == ["rig.toml", "runs.csv"]
    assert load_rig(rig).rig.name == "my machine"
    with pytest.raises(InputError, match="lists no runs"):
        load_campaign(folder)
    (folder / "bare-1.wav").write_bytes(b"x")
    runs.write_text(runs.read_text().replace("# bare-1", "bare-1"))
    assert load_campaign(folder).runs[0].treatment == "bare"


def test_a_name_that_is_not_utf8_is_refused(tmp_path: Path) -> None:
    try:
        (tmp_path / os.fsdecode(b"caf\xe9.wav")).touch()
    except OSError:
        pytest.skip("names are UTF-8 here")
    with pytest.raises(InputError, match="not UTF-8"):
        write_campaign_template(tmp_path)
    assert not (tmp_path / "rig.toml").exists()
    with pytest.raises(InputError, match="not UTF-8"):
        load_campaign(tmp_path)


def test_every_commented_line_of_the_template_is_valid(tmp_path: Path) -> None:
    lines = [
        line.removeprefix("#").strip() if line.startswith("#") and ("=" in line or "[" in line) else line
        for line in RIG_TEMPLATE.splitlines()
        if not line.startswith(("# The", "# What"))
    ]
    (tmp_path / "rig.toml").write_text("\n".join(lines))
    rig = load_rig(tmp_path / "rig.toml")
    assert rig.route == ("landing", "bend", "tray")
    assert (len(rig.requirements), rig.calibration.given, rig.ball.mass_g) == (1, True, 8.4)


def test_template_takes_up_recordings_and_refuses_to_overwrite(tmp_path: Path) -> None:
    for name in ("b2.wav", "b10.wav"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "runs.csv").write_text("mine")
    with pytest.raises(InputError, match=r"runs.csv: is already there and is not overwritten"):
        write_campaign_template(tmp_path)
    assert not (tmp_path / "rig.toml").exists()
    assert (tmp_path / "runs.csv").read_text() == "mine"
    (tmp_path / "runs.csv").unlink()
    write_campaign_template(tmp_path)
    assert [r.name for r in load_campaign(tmp_path).runs] == ["b2", "b10"]
    with pytest.raises(InputError, match="is a file"):
        write_campaign_template(tmp_path / "b2.wav")
