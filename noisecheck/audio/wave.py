"""WAV, RF64, W64 and CAF headers held against the file's size, and a reader for when the header is wrong.

Layouts: Microsoft/IBM Multimedia Programming Interface 1.0 (RIFF), EBU Tech 3306 (RF64: ``ds64``), EBU Tech 3285
(``bext``: origination date and time, time reference in samples since midnight); W64 and CAF from memory.
"""

from __future__ import annotations

import io
import struct
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import FileRecording, step_of
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.records import record

__all__ = ["RawWave", "WaveLayout", "read_caf_layout", "read_layout"]

_CHUNKS: Final = 4096
_4_GIB: Final = 1 << 32
_AT_ONCE: Final = 1 << 15
_W64_TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")
# format tag, bytes a sample -> how libsndfile names it
_RAW: Final = {
    (1, 1): "PCM_U8", (1, 2): "PCM_16", (1, 3): "PCM_24", (1, 4): "PCM_32",
    (3, 4): "FLOAT", (3, 8): "DOUBLE", (6, 1): "ALAW", (7, 1): "ULAW",
}  # fmt: skip


@record
class WaveLayout:
    """What a WAV, RF64 or W64 file holds, where; ``notes`` say where the header was not believed."""

    container: str
    rate: int = 0
    channels: int = 0
    frame_bytes: int = 0
    raw_subtype: str = ""
    """As libsndfile names it; empty for codings without a fixed frame size."""
    big_endian: bool = False
    plain: bool = False
    """Whether the format states 24-bit samples, and nothing in it speaks against that."""
    data_offset: int = 0
    data_bytes: int = 0
    """Bytes of whole frames that are there to be read."""
    started: datetime | None = None
    start_frame: int | None = None
    notes: tuple[str, ...] = ()

    @property
    def packed(self) -> bool:
        """Whether samples are whole numbers of three bytes, lowest first."""
        return self.raw_subtype == "PCM_24" and not self.big_endian


def read_layout(file: IO[bytes], size: int, filled: int, path: Path) -> WaveLayout:
    """Read the header of a file of ``size`` bytes of which ``filled`` were ever written.

    Raises:
        InputError: no format, no data, or impossible numbers.
    """
    file.seek(0)
    head = file.read(40)
    wide = head[:4] == b"riff"
    order = ">" if head[:4] == b"RIFX" else "<"
    layout = WaveLayout("W64" if wide else "RF64" if head[:4] in (b"RF64", b"BW64") else "WAV", big_endian=order == ">")
    at = 40 if wide else 12
    true_size = -1
    for _ in range(_CHUNKS):
        name, body, length = _chunk(file, at, wide, order)
        if name is None or at >= size:
            break
        if name == b"data":
            if not layout.rate:
                break
            if true_size >= 0 and length == _4_GIB - 1:
                length = true_size
            return _with_data(file, layout, size, filled, body, length, wide, order, path)
        content = file.read(min(length, 4096))
        if name == b"ds64" and len(content) >= 16:
            true_size = struct.unpack("<Q", content[8:16])[0]
        elif name == b"fmt ":
            layout = _with_format(layout, content, order, path)
        elif name == b"bext":
            layout = _with_bext(layout, content)
        at = body + length + (-length % 8 if wide else length % 2)
    missing = "no data chunk: the recording was never begun" if layout.rate else "its header has no sample format"
    raise InputError(f"{one_line(path)}: holds no audio ({missing})")


def _chunk(file: IO[bytes], at: int, wide: bool, order: str) -> tuple[bytes | None, int, int]:
    """Return name, first byte and length of the chunk at ``at`` (name None past the end); the file is left there."""
    file.seek(at)
    head = file.read(24 if wide else 8)
    if len(head) < (24 if wide else 8):
        return None, at, 0
    if wide:
        length = max(struct.unpack("<Q", head[16:24])[0] - 24, 0)
        known = head[4:16] == _W64_TAIL or head[:4] == b"LIST"
        return (head[:4] if known else b"????"), at + 24, min(length, 1 << 62)
    return head[:4], at + 8, struct.unpack(order + "I", head[4:8])[0]


def _with_format(layout: WaveLayout, content: bytes, order: str, path: Path) -> WaveLayout:
    if len(content) < 16:
        raise InputError(f"{one_line(path)}: its header is cut off in the sample format")
    tag, channels, rate, byte_rate, frame_bytes, bits = struct.unpack(order + "HHIIHH", content[:16])
    if tag == 0xFFFE and len(content) >= 26:
        bits = min(bits, struct.unpack(order + "H", content[18:20])[0])
        tag = struct.unpack(order + "H", content[24:26])[0]
    if not 1 <= channels <= 1024 or not 1 <= rate <= 10_000_000:
        raise InputError(f"{one_line(path)}: its header gives {channels} channels at {rate} Hz: it is damaged")
    raw = _RAW.get((tag, frame_bytes // channels), "") if frame_bytes % channels == 0 else ""
    plain = (tag, bits, frame_bytes, byte_rate, order) == (1, 24, 3 * channels, rate * frame_bytes, "<")
    return replace(layout, rate=rate, channels=channels, frame_bytes=frame_bytes, raw_subtype=raw, plain=plain)


def _with_bext(layout: WaveLayout, content: bytes) -> WaveLayout:
    if len(content) < 346:
        return layout
    reference = struct.unpack("<Q", content[338:346])[0]
    try:
        words = content[320:338].decode("ascii")
        day = date(int(words[:4]), int(words[5:7]), int(words[8:10]))
        clock = time(int(words[10:12]), int(words[13:15]), int(words[16:18]))
    except ValueError:
        return layout
    # Only a reference inside one day can be one; a recorder without a clock leaves 0.
    if layout.rate and 0 < reference < 86400 * layout.rate:
        midnight = datetime.combine(day, time())
        return replace(layout, start_frame=reference, started=midnight + timedelta(seconds=reference / layout.rate))
    return replace(layout, started=datetime.combine(day, clock))


def _with_data(
    file: IO[bytes], layout: WaveLayout, size: int, filled: int, body: int, stated: int, wide: bool, order: str,
    path: Path,
) -> WaveLayout:  # fmt: skip
    rest = max(size - body, 0)
    there = max(min(filled, size) - body, 0)
    frame = max(layout.frame_bytes, 1)
    per_s = frame * layout.rate

    def seconds(count: int) -> str:
        return f"{count / per_s:,.1f} s"

    notes: list[str] = []
    honest = stated <= rest and (stated == rest or _chunks_follow(file, body + stated, size, wide, order))
    use = min(stated, rest)
    if stated in (_4_GIB - 1, 0x7FFFFFFF, 0x7FFFFFFFFFFFFFFF) and not honest:
        use = rest
        notes.append(f"the header gives no length: all {seconds(min(rest, there))} in the file are read")
    elif stated == 0 and not honest:
        use = rest
        notes.append(
            "the header says 0 s (the recorder lost power or was not stopped): "
            f"the {seconds(min(rest, there))} that are in the file are read"
        )
    elif stated > rest:
        notes.append(
            f"the file is cut off: the header says {seconds(stated)}, the file ends after {seconds(rest)}, "
            f"{seconds(stated - rest)} at the end are lost"
        )
    elif not honest and rest - stated >= min(per_s, _4_GIB // 8):
        use = rest
        wrapped = " (it passed 4 GiB, more than this kind of header can say)" if body + rest >= _4_GIB else ""
        notes.append(
            f"the header says {seconds(stated)} but the file goes on{wrapped}: all {seconds(min(rest, there))} are read"
        )
    if use > there:
        notes.append(
            f"{seconds(use - there)} from {seconds(there)} on were never written (a sparse file): they are left out"
        )
        use = there
    if use // frame == 0:
        raise InputError(f"{one_line(path)}: holds no audio (its header is all there is)")
    if notes and not layout.raw_subtype:
        notes = [n.split(":")[0] + ": what can be decoded is read" for n in notes]
    return replace(layout, data_offset=body, data_bytes=use - use % frame, notes=tuple(notes))


def read_caf_layout(file: IO[bytes], size: int) -> WaveLayout | None:
    """Return what a CAF file of plain samples holds that ends before its header says; None where nothing is missing."""
    layout = WaveLayout("CAF")
    at = 8
    for _ in range(_CHUNKS):
        file.seek(at)
        head = file.read(12)
        if len(head) < 12:
            return None
        name, length = head[:4], struct.unpack(">q", head[4:])[0]
        if name == b"data":
            break
        content = file.read(32) if name == b"desc" else b""
        if len(content) == 32:
            rate, form, flags, frame_bytes, _, channels, bits = struct.unpack(">d4s5I", content)
            raw = {(0, 8): "PCM_S8", (0, 16): "PCM_16", (0, 24): "PCM_24", (0, 32): "PCM_32", (1, 32): "FLOAT",
                   (1, 64): "DOUBLE"}.get((flags & 1, bits), "")  # fmt: skip
            if form == b"lpcm" and raw and 1 <= rate <= 10_000_000 and frame_bytes == channels * bits // 8 > 0:
                layout = replace(layout, rate=round(rate), channels=channels, frame_bytes=frame_bytes, raw_subtype=raw,
                                 big_endian=not flags & 2)  # fmt: skip
        if length < 0:
            return None
        at += 12 + length
    body, rest = at + 16, size - at - 16
    if not layout.raw_subtype or length - 4 <= rest or rest < layout.frame_bytes:
        return None
    lost = (length - 4 - rest) / (layout.frame_bytes * layout.rate)
    note = (
        f"the file is cut off: it ends after {rest / (layout.frame_bytes * layout.rate):,.1f} s, {lost:,.1f} s at the "
        "end are lost"
    )
    return replace(layout, data_offset=body, data_bytes=rest - rest % layout.frame_bytes, notes=(note,))


def _chunks_follow(file: IO[bytes], at: int, size: int, wide: bool, order: str) -> bool:
    """Return whether what follows the data is padding or chunks that end with the file."""
    at += -at % 8 if wide else at % 2
    for _ in range(_CHUNKS):
        if at >= size:
            return at <= size + 8
        if size - at < 8:
            return True
        name, body, length = _chunk(file, at, wide, order)
        if name is None or not all(32 <= c < 127 for c in name) or name == b"????":
            return False
        at = body + length + (-length % 8 if wide else length % 2)
    return False


class RawWave(FileRecording):
    """Reads the data of a WAV-like file from where it begins, whatever its header says of its length."""

    _file: Any = None

    def __init__(self, path: Path, layout: WaveLayout) -> None:
        super().__init__(path)
        self._layout = layout
        self.rate, self.channels = layout.rate, layout.channels
        self.frames = layout.data_bytes // layout.frame_bytes
        self.container, self.subtype = layout.container, layout.raw_subtype
        self.coding = "float" if layout.raw_subtype in ("FLOAT", "DOUBLE") else "integer"
        self.step = step_of(layout.raw_subtype)
        self.notes = layout.notes
        self._file = path.open("rb")

    def _get(self, start: int, stop: int) -> NDArray[np.float32]:
        layout = self._layout
        self._file.seek(layout.data_offset + start * layout.frame_bytes)
        if layout.packed:
            data = _read_packed(self._file, (stop - start) * self.channels)
            return data[: len(data) - len(data) % self.channels].reshape(-1, self.channels)
        raw = self._file.read((stop - start) * layout.frame_bytes)
        raw = raw[: len(raw) - len(raw) % layout.frame_bytes]
        if not raw:
            return np.empty((0, self.channels), np.float32)
        import soundfile

        data, _ = soundfile.read(
            io.BytesIO(raw), dtype="float32", always_2d=True, samplerate=self.rate, channels=self.channels,
            format="RAW", subtype=layout.raw_subtype, endian="BIG" if layout.big_endian else "LITTLE",
        )  # fmt: skip
        return np.asarray(data, np.float32)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()

    def __del__(self) -> None:
        self.close()


def _read_packed(file: Any, count: int) -> NDArray[np.float32]:
    """Return samples of three bytes as libsndfile reads them, in a third of its time; fewer where the file ends.

    Each is the upper part of a number of four bytes that begins a byte earlier, read where it lies.
    """
    out = np.empty(count, np.float32)
    raw = bytearray(3 * _AT_ONCE + 1)
    words = np.ndarray((_AT_ONCE,), "<i4", raw, strides=(3,))
    whole = np.empty(_AT_ONCE, np.int32)
    for first in range(0, count, _AT_ONCE):
        part = out[first : first + _AT_ONCE]
        got = file.readinto(memoryview(raw)[1 : 3 * len(part) + 1]) // 3
        whole[:got] = words[:got]
        whole[:got] &= -256
        part[:got] = whole[:got]
        part[:got] *= np.float32(2.0**-31)
        if got < len(part):
            return out[: first + got]
    return out
