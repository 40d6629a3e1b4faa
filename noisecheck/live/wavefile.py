"""A WAV file that is good at any moment: what has been written can be read, also after a kill or a power loss.

The header (with the time of the first frame, EBU Tech 3285 "bext", so that split files join without guessing) is
brought up to date at every :meth:`WaveWriter.flush`; samples follow it directly.
"""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError

__all__ = ["WaveWriter"]

_BITS: Final = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32}
_BEXT: Final = 602
_HEADER: Final = 12 + 8 + _BEXT + 8 + 16 + 8
MOST_BYTES: Final = (1 << 32) - (1 << 20)


class WaveWriter:
    """Write samples to a new file.

    Args:
        path: must not exist.
        rate: frames a second.
        channels: of each frame.
        subtype: PCM_16, PCM_24, PCM_32 or FLOAT.
        started: local date and time of the first frame.
        start_frame: frames since midnight of the first frame.

    Raises:
        OSError: it cannot be written, or exists.
    """

    def __init__(
        self, path: Path, rate: int, channels: int, *, subtype: str, started: datetime, start_frame: int
    ) -> None:
        if subtype not in _BITS:
            raise InputError(f"subtype {subtype!r} is none of {', '.join(_BITS)}")
        self.path, self.frames = path, 0
        self._bits, self._float, self._frame = _BITS[subtype], subtype == "FLOAT", channels * _BITS[subtype] // 8
        self._file = path.open("xb")
        bext = bytearray(_BEXT)
        bext[256:266] = b"noisecheck"
        bext[320:338] = started.strftime("%Y-%m-%d%H:%M:%S").encode("ascii")
        bext[338:348] = struct.pack("<QH", start_frame, 1)
        form = struct.pack(
            "<HHIIHH", 3 if self._float else 1, channels, rate, rate * self._frame, self._frame, self._bits
        )
        self._file.write(
            b"RIFF" + struct.pack("<I", _HEADER - 8) + b"WAVE"
            + b"bext" + struct.pack("<I", _BEXT) + bytes(bext)
            + b"fmt " + struct.pack("<I", 16) + form
            + b"data" + struct.pack("<I", 0)
        )  # fmt: skip
        self._file.flush()

    @property
    def full(self) -> bool:
        """Whether the header can say no more."""
        return self.frames * self._frame > MOST_BYTES

    def write(self, samples: NDArray[np.float32]) -> None:
        """Append samples, (frames, channels), full scale 1.0."""
        if self._float:
            data = samples.astype("<f4").tobytes()
        else:
            top = float(1 << (self._bits - 1))
            whole = np.clip(np.rint(samples.astype(np.float64) * top), -top, top - 1)
            if self._bits == 16:
                data = whole.astype("<i2").tobytes()
            elif self._bits == 32:
                data = whole.astype("<i4").tobytes()
            else:
                data = whole.astype("<i4").reshape(-1, 1).view(np.uint8)[:, :3].tobytes()
        self._file.write(data)
        self.frames += len(samples)

    def flush(self) -> None:
        """Hand everything to the operating system and bring the header up to date."""
        size = self.frames * self._frame
        self._file.flush()
        self._file.seek(4)
        self._file.write(struct.pack("<I", _HEADER - 8 + size))
        self._file.seek(_HEADER - 4)
        self._file.write(struct.pack("<I", size))
        self._file.seek(0, 2)
        self._file.flush()

    def close(self) -> None:
        """Finish the file."""
        if not self._file.closed:
            try:
                if self.frames * self._frame % 2:
                    self._file.write(b"\0")
                self.flush()
            finally:
                self._file.close()
