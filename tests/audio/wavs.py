"""Files for the tests of the audio layer, made byte by byte where a library would not make them so."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

RATE = 48000


def noise(seconds: float, channels: int = 1, *, rate: int = RATE, seed: int = 1, rms: float = 0.05) -> np.ndarray:
    """Return white noise in steps of 16 bits, (frames, channels) float32."""
    x = rms * np.random.default_rng(seed).standard_normal((round(seconds * rate), channels))
    return (np.clip(np.round(x * 32768), -32768, 32767) / 32768).astype(np.float32)


def taps(seconds: float, *, every_s: float = 0.5, rate: int = RATE, seed: int = 1, peak: float = 0.5) -> np.ndarray:
    """Return ringing taps (700 to 5,000 Hz, 30 ms) over faint noise, (frames, 1) float32; the first at 0.25 s."""
    rng = np.random.default_rng(seed)
    x = 0.001 * rng.standard_normal(round(seconds * rate))
    t = np.arange(round(0.3 * rate)) / rate
    ring = sum(np.sin(2 * np.pi * f * t) for f in (700, 1900, 3300, 5000)) * np.exp(-t / 0.03) / 2.6
    for at in np.arange(0.25, seconds - 0.4, every_s):
        x[round(at * rate) :][: len(ring)] += peak * ring
    return x[:, None].astype(np.float32)


def chunk(name: bytes, body: bytes, stated: int | None = None) -> bytes:
    return name + struct.pack("<I", len(body) if stated is None else stated) + body + b"\0" * (len(body) % 2)


def fmt(rate: int = RATE, channels: int = 1, bits: int = 16, tag: int = 1) -> bytes:
    frame = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits))


def bext(reference: int, day: str = "2026-05-04", clock: str = "10:11:12") -> bytes:
    """Return a bext chunk of version 0 (EBU Tech 3285 clause 2.3: 602 bytes; reference at 338)."""
    body = bytearray(602)
    body[320:330], body[330:338] = day.encode(), clock.encode()
    body[338:346] = struct.pack("<Q", reference)
    return chunk(b"bext", bytes(body))


def pcm16(x: np.ndarray) -> bytes:
    return np.clip(np.round(x * 32768), -32768, 32767).astype("<i2").tobytes()


def wav(path: Path, x: np.ndarray, *extra: bytes, rate: int = RATE, stated: int | None = None) -> Path:
    """Write a WAV of 16 bits with further chunks before the data, and a stated data size that may lie."""
    body = b"WAVE" + fmt(rate, x.shape[1]) + b"".join(extra) + chunk(b"data", pcm16(x), stated)
    path.write_bytes(b"RIFF" + struct.pack("<I", min(len(body), 0xFFFFFFFF)) + body)
    return path


def sparse_wav(path: Path, data_bytes: int, tail: np.ndarray, head: bytes) -> Path:
    """Write a file whose data are a hole with sound at the end: long, and almost nothing on disk."""
    with path.open("wb") as file:
        file.write(head)
        file.seek(len(head) + data_bytes - 2 * tail.size)
        file.write(pcm16(tail))
    return path
