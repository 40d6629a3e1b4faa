"""Raw samples through a pipe: a source that says nothing of itself, so that much can be wrong with it."""

from __future__ import annotations

import os
import select
from collections.abc import Iterator
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import MOST
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.live import PIPE_FORMATS
from noisecheck.live.clock import Clock, SystemClock
from noisecheck.live.sources import Chunk, Item, Note

__all__ = ["PipeSource", "decode_pcm"]

_WIDTH: Final = {"s16le": 2, "s24le": 3, "s32le": 4, "f32le": 4}
_BLOCK_S: Final = 0.02
_HEADERS: Final = (b"RIFF", b"RF64", b"BW64", b"fLaC", b"OggS", b"FORM", b"caff", b".snd")
_STALL_S: Final = 5
_LOOK_S: Final = 1.0
_LOUD: Final = 0.4
_LOUD_SHARE: Final = 0.2
_NO_NUMBERS: Final = 0.01
"""Samples of another format than stated are noise at full scale, or no numbers: no sound has so many so loud ones."""
_PACE_S: Final = 60.0
_WAITING: Final = 0.3
_OFF: Final = 0.05
"""Where the pipe is waited for so much of the time, its samples are being recorded, at the rate that is stated."""
_FASTER, _AWAITED = 1.5, 0.05
"""What was recorded before comes faster, as fast as it is listened to, and is hardly ever waited for."""


def decode_pcm(data: bytes, form: str, channels: int) -> NDArray[np.float32]:
    """Return whole frames of raw samples as float32 (frames, channels), full scale 1.0."""
    if form == "f32le":
        samples = np.frombuffer(data, "<f4").astype(np.float32)
    elif form == "s16le":
        samples = np.frombuffer(data, "<i2").astype(np.float32) / np.float32(1 << 15)
    elif form == "s32le":
        samples = (np.frombuffer(data, "<i4") / float(1 << 31)).astype(np.float32)
    else:
        wide = np.zeros((len(data) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        samples = (wide.reshape(-1).view("<i4") / float(1 << 31)).astype(np.float32)
    return samples.reshape(-1, channels)


class PipeSource:
    """Raw interleaved samples from a pipe, until it is closed at the other end.

    A pipe has no clock: what its writer dropped cannot be noticed here. That nothing comes any longer, that samples are
    no sound, and that more or less comes than recording gives is said.

    Raises:
        InputError: no rate or number of channels, or an unknown format; later, when a file with a header comes, or
            nothing at all.
    """

    live = True
    coded = False

    def __init__(
        self,
        stream: BinaryIO,
        *,
        rate_hz: int | None,
        channels: int | None,
        form: str = "s16le",
        name: str = "pipe",
        clock: Clock | None = None,
    ) -> None:
        if rate_hz is None or channels is None:
            raise InputError("raw samples say nothing of themselves: give --rate-hz and --channels")
        if not 4000 <= rate_hz <= 768_000:
            hint = " (was it given in kHz?)" if 4 <= rate_hz <= 768 else ""
            raise InputError(f"--rate-hz {rate_hz}: must be from 4000 to 768000 frames a second{hint}")
        if not 1 <= channels <= 64:
            raise InputError(f"--channels {channels}: must be from 1 to 64")
        if form not in PIPE_FORMATS:
            raise InputError(
                f"--format {one_line(form)}: is none of {', '.join(PIPE_FORMATS)}{nearest(form, PIPE_FORMATS)}"
            )
        self.name, self.rate, self.channels, self._form = name, rate_hz, channels, form
        self.subtype = PIPE_FORMATS[form]
        self._stream, self._clock = stream, clock or SystemClock()

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, until the end."""
        frame = _WIDTH[self._form] * self.channels
        wanted = max(1, int(_BLOCK_S * self.rate)) * frame
        rest = head = b""
        look, pace = _Look(self._form, self.rate), _Pace(self.rate)
        while True:
            waiting_since, stalled = self._clock.monotonic(), False
            while not self._ready():
                if not stalled and self._clock.monotonic() - waiting_since >= _STALL_S:
                    stalled = True
                    text = f"nothing has come through the pipe for {_STALL_S} s: NOT LISTENING"
                    yield Note(f"{text}; does its writer still run?", alarm=True)
            now = self._clock.monotonic()
            data = self._read(wanted)
            if not data:
                if not head:
                    raise InputError(f"{self.name}: ended before any sound came: does what writes to it run?")
                if rest:
                    yield Note(f"the pipe ended inside a frame: its last {len(rest)} bytes are left out")
                if pace.as_recorded:  # a microphone that was pulled out ends its writer
                    yield Note("the pipe ended, and with it the watch: has what wrote to it failed?", alarm=True)
                return
            if stalled:
                text = f"sound comes through the pipe again after {now - waiting_since:.0f} s"
                yield Note(f"{text}; if its writer went on recording, what it dropped meanwhile is missing")
                pace = _Pace(self.rate)
            if len(head) < 4:
                head += data[:4]
                if head.startswith(_HEADERS):
                    raise InputError(
                        "the pipe carries a recording with a header, not raw samples: name the file instead"
                    )
            data = rest + data
            whole = len(data) - len(data) % frame
            rest = data[whole:]
            samples = decode_pcm(data[:whole], self._form, self.channels)
            for text in (look.take(samples), pace.take(len(samples), now, now - waiting_since)):
                if text:
                    yield Note(text)
            if whole:
                yield Chunk(samples)

    def _ready(self) -> bool:
        """Return whether something is there, after waiting a while; True where only reading can tell."""
        try:
            return bool(select.select([self._stream.fileno()], [], [], 0.5)[0])
        except OSError:  # no descriptor, or a system that selects among sockets only
            return True

    def _read(self, wanted: int) -> bytes:
        """Return what is there, at most ``wanted`` bytes, waiting only when there is nothing."""
        try:
            descriptor = self._stream.fileno()
        except OSError:
            return self._stream.read(wanted)
        return os.read(descriptor, wanted)

    def close(self) -> None:
        """Nothing to let go of: the pipe belongs to the caller."""


class _Look:
    """Tells samples of another format than the one stated by their first seconds."""

    def __init__(self, form: str, rate: int) -> None:
        self._form, self._left = form, int(_LOOK_S * rate)
        self._count = self._loud = self._wrong = 0

    def take(self, samples: NDArray[np.float32]) -> str:
        """Return what is wrong with the samples, once; mostly nothing."""
        if self._left <= 0:
            return ""
        size = np.abs(samples)
        self._count += size.size
        self._loud += int((size > _LOUD).sum())
        self._wrong += int((~(size <= MOST)).sum())
        self._left -= len(samples)
        if self._left > 0:
            return ""
        if self._wrong > _NO_NUMBERS * self._count:
            return f"{self._wrong / self._count:.0%} of the samples are no numbers: is --format {self._form} right?"
        if self._loud > _LOUD_SHARE * self._count:
            share = f"{self._loud / self._count:.0%} of the samples are nearly as loud as can be"
            return f"{share}: is --format {self._form} right, and the gain?"
        return ""


class _Pace:
    """Compares what comes with the rate stated, where it comes as it is recorded."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._since: float | None = None
        self._frames, self._waited, self._past, self._over = 0, 0.0, 0.0, False

    @property
    def as_recorded(self) -> bool:
        """Whether what comes is being recorded: it is waited for, or a watch that is short of time just keeps up.

        A watch so slow that what was recorded before comes no faster never waits, and hardly ever takes it at its pace.
        """
        pace = self._frames / self._rate / max(self._past, 1e-9)
        awaited = self._waited >= _AWAITED * self._past
        return self._past >= _STALL_S and pace <= _FASTER and (awaited or abs(pace - 1.0) < _OFF)

    def take(self, frames: int, now_s: float, waited_s: float) -> str:
        """Return what is wrong when ``frames`` more came at ``now_s`` after waiting for them, once; mostly nothing."""
        if self._since is None:  # what came first was recorded before
            self._since = now_s
            return ""
        self._frames += frames
        self._waited += waited_s
        self._past = past = now_s - self._since
        if self._over or past < _PACE_S:
            return ""
        self._over = True
        rate = self._frames / past
        if abs(rate / self._rate - 1.0) < _OFF:
            return ""
        if self._waited < _AWAITED * past and rate < self._rate:
            text = f"the watch takes {past * self._rate / self._frames:.2g} times as long as the sound lasts"
            return f"{text}: is this computer too slow, or too busy? Of what is recorded now some is lost, and all late"
        if self._waited < _WAITING * past:
            return ""
        return (
            f"{rate:.0f} frames a second come through the pipe where {self._rate} were stated: are --rate-hz, "
            "--channels and --format right, and did its writer keep up?"
        )
