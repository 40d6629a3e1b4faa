"""Small valid files of every format, and files made from them that are broken in ways that happen."""

from __future__ import annotations

import importlib.util
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from wavs import RATE, bext, chunk, fmt, noise, pcm16

LIBRARY = {
    "wav16.wav": ("WAV", "PCM_16"), "wav24.wav": ("WAVEX", "PCM_24"), "float.wav": ("WAV", "FLOAT"),
    "adpcm.wav": ("WAV", "IMA_ADPCM"), "ulaw.wav": ("WAV", "ULAW"), "a.rf64": ("RF64", "PCM_16"),
    "a.w64": ("W64", "PCM_16"), "a.aiff": ("AIFF", "PCM_16"), "a.caf": ("CAF", "PCM_16"),
    "alac.caf": ("CAF", "ALAC_16"),
    "a.au": ("AU", "PCM_16"), "a.flac": ("FLAC", "PCM_16"), "a.ogg": ("OGG", "VORBIS"), "a.opus": ("OGG", "OPUS"),
    "a.mp3": ("MP3", "MPEG_LAYER_III"),
}  # fmt: skip


def seeds(folder: Path) -> dict[str, bytes]:
    """Return small valid files by name: what libsndfile writes, a Broadcast WAV, and m4a where av is there."""
    x = 0.5 * noise(0.6)
    x[5000:5400] += np.float32(0.4)
    made = {}
    for name, (kind, subtype) in LIBRARY.items():
        path = folder / name
        soundfile.write(path, x, RATE, format=kind, subtype=subtype)
        made[name] = path.read_bytes()
    body = b"WAVE" + bext(123456) + fmt() + chunk(b"data", pcm16(x))
    made["bwf.wav"] = b"RIFF" + struct.pack("<I", len(body)) + body
    if importlib.util.find_spec("av"):
        from test_phone import encode

        made["a.m4a"] = encode(folder / "a.m4a", x).read_bytes()
        fragments = {"movflags": "frag_keyframe+empty_moov", "frag_duration": "200000"}
        made["fragments.mp4"] = encode(folder / "f.mp4", x, options=fragments).read_bytes()
    return made


def broken(made: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """Yield the same broken files each time: cut, header values replaced, spans lost, zeroed, doubled, foreign."""
    rng = np.random.default_rng(20260504)
    for name, content in made.items():
        size = len(content)
        yield f"cut in the header {name}", content[: int(rng.integers(1, 60))]
        yield f"cut {name}", content[: int(rng.integers(size // 4, size - 1))]
        at = int(rng.integers(4, 80))
        yield f"all ones {name}", content[:at] + b"\xff\xff\xff\xff" + content[at + 4 :]
        at = int(rng.integers(8, 80))
        yield f"zeros {name}", content[:at] + bytes(8) + content[at + 8 :]
        at = int(rng.integers(size // 4, size // 2))
        yield f"span lost {name}", content[:at] + content[at + 997 :]
        data = bytearray(content)
        for k in rng.integers(0, min(size, 400), 12).tolist():
            data[k] = int(rng.integers(0, 256))
        yield f"bytes changed {name}", bytes(data)
    good = made["wav16.wav"]
    for tag, rate, channels, bits in (
        (1, 0, 1, 16), (1, RATE, 0, 16), (1, 4_294_967_295, 1, 16), (1, RATE, 65535, 16), (1, RATE, 1, 0),
        (1, RATE, 1, 7), (85, RATE, 1, 16), (0xFFFE, RATE, 2, 16), (3, RATE, 1, 16), (17, RATE, 1, 4),
    ):  # fmt: skip
        frame = channels * bits // 8 & 0xFFFF
        header = struct.pack("<HHIIHH", tag, channels, rate, rate * frame & 0xFFFFFFFF, frame, bits)
        body = b"WAVE" + chunk(b"fmt ", header) + chunk(b"data", good[44:20044])
        yield f"format {tag} {rate} {channels} {bits}.wav", b"RIFF" + struct.pack("<I", len(body)) + body
    yield "no data.wav", b"RIFF\x24\0\0\0WAVE" + fmt()
    yield "data first.wav", b"RIFF\xff\0\0\0WAVE" + chunk(b"data", bytes(900)) + fmt()
    yield "chunks in a circle.wav", b"RIFF\xff\0\0\0WAVE" + chunk(b"junk", b"") * 9000
    yield "text.wav", b"<html><script>alert(1)</script>\n" * 40
    yield "formula.mp3", b'=cmd|"/c calc"!A1\r\n' * 40
    yield "picture.flac", b"\x89PNG\r\n\x1a\n" + rng.bytes(3000)
    yield "random.ogg", rng.bytes(5000)
    yield "box of no size.mp4", struct.pack(">I4s", 0, b"moov") * 50
    yield (
        "box in box.m4a",
        b"".join(struct.pack(">I4s", 8000 - 8 * k, b"moov" if k % 2 else b"trak") for k in range(999)),
    )
    yield "decoder loses count.mp3", b"\xff\xfb\x00\xfe\xff\xff\xff\x00" + made["a.mp3"][8:]
    yield "far too loud.wav", made["float.wav"][:2000] + struct.pack("<f", 1e30) * 9 + made["float.wav"][2036:]
    yield "empty", b""
    yield "one byte.wav", b"R"
