"""What the user's ear corrects: ``corrections.csv`` in the campaign, one row a correction."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from noisecheck.bench.runsheet import Run, csv_rows, read_text
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.records import record

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["COLUMNS", "KINDS", "NAME", "Correction", "load_corrections"]

_MOST_S: Final = 1e9
NAME: Final = "corrections.csv"
COLUMNS: Final = ("run", "time_s", "what", "station", "note")
KINDS: Final = ("not a ball", "station", "missed")
"""Not an impact of the machine; it happened at ``station``; an impact that was not found (``station`` may be given)."""


@record
class Correction:
    """One row: at this time of this run, this was so."""

    run: str
    time_s: float
    what: str
    station: str = ""
    note: str = ""
    line: int = 0


def load_corrections(folder: Path, runs: Sequence[Run], rig: Rig) -> tuple[Correction, ...]:
    """Return the corrections of a campaign, none where it has no ``corrections.csv``.

    Raises:
        InputError: one sentence with file, line and column for the first fault.
    """
    path = folder / NAME
    if not path.exists():
        return ()
    rows = [(line, [c.strip() for c in cells]) for line, cells in csv_rows(path, read_text(path))]
    if not rows:
        return ()
    header = _header(path, rows[0][1])
    return tuple(
        _row(path, line, dict(itertools.zip_longest(header, cells[: len(header)], fillvalue="")), runs, rig)
        for line, cells in rows[1:]
    )


def _header(path: Path, cells: list[str]) -> list[str]:
    for name in cells:
        if name not in COLUMNS:
            raise InputError(f"{one_line(path)}: unknown column '{one_line(name)}'{nearest(name, COLUMNS)}")
    for needed in COLUMNS[:3]:
        if needed not in cells:
            raise InputError(f"{one_line(path)}: the first row has no column '{needed}'")
    return cells


def _row(path: Path, line: int, cells: dict[str, str], runs: Sequence[Run], rig: Rig) -> Correction:
    def fault(column: str, what: str) -> InputError:
        return InputError(f"{one_line(path)}, line {line}, column '{column}': {what}")

    names = [r.name for r in runs]
    if cells["run"] not in names:
        raise fault("run", f"there is no run '{one_line(cells['run'])}'{nearest(cells['run'], names)}")
    try:
        at = float(cells["time_s"])
    except ValueError:
        at = math.nan
    if not 0 <= at <= _MOST_S:
        raise fault("time_s", f"'{one_line(cells['time_s'])}' is not a time in seconds")
    what = cells["what"].replace("_", " ").casefold()
    if what not in KINDS:
        raise fault("what", f"'{one_line(cells['what'])}' is none of {', '.join(KINDS)}{nearest(what, KINDS)}")
    station = cells.get("station", "")
    if what == "station" and not station:
        raise fault("station", "is empty: say where it happened")
    if station and rig.station_names and station not in rig.station_names:
        known = rig.station_names
        raise fault("station", f"'{one_line(station)}' is not declared in rig.toml{nearest(station, known)}")
    return Correction(cells["run"], at, what, station, cells.get("note", ""), line)
