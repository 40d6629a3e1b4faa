"""Impacts of the real scenes that are not found: is each masked? Run: python tests/benchmarks/masked.py

The clean strokes are not at hand, so each missed stroke's own bands are taken from the loudest other stroke of the same
object in the scene (its first 8 ms, brought to the level that the truth states). Half octave by half octave that energy
stands against what sounds in the recording in the 16 ms before it comes. Strokes of one object differ, so it is also
said by how much the recording itself rises there. A stroke is masked where no band stands out.
"""

from __future__ import annotations

import csv
import itertools
import os
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from noisecheck.audio.recording import ArrayRecording
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.score import match

SPAN_S = 0.008


def band_db(samples: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Return energies of 17 half octaves from 60 Hz on, dB."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 4096)) ** 2
    hertz = np.fft.rfftfreq(4096, 1 / rate)
    edges = 60.0 * 2.0 ** (np.arange(18) / 2.0)
    cut = np.searchsorted(hertz, edges)
    return np.array([10 * np.log10(spectrum[a:b].sum() + 1e-20) for a, b in itertools.pairwise(cut)])


def main() -> None:
    """Print a row for each missed stroke."""
    folder = Path(os.environ.get("NOISECHECK_SHARED", Path(__file__).parents[3] / "shared")) / "real"
    for path in sorted(folder.glob("*.flac")):
        samples, rate = soundfile.read(path, dtype="float64")
        rows = list(csv.DictReader(path.with_suffix(".truth.csv").open()))
        times = np.array([float(r["time_s"]) for r in rows])
        level = np.array([float(r["lzpeak_db"]) for r in rows])
        place = np.array([r["place"] for r in rows])
        recording = ArrayRecording(samples.astype(np.float32)[:, None], rate)
        heard = listen(lambda recording=recording: recording, settings=ListenSettings())
        missed = match(heard.onsets.frame / rate, times, tolerance_s=0.010).missed_index
        print(f"{path.stem}: {len(missed)} of {len(times)} missed")
        span = int(SPAN_S * rate)
        for i in missed.tolist():
            gap = np.abs(times[:, None] - times)
            np.fill_diagonal(gap, np.inf)
            alike = np.flatnonzero((place == place[i]) & (gap.min(axis=1) > 0.05) & (np.arange(len(times)) != i))
            donor = int(alike[np.argmax(level[alike])])
            at = int(times[donor] * rate)
            own = band_db(samples[at : at + span], rate) + level[i] - level[donor]
            at = int(times[i] * rate)
            there = np.maximum(*(band_db(samples[at - k * span : at - (k - 1) * span], rate) for k in (1, 2)))
            over, rise = own - there, band_db(samples[at : at + span], rate) - there
            last = int(np.searchsorted(times, times[i])) - 1
            print(
                f"  {times[i]:7.3f} s {place[i]:8} at {level[i]:5.1f} dB, {1000 * (times[i] - times[last]):5.1f} ms "
                f"after {place[last]} at {level[last]:5.1f} dB: best half octave {over.max():5.1f} dB, middle "
                f"one {np.median(over):5.1f} dB above what sounds there; the recording rises by {rise.max():4.1f} dB "
                f"at most, by 6 dB or more in {int((rise >= 6.0).sum())} of {len(rise)} half octaves"
            )


if __name__ == "__main__":
    main()
