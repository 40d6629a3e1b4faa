"""How often a rail below full scale is found behind a codec, and falsely: ``python tests/benchmarks/clipping.py 200``.

Takes of ringing impacts (up to three places, one to eight modes of 150 to 9,000 Hz, contacts of random length, equally
strong in half of the takes: 0, 0.1 or 0.3 dB sd, else 1 to 6 dB) over noise are encoded as they are and cut at a rail
of 0.3 to 0.9, 1 to 14 dB below the loudest peak. Arguments: how many takes, first seed.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "audio"))
from test_phone import encode

from noisecheck.audio.health import Health, check_health
from noisecheck.audio.recording import open_recording

RATE = 48000
SECONDS = 15.0
RING_S = 0.6
CODECS = ("AAC 128", "AAC 64", "AAC 256", "MP3", "Vorbis")


def take(seed: int) -> tuple[np.ndarray, bool]:
    """Return a take, its loudest sample 1.0, (frames,), and whether its impacts are equally strong."""
    rng = np.random.default_rng(seed)
    spread_db = float(rng.choice([0.0, 0.1, 0.3, 1.0, 3.0, 6.0]))
    x = np.zeros(round(SECONDS * RATE))
    t = np.arange(round(RING_S * RATE)) / RATE
    places = []
    for _ in range(int(rng.integers(1, 4)) if spread_db >= 1.0 else 1):
        modes = int(rng.integers(1, 9))
        hz = np.exp(rng.uniform(np.log(150), np.log(9000), modes))
        fall_s = np.exp(rng.uniform(np.log(0.002), np.log(0.3), modes))
        size = np.exp(rng.normal(0, 1, modes))
        phase = rng.uniform(0, 2 * np.pi, modes) if rng.random() < 0.7 else np.zeros(modes)
        contact = np.hanning(int(np.exp(rng.uniform(np.log(2), np.log(60)))) + 3)
        places.append((hz, fall_s, size, phase, contact / contact.sum(), float(rng.choice([0.0, 0.1, 0.5]))))
    loud_db = rng.normal(0, 3, len(places))
    for at_s in rng.uniform(0.2, SECONDS - RING_S - 0.1, int(rng.integers(6, 40))):
        place = int(rng.integers(len(places)))
        hz, fall_s, size, phase, contact, unlike = places[place]
        size = size * np.exp(0.3 * unlike * rng.normal(0, 1, len(hz)))
        phase = phase + unlike * rng.normal(0, 1, len(hz))
        ring = size[:, None] * np.exp(-t / fall_s[:, None]) * np.sin(2 * np.pi * hz[:, None] * t + phase[:, None])
        sound = np.convolve(ring.sum(axis=0), contact)[: len(t)]
        x[round(at_s * RATE) :][: len(t)] += 10 ** ((rng.normal(0, spread_db) + loud_db[place]) / 20) * sound
    x = x / np.abs(x).max() + 10 ** (rng.uniform(-75, -35) / 20) * rng.normal(0, 1, len(x))
    return x / np.abs(x).max(), spread_db < 1.0


def coded_health(x: np.ndarray, codec: str, folder: Path) -> Health:
    """Return the health of samples (frames,) after a codec."""
    samples = x[:, None].astype(np.float32)
    if codec.startswith("AAC"):
        path = encode(folder / "a.m4a", samples, container="ipod", bit_rate=1000 * int(codec.split()[1]))
    else:
        path = folder / "a.bin"
        kind, subtype = ("MP3", "MPEG_LAYER_III") if codec == "MP3" else ("OGG", "VORBIS")
        with soundfile.SoundFile(path, "w", RATE, 1, subtype=subtype, format=kind, compression_level=0.4) as file:
            for first in range(0, len(samples), RATE):
                file.write(samples[first : first + RATE])
    with open_recording(path) as recording:
        return check_health(recording)


def main(count: int, first: int) -> None:
    tally: Counter[str] = Counter()
    errors = []
    with tempfile.TemporaryDirectory() as name:
        for seed in range(first, first + count):
            x, equal = take(seed)
            rng = np.random.default_rng((seed, 1))
            codec = CODECS[seed % len(CODECS)]
            rail, over_db = float(rng.uniform(0.3, 0.9)), float(rng.uniform(1, 14))
            good = coded_health(rail * x, codec, Path(name)).channels[0].rail
            tally[f"not clipped, {'equally strong' if equal else 'unequal'}: {good is not None}"] += 1
            if good is not None:
                print(f"seed {seed}, {codec}: falsely found at {good:.2f}, peak {rail:.2f}", flush=True)
            cut = coded_health(np.clip(10 ** (over_db / 20) * rail * x, -rail, rail), codec, Path(name)).channels[0]
            depth = "1 to 3 dB" if over_db < 3 else "3 to 6 dB" if over_db < 6 else "6 to 14 dB"
            tally[f"clipped by {depth}: {len(cut.clipped) > 0}"] += 1
            if cut.rail is not None:
                errors.append(20 * np.log10(cut.rail / rail))
    print(dict(sorted(tally.items())))
    print(f"rail: median {np.median(errors):+.2f} dB, 95 % within {np.percentile(np.abs(errors), 95):.2f} dB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
