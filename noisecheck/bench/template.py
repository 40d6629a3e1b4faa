"""What ``noisecheck init`` writes: a commented rig file and run sheet, ready to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from noisecheck.bench.campaign import find_recordings, named, run_names
from noisecheck.bench.runsheet import COLUMNS, SHEET_HEAD, UNFILLED_SHEET
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.files import csv_text, write_together

__all__ = ["RIG_TEMPLATE", "write_campaign_template"]

RIG_TEMPLATE: Final = """\
# The machine and the microphones. Every line may be left out; take away the '#' in front of what you know.
# Lengths are millimetres, times seconds, masses grams. Keep hands and microphones clear of moving parts.

[rig]
name = "my machine"
# temperature_c = 20.0           # air temperature: sets the speed of sound

[ball]
# diameter_mm = 12.7
# mass_g = 8.4
# material = "steel"

# One block for each microphone. Channels count from 0.
# [[microphone]]
# channel = 0
# kind = "air"                   # "air", or "contact" for a pickup fixed to the machine
# position_mm = [300.0, 0.0, 250.0]
# station = "landing"            # only if it belongs to one station

# What 0 dB is. Without this, levels are re full scale: differences hold, absolute levels do not.
# [calibration]
# pa_at_full_scale = 20.0        # or file = "calibrator.wav" with level_db = 94.0 and frequency_hz = 1000.0

# One block for each place where balls hit something, in the order a ball meets them.
# [[station]]
# name = "landing"
# position_mm = [0.0, 0.0, 0.0]
# next = "bend"
# transit_s = [0.2, 0.6]         # shortest and longest usual time to the next one; learnt when left out
#
# [[station]]
# name = "bend"
# position_mm = [250.0, 40.0, -30.0]
# next = "tray"
#
# [[station]]
# name = "tray"
# position_mm = [420.0, 0.0, -90.0]
# target = true                  # the final one

# [feed]
# station = "landing"
# period_s = 2.0                 # learnt when left out
# balls = 100

# [revisions]
# order = ["A", "B"]

# What the machine must (strict = true) or should (strict = false) meet.
# [[requirement]]
# id = "R1"
# text = "a ball on the landing is quiet enough for the foyer"
# strict = true
# measure = "lae_db"             # or lzpeak_db, lcpeak_db, lafmax_db, total_lae_db, a band such as le_4000hz, decay_ms,
#                                # centroid_hz, restitution, held_up_per_thousand, failures_per_million
# station = "landing"            # all stations together when left out
# limit = -50.0                  # dB re full scale; re 20 uPa once [calibration] is given
# sense = "at most"              # or "at least"
# confidence = 0.95
"""


def write_campaign_template(folder: str | Path) -> tuple[Path, Path]:
    """Write ``rig.toml`` and ``runs.csv`` into a folder (made if missing) and return their paths.

    Recordings that already lie there get a row each. Nothing is overwritten and nothing is left half written.

    Raises:
        InputError: either file exists already, the folder cannot be written, or a recording's name is not UTF-8.
    """
    folder = Path(folder)
    targets = (folder / "rig.toml", folder / "runs.csv")
    for target in targets:
        if target.exists() or target.is_symlink():
            raise InputError(f"{one_line(target)}: is already there and is not overwritten")
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{one_line(folder)}: is a file, not a folder")
    write_together({targets[0]: RIG_TEMPLATE, targets[1]: _runs_text(folder)})
    return targets


def _runs_text(folder: Path) -> str:
    files = named(folder, find_recordings(folder))
    if not files:
        return UNFILLED_SHEET
    rows = ({"run": name, "file": file, "role": "test"} for name, file in zip(run_names(files), files, strict=True))
    return SHEET_HEAD + csv_text([COLUMNS, *([row.get(c, "") for c in COLUMNS] for row in rows)])
