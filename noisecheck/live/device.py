"""A microphone at this computer's audio interface (extra ``live``).

The audio callback does nothing but copy samples to a queue. Frames are counted against the clock, because the
interface's own overflow flag is at times missing and at times set for nothing: when the count falls behind for good,
that time was not listened to, and is said so. A lost device is said so too, and tried again and again, at first soon.
"""

from __future__ import annotations

import contextlib
import queue
from collections import deque
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError, MissingExtraError, missing_extra, one_line
from noisecheck.live.clock import Clock, SystemClock
from noisecheck.live.sources import Chunk, Gap, Item, Note

__all__ = ["DeviceSource", "FrameCount"]

_BLOCK_S: Final = 0.02
_QUEUE_S: Final = 20.0
_SILENT_S: Final = 2.0
"""A device that calls back no more for so long is lost."""
_BACK_OFF_S: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
_LEAST_GAP_S: Final = 0.02
_WATCHED_S: Final = 0.5
_DRIFT: Final = 500e-6  # no audio clock is further off than this


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
        clock: to count frames against.

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
        self._audio = _library()
        self._device: str | int | None = int(device) if isinstance(device, str) and device.isdecimal() else device
        self._clock = clock or SystemClock()
        try:
            found = self._audio.query_devices(self._device, "input")
        except (ValueError, self._audio.PortAudioError) as error:
            raise InputError(f"audio device {_named(self._device)}: {one_line(error)}") from error
        self.name = str(found["name"])
        self.rate = int(rate_hz or found["default_samplerate"])
        self.channels = int(channels or min(int(found["max_input_channels"]), 2))
        self._queue: queue.Queue[tuple[NDArray[np.float32], float]] = queue.Queue()
        self._stream: Any = None
        try:
            self._open()
        except self._audio.PortAudioError as error:
            self.close()
            raise InputError(f"audio device {_named(self.name)}: cannot be opened ({one_line(error)})") from error

    def _open(self) -> None:
        waiting: queue.Queue[tuple[NDArray[np.float32], float]] = queue.Queue(int(_QUEUE_S / _BLOCK_S))
        clock = self._clock

        def heard(data: Any, frames: int, when: Any, status: Any) -> None:
            # A full queue drops the block; the count against the clock will tell.
            if not waiting.full():
                waiting.put_nowait((data.copy(), clock.monotonic()))

        self._queue = waiting
        self._stream = self._audio.InputStream(
            device=self._device,
            samplerate=self.rate,
            channels=self.channels,
            dtype="float32",
            blocksize=max(1, int(_BLOCK_S * self.rate)),
            callback=heard,
        )
        self._stream.start()

    def items(self) -> Iterator[Item]:
        """Yield what comes, in order, for as long as it is asked."""
        count = FrameCount(self.rate)
        last = self._clock.monotonic()
        while True:
            try:
                samples, at = self._queue.get(timeout=0.2)
            except queue.Empty:
                if self._alive() and self._clock.monotonic() - last < _SILENT_S:
                    continue
                yield from self._recover(last)
                count, last = FrameCount(self.rate), self._clock.monotonic()
                continue
            missing = count.missing(at, len(samples))
            if missing:
                yield Gap(missing / self.rate, "the computer did not keep up with the audio device")
            last = at
            yield Chunk(samples)

    def _alive(self) -> bool:
        try:
            return bool(self._stream is not None and self._stream.active)
        except self._audio.PortAudioError:
            return False

    def _recover(self, lost_at: float) -> Iterator[Item]:
        """Say that the device is lost, and try until it is back."""
        self._shut()
        yield Note(f"audio device '{one_line(self.name)}' is lost: NOT LISTENING; trying to open it again", alarm=True)
        tries = 0
        while True:
            wait = _BACK_OFF_S[min(tries, len(_BACK_OFF_S) - 1)]
            self._clock.sleep(wait)
            tries += 1
            try:
                self._audio._terminate()  # the library lists devices once; only starting it anew finds one plugged in
                self._audio._initialize()
                self._open()
                break
            except (ValueError, self._audio.PortAudioError):
                self._shut()
        away = self._clock.monotonic() - lost_at
        yield Gap(away, f"the audio device was lost; opened again after {tries} tries", loss=True)

    def _shut(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            with contextlib.suppress(self._audio.PortAudioError):  # of one that is gone, nothing is left to close
                stream.close()

    def close(self) -> None:
        """Stop recording."""
        self._shut()


def _library() -> Any:
    try:
        import sounddevice
    except ImportError as error:
        raise missing_extra("listening to an audio device", "live") from error
    except OSError as error:
        raise MissingExtraError(
            f"listening to an audio device needs the PortAudio library ({one_line(error)})"
        ) from error
    return sounddevice


def _named(device: object) -> str:
    return "(default)" if device is None else f"'{one_line(device)}'"
