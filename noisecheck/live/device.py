"""A microphone at this computer's audio interface (extra ``live``).

A process of its own records (:mod:`noisecheck.live.recorder`). Frames are counted against the clock, because the
interface's own overflow flag is at times missing and at times set for nothing: when the count falls behind for good,
that time was not listened to, and is said so. A lost device is said so too, and tried again and again, at first soon.
"""

from __future__ import annotations

import json
import math
import os
import queue
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from typing import Any, BinaryIO, Final, cast

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import ArrayRecording
from noisecheck.core.errors import InputError, MissingExtraError, missing_extra, one_line
from noisecheck.live import recorder
from noisecheck.live.clock import Clock, SystemClock
from noisecheck.live.sources import Chunk, Gap, Item, Lateness, Note

__all__ = ["DeviceSource", "FrameCount"]

_SILENT_S: Final = 2.0
"""A device that brings nothing for so long is lost."""
_ANSWER_S: Final = 15.0
"""An audio library that has not opened a device after so long hangs."""
_BACK_OFF_S: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
_LEAST_GAP_S: Final = 0.02
_WATCHED_S: Final = 0.5
_DRIFT: Final = 500e-6  # no audio clock is further off than this
_RATE_S: Final = 10.0
_RATE_OFF: Final = 0.03
"""Off by more, over so long, the device's rate is another than the one asked for."""


class FrameCount:
    """Frames counted against the clock: how much is missing for good.

    A callback may come late, but what it brings was recorded without a pause: only when even the most punctual
    callback of the last half second is behind the count is time missing.
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._frames = 0
        self._recent: deque[tuple[float, float]] = deque()
        self._base: float | None = None

    def missing(self, at_s: float, frames: int) -> int:
        """Return the frames found missing (mostly 0), now that ``frames`` more came at clock time ``at_s``."""
        self._frames += frames
        behind = at_s - self._frames / self._rate
        since = at_s - self._recent[-1][0] if self._recent else 0.0
        self._recent.append((at_s, behind))
        while self._recent[0][0] < at_s - _WATCHED_S:
            self._recent.popleft()
        least = min(b for _, b in self._recent)
        if self._base is None or least < self._base:
            self._base = least
        off = least - self._base
        if off > _LEAST_GAP_S and len(self._recent) > 1 and self._recent[-1][0] - self._recent[0][0] > 0.8 * _WATCHED_S:
            self._frames += round(off * self._rate)
            self._recent.clear()
            return round(off * self._rate)
        # The clocks of computer and interface drift apart: follow, but no faster than they can.
        self._base += min(off, _DRIFT * since)
        return 0


class DeviceSource:
    """Samples of an audio device as they are recorded.

    Args:
        device: number or (part of) the name of the device, or None for the computer's own choice.
        rate_hz: frames a second (None: the device's own).
        channels: channels to open (None: as many as the device has, at most 2).
        clock: to wait by.

    Raises:
        MissingExtraError: the extra ``live`` is not installed.
        InputError: no such device, or it cannot be opened this way.
    """

    live = True
    coded = False
    subtype = "PCM_24"

    def __init__(
        self,
        device: str | int | None = None,
        *,
        rate_hz: int | None = None,
        channels: int | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._wanted = int(device) if isinstance(device, str) and device.isdecimal() else device, rate_hz, channels
        self._clock = clock or SystemClock()
        self._queue: queue.Queue[tuple[NDArray[np.float32], float] | None] = queue.Queue()
        self._process: subprocess.Popen[bytes] | None = None
        answer = self._open()
        self.name, self.rate, self.channels = str(answer["name"]), int(answer["rate"]), int(answer["channels"])
        self._wanted = self._wanted[0], self.rate, self.channels

    def _open(self) -> dict[str, Any]:
        """Begin to record; return what the device is."""
        process = subprocess.Popen(
            [sys.executable, "-P", recorder.__file__, json.dumps(self._wanted)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # audio libraries print as they like
            start_new_session=os.name == "posix",  # Ctrl-C is for the watch
        )
        self._process = process
        answers: queue.Queue[bytes] = queue.Queue()
        waiting: queue.Queue[tuple[NDArray[np.float32], float] | None] = queue.Queue(1000)
        self._queue = waiting
        threading.Thread(target=_receive, args=(process, answers, waiting), daemon=True).start()
        try:
            line = answers.get(timeout=_ANSWER_S)
        except queue.Empty:
            line = json.dumps({"error": f"cannot be opened (no answer for {_ANSWER_S:g} s)"}).encode()
        answer: dict[str, Any] = json.loads(line or b'{"error": "cannot be opened (the audio library crashed)"}')
        if "name" in answer:
            return answer
        self.close()
        if "missing" not in answer:
            raise InputError(f"audio device {_named(self._wanted[0])}: {one_line(answer['error'])}")
        if answer["missing"]:
            why = one_line(answer["missing"])
            raise MissingExtraError(f"listening to an audio device needs the PortAudio library ({why})")
        raise missing_extra("listening to an audio device", "live")

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, for as long as it is asked."""
        count, last = FrameCount(self.rate), self._clock.monotonic()
        since, frames, late = math.nan, 0, Lateness()
        while True:
            try:
                block = self._queue.get(timeout=_SILENT_S)
            except queue.Empty:
                block = None
            if block is None:
                yield from self._recover(last)
                count, last = FrameCount(self.rate), self._clock.monotonic()
                since = math.inf if math.isinf(since) else math.nan
                continue
            samples, last = block
            yield from late.take(self._clock.monotonic() - last)
            missing = count.missing(last, len(samples))
            if missing:
                yield Gap(missing / self.rate, "the computer did not keep up with the audio device")
            if math.isnan(since):
                since, frames = last, -len(samples)
            frames += len(samples)
            if last - since > _RATE_S:
                rate, since = frames / (last - since), math.inf
                if abs(rate / self.rate - 1.0) > _RATE_OFF:
                    yield Note(
                        f"the audio device brings {rate:.0f} frames a second where {self.rate} were asked for, so no "
                        "time of this watch is right: is its rate another (then name it with --rate-hz), or is the "
                        "computer too busy?",
                        alarm=True,
                    )
            yield Chunk(samples)

    def _recover(self, lost_at: float) -> Iterator[Item]:
        """Say that the device is lost, and try until it is back."""
        yield Note(f"audio device '{one_line(self.name)}' is lost: NOT LISTENING; trying to open it again", alarm=True)
        self.close()
        tries = 0
        while True:
            self._clock.sleep(_BACK_OFF_S[min(tries, len(_BACK_OFF_S) - 1)])
            tries += 1
            with suppress(InputError, OSError):
                self._open()
                break
        away = self._clock.monotonic() - lost_at
        yield Gap(away, f"the audio device was lost; opened again after {tries} tries")

    def close(self) -> None:
        """Stop recording."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            cast(BinaryIO, process.stdin).close()


def _receive(
    process: subprocess.Popen[bytes],
    answers: queue.Queue[bytes],
    waiting: queue.Queue[tuple[NDArray[np.float32], float] | None],
) -> None:
    """Pass on the recorder's answer, then its blocks, then None when it has ended."""
    with cast(BinaryIO, process.stdout) as out:
        line = out.readline()
        answers.put(line)
        channels = json.loads(line or b"{}").get("channels", 0)
        while channels and len(head := out.read(recorder.HEAD.size)) == recorder.HEAD.size:
            at, frames = recorder.HEAD.unpack(head)
            data = out.read(4 * frames * channels)
            if len(data) < 4 * frames * channels:
                break
            # A device may bring anything: what is no sound is silence, as in a file.
            samples = ArrayRecording(np.frombuffer(data, "<f4").reshape(frames, channels), 1).read(0, frames)
            waiting.put((samples, at))
        waiting.put(None)


def _named(device: object) -> str:
    return "(default)" if device is None else f"'{one_line(device)}'"
