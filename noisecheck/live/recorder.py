"""A process of its own that holds the audio device, so that a library that hangs or crashes can be ended from outside.

Run as a program by :class:`noisecheck.live.device.DeviceSource`; imports nothing of the rest. On standard output comes
one line of JSON (``name``, ``rate``, ``channels``; or ``missing`` or ``error`` with a sentence), then block after block
:data:`HEAD` (when it came, its frames) and its samples, 32-bit float. It ends when the device is lost, or when its
standard input is closed.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import struct
import sys
import threading
import time
from typing import Any, BinaryIO, Final

__all__ = ["HEAD", "seconds"]

HEAD: Final = struct.Struct("<dI")
_BLOCK_S: Final = 0.02
_QUEUE_S: Final = 20.0
_NAMED: Final = 8


def seconds() -> float:
    """Return seconds that only go forward, the same in all processes, and go on while the computer sleeps."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if clock is None else time.clock_gettime(clock)


def _record(out: BinaryIO, device: int | str | None, rate: int | None, channels: int | None) -> None:
    """Send what the device records until it is lost."""
    try:
        import sounddevice
    except ImportError:
        return _say(out, missing="")
    except OSError as error:
        return _say(out, missing=str(error))
    try:
        found = sounddevice.query_devices(device, "input")
    except (ValueError, sounddevice.PortAudioError) as error:
        return _say(out, error=f"{error}{_others(sounddevice)}")
    rate = int(rate or found["default_samplerate"])
    channels = int(channels or min(int(found["max_input_channels"]), 2))
    waiting: queue.Queue[bytes] = queue.Queue(int(_QUEUE_S / _BLOCK_S))

    def heard(data: Any, frames: int, when: Any, status: Any) -> None:
        # A full queue drops the block; the count against the clock will tell.
        if not waiting.full():
            waiting.put_nowait(HEAD.pack(seconds(), frames) + bytes(data))

    try:
        stream = sounddevice.RawInputStream(
            device=device,
            samplerate=rate,
            channels=channels,
            dtype="float32",
            blocksize=max(1, int(_BLOCK_S * rate)),
            callback=heard,
        )
        stream.start()
    except (ValueError, sounddevice.PortAudioError) as error:
        return _say(out, error=f"cannot be opened ({error})")
    _say(out, name=str(found["name"]), rate=rate, channels=channels)
    while True:
        try:
            out.write(waiting.get(timeout=0.2))
        except queue.Empty:
            if not stream.active:
                return
        if waiting.empty():
            out.flush()


def _say(out: BinaryIO, **what: object) -> None:
    out.write(json.dumps(what).encode() + b"\n")
    out.flush()


def _others(library: Any) -> str:
    """Return the devices there are, to be named where the one asked for is not."""
    names = [str(d["name"]) for d in library.query_devices() if int(d["max_input_channels"]) > 0]
    more = ", ..." if len(names) > _NAMED else ""
    return f"; there are: {', '.join(names[:_NAMED])}{more}" if names else "; there is no audio input"


def _end_with_input() -> None:
    """End when the watch closes our input, or dies: a worker has no such pipe and looks for its parent instead."""
    sys.stdin.buffer.read()
    os._exit(0)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the watch, which closes our input
    threading.Thread(target=_end_with_input, daemon=True).start()
    # What the audio libraries print goes elsewhere than what is sent.
    output = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    try:
        _record(output, *json.loads(sys.argv[1]))
        output.flush()
    finally:
        os._exit(0)  # closing a device that is gone may never return
