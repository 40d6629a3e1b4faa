"""An audio device played by a stand-in: what it brings, what it loses, and how it comes back."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from noisecheck.core.errors import InputError
from noisecheck.live import device
from noisecheck.live.clock import SystemClock
from noisecheck.live.device import DeviceSource, FrameCount
from noisecheck.live.sources import Chunk, Gap, Note

RATE = 48_000


class PortAudioError(Exception):
    """As the library names it."""


class Library:
    """A stand-in for the audio library with one device of two channels, which can be unplugged."""

    PortAudioError = PortAudioError

    def __init__(self) -> None:
        self.plugged = True
        self.opened = 0

    def query_devices(self, name: Any, kind: str) -> dict[str, Any]:
        assert kind == "input"
        if name not in (None, "foyer", 0):
            raise ValueError(f"No input device matching {name!r}")
        return {"name": "foyer microphones", "default_samplerate": 48000.0, "max_input_channels": 2}

    def _terminate(self) -> None: ...

    def _initialize(self) -> None: ...

    def InputStream(self, *, callback: Callable[..., None], blocksize: int, channels: int, **_: Any) -> Any:
        if not self.plugged:
            raise PortAudioError("Device unavailable")
        self.opened += 1
        stream = SimpleNamespace(active=True, close=lambda: setattr(stream, "active", False))

        def play() -> None:
            for number in range(10_000):
                if not self.plugged or not stream.active:
                    stream.active = False
                    return
                callback(np.full((blocksize, channels), number / 100, np.float32), blocksize, None, None)
                time.sleep(0.005)

        stream.start = lambda: threading.Thread(target=play, daemon=True).start()
        return stream


class QuickClock(SystemClock):
    """Waiting for a device to come back is cut short."""

    def sleep(self, seconds: float) -> None:
        time.sleep(0.01)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    made = Library()
    monkeypatch.setattr(device, "_library", lambda: made)
    return made


def test_samples_come_in_order(library: Library) -> None:
    source = DeviceSource("foyer")
    assert (source.name, source.rate, source.channels, source.live) == ("foyer microphones", RATE, 2, True)
    items = source.items()
    got = [next(items) for _ in range(5)]
    source.close()
    values = [float(i.samples[0, 0]) for i in got if isinstance(i, Chunk)]
    assert values == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.04])


def test_a_lost_device_is_said_and_tried_again(library: Library) -> None:
    source = DeviceSource(None, clock=QuickClock())
    items = source.items()
    next(items)
    library.plugged = False
    note = next(i for i in items if not isinstance(i, Chunk))
    assert isinstance(note, Note)
    assert note.alarm
    assert "NOT LISTENING" in note.text
    threading.Timer(0.2, setattr, (library, "plugged", True)).start()
    gap = next(items)
    assert isinstance(gap, Gap)
    assert gap.loss
    assert 0.1 < gap.seconds < 5.0
    assert "opened again" in gap.why
    assert isinstance(next(items), Chunk)
    assert library.opened == 2
    source.close()


def test_no_such_device_is_one_sentence(library: Library) -> None:
    with pytest.raises(InputError, match="audio device 'cellar'"):
        DeviceSource("cellar")
    library.plugged = False
    with pytest.raises(InputError, match="cannot be opened"):
        DeviceSource("foyer")


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
