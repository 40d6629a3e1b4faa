"""An audio device played by a stand-in: what it brings, what it loses, and how it comes back."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from noisecheck.core.errors import InputError, MissingExtraError
from noisecheck.live import device
from noisecheck.live.clock import SystemClock
from noisecheck.live.device import DeviceSource, FrameCount
from noisecheck.live.sources import Chunk, Gap, Note

RATE = 48_000


STAND_IN = """
import json, os, pathlib, threading, time
import array
HERE = pathlib.Path(__file__).parent

class PortAudioError(Exception): ...

def state():
    return (HERE / "state").read_text()

def query_devices(name=None, kind=None):
    found = {"name": "foyer microphones", "default_samplerate": 48000.0, "max_input_channels": 2}
    if kind is None:
        return [found, {"name": "loudspeakers", "max_input_channels": 0}]
    if name not in (None, "foyer", 0):
        raise ValueError(f"No input device matching {name!r}")
    return found

class RawInputStream:
    def __init__(self, *, device, samplerate, channels, dtype, blocksize, callback):
        if state() == "unplugged":
            raise PortAudioError("Device unavailable")
        if state() == "stuck":
            time.sleep(600)
        if state() == "crash":
            os._exit(139)
        self.active, self._args = True, (blocksize, channels, callback)

    def start(self):
        threading.Thread(target=self._play, daemon=True).start()

    def _play(self):
        blocksize, channels, callback = self._args
        begun = time.monotonic()
        print("what audio libraries say", flush=True)
        for number in range(100000):
            now = state()
            if now == "silent":  # no callback any more, and no word of it
                time.sleep(600)
            if now != "plugged" and now != "garbage" and now != "fast":
                self.active = False
                return
            value = 3e38 if now == "garbage" else number / 100
            callback(array.array("f", [value] * blocksize * channels), blocksize, None, None)
            wait = begun + (number + 1) * blocksize / (96000 if now == "fast" else 48000) - time.monotonic()
            time.sleep(max(wait, 0))

    def close(self):
        time.sleep(600)  # as some do with a device that is gone
"""


class Plug:
    """The stand-in's device: ``plugged``, ``unplugged``, or worse."""

    def __init__(self, folder: Path) -> None:
        (folder / "sounddevice.py").write_text(STAND_IN)
        self._file = folder / "state"
        self.is_now("plugged")

    def is_now(self, state: str) -> None:
        """Change it at once, also for whoever reads it just now."""
        new = self._file.with_suffix(".new")
        new.write_text(state)
        new.replace(self._file)


class QuickClock(SystemClock):
    """Waiting for a device to come back is cut short."""

    def sleep(self, seconds: float) -> None:
        time.sleep(0.01)


@pytest.fixture
def plug(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Plug:
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    return Plug(tmp_path)


def test_samples_come_in_order(plug: Plug) -> None:
    source = DeviceSource("foyer")
    assert (source.name, source.rate, source.channels, source.live) == ("foyer microphones", RATE, 2, True)
    items = source.items()
    got = [next(items) for _ in range(5)]
    source.close()
    values = [float(i.samples[0, 0]) for i in got if isinstance(i, Chunk)]
    assert values == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.04])


@pytest.mark.parametrize("state", ["unplugged", "silent"])
def test_a_lost_device_is_said_and_tried_again(plug: Plug, state: str) -> None:
    """Also one whose library, as the stand-in does, never returns from closing it."""
    source = DeviceSource(None, clock=QuickClock())
    items = source.items()
    next(items)
    begun = time.monotonic()
    plug.is_now(state)
    note = next(i for i in items if not isinstance(i, Chunk))
    assert isinstance(note, Note)
    assert note.alarm
    assert "NOT LISTENING" in note.text
    assert time.monotonic() - begun < 4.0
    plug.is_now("unplugged")
    threading.Timer(0.5, plug.is_now, ("plugged",)).start()
    gap = next(items)
    assert isinstance(gap, Gap)
    assert 0.1 < gap.seconds < 8.0
    assert "opened again" in gap.why
    assert isinstance(next(items), Chunk)
    source.close()


@pytest.mark.parametrize(
    ("state", "name", "sentence"),
    [
        ("plugged", "cellar", "audio device 'cellar': No input device matching 'cellar'; there are: foyer microphones"),
        ("unplugged", "foyer", "audio device 'foyer': cannot be opened (Device unavailable)"),
        ("stuck", "foyer", "audio device 'foyer': cannot be opened (no answer for 1 s)"),
        ("crash", "foyer", "audio device 'foyer': cannot be opened (the audio library crashed)"),
    ],
)
def test_no_such_device_is_one_sentence(
    plug: Plug, state: str, name: str, sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(device, "_ANSWER_S", 1.0 if state == "stuck" else 15.0)
    plug.is_now(state)
    with pytest.raises(InputError) as error:
        DeviceSource(name)
    assert str(error.value) == sentence


@pytest.mark.parametrize(
    ("stand_in", "sentence"),
    [("raise ImportError", "needs the extra 'live'"), ("raise OSError('not found')", "the PortAudio library")],
)
def test_without_the_library_it_says_what_to_install(plug: Plug, tmp_path: Path, stand_in: str, sentence: str) -> None:
    (tmp_path / "sounddevice.py").write_text(stand_in)
    with pytest.raises(MissingExtraError, match=sentence):
        DeviceSource("foyer")


def test_what_no_microphone_makes_is_silence(plug: Plug) -> None:
    plug.is_now("garbage")
    source = DeviceSource("foyer")
    item = next(source.items())
    source.close()
    assert isinstance(item, Chunk)
    assert not item.samples.any()


def test_a_device_of_another_rate_is_said_once(plug: Plug, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(device, "_RATE_S", 1.0)
    plug.is_now("fast")
    source = DeviceSource("foyer")
    items = source.items()
    notes = [i for _, i in zip(range(300), items, strict=False) if isinstance(i, Note)]
    source.close()
    assert len(notes) == 1
    assert notes[0].alarm
    assert "where 48000 were asked for" in notes[0].text


def test_a_watch_that_does_not_keep_up_says_how_late_it_is(plug: Plug) -> None:
    late, clock = [0.0], QuickClock()
    clock.monotonic = lambda: SystemClock.monotonic(clock) + late[0]  # type: ignore[method-assign]
    source = DeviceSource("foyer", clock=clock)
    items, notes = source.items(), []
    for seconds in (0.0, 6.0, 8.0, 13.0, 0.0):
        late[0] = seconds
        notes.append([i.text for _, i in zip(range(3), items, strict=False) if isinstance(i, Note)])
    source.close()
    assert [len(n) for n in notes] == [0, 1, 0, 1, 1]
    assert "6 s behind what happens" in notes[1][0]
    assert "13 s behind" in notes[3][0]
    assert "caught up" in notes[4][0]


def test_frames_that_never_come_are_counted() -> None:
    """Callbacks 20 ms apart that jitter by 15 ms lose nothing; a half second that fails to come is half a second."""
    rng = np.random.default_rng(1)
    count, at, lost = FrameCount(RATE), 0.0, 0
    for _ in range(500):
        at += 0.02
        lost += count.missing(at + rng.uniform(0, 0.015), 960)
    assert lost == 0
    at += 0.5
    for _ in range(100):
        at += 0.02
        lost += count.missing(at + rng.uniform(0, 0.015), 960)
    assert lost / RATE == pytest.approx(0.5, abs=0.02)
