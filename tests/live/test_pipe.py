"""Raw samples through a pipe: what may be wrong with them is said."""

from __future__ import annotations

import os
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.live import pipe
from noisecheck.live.pipe import PipeSource
from noisecheck.live.sources import Chunk, Item, Note

RATE = 16_000


class Clock:
    """Time that passes when it is told to."""

    def __init__(self) -> None:
        self.at = 0.0

    def monotonic(self) -> float:
        return self.at


def as_bytes(x: NDArray[np.float64], form: str) -> bytes:
    if form == "f32le":
        return x.astype("<f4").tobytes()
    wide = np.rint(x * (2**31 - 1)).astype("<i4")
    if form == "s24le":
        return wide.reshape(-1, 1).view(np.uint8)[:, 1:].tobytes()
    return (wide >> 16).astype("<i2").tobytes() if form == "s16le" else wide.tobytes()


def heard(data: bytes, form: str, tmp_path: Path, **more: Any) -> list[Item]:
    (tmp_path / "raw").write_bytes(data)
    with (tmp_path / "raw").open("rb") as stream:
        return list(PipeSource(stream, rate_hz=RATE, channels=2, form=form, **more).items())


NOISE = np.random.default_rng(1).normal(0.0, 0.02, (5 * RATE, 2))


@pytest.mark.parametrize("said", ["s16le", "s24le", "s32le", "f32le"])
@pytest.mark.parametrize("sent", ["s16le", "s24le", "s32le", "f32le"])
def test_samples_of_another_format_are_said(sent: str, said: str, tmp_path: Path) -> None:
    items = heard(as_bytes(NOISE, sent), said, tmp_path)
    notes = [i.text for i in items if isinstance(i, Note) and "--format" in i.text]
    # Two samples of 16 bits are one good sample of 32: only the pace tells.
    expected = 0 if sent == said or (sent, said) == ("s16le", "s32le") else 1
    assert len(notes) == expected
    assert all(f"is --format {said} right" in n for n in notes)


def test_a_pipe_that_ends_before_anything_came_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="ended before any sound came"):
        heard(b"", "s16le", tmp_path)


def test_a_header_is_known_however_it_comes() -> None:
    for sizes in ((4, 40), (1, 1, 1, 1, 40), (2, 42)):
        reader, writer = os.pipe()
        data = b"RIFF\x00\x10\x00\x00WAVEfmt " + b"\x00" * 40

        def write(writer: int = writer, data: bytes = data, sizes: tuple[int, ...] = sizes) -> None:
            at = 0
            with suppress(BrokenPipeError):
                for size in sizes:
                    os.write(writer, data[at : at + size])
                    at += size
                    time.sleep(0.02)
            os.close(writer)

        threading.Thread(target=write).start()
        with os.fdopen(reader, "rb") as stream, pytest.raises(InputError, match="a recording with a header"):
            list(PipeSource(stream, rate_hz=RATE, channels=2).items())


def test_a_pipe_through_which_nothing_comes_is_said_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipe, "_STALL_S", 1)
    reader, writer = os.pipe()

    def write() -> None:
        os.write(writer, bytes(RATE))
        time.sleep(2.5)
        os.write(writer, bytes(RATE))
        os.close(writer)

    threading.Thread(target=write).start()
    with os.fdopen(reader, "rb") as stream:
        items = list(PipeSource(stream, rate_hz=RATE, channels=2).items())
    notes = [i for i in items if isinstance(i, Note)]
    assert [n.alarm for n in notes] == [True, False]
    assert "NOT LISTENING" in notes[0].text
    assert "sound comes through the pipe again after" in notes[1].text
    assert sum(len(i.samples) for i in items if isinstance(i, Chunk)) == RATE // 2


@pytest.mark.parametrize(
    ("comes", "waits", "said"),
    [
        (1.0, 0.9, ""),
        (1.0005, 0.9, ""),
        (0.5, 0.9, "8000 frames a second"),
        (44_100 / 48_000, 0.9, "14700 frames a second"),
        (2.0, 0.6, "32000 frames a second"),
        (7.0, 0.05, ""),  # recorded before, and sent as fast as it is listened to
        (0.98, 0.0, ""),  # just kept up with
        (0.8, 0.0, "takes 1.2 times as long as the sound lasts"),
    ],
)
def test_more_or_less_than_recording_gives_is_said(comes: float, waits: float, said: str) -> None:
    pace = pipe._Pace(RATE)
    told = [pace.take(round(0.02 * comes * RATE), 0.02 * n, 0.02 * waits) for n in range(5000)]
    assert sum(map(bool, told)) == bool(said)
    assert said in "".join(told)


@pytest.mark.parametrize(
    ("comes", "waits", "recorded"),
    [
        (1.0, 0.7, True),
        (1.0, 0.0, True),  # a watch that just keeps up
        (0.5, 0.9, True),  # at another rate than stated
        (1.25, 0.01, False),  # recorded before; the watch is slow
        (0.8, 0.01, False),
        (7.0, 0.05, False),
    ],
)
def test_what_is_recorded_now_is_waited_for_or_comes_at_its_pace(comes: float, waits: float, recorded: bool) -> None:
    pace = pipe._Pace(RATE)
    for n in range(500):
        pace.take(round(0.02 * comes * RATE), 0.02 * n, 0.02 * waits)
    assert pace.as_recorded == recorded


@pytest.mark.parametrize(("size", "recorded"), [(RATE // 5, True), (3 * RATE, False)])
def test_the_end_of_a_pipe_that_brings_what_is_recorded_is_an_alarm(
    size: int, recorded: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What wrote to it may have lost its microphone; what was recorded before only ends."""
    monkeypatch.setattr(pipe, "_STALL_S", 0.3)
    reader, writer = os.pipe()

    def write() -> None:
        for _ in range(8):
            os.write(writer, bytes(size))
            time.sleep(0.06)
        os.close(writer)

    threading.Thread(target=write).start()
    with os.fdopen(reader, "rb") as stream:
        notes = [i for i in PipeSource(stream, rate_hz=RATE, channels=2).items() if isinstance(i, Note)]
    assert [n.alarm for n in notes] == ([True] if recorded else [])
