"""Times and levels of impacts in AAC at 128 kb/s against the same sound uncompressed: prints the figures.

Run: python tests/benchmarks/phone.py [recording ...] (default: two runs of the demo campaign, one channel).
"""

from __future__ import annotations

import functools
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "audio"))
from test_phone import encode

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import open_recording
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.score.matching import match

DEMO = Path(__file__).parents[2] / "recordings"
KINDS = (("ipod", "m4a", False), ("mp4", "mp4", True), ("mov", "mov", False))


def heard(path: Path) -> Impacts:
    return listen(functools.partial(open_recording, path), settings=ListenSettings()).impacts


def main(paths: list[Path]) -> None:
    """Print one line for each recording and container."""
    for path in paths:
        x, rate = soundfile.read(path, always_2d=True, dtype="float32")
        x = x[:, :1] * (0.5 / np.abs(x[:, :1]).max())
        with tempfile.TemporaryDirectory() as name:
            plain = Path(name) / "a.wav"
            soundfile.write(plain, x, rate, subtype="PCM_24")
            truth = heard(plain)
            for container, ending, picture in KINDS:
                coded = encode(Path(name) / f"a.{ending}", x, container=container, picture=picture, rate=rate)
                found = heard(coded)
                pairs = match(found["time_s"], truth["time_s"], tolerance_s=0.01)
                i, j = pairs.truth_index, pairs.found_index
                clear = truth["margin_db"][i] >= 15.0
                late = 1000 * (found["time_s"][j] - truth["time_s"][i])[clear]
                level = (found["lae_db"][j] - truth["lae_db"][i])[clear]
                alone = (truth.data["flags"][i] & np.uint32(Flag.OVERLAPPED | Flag.TRUNCATED))[clear] == 0
                sides = [
                    f"{word} {count}: 95 % within {np.percentile(np.abs(some), 95):.3f} dB, "
                    f"{100 * np.mean(np.abs(some) <= 0.2):.1f} % within 0.2 dB"
                    for word, some in (("alone", level[alone]), ("overlapped or cut", level[~alone]))
                    if (count := len(some))
                ]
                print(
                    f"{path.stem}.{ending}: {len(i)} of {len(truth)} impacts found, {len(found) - len(i)} more; "
                    f"{clear.sum()} at 15 dB margin: times {np.median(late):+.2f} ms, 95 % within "
                    f"{np.percentile(np.abs(late), 95):.2f} ms, most {np.abs(late).max():.2f} ms; L_AE "
                    f"{np.mean(level):+.3f} dB, 95 % within {np.percentile(np.abs(level), 95):.3f} dB, most "
                    f"{np.abs(level).max():.3f} dB; {'; '.join(sides)}"
                )
            for codec_in, label in ((np.clip(4 * x, -1, 1), "clipped at 1.0"), (np.clip(4 * x, -0.6, 0.6), "at 0.6")):
                soundfile.write(plain, codec_in, rate, subtype="PCM_16")
                coded = encode(Path(name) / "c.m4a", codec_in, container="ipod", rate=rate)
                said = []
                for file in (plain, coded):
                    with open_recording(file) as recording:
                        health = check_health(recording)
                    said.append(f"{len(health.clipped)} places ({health.levels.verdict})")
                print(f"{path.stem}, {label}: before AAC {said[0]}, after {said[1]}")


if __name__ == "__main__":
    main([Path(a) for a in sys.argv[1:]] or [DEMO / "bare-60-1.flac", DEMO / "cork-120-1.flac"])
