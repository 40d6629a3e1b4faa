"""What an Ogg file's pages tell that its decoder does not: where sound is missing, and whether the end is there.

A decoder passes over a page that is damaged or gone, and what follows comes too early; it comes right where it is asked
for by its place. Pages, their numbers and check sums are those of RFC 3533, section 6.
"""

from __future__ import annotations

import mmap
import struct
import zlib
from pathlib import Path
from typing import Final

from noisecheck.core.records import record

__all__ = ["OPUS_HZ", "OggPages", "pages_of"]

_HEAD: Final = struct.Struct("<4sBBqIIIB")
OPUS_HZ: Final = 48000
"""What an Opus page's position counts in, whatever the sample rate (RFC 7845, section 4)."""
_LAST: Final = 4
_REVERSED: Final = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


@record
class OggPages:
    """The pages of a file's first stream."""

    ended: bool
    """Whether the page marked as the last is there, and whole."""
    lost: tuple[tuple[int, int], ...]
    """Where sound is missing: the positions (samples, as the codec counts) that the pages before and after state."""


def pages_of(path: Path) -> OggPages:
    """Return what the pages of a file tell; all of it is read once, since a page is known whole by its sum alone."""
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        return _walk(data)


def _walk(data: mmap.mmap) -> OggPages:
    lost: list[tuple[int, int]] = []
    at, reached, due, serial, ended = 0, 0, 0, None, False
    while (at := data.find(b"OggS", at)) >= 0 and len(data) - at >= _HEAD.size:
        _, _, kind, position, stream, number, check, segments = _HEAD.unpack_from(data, at)
        body = at + _HEAD.size
        end = body + segments + sum(data[body : body + segments])
        page = data[at:end]
        if end > len(data) or _check_sum(page[:22] + bytes(4) + page[26:]) != check:
            at += 1
            continue
        at = end
        serial = stream if serial is None else serial
        if stream != serial:
            continue
        if position >= 0:
            if number > due:
                lost.append((reached, position))
            reached = position
            due = number + 1
        elif number == due:
            due = number + 1
        ended = bool(kind & _LAST)
    return OggPages(ended, tuple(lost))


def _check_sum(page: bytes) -> int:
    """Return the check sum with the highest bit first: zlib's, which starts from the lowest, of reversed bytes."""
    low_first = zlib.crc32(page.translate(_REVERSED), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{low_first:032b}"[::-1], 2)
