"""A campaign: a folder with a rig file, a run sheet and recordings, loaded and checked as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from noisecheck.bench.corrections import Correction, load_corrections
from noisecheck.bench.runsheet import UNFILLED_SHEET, Run, load_runs, natural_key, read_text
from noisecheck.core.errors import InputError, listed, one_line
from noisecheck.core.records import record

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["RECORDING_SUFFIXES", "Campaign", "find_recordings", "load_campaign"]

RECORDING_SUFFIXES: Final = frozenset(
    {
        *(".wav", ".wave", ".w64", ".rf64", ".aif", ".aiff", ".caf", ".flac"),
        *(".ogg", ".oga", ".opus", ".mp3", ".m4a", ".mp4", ".mov", ".aac", ".3gp"),
    }
)
"""Endings by which a recording is recognised where no run sheet names it (what it holds is found by opening it)."""

_OWN: Final = ("results", "reports", "alarms")


@record
class Campaign:
    """A loaded campaign; ``notes`` are sentences the user should see, such as a missing run sheet."""

    folder: Path
    rig: Rig
    runs: tuple[Run, ...]
    notes: tuple[str, ...] = ()
    corrections: tuple[Correction, ...] = ()
    """What the user's ear corrects."""

    def paths(self, run: Run) -> tuple[Path, ...]:
        """Return the recordings of a run, in order."""
        return tuple(self.folder / name for name in run.files)

    def run(self, name: str) -> Run:
        """Return the run of that name; raises ``KeyError``."""
        return {r.name: r for r in self.runs}[name]

    def of_role(self, role: str) -> tuple[Run, ...]:
        """Return the runs of a role: ``test``, ``background``, ``reference`` or ``taps``."""
        return tuple(r for r in self.runs if r.role == role)

    def need(self, column: str) -> None:
        """Refuse to go on where no run has anything in a column, and no run sheet could say it."""
        if not any(_value(r, column) for r in self.runs) and not (self.folder / "runs.csv").exists():
            raise InputError(
                f"{one_line(self.folder)}: no runs.csv says what {one_line(column)} any run has: write one with a row "
                "for each recording, as noisecheck init does"
            )

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the run sheet the tool does not know, by which runs may be compared too."""
        return tuple(self.runs[0].extra) if self.runs else ()


def _value(run: Run, column: str) -> str:
    try:
        return run.value(column)
    except KeyError:
        return ""


def find_recordings(folder: Path) -> tuple[Path, ...]:
    """Return the recordings under a folder in natural order, leaving out results, reports and hidden files."""
    found = []
    for path in folder.rglob("*"):
        parts = path.relative_to(folder).parts
        if path.suffix.casefold() not in RECORDING_SUFFIXES or any(p.startswith(".") for p in parts):
            continue
        if parts[0] not in _OWN and path.is_file():
            found.append(path)
    return tuple(sorted(found, key=lambda p: (natural_key(p.relative_to(folder).as_posix()), p.as_posix())))


def named(folder: Path, recordings: Sequence[Path]) -> list[str]:
    """Return recordings as a run sheet names them, or refuse one whose name it cannot hold."""
    names = [p.relative_to(folder).as_posix() for p in recordings]
    for path, name in zip(recordings, names, strict=True):
        if any("\ud800" <= c <= "\udfff" for c in name):  # so Python spells bytes that are no UTF-8
            raise InputError(f"{one_line(path)}: its name is not UTF-8, as a run sheet is: rename it")
    return names


def load_campaign(folder: str | Path) -> Campaign:
    """Return the campaign in a folder.

    Without ``rig.toml`` the rig is empty; without ``runs.csv``, or with that of a new campaign, each recording is
    one run.

    Raises:
        InputError: no such folder, no recordings, or a rig file or run sheet with a fault.
    """
    from noisecheck.bench.rig_file import load_rig

    folder = Path(folder)
    if not folder.is_dir():
        what = "is a file: name the folder it lies in" if folder.exists() else "no such folder"
        raise InputError(f"{one_line(folder)}: {what}")
    rig = load_rig(folder / "rig.toml")
    notes = [] if (folder / "rig.toml").exists() else ["no rig.toml: stations, positions and calibration are not known"]
    sheet = folder / "runs.csv"
    filled = sheet.exists() and read_text(sheet) != UNFILLED_SHEET
    runs = load_runs(sheet, rig) if filled else ()
    try:
        recordings = find_recordings(folder)
    except OSError as error:
        raise InputError(f"{one_line(folder)}: cannot be read ({error.strerror or error})") from error
    if filled:
        names = [p.relative_to(folder).as_posix() for p in recordings]
        heard = load_corrections(folder, runs, rig)
        return Campaign(folder, rig, runs, (*notes, *_left_out(names, runs, rig)), heard)
    what = "runs.csv lists no runs" if sheet.exists() else "no runs.csv"
    if not recordings:
        raise InputError(f"{one_line(folder)}: an empty campaign: {what} and no recordings")
    notes.append(f"{what}: each recording is taken as one run, and no treatments are known")
    names = named(folder, recordings)
    runs = tuple(map(Run, run_names(names), ((n,) for n in names)))
    return Campaign(folder, rig, runs, tuple(notes), load_corrections(folder, runs, rig))


def _left_out(names: list[str], runs: tuple[Run, ...], rig: Rig) -> list[str]:
    """Return a sentence about recordings in the folder that the run sheet does not list."""
    known = {name for run in runs for name in run.files} | {rig.calibration.file, rig.calibration.file_after}
    others = [one_line(n) for n in names if n not in known]
    if not others:
        return []
    some = listed(others if len(others) < 5 else [*others[:3], f"{len(others) - 3} more"])
    verb = "recording is" if len(others) == 1 else "recordings are"
    return [f"{len(others)} {verb} not in runs.csv and left out: {some}"]


def run_names(files: list[str]) -> list[str]:
    """Return a run name for each file: its stem where that is unique, else its whole relative path."""
    stems = [Path(f).stem for f in files]
    return [stem if stems.count(stem) == 1 else file for stem, file in zip(stems, files, strict=True)]
