"""A machine watched: through a pipe, as a file, as a file that grows; killed, stopped, and with alarms."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from argparse import Namespace
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main, make_parser
from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.detect.stream import Stream
from noisecheck.live import PIPE_FORMATS, command
from noisecheck.live.command import watch
from noisecheck.live.hearing import Hearing
from noisecheck.live.pipe import decode_pcm
from noisecheck.live.sources import Chunk, FileSource
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.listen import ListenSettings

RATE = 16_000
STUCK_S, STRAY_S, LONGEST_S = 32.937, 51.302, 0.9
"""From the scene's truth: when the stuck ball was last heard, when the stray sounded; and the rig's longest transit."""


class FakeClock:
    """Time that passes only when someone waits."""

    def __init__(self) -> None:
        self.at = 0.0

    def monotonic(self) -> float:
        return self.at

    def now(self) -> datetime:
        return datetime(2026, 3, 2, 17, 30)

    def sleep(self, seconds: float) -> None:
        self.at += max(seconds, 0.0)


def raw(samples: NDArray[np.float32]) -> bytes:
    return np.rint(samples * 32767).astype("<i2").tobytes()


def as_24_bits(wide: NDArray[np.int32]) -> bytes:
    """Return the upper three bytes of each sample."""
    return wide.astype("<i4").reshape(-1, 1).view(np.uint8)[:, 1:].tobytes()


def arguments(*words: str) -> Namespace:
    return make_parser().parse_args(["watch", *words])


def events_of(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def watched(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[bool, list[dict[str, Any]]]:
    found = watch(arguments(*words, "--json"), ListenSettings(), clock=FakeClock())
    return found, events_of(capsys.readouterr().out)


def told(events: list[dict[str, Any]]) -> list[tuple[str, float]]:
    kinds = ("stuck", "stray", "held_up", "unheard")
    return [(e["event"], e["time_s"]) for e in events if e["event"] in kinds and e["state"] == "settled"]


def begun(machine: Path, seconds: float) -> Path:
    """Return a recording of the first seconds of the machine's sound."""
    samples, rate = soundfile.read(machine.parent / "sound.wav", frames=int(seconds * RATE), dtype="int32")
    soundfile.write(machine.parent / "begun.wav", samples, rate, subtype="PCM_24")
    return machine.parent / "begun.wav"


@dataclass
class Seen:
    """What one watch of the whole sound said and left."""

    found: bool
    events: list[dict[str, Any]]
    folder: Path
    rung: list[str]


@pytest.fixture(scope="module")
def seen(one_machine: Path) -> Seen:
    """A watch that keeps its alarms and rings a bell for each."""
    script, out = one_machine.parent / "ring bell.py", one_machine.parent / "rung"
    script.write_text(
        f"import json,sys,uuid\nd=json.load(sys.stdin)\nopen({str(out)!r}+uuid.uuid4().hex,'w').write(d['event'])\n"
    )
    words = ["--rig", str(one_machine / "rig.toml"), "--source", str(one_machine.parent / "sound.wav"), "--json"]
    words += ["--on-alarm", f"{sys.executable} '{script}'"]
    with contextlib.redirect_stdout(io.StringIO()) as said:
        found = watch(arguments(*words), ListenSettings(), clock=FakeClock())
    rung = sorted(p.read_text() for p in one_machine.parent.glob("rung*"))
    return Seen(found, events_of(said.getvalue()), one_machine, rung)


def test_a_stuck_and_a_stray_ball_are_said_in_time(seen: Seen) -> None:
    events = seen.events
    assert seen.found
    assert told(events) == [("stuck", pytest.approx(STUCK_S, abs=0.01)), ("stray", pytest.approx(STRAY_S, abs=0.01))]
    first = {e["event"]: e for e in reversed(events)}
    assert first["stuck"]["said_s"] - (STUCK_S + LONGEST_S) < 1.0
    assert first["stray"]["said_s"] - STRAY_S < 0.3
    assert "not a safety stop" in events[0]["text"]
    summary = events[-1]
    assert (summary["event"], summary["fed"], summary["arrived"]) == ("summary", 58, 57)
    assert not (seen.folder / "runs.csv").exists()  # the file is there already


def test_a_wrong_transit_time_is_said_once(machine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = machine / "rig.toml"
    rig.write_text(rig.read_text().replace("transit_s = [0.6, 0.9]", "transit_s = [1.2, 1.5]"))
    _, events = watched(capsys, "--rig", str(rig), "--source", str(begun(machine, 62.0)))
    (note,) = (e for e in events if e["event"] == "note" and "transit_s" in e["text"])
    assert (note["station"], note["stated_s"]) == ("landing", [1.2, 1.5])
    assert note["heard_s"][0] < 0.75 < note["heard_s"][1]
    assert note["said_s"] < 40.0
    late = [(kind, t) for kind, t in told(events) if t > note["said_s"] + 5.0]
    assert late == [("stuck", pytest.approx(STUCK_S, abs=0.01)), ("stray", pytest.approx(STRAY_S, abs=0.01))]


def test_twenty_seconds_around_each_alarm_are_kept(seen: Seen, sound: Any) -> None:
    events = seen.events
    files = sorted((seen.folder / "alarms").glob("*.wav"))
    assert [f.stem.rsplit("-", 1)[-1] for f in files] == ["stuck", "stray"]
    assert {e["sound"] for e in events if "sound" in e} == {str(f) for f in files}
    kept, rate = soundfile.read(files[1], dtype="float32")
    assert (rate, len(kept)) == (RATE, 20 * RATE)
    (stray,) = (e for e in events if "sound" in e and e["event"] == "stray")
    start = round(stray["time_s"] * RATE) - 10 * RATE
    np.testing.assert_allclose(kept, sound[0][start : start + 20 * RATE], atol=2**-23)
    log = events_of(next((seen.folder / "alarms").glob("*.jsonl")).read_text())
    assert [e["event"] for e in log] == [e["event"] for e in events]


@pytest.mark.parametrize("form", sorted(PIPE_FORMATS))
def test_every_raw_format_is_read(form: str) -> None:
    x = np.array([[0.0, 0.5], [-0.25, 0.125]], np.float32)
    wide = np.rint(x.astype(np.float64) * 2**31).astype("<i4")
    data = {
        "s16le": (wide >> 16).astype("<i2").tobytes(),
        "s24le": wide.reshape(-1, 1).view(np.uint8)[:, 1:].tobytes(),
        "s32le": wide.tobytes(),
        "f32le": x.astype("<f4").tobytes(),
    }[form]
    np.testing.assert_allclose(decode_pcm(data, form, 2), x, atol=2**-15)


def pipe(machine: Path, *words: str, **more: Any) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "noisecheck", "watch", "--rig", str(machine / "rig.toml"), "--source", "-"]
    command += ["--rate-hz", str(RATE), "--channels", "2", "--json", *words]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **more)


def test_a_pipe_says_the_same_as_a_file_and_writes_a_run(machine: Path, seen: Seen) -> None:
    """Whatever the pieces in which it comes; and the run it writes gives the same findings in the ledger."""
    wide, _ = soundfile.read(machine.parent / "sound.wav", dtype="int32")
    data = as_24_bits(wide)
    process = pipe(machine, "--revision", "B", "--format", "s24le")
    assert process.stdin is not None
    rng = np.random.default_rng(1)
    at = 0
    while at < len(data):
        size = int(rng.integers(1, 60_001))
        process.stdin.write(data[at : at + size])
        at += size
    out, error = process.communicate(timeout=600)
    assert (process.returncode, error) == (1, b"")
    by_pipe = events_of(out.decode())
    gone = ("sound", "text")
    assert [{k: v for k, v in e.items() if k not in gone} for e in by_pipe[1:]] == [
        {k: v for k, v in e.items() if k not in gone} for e in seen.events[1:]
    ]
    campaign = load_campaign(machine)
    (run,) = campaign.runs
    assert (run.revision, run.role) == ("B", "test")
    kept, _ = soundfile.read(machine / run.files[0], dtype="int32")
    assert as_24_bits(kept) == data  # to the bit
    (ledger,) = measure_campaign(campaign).ledgers
    found = [(f.kind, f.time_s) for f in ledger.findings]
    assert found == [(kind, pytest.approx(at, abs=0.005)) for kind, at in told(by_pipe)]


def test_a_lossy_file_is_listened_to_as_such(
    machine: Path, capsys: pytest.CaptureFixture[str], sound: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = machine.parent / "sound.ogg"
    soundfile.write(name, sound[0][: 3 * RATE], RATE, format="OGG", subtype="VORBIS")
    told_to: list[bool] = []
    made = Stream.__init__

    def watched_stream(self: Stream, *args: Any, **options: Any) -> None:
        told_to.append(options["coded"])
        made(self, *args, **options)

    monkeypatch.setattr(Stream, "__init__", watched_stream)
    plain = machine.parent / "plain.wav"
    soundfile.write(plain, sound[0][: 3 * RATE], RATE)
    for source in (name, plain):
        watched(capsys, "--rig", str(machine / "rig.toml"), "--source", str(source), "--keep-nothing")
    assert told_to == [True, False]


def test_killed_at_any_moment_the_run_can_be_read(machine: Path, sound: Any) -> None:
    process = pipe(machine)
    assert process.stdin is not None
    process.stdin.write(raw(sound[0][: 10 * RATE]))
    process.stdin.flush()
    (file,) = _wait_for(lambda: list(machine.glob("watch-*.wav")), seconds=30)
    _wait_for(lambda: file.stat().st_size > 6 * RATE * 4, seconds=30)
    process.kill()
    process.communicate()
    kept, _ = soundfile.read(file, dtype="int16")
    assert len(kept) > 6 * RATE
    assert kept.tobytes() == raw(sound[0][: len(kept)])
    assert [r.files for r in load_campaign(machine).runs] == [(file.name,)]


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_stopped_it_finishes_in_good_order(machine: Path, sound: Any, number: int) -> None:
    if signal.getsignal(number) is signal.SIG_IGN:
        pytest.skip("these tests run where the signal is ignored (nohup), and so does the watch")
    process = pipe(machine)
    assert process.stdin is not None
    process.stdin.write(raw(sound[0][: 10 * RATE]))
    process.stdin.flush()
    _wait_for(lambda: list(machine.glob("watch-*.wav")), seconds=30)
    time.sleep(0.5)
    process.send_signal(number)
    out, error = process.communicate(timeout=600)
    assert (process.returncode, error) == (0, b"")
    events = events_of(out.decode())
    assert events[-1]["event"] == "summary"
    assert any(e["text"] == "stopped by the user" for e in events)
    assert soundfile.info(next(machine.glob("watch-*.wav"))).frames > 0


def test_stopped_in_the_middle_of_a_block_it_works_that_through(
    machine: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    measured, calls, handlers = Hearing._measured, [], {}

    def interrupted(self: Hearing, onsets: Onsets) -> Impacts:
        calls.append(len(onsets))
        if len(calls) == 20:
            handlers[signal.SIGTERM](signal.SIGTERM, None)
        return measured(self, onsets)

    monkeypatch.setattr(Hearing, "_measured", interrupted)
    monkeypatch.setattr(command.signal, "signal", handlers.setdefault)
    words = ["--rig", str(machine / "rig.toml"), "--source", str(machine.parent / "sound.wav"), "--keep-nothing"]
    _, events = watched(capsys, *words)
    assert [e["text"] for e in events if e["event"] == "note"][-1] == "stopped by the user"
    assert events[-1]["event"] == "summary"
    assert events[-1]["impacts"] == sum(calls)
    assert events[-1]["listened_s"] < 60.0


def test_the_alarm_command_gets_each_alarm(seen: Seen) -> None:
    assert seen.rung == ["stray", "stuck"]


def test_a_file_that_grows_is_followed(machine: Path, sound: Any) -> None:
    path = machine.parent / "grows.wav"
    with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_16") as file:
        file.write(sound[0][: 30 * RATE])
        file.flush()
        command = [sys.executable, "-m", "noisecheck", "watch", "--rig", str(machine / "rig.toml"), "--json"]
        process = subprocess.Popen(
            [*command, "--source", str(path), "--keep-nothing"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        for start in range(30, 45, 5):
            time.sleep(0.8)
            file.write(sound[0][start * RATE : (start + 5) * RATE])
            file.flush()
    out, error = process.communicate(timeout=600)
    assert error == b""
    events = events_of(out.decode())
    assert events[-1]["listened_s"] == 45.0
    assert told(events) == [("stuck", pytest.approx(STUCK_S, abs=0.01))]


def test_what_a_file_grew_by_long_before_its_end_was_reached_is_heard_too(tmp_path: Path) -> None:
    path = tmp_path / "grew.wav"
    sound = np.random.default_rng(1).normal(0.0, 0.01, (9 * RATE, 1))
    soundfile.write(path, sound[: 4 * RATE], RATE, subtype="PCM_16")
    source = FileSource(path, clock=FakeClock())
    soundfile.write(path, sound, RATE, subtype="PCM_16")
    os.utime(path, (time.time() - 60.0, time.time() - 60.0))  # it has rested for a minute when its end is reached
    heard = sum(len(item.samples) for item in source.items() if isinstance(item, Chunk))
    source.close()
    assert heard == 9 * RATE


def test_without_stations_it_tells_impacts_only(machine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (machine / "rig.toml").write_text("")
    words = ["--rig", str(machine / "rig.toml"), "--source", str(begun(machine, 30.0))]
    found, events = watched(capsys, *words, "--impacts", "--keep-nothing")
    assert not found
    assert "impacts only" in events[0]["text"]
    assert sum(e["event"] == "impact" for e in events) == events[-1]["impacts"] > 60


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--source", "-"], "give --rate-hz and --channels"),
        (["--source", "-", "--rate-hz", "48", "--channels", "1"], "given in kHz"),
        (["--source", "-", "--rate-hz", "48000", "--channels", "99"], "from 1 to 64"),
        (["--source", "-", "--rate-hz", "48000", "--channels", "1"], "stdin: has 1 channel, but"),
        (["--source", "-", "--rate-hz", "48000", "--channels", "1", "--format", "s16"], "is none of"),
        (["--source", "none.wav"], "none.wav"),
        (["--source", "sound.wav", "--on-alarm", "no-such-program-here x"], "no such program"),
    ],
)
def test_bad_input_is_one_sentence(
    machine: Path, capsys: pytest.CaptureFixture[str], words: list[str], sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(machine.parent)
    assert main(["watch", "--rig", "clock/rig.toml", *words]) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1
    assert sorted(p.name for p in machine.iterdir()) == ["rig.toml"]


def test_a_recording_through_the_pipe_is_refused(machine: Path) -> None:
    process = pipe(machine)
    _, error = process.communicate((machine.parent / "sound.wav").read_bytes()[:100_000], timeout=600)
    assert process.returncode == 2
    assert b"carries a recording with a header" in error
    assert error.count(b"\n") == 1
    assert not list(machine.glob("*.wav"))


def test_another_campaign_gets_the_rig_file_or_refuses(machine: Path) -> None:
    other = machine.parent / "other"
    other.mkdir()
    (other / "rig.toml").write_text((machine / "rig.toml").read_text() + "\n# not the same\n")
    words = [
        "--rig",
        str(machine / "rig.toml"),
        "-o",
        str(other),
        "--source",
        "-",
        "--rate-hz",
        "8000",
        "--channels",
        "2",
    ]
    with pytest.raises(InputError, match="differs from"):
        watch(arguments(*words), ListenSettings(), clock=FakeClock())


def _wait_for(condition: Any, *, seconds: float) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if result := condition():
            return result
        time.sleep(0.05)
    raise AssertionError("waited in vain")
