"""Trouble while a machine is watched: folders that cannot be written, commands that hang, files that change."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.audio.soundfiles import SoundReader
from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main
from noisecheck.core.errors import InputError
from noisecheck.detect.channels import Onsets
from noisecheck.live.alarm import AlarmCommand
from noisecheck.live.clock import SystemClock
from noisecheck.live.events import Event
from noisecheck.live.hearing import Hearing
from noisecheck.live.keep import AlarmSounds, RunKeeper, claimed
from noisecheck.live.sources import Chunk, FileSource, Note
from noisecheck.live.watch import Watch
from noisecheck.live.wavefile import WaveWriter
from noisecheck.pipeline.listen import ListenSettings

RATE = 16_000


class Sounds:
    """A source of five seconds of noise."""

    name, rate, channels, subtype, live, coded = "noise", RATE, 1, "PCM_16", True, False

    def items(self) -> Any:
        rng = np.random.default_rng(1)
        for _ in range(50):
            yield Chunk(rng.normal(0.0, 0.01, (RATE // 10, 1)).astype(np.float32))

    def close(self) -> None: ...


class Silent:
    """A follower that raises one alarm after two seconds."""

    rate, channels, follows, left_out, ledger, count = RATE, 1, True, (), None, 0

    def __init__(self) -> None:
        self.hearing = Hearing(RATE, 1, settings=ListenSettings())
        self.room, self.listened = self.hearing.room, self.hearing.listened

    @property
    def seconds(self) -> float:
        return self.hearing.seconds

    def take(self, samples: Any) -> list[Event]:
        before = self.seconds
        list(self.hearing.take(samples))
        return [Event("stray", 2.0, self.seconds, "a stray")] if before < 2.0 <= self.seconds else []

    def finish(self) -> list[Event]:
        return []


def watched(folder: Path) -> list[Event]:
    told: list[Event] = []
    given = {"subtype": "PCM_16", "clock": SystemClock()}
    keeper = RunKeeper(folder, "watch", RATE, 1, **given)
    sounds = AlarmSounds(folder / "alarms", "watch", RATE, 1, **given)
    follower: Any = Silent()
    Watch(Sounds(), follower, told.append, keeper, sounds, None, claimed(folder / "alarms", "watch")).run()
    return told


def test_a_disk_that_fills_up_is_said_once_and_the_watch_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = WaveWriter.write

    def write(self: WaveWriter, samples: Any) -> None:
        if self.frames >= RATE:
            raise OSError(errno.ENOSPC, "No space left on device")
        whole(self, samples)

    monkeypatch.setattr(WaveWriter, "write", write)
    told = watched(tmp_path)
    (note,) = (e for e in told if e.kind == "note")
    assert "nothing is kept any longer" in note.text
    assert f"{tmp_path / 'watch-1.wav'}: cannot be written (No space left on device)" in note.text
    assert [e.kind for e in told] == ["started", "note", "stray", "summary"]
    assert soundfile.info(tmp_path / "watch-1.wav").frames == RATE  # what was kept can be read


class Failing(Sounds):
    """A source that cannot be used any longer after three seconds."""

    def items(self) -> Any:
        yield from islice(super().items(), 30)
        raise InputError("grows.wav: is gone while it was listened to")


def test_a_source_that_fails_is_an_alarm_and_what_was_heard_is_summed_up() -> None:
    told: list[Event] = []
    alarms: list[dict[str, Any]] = []
    follower: Any = Silent()
    bell: Any = SimpleNamespace(run=alarms.append, trouble=list, wait=lambda seconds: None)
    with pytest.raises(InputError, match="is gone"):
        Watch(Failing(), follower, told.append, command=bell).run()
    assert [e.kind for e in told] == ["started", "stray", "not_listening", "summary"]
    assert told[2].text == "grows.wav: is gone while it was listened to; the watch ends"
    assert [a["event"] for a in alarms] == ["stray", "not_listening"]


def test_a_folder_that_cannot_be_written_is_refused_before_listening(
    machine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (machine / "alarms").write_text("a file where a folder should be")
    words = ["watch", "--rig", str(machine / "rig.toml"), "--source", str(machine.parent / "sound.wav")]
    assert main(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert all(word in said.err for word in (str(machine / "alarms"), "-o", "--keep-nothing"))


def test_watches_that_begin_in_the_same_second_keep_apart(tmp_path: Path) -> None:
    """Also their rows, however they come together; and no run takes another's files for its own."""
    logs = [claimed(tmp_path / "alarms", "watch-20260302-173000") for _ in range(12)]
    assert len({log.name for log in logs}) == 12
    keepers = [RunKeeper(tmp_path, log.stem, RATE, 1, subtype="PCM_16", clock=SystemClock()) for log in logs]
    threads = [threading.Thread(target=k.write, args=(np.zeros((RATE, 1), np.float32),)) for k in keepers]
    for step in (threading.Thread.start, threading.Thread.join):
        for thread in threads:
            step(thread)
    for keeper in keepers:
        keeper.close()
    runs = load_campaign(tmp_path).runs
    assert sorted(r.name for r in runs) == sorted(log.stem for log in logs)
    assert all(r.files == (f"{r.name}-1.wav",) for r in runs)


def test_what_is_kept_around_an_alarm_is_whole(tmp_path: Path) -> None:
    told = watched(tmp_path)
    assert [e.kind for e in told] == ["started", "stray", "summary"]
    (kept,) = (tmp_path / "alarms").glob("*.wav")
    assert soundfile.info(kept).frames == 5 * RATE  # all there was within ten seconds
    assert soundfile.info(tmp_path / "watch-1.wav").frames == 5 * RATE


def ran(
    command: str, times: int = 1, *, timeout_s: float = 30.0, wait_s: float = 20.0
) -> tuple[list[bool], list[str], float]:
    alarm = AlarmCommand(command, timeout_s=timeout_s)
    begun = time.monotonic()
    taken = [alarm.run({"event": "stuck"}) for _ in range(times)]
    at_once = time.monotonic() - begun
    alarm.wait(wait_s)
    return taken, alarm.trouble(), at_once


def test_a_command_that_hangs_is_ended_and_never_waited_for() -> None:
    taken, told, at_once = ran(f"{sys.executable} -c 'import time; time.sleep(600)'", 6, wait_s=0.5)
    assert (taken, at_once < 5.0) == ([True] * 4 + [False] * 2, True)
    assert sum("was not run: 4 earlier ones have not ended yet" in t for t in told) == 2
    assert sum("was ended" in t for t in told) == 4
    _, told, _ = ran(f"{sys.executable} -c 'import time; time.sleep(600)'", timeout_s=0.5)
    assert told == ["the alarm command did not end within 0.5 s and was ended"]


def test_a_command_that_fails_or_reads_nothing_is_said_in_one_sentence() -> None:
    assert ran(f"{sys.executable} -c 'raise SystemExit(3)'")[1] == ["the alarm command ended with code 3"]
    assert ran(f"{sys.executable} -c 'import os; os.abort()'")[1] == ["the alarm command was ended by signal 6"]
    assert ran(f"{sys.executable} -c 'import sys; sys.stdin.close()'")[1] == []


def replaced_by(path: Path, samples: Any) -> None:
    """As a recorder does that begins anew under the old name."""
    soundfile.write(path.with_name("new.wav"), samples, RATE)
    path.with_name("new.wav").replace(path)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda p: soundfile.write(p, np.zeros(RATE), RATE), "became shorter|ends after 1.0 s"),
        (lambda p: p.write_bytes(b"no recording"), "grows.wav"),
        (lambda p: p.unlink(), "is gone while it was listened to"),
        (lambda p: soundfile.write(p, np.zeros(4 * RATE), 2 * RATE), "has 1 channels at 32000 Hz now"),
        (lambda p: replaced_by(p, np.full(4 * RATE, 0.1)), "was replaced by another recording"),
    ],
)
def test_a_file_that_is_cut_rewritten_or_removed_is_said(
    tmp_path: Path, change: Callable[[Path], None], sentence: str
) -> None:
    path = tmp_path / "grows.wav"
    soundfile.write(path, np.zeros(2 * RATE), RATE)
    clock: Any = SimpleNamespace(monotonic=time.monotonic, sleep=lambda seconds: None)
    source = FileSource(path, clock=clock)

    def listen() -> None:
        for _ in source.items():
            if path.exists() and path.stat().st_size > 3 * RATE:
                change(path)

    with pytest.raises(InputError, match=sentence):
        listen()


@pytest.mark.parametrize("grows", [True, False])
def test_the_end_of_a_file_that_grew_while_it_was_heard_is_an_alarm(tmp_path: Path, grows: bool) -> None:
    """Its recorder may have failed; a recording that was whole before only ends."""
    path, sound = tmp_path / "grows.wav", np.random.default_rng(1).normal(0.0, 0.01, 2 * RATE)
    soundfile.write(path, sound[:RATE], RATE)
    clock: Any = SimpleNamespace(monotonic=time.monotonic, sleep=lambda seconds: None)
    notes = []
    for item in FileSource(path, clock=clock).items():
        if isinstance(item, Note):
            notes.append(item)
        elif grows:
            soundfile.write(path, sound, RATE)
    assert [(n.alarm, "taken for its end" in n.text) for n in notes] == ([(True, True)] if grows else [])


@pytest.mark.parametrize(("takes", "said"), [(0.9, []), (3.0, [True, True, False])])
def test_a_watch_slower_than_its_recorder_says_how_far_behind_it_is(
    tmp_path: Path, takes: float, said: list[bool]
) -> None:
    """A recorder writes four seconds at a time; each is heard in ``takes`` seconds, later in a tenth of one."""
    path, at = tmp_path / "grows.wav", 4.0

    def passes(seconds: float) -> None:
        nonlocal at
        before, at = at, at + seconds
        if at // 4 > before // 4 or not path.exists():
            soundfile.write(path, np.zeros(int(min(at, 80.0) // 4) * 4 * RATE), RATE)

    passes(0.0)
    clock: Any = SimpleNamespace(monotonic=lambda: at, sleep=passes)
    heard_s, notes = 0.0, []
    for item in FileSource(path, clock=clock).items():
        if isinstance(item, Note):
            notes.append(item)
        else:
            heard_s += len(item.samples) / RATE
            passes(len(item.samples) / RATE * (takes if heard_s < 20.0 else 0.1))
    *behind, end = notes
    assert [n.alarm for n in behind] == said
    assert ["behind what happens" in n.text for n in behind] == said
    assert "taken for its end" in end.text


def test_a_recording_that_has_only_begun_is_waited_for(tmp_path: Path) -> None:
    path, sound = tmp_path / "new.wav", np.random.default_rng(1).normal(0.0, 0.01, 2 * RATE)
    path.write_bytes(b"")
    threading.Timer(0.5, soundfile.write, (path, sound, RATE)).start()
    source = FileSource(path)
    assert sum(len(i.samples) for i in source.items() if isinstance(i, Chunk)) == 2 * RATE
    source.close()


def test_a_flac_file_that_grows_is_counted_only_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It states no length while it is written, and to count an hour takes seconds."""
    path, sound = tmp_path / "grows.flac", np.random.default_rng(1).normal(0.0, 0.01, 20 * RATE)
    counted: list[int] = []
    whole = SoundReader._count_on

    def count_on(self: SoundReader, start: int = 0, stop: int = 1 << 50) -> int:
        counted.append(got := whole(self, start, stop))
        return got

    monkeypatch.setattr(SoundReader, "_count_on", count_on)
    with soundfile.SoundFile(path, "w", RATE, 1, subtype="PCM_16") as file:
        file.write(sound[: 4 * RATE])
        file.flush()
        heard = []
        source = FileSource(path, idle_s=0.5)
        for n, item in enumerate(i for i in source.items() if isinstance(i, Chunk)):
            heard.append(item.samples[:, 0])
            if n % 3 == 0 and n < 48:
                file.write(sound[(4 + n // 3) * RATE : (5 + n // 3) * RATE])
                file.flush()
        source.close()
    got = np.concatenate(heard)
    assert len(got) > 15 * RATE
    np.testing.assert_allclose(got, sound[: len(got)], atol=2**-15)
    assert sum(counted) == len(got)


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
def test_a_watch_nobody_reads_ends_and_one_that_runs_a_command_goes_on(tmp_path: Path) -> None:
    script = (
        "import sys\n"
        "from noisecheck.live.command import _Printer\n"
        "from noisecheck.live.events import Event\n"
        "tell = _Printer(as_json=True, needed=sys.argv[1] == 'needed')\n"
        "sys.stdin.readline()\n"
        "for n in range(3): tell(Event('note', 0.0, 0.0, 'x'))\n"
        "print('on', file=sys.stderr)\n"
    )

    def run(needed: str, **more: Any) -> tuple[int, str]:
        words = [sys.executable, "-c", script, needed]
        process = subprocess.Popen(words, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)
        if process.stdout is not None:
            process.stdout.close()
        return (process.communicate("\n", timeout=600)[1], process.returncode)[::-1]

    code, said = run("spare", stdout=subprocess.PIPE)
    assert (code, said.splitlines()[1:]) == (0, ["on"])
    assert "(nobody reads it): the watch goes on" in said
    code, said = run("needed", stdout=subprocess.PIPE)
    assert code != 0  # as the command catches it
    assert "(nobody reads it): the watch is stopped" in said
    if Path("/dev/full").exists():
        with Path("/dev/full").open("w") as full:
            said = run("needed", stdout=full)[1]
        assert said.splitlines()[:2] == [
            "noisecheck: what the watch says cannot be written (No space left on device): the watch goes on",
            "on",
        ]


def test_a_command_that_fails_is_said_among_the_events(tmp_path: Path) -> None:
    told: list[Event] = []
    follower: Any = Silent()
    command = AlarmCommand(f"{sys.executable} -c 'raise SystemExit(3)'")
    Watch(Sounds(), follower, told.append, command=command).run()
    assert [e.kind for e in told] == ["started", "stray", "note", "summary"]
    assert told[2].text == "the alarm command ended with code 3"


def test_samples_that_are_no_numbers_are_silence() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(0.0, 1e-3, (8 * RATE, 1)).astype(np.float32)
    x[5 * RATE : 5 * RATE + 400, 0] += (0.3 * np.exp(-np.arange(400) / 60.0) * rng.normal(size=400)).astype(np.float32)
    clean, spoilt = x.copy(), x.copy()
    clean[4 * RATE : 4 * RATE + 50] = 0.0
    spoilt[4 * RATE : 4 * RATE + 25], spoilt[4 * RATE + 25 : 4 * RATE + 50] = np.nan, np.inf

    def heard(samples: Any) -> tuple[list[Onsets], list[float]]:
        hearing = Hearing(RATE, 1, settings=ListenSettings())
        found = [h for h in (*hearing.take(samples), *hearing.flush()) if len(h.onsets)]
        return [h.onsets for h in found], [float(v) for h in found for v in h.impacts["lae_db"]]

    (one, level), (other, same) = heard(clean), heard(spoilt)
    assert [o.frame.tolist() for o in one] == [o.frame.tolist() for o in other]
    assert any(abs(f - 5 * RATE) < 40 for o in other for f in o.frame.tolist())
    assert np.isfinite(same).all()
    assert level == same


def test_an_impact_is_measured_at_once_without_the_next(tmp_path: Path) -> None:
    """The louder one 70 ms behind it is heard already when it is measured, and none of it."""
    rng = np.random.default_rng(4)
    x = rng.normal(0.0, 1e-4, (8 * RATE, 1)).astype(np.float32)
    ring = (np.exp(-np.arange(800) / 80.0) * rng.normal(size=800)).astype(np.float32)

    def level(samples: Any) -> float:
        hearing = Hearing(RATE, 1, settings=ListenSettings())
        found = [h for at in range(0, len(samples), 160) for h in hearing.take(samples[at : at + 160])]
        rows = [r for h in found for r in h.impacts.rows() if abs(r["time_s"] - 5.0) < 0.003]
        (row,) = rows
        return float(row["lae_db"])

    x[5 * RATE : 5 * RATE + 800, 0] += 0.02 * ring
    alone = level(x)
    after = 5 * RATE + int(0.07 * RATE)
    x[after : after + 800, 0] += 0.2 * ring
    assert level(x) == pytest.approx(alone, abs=1.0)


@pytest.mark.parametrize("block", [1, 160, 100_000])
def test_what_is_left_of_a_slice_is_taken_whole(block: int) -> None:
    """A microphone cut off at its rails sounds alive in single samples: each of them is all the same, then another."""
    x = np.tile(np.array([0.5, -0.5], np.float32), 4 * RATE)[: 4 * RATE + 31, None]
    hearing = Hearing(RATE, 1, settings=ListenSettings())
    heard = [h for at in range(0, len(x), block) for h in hearing.take(x[at : at + block])]
    assert [s.state for h in (*heard, *hearing.flush()) for s in h.signals] == ["cut"]
