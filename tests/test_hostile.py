"""Hostile names, tables and files, from the command line: one sentence or a true result, nothing run, nothing hung."""

from __future__ import annotations

import csv
import html
import json
import os
import re
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from noisecheck.cli import main

GIB = 1024**3
NAMES = (
    "-x.wav",
    "--json.wav",
    "a b .wav",
    'it\'s "quoted".wav',
    "new\nline.wav",
    "tab\tbell\x07.wav",
    "\x1b]0;title\x07\x1b[31mred.wav",
    "<script>alert(1)<img src=x onerror=alert(2)>.wav",
    "=cmd|' C'!A0.wav",
    "+1+1.wav",
    "@SUM(A1).wav",
    "$(touch pwned).wav",
    "`touch pwned`;touch pwned.wav",
    "%s%n{}{{7*7}}.wav",
    "gnp\u202evaw.wav",
    "[ab]*?.wav",
    "#comment.wav",
)
"""File names as found on other people's disks, and as made by those who wish harm."""


def _recording(path: Path, *, seed: int = 0) -> Path:
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 1e-4, 3 * 16000)
    t = np.arange(3200) / 16000
    for at in (0.8, 1.5, 2.2):
        x[int(at * 16000) :][:3200] += 0.2 * np.exp(-t / 0.02) * np.sin(2 * np.pi * 1800 * t)
    with path.open("wb") as file:  # by handle: the library would take some names for something else
        soundfile.write(file, x, 16000, subtype="PCM_16", format="WAV")
    return path


def _refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(arguments) == 2, arguments
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("noisecheck: ")
    assert err.count("\n") == 1, err
    assert err.rstrip("\n").isprintable(), err
    assert "Traceback" not in err
    return err


@pytest.mark.parametrize("name", NAMES)
def test_any_name_is_measured_and_printed_safely(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    _recording(Path(name))
    for command in (["health"], ["measure", "-o", "out.csv"], ["ledger"]):
        code = main([*command, "--", name])
        out, err = capsys.readouterr()
        assert code == (2 if command == ["ledger"] else 0), err
        for line in (out + err).splitlines():
            assert line.isprintable(), line
        assert name.isprintable() or name not in out + err
    with Path("out.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 3
    for row in rows:
        assert not row["file"].startswith(("=", "+", "@", "\t", "\r"))
        assert not row["run"].startswith(("=", "+", "@", "\t", "\r"))
    assert main(["measure", "--json", "--", name]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["runs"][0]["files"] == [name]
    assert not Path("pwned").exists()


def test_the_page_of_hostile_names_shows_them_as_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "it's <b>a & b campaign"
    folder.mkdir()
    evil = "=2+5+cmd|' /C calc'!A0"
    with (folder / "runs.csv").open("w", newline="") as file:
        sheet = csv.writer(file)
        sheet.writerow(["run", "file", "treatment", "notes"])
        for number, name in enumerate(NAMES):
            _recording(folder / name, seed=number)
            sheet.writerow([f"<i>{number}</i>{name}", name, evil if number % 2 else "<script>alert(3)</script>", evil])
    assert main(["report", str(folder), "-o", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    page = next((tmp_path / "out").glob("**/*.html")).read_text()
    assert "<script>alert(" not in page
    assert "<img src=x" not in page
    assert "<i>0</i>" not in page
    assert html.escape("<script>alert(3)</script>") in page
    checked = 0
    for table in (tmp_path / "out").glob("**/*.csv"):
        with table.open(newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    checked += 1
                    numeric = re.fullmatch(r"[-+]?[0-9.]+(e[-+]?[0-9]+)?", cell)
                    assert numeric or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell
    assert checked > 100
    assert not (tmp_path / "pwned").exists()


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("../secret.wav", "leaves the campaign"),
        ("a/../../secret.wav", "leaves the campaign"),
        ("/etc/hostname", "leaves the campaign"),
        ("C:\\secret.wav", "leaves the campaign"),
        ("..\\secret.wav", "leaves the campaign"),
        ("out.wav", "outside the campaign: copy it here"),
        ("door/secret.wav", "outside the campaign: copy it here"),
        ("*.wav", "outside the campaign: copy it here"),
        ("loop.wav", "missing"),
        ("a\0b.wav", "file"),
    ],
)
def test_paths_that_leave_the_campaign_are_refused(
    cell: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _recording(tmp_path / "secret.wav")
    folder = tmp_path / "c"
    folder.mkdir()
    (folder / "out.wav").symlink_to(tmp_path / "secret.wav")
    (folder / "door").symlink_to(tmp_path, target_is_directory=True)
    (folder / "loop.wav").symlink_to(folder / "loop.wav")
    (folder / "runs.csv").write_text(f"run,file\none,{cell}\n")
    message = _refused(capsys, "compare", str(folder), "--by", "run")
    assert says in message
    assert "runs.csv" in message


def test_loops_of_folders_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "c"
    (folder / "sub").mkdir(parents=True)
    (folder / "sub" / "round").symlink_to(folder, target_is_directory=True)
    _recording(folder / "sub" / "a.wav")
    assert main(["report", str(folder), "-o", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    for command in ("compare", "report", "trend"):
        by = ["--by", "run"] if command == "compare" else []
        _refused(capsys, command, str(loop), *by)
    _refused(capsys, "health", str(loop))


@pytest.mark.parametrize("command", ["health", "measure", "ledger"])
def test_empty_and_endless_files_are_one_sentence(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty = tmp_path / "empty.wav"
    empty.touch()
    assert "empty.wav" in _refused(capsys, command, str(empty))
    for name in ("hole.wav", "hole.flac", "hole.bin"):
        path = tmp_path / name
        with path.open("wb") as file:
            file.truncate(100 * GIB)
        assert name in _refused(capsys, command, str(path))
    _refused(capsys, command, "/dev/zero")
    _refused(capsys, command, str(tmp_path))


@pytest.mark.skipif(sys.platform != "linux", reason="limits of memory are Linux's")
def test_a_sparse_recording_of_100_gb_takes_little_memory_and_time(tmp_path: Path) -> None:
    """Two seconds of sound, then a hole: the sound is measured, within 2 GiB of address space and a minute."""
    path = _recording(tmp_path / "long.wav")
    head = bytearray(path.read_bytes())
    head[4:8] = head[40:44] = b"\xff\xff\xff\xff"
    path.write_bytes(head)
    os.truncate(path, 100 * GIB)

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (2 * GIB, 2 * GIB))

    done = subprocess.run(
        [sys.executable, "-m", "noisecheck", "health", "--json", str(path)],
        capture_output=True, text=True, timeout=600, preexec_fn=limited, check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    found = json.loads(done.stdout)["recordings"][0]
    assert found["seconds"] < 10
    assert found["impacts"] == 3
    assert any("never written" in n for n in found["notes"])


TEXT = st.text(st.characters(codec="utf-8"), max_size=300)
LINES = st.lists(
    st.sampled_from(
        [
            "run,file,treatment", "one,a.wav,bare", "a = [" + "[" * 60 + "]" * 60 + "]",
            '"', ",,,,", "one,a.wav", "run;file", "\ufeffrun,file", "#", "[rig]",
            "[[station]]", 'name = "landing"', 'next = "landing"', "period_s = 1e999", "period_s = nan", "balls = -1",
            "[feed]", 'station = "landing"', "[[requirement]]", "limit = 1" + "0" * 400,
            "position_mm = [1, 2, 3, 4]", "[revisions]", 'order = ["A", "A"]', "\x00", "one,*.wav,=1+1",
        ]
    ),
    max_size=12,
)  # fmt: skip


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(rig=st.one_of(TEXT, LINES.map("\n".join)), sheet=st.one_of(TEXT, LINES.map("\n".join)))
def test_any_rig_file_and_run_sheet_is_one_sentence_or_a_result(
    rig: str, sheet: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "a.wav").write_bytes(_SOUND)
        (folder / "rig.toml").write_bytes(rig.encode("utf-8", "surrogatepass"))
        (folder / "runs.csv").write_bytes(sheet.encode("utf-8", "surrogatepass"))
        code = main(["compare", name, "--by", "treatment"])
        out, err = capsys.readouterr()
        assert code in (0, 2)
        if code == 2:
            assert out == ""
            assert err.startswith("noisecheck: ")
            assert err.count("\n") == 1, err


GOOD = {
    "rig.toml": """[rig]
temperature_c = 21.0
[ball]
diameter_mm = 12.7
mass_g = 8.4
[[microphone]]
channel = 0
position_mm = [-60.0, 210.0, 150.0]
[[station]]
name = "landing"
next = "tray"
transit_s = [0.2, 0.9]
[[station]]
name = "tray"
target = true
[feed]
station = "landing"
period_s = 0.7
balls = 3
[[requirement]]
id = "R1"
strict = true
measure = "lae_db"
station = "landing"
limit = 60.0
confidence = 0.95
""",
    "runs.csv": """run,file,revision,treatment,drop_height_mm,station,session,recorded,balls_fed,role,notes
one,a.wav,A,bare,60,landing,s1,2026-05-01T10:00:00,3,test,"fine, loud"
two,b.wav,B,felt,60,landing,s1,2026-05-01T11:00:00,3,test,
""",
    "corrections.csv": """run,time_s,what,station,note
one,0.8,not a ball,,speech
two,1.5,station,tray,"sure, yes"
two,2.0,missed,landing,
""",
}
CELLS = st.sampled_from(
    ["", "-1", "0", "1e999", "nan", "-inf", "1e-320", "9" * 400, '"', "=1+1", "\x00", "\u202e", "../../etc/passwd",
     "*.wav",
     "[", "{a=1}", "true", "2026-02-30", "a" * 5000, "\n", ";", "one", "bare", "landing", "reference", "1_000", "1,5"]
)  # fmt: skip


@settings(max_examples=120, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_good_tables_with_a_few_cells_spoilt_are_one_sentence_or_a_result(
    data: st.DataObject, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rig file, run sheet and corrections that nearly pass reach further than those made of anything."""
    files = dict(GOOD)
    for _ in range(data.draw(st.integers(1, 3))):
        name = data.draw(st.sampled_from(sorted(files)))
        parts = re.split(r"([=,\n\[\]\" ]+)", files[name])
        parts[data.draw(st.integers(0, len(parts) - 1))] = data.draw(CELLS)
        files[name] = "".join(parts)
    command = data.draw(st.sampled_from(("compare", "ledger", "trend", "plan")))
    with tempfile.TemporaryDirectory() as folder:
        for sound in ("a.wav", "b.wav"):
            (Path(folder) / sound).write_bytes(_SOUND)
        for name, text in files.items():
            (Path(folder) / name).write_bytes(text.encode("utf-8", "surrogatepass"))
        code = main([command, folder, *(["--by", "treatment"] if command == "compare" else [])])
        out, err = capsys.readouterr()
    assert code in (0, 1, 2, 3)
    if code == 2:
        assert out == ""
        assert err.startswith("noisecheck: ")
        assert err.count("\n") == 1, err
        assert err.rstrip("\n").isprintable(), err


def _sound() -> bytes:
    with tempfile.TemporaryDirectory() as name:
        return _recording(Path(name) / "a.wav").read_bytes()


_SOUND = _sound()


def _campaign(folder: Path, *, rig: str = "", sheet: str = "run,file,treatment\na,a.wav,bare\n") -> Path:
    folder.mkdir(exist_ok=True)
    _recording(folder / "a.wav")
    (folder / "rig.toml").write_text(rig)
    (folder / "runs.csv").write_text(sheet)
    return folder


def test_a_report_says_what_it_wrote_and_no_more(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(_campaign(tmp_path / "c")), "-o", str(tmp_path / "out")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert sorted(lines) == sorted(f"Wrote {p}." for p in (tmp_path / "out").iterdir())


def test_silence_is_said_to_be_no_audio(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(96_000), 48_000)
    assert main(["measure", str(tmp_path / "a.wav")]) == 0
    assert "0 impacts in 2.0 s\n  no audio: every sample is the same\n" in capsys.readouterr().out


def test_a_microphone_on_a_channel_that_is_not_there_names_the_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = '[[microphone]]\nchannel = 3\nstation = "landing"\n[[station]]\nname = "landing"\n'
    told = _refused(capsys, "compare", str(_campaign(tmp_path / "c", rig=rig)), "--by", "treatment")
    assert "a.wav: has 1 channel, but rig.toml puts the microphone of station 'landing' on channel 3" in told


@pytest.mark.skipif(os.name == "nt", reason="no named pipes in folders there")
@pytest.mark.parametrize("name", ["rig.toml", "runs.csv", "corrections.csv"])
def test_a_pipe_in_the_place_of_a_table_is_not_waited_for(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = _campaign(tmp_path / "c")
    (folder / name).unlink(missing_ok=True)
    os.mkfifo(folder / name)
    assert f"{name}: cannot be read (it is not a file)" in _refused(capsys, "ledger", str(folder))


@pytest.mark.parametrize("taken", ["a.wav", "link.csv", "runs.csv", "rig.toml"])
def test_a_table_never_replaces_a_recording_or_a_sheet(
    taken: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The original is never written to, not even where it is named as the place of the result."""
    folder = _campaign(tmp_path / "c", rig="[ball]\ndiameter_mm = 10\n")
    os.link(folder / "a.wav", folder / "link.csv")
    before = (folder / taken).read_bytes()
    said = _refused(capsys, "measure", str(folder / "a.wav"), "-o", str(folder / taken))
    assert "is there already and holds something else" in said
    assert (folder / taken).read_bytes() == before
    assert main(["measure", str(folder / "a.wav"), "-o", str(folder / "new.csv")]) == 0
    assert main(["measure", str(folder / "a.wav"), "-o", str(folder / "new.csv")]) == 0  # its own table it does


@pytest.mark.parametrize("place", ["folder", "pipe"])
def test_results_go_into_files_only(place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A rename would put a file in the place of a pipe or a device."""
    path = tmp_path / place
    path.mkdir() if place == "folder" else os.mkfifo(path)
    said = _refused(capsys, "measure", str(_recording(tmp_path / "a.wav")), "-o", str(path))
    assert "cannot be written (it is no file)" in _refused(capsys, "measure", str(tmp_path / "a.wav"), "-o", ".")
    assert "cannot be written (" in said
    assert path.is_dir() if place == "folder" else path.is_fifo()


@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text exist there only")
def test_a_name_that_is_no_text_is_told_and_written(tmp_path: Path) -> None:
    folder = _campaign(tmp_path / "c", sheet="run,file,treatment\na,*.wav,bare\n")
    name = os.fsdecode(b"\xff\xfe.wav")
    (folder / "a.wav").rename(folder / name)
    for locale in ("C.UTF-8", "POSIX"):
        for command in (["health", "--json", name], ["measure", "-o", "o.csv", name], ["report", ".", "-o", "out"]):
            _outside(folder, command, LC_ALL=locale)
    assert "\\udcff\\udcfe.wav" in (folder / "o.csv").read_text()


@pytest.mark.parametrize("alphabet", ["ascii", "latin-1", "cp1252"])
def test_a_terminal_of_another_alphabet_shows_what_it_can(alphabet: str, tmp_path: Path) -> None:
    name = _recording(tmp_path / "Übung → 漢.wav").name
    shown = _outside(tmp_path, ["measure", name], PYTHONIOENCODING=alphabet).decode(alphabet)
    assert "\\u6f22.wav: 3 impacts" in shown
    document = json.loads(_outside(tmp_path, ["measure", "--json", name], PYTHONIOENCODING=alphabet).decode(alphabet))
    assert document["runs"][0]["files"] == [name]


def _outside(folder: Path, command: list[str], **environment: str) -> bytes:
    """Return what the command prints in a process and an environment of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "noisecheck", *command], cwd=folder, env={**os.environ, **environment},
        capture_output=True, check=False, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    return done.stdout


@pytest.mark.parametrize(
    ("rig", "said"),
    [
        ("a = " + "[" * 100_000, "a number too long, or lists too deep"),
        ("[ball]\ndiameter_mm = " + "9" * 5000, "a number too long, or lists too deep"),
        ("[ball]\ndiameter_mm = 1e300\n", "diameter_mm = 1e+300: should be less than or equal to 1000000000"),
        ('[[station]]\nname = "x"\nnext = "y"\ntransit_s = [0.0, 1e300]\n[[station]]\nname = "y"\n', "transit_s"),
        ("[calibration]\npa_at_full_scale = 1e-300\n", "pa_at_full_scale = 1e-300: should be greater than or equal to"),
        ('[calibration]\nfile = "../../etc/passwd"\n', "'../../etc/passwd' leaves the campaign"),
        ('[calibration]\nfile_after = "/etc/passwd"\n', "'/etc/passwd' leaves the campaign"),
        ("".join(f'[[station]]\nname = "{i}"\nnext = "{i + 1}"\n' for i in range(3000)),
         "3000 stations are declared, more than 200"),
    ],
)  # fmt: skip
def test_rig_files_out_of_all_bounds_are_refused_at_once(
    rig: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert said in _refused(capsys, "ledger", str(_campaign(tmp_path / "c", rig=rig)))


@pytest.mark.skipif(os.name == "nt", reason="no named pipes in folders there")
def test_scenes_that_are_no_scenes_are_refused_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "deep.toml").write_text("a = " + "[" * 100_000)
    for name, said in (("pipe.toml", "it is not a file"), ("deep.toml", "lists too deep")):
        assert said in _refused(capsys, "simulate", str(tmp_path / name), "-o", str(tmp_path / "out"))


def test_run_sheets_out_of_all_bounds_are_refused_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wide = _campaign(tmp_path / "c", sheet=",".join(f"c{i}" for i in range(200_000)) + "\n")
    assert "has 200000 columns, more than 1000" in _refused(capsys, "ledger", str(wide))
    with (wide / "runs.csv").open("wb") as file:
        file.truncate(GIB)  # a hole
    assert "more than any such table" in _refused(capsys, "ledger", str(wide))


def test_as_many_workers_as_anyone_asks_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A hundred thousand processes would take the machine down: no more are started than there are cores."""
    assert main(["measure", str(_recording(tmp_path / "a.wav")), "--workers", "99999"]) == 0
    assert "3 impacts" in capsys.readouterr().out


def test_a_correction_past_all_time_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = _campaign(tmp_path / "c")
    (folder / "corrections.csv").write_text("run,time_s,what\na,1e300,missed\n")
    assert "'1e300' is not a time in seconds" in _refused(capsys, "compare", str(folder), "--by", "treatment")


@pytest.mark.skipif(os.name == "nt", reason="no named pipes in folders there")
def test_pipes_among_the_results_are_not_waited_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = _campaign(tmp_path / "c", sheet="run,file,treatment\na,a.wav,bare\nb,b.wav,felt\n")
    _recording(folder / "b.wav", seed=1)
    arguments = ("compare", str(folder), "--by", "treatment", "--json")
    assert main(arguments) == 0
    first = json.loads(capsys.readouterr().out)["groups"]
    kept = [p for p in (folder / "results").rglob("*") if p.is_file()]
    assert len(kept) >= 2
    for path in kept:
        path.unlink()
        os.mkfifo(path)
    assert main(arguments) == 0
    assert json.loads(capsys.readouterr().out)["groups"] == first


@pytest.mark.parametrize(("rate", "channels"), [(120_000_000, 1), (2_000_000_000, 1), (192_000, 256)])
def test_a_rate_that_no_memory_holds_is_refused(
    rate: int, channels: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A minute of it is held at once: a header that lies about its rate may not ask for 30 GB."""
    path = tmp_path / "fast.au"
    soundfile.write(path, np.zeros((2000, channels)) + np.eye(2000, channels), 48_000, format="AU", subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[16:20] = rate.to_bytes(4, "big")
    path.write_bytes(content)
    for command in ("health", "measure"):
        assert f"its header gives {channels} channels at {rate} Hz" in _refused(capsys, command, str(path))


@pytest.mark.parametrize("rate", [1, 3, 100, 999])
def test_a_rate_at_which_nothing_is_heard_is_refused(
    rate: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "slow.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 30_000), rate)
    for command in ("health", "measure"):
        assert f"its header gives {rate} Hz" in _refused(capsys, command, str(path))
