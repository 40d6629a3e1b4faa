"""How fast, how small, and how the cost grows: python tests/benchmarks/speed.py [--hours 35] [--workers 1]

Without --hours: 10 minutes of a busy ball clock (48 kHz, 24 bits, about eight impacts a second), found and fully
measured as a whole process, with one and two workers and one, two and four channels, then a million rows loaded and
filtered. With --hours: one RF64 recording of so many hours, made by repeating a simulated piece, measured into a
campaign's results, and deleted again.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from pieces import long_file, write_piece

from noisecheck.bench.columns import read_columns, write_columns
from noisecheck.core.table import Impacts

_PIECE_S = 600.0
# Not getrusage: its peak is handed on from the process that started this one.
_PEAK = """
import re
peak = int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024
"""
_CAMPAIGN = f"""
import json, sys
from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.run import listen_to_run
from noisecheck.pipeline.kept import catalogue_of
from noisecheck.pipeline.listen import ListenSettings
campaign = load_campaign(sys.argv[1])
r = listen_to_run(campaign, campaign.runs[0], settings=ListenSettings(), workers=int(sys.argv[2]), check=False,
                  catalogue=catalogue_of(campaign.folder))
{_PEAK}
print(json.dumps({{"impacts": len(r.impacts), "seconds": r.seconds, "mb": peak}}))
"""
_COMMAND = f"""
import json, sys
from noisecheck.cli import main
main(["measure", sys.argv[1], "-o", sys.argv[1] + ".csv", "--workers", sys.argv[2]])
{_PEAK}
rows = sum(1 for _ in open(sys.argv[1] + ".csv")) - 1
print(json.dumps({{"impacts": rows, "seconds": float(sys.argv[3]), "mb": peak}}))
"""


def whole_process(folder: Path, workers: int) -> dict[str, float]:
    """Measure the one recording of a campaign in a process of its own, results kept; return its figures."""
    shutil.rmtree(folder / "results", ignore_errors=True)
    return _figures(_CAMPAIGN, folder, str(folder), str(workers))


def command(recording: Path, seconds: float, workers: int) -> dict[str, float]:
    """Run ``noisecheck measure`` on a recording of so many seconds, its table written; return its figures."""
    return _figures(_COMMAND, recording.parent, str(recording), str(workers), str(seconds))


def _figures(code: str, folder: Path, *given: str) -> dict[str, float]:
    # As installed: byte code is at hand. Without it every start compiles the whole package again (0.2 s).
    quick = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    quick["PYTHONPYCACHEPREFIX"] = str(folder.parent / "bytecode")
    loaded = "import noisecheck.pipeline.files, noisecheck.report.exports, noisecheck.bench.rig_file, soundfile"
    subprocess.run([sys.executable, "-c", loaded], check=True, env=quick)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code, *given], capture_output=True, text=True, check=True, env=quick)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    figures = json.loads(done.stdout.splitlines()[-1])
    return {**figures, "wall": time.perf_counter() - begun, "cpu": cpu}


def told(label: str, f: dict[str, float]) -> None:
    """Print one line."""
    print(
        f"{label}: {f['impacts']:.0f} impacts in {f['seconds'] / 3600:.2f} h; {f['wall']:.1f} s wall, "
        f"{f['cpu']:.2f} s CPU, "
        f"{f['seconds'] / f['wall']:.0f} times real time, {f['mb']:.0f} MB",
        flush=True,
    )


def short() -> None:
    """Print the figures of ten minutes."""
    with tempfile.TemporaryDirectory() as name:
        for channels in (1, 2, 4):
            folder = Path(name) / str(channels)
            folder.mkdir()
            write_piece(folder / "busy.wav", _PIECE_S, channels=channels)
            for workers in (1, 2) if channels == 1 else (1,):
                told(f"{channels} channels, {workers} workers", whole_process(folder, workers))
            if channels == 1:
                told("noisecheck measure", command(folder / "busy.wav", _PIECE_S, 1))
    million()


def million() -> None:
    """Print how long a million rows take to load and filter."""
    rng = np.random.default_rng(1)
    table = Impacts.of(1_000_000, lae_db=rng.normal(-50, 5, 1_000_000), time_s=np.sort(rng.uniform(0, 1e5, 1_000_000)))
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "rows.npz"
        write_columns(path, dict(table.data), {})
        begun = time.perf_counter()
        columns = read_columns(path).arrays
        loud = columns["lae_db"] > -45
        kept = {k: v[loud] for k, v in columns.items()}
        print(f"a million rows: {path.stat().st_size / 1e6:.0f} MB, loaded and filtered to {len(kept['lae_db'])} in "
              f"{time.perf_counter() - begun:.2f} s")  # fmt: skip


def soak(hours: float, workers: int) -> None:
    """Print the figures of a long recording."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "long"
        folder.mkdir()
        piece = Path(name) / "piece.wav"
        write_piece(piece, _PIECE_S)
        size = long_file(piece, folder / "long.wav", round(hours * 3600 / _PIECE_S))
        print(f"{size / 1e9:.1f} GB written", flush=True)
        told(f"{hours:g} h, {workers} workers", whole_process(folder, workers))
        kept = sum(os.path.getsize(p) for p in (folder / "results").rglob("*") if p.is_file())
        print(f"results: {kept / 1e6:.0f} MB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    if given.hours:
        soak(given.hours, given.workers)
    else:
        short()
