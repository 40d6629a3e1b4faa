"""The run sheet ``runs.csv``: one row a run, read with the csv module and checked row by row."""

from __future__ import annotations

import csv
import glob
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from datetime import datetime
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.records import record

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = [
    "COLUMNS",
    "OPTIONAL",
    "ROLES",
    "SHEET_HEAD",
    "UNFILLED_SHEET",
    "Run",
    "csv_rows",
    "leads_out",
    "load_runs",
    "natural_key",
    "of_role",
    "read_text",
    "separator_of",
]

COLUMNS: Final = (
    "run",
    "file",
    "revision",
    "treatment",
    "drop_height_mm",
    "station",
    "session",
    "recorded",
    "balls_fed",
    "role",
    "notes",
)
"""Columns the tool knows; ``run`` and ``file`` are needed, the rest may be left out, others are kept as extra."""

OPTIONAL: Final = ("reference_drops",)
"""Known too, but kept with the extra ones: hardly a sheet needs them."""
ROLES: Final = ("test", "background", "reference", "taps")
_MOST_BYTES: Final = 1 << 26
_MOST_COLUMNS: Final = 1000
_NEEDED: Final = ("run", "file")

SHEET_HEAD: Final = (
    "# One row for each recorded run. 'run' and 'file' are needed; the rest may stay empty. Add columns of your own.\n"
    "# file: relative to this folder, * for a recorder's split files. role: test, background, reference or taps.\n"
    "# Re-place the microphone and record again for each repeat: runs are what is counted, not impacts.\n"
)
UNFILLED_SHEET: Final = (
    f"{SHEET_HEAD}{','.join(COLUMNS)}\n"
    "# bare-1,bare-1.wav,A,bare,100,landing,day-1,2025-03-01 14:30,50,test,microphone re-placed\n"
)
"""The run sheet of a new campaign, until its user fills it in."""


@record
class Run:
    """One recorded test under fixed conditions: a row of the run sheet. Empty cells are ``""`` or ``None``."""

    name: str
    files: tuple[str, ...]
    """Recordings relative to the campaign (POSIX), split files in natural order."""
    revision: str = ""
    treatment: str = ""
    drop_height_mm: float | None = None
    station: str = ""
    session: str = ""
    recorded: datetime | None = None
    balls_fed: int | None = None
    role: str = "test"
    notes: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)
    """Columns the tool does not know, as written; they may be compared by."""
    line: int = 0
    """Line of the run sheet; 0 when there is no run sheet."""

    def value(self, column: str) -> str:
        """Return a cell as text, to group by; raises ``KeyError`` for a column the sheet does not have."""
        if column in ("revision", "treatment", "station", "session", "role", "notes"):
            return str(getattr(self, column))
        if column == "run":
            return self.name
        if column == "file":
            return ";".join(self.files)
        if column == "drop_height_mm":
            return "" if self.drop_height_mm is None else f"{self.drop_height_mm:g}"
        if column == "balls_fed":
            return "" if self.balls_fed is None else str(self.balls_fed)
        if column == "recorded":
            return "" if self.recorded is None else self.recorded.isoformat(sep=" ")
        return self.extra[column]


class OfRun(Protocol):
    """Anything that is of one run: its measurements, its summary, its flow."""

    @property
    def run(self) -> Run:
        """The run."""
        ...


T = TypeVar("T", bound=OfRun)


def of_role(rows: Iterable[T], role: str) -> list[T]:
    """Return what belongs to runs of a role: ``test``, ``background``, ``reference`` or ``taps``."""
    return [row for row in rows if row.run.role == role]


def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return a sort key by which ``take2`` comes before ``take10``."""
    parts = re.findall(r"\d+|\D+", text)
    return tuple((0, int(p), p) if p.isdecimal() else (1, 0, p.casefold()) for p in parts)


def load_runs(path: str | Path, rig: Rig) -> tuple[Run, ...]:
    """Return the runs of a run sheet in its order.

    ``path`` is a CSV file, UTF-8 with or without byte order mark, separated by commas, semicolons or tabs; rows
    that begin with ``#`` are comments. Recordings are looked for beside it.

    Raises:
        InputError: one sentence with file, line and column: a missing or misspelt column, a row of another
            length, a number that isn't one, an unknown role, a station or revision the rig does not declare, two
            rows with one name, one recording counted twice, a recording that is missing or outside the campaign,
            or no runs at all.
    """
    path = Path(path)
    sheet = _Sheet(path, rig)
    runs: dict[str, Run] = {}
    taken: dict[tuple[str, str, str], int] = {}
    for line, cells in sheet.rows():
        run = sheet.run(line, cells)
        if run.name in runs:
            first = runs[run.name].line
            raise sheet.fault(line, "run", f"'{one_line(run.name)}' is already the name of line {first}")
        for name in run.files:
            first = taken.setdefault((name, run.role, run.station), line)
            if first != line:
                raise sheet.fault(line, "file", f"'{one_line(name)}' already belongs to the run of line {first}")
        runs[run.name] = run
    if not runs:
        raise InputError(f"{one_line(path)}: lists no runs: add one row for each recording")
    return tuple(runs.values())


def leads_out(path: str) -> bool:
    """Return whether a path relative to a campaign leaves it by its words (any system's way of writing them)."""
    path = path.replace("\\", "/")
    return bool(path.startswith("/") or re.match(r"[A-Za-z]:", path) or ".." in PurePosixPath(path).parts)


def read_text(path: Path) -> str:
    """Return a text file's content (UTF-8, with or without a byte order mark); raises ``InputError``."""
    try:
        # A pipe would be waited for without end, a device read without end.
        if path.exists() and not path.is_file():
            raise InputError(f"{one_line(path)}: cannot be read (it is not a file)")
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"{one_line(path)}: holds {path.stat().st_size:,} bytes, more than any such table")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{one_line(path)}: not UTF-8 text (byte {error.start}): save it as UTF-8") from error
    except OSError as error:
        raise InputError(f"{one_line(path)}: cannot be read ({error.strerror or error})") from error


def _aside(line: str) -> bool:
    """Return whether a line that begins so is no row: a comment, or what tells a spreadsheet the separator."""
    return line.lstrip().startswith(("#", "sep="))


def separator_of(text: str) -> str:
    """Return what separates the cells of a sheet: the comma, semicolon or tab its first row has most of."""
    first = next((s for s in text.splitlines() if s.strip() and not _aside(s)), "")
    return max(",;\t", key=first.count)


def csv_rows(path: Path, text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield line and cells of each row of a sheet, without empty ones and asides; raises ``InputError``."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator_of(text), strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputError(f"{one_line(path)}, line {line}: not readable as CSV ({error})") from error
        if any(c.strip() for c in cells) and not _aside(cells[0]):
            yield line, cells


class _Sheet:
    """One run sheet being read: knows its header and makes its faults."""

    def __init__(self, path: Path, rig: Rig) -> None:
        self.path, self.rig, self.folder = path, rig, path.parent
        text = read_text(path)
        self.delimiter = separator_of(text)
        self._rows = csv_rows(path, text)
        _, cells = next(self._rows, (0, []))
        self.header = [c.strip() for c in cells]
        while self.header and not self.header[-1]:
            self.header.pop()
        self._check_header()

    def fault(self, line: int, column: str, what: str) -> InputError:
        return InputError(f"{one_line(self.path)}, line {line}, column '{one_line(column)}': {what}")

    def _check_header(self) -> None:
        where = one_line(self.path)
        if len(self.header) > _MOST_COLUMNS:
            raise InputError(f"{where}: has {len(self.header)} columns, more than {_MOST_COLUMNS}")
        if not self.header:
            raise InputError(f"{where}: is empty: its first row must name the columns {','.join(COLUMNS)}")
        for i, name in enumerate(self.header):
            if not name:
                raise InputError(f"{where}: column {i + 1} has no name in the first row")
            if name in self.header[:i]:
                raise InputError(f"{where}: column '{one_line(name)}' is there twice")
        for needed in _NEEDED:
            if needed not in self.header:
                others = [h for h in self.header if h not in COLUMNS]
                hint = nearest(needed, others).replace("did you mean", "is it").replace("?)", " there?)")
                raise InputError(f"{where}: the first row has no column '{needed}'{hint}")
        absent = [c for c in (*COLUMNS, *OPTIONAL) if c not in self.header]
        for name in self.header:
            plain = re.sub(r"[^a-z]+", "_", name.casefold()).strip("_")
            if name not in (*COLUMNS, *OPTIONAL) and (plain in absent or _misspelt(plain, absent)):
                raise InputError(f"{where}: unknown column '{one_line(name)}'{nearest(plain, absent)}")

    def rows(self) -> Iterable[tuple[int, dict[str, str]]]:
        for line, cells in self._rows:
            if any(c.strip() for c in cells[len(self.header) :]):
                raise InputError(
                    f"{one_line(self.path)}, line {line}: has {len(cells)} cells for {len(self.header)} columns: "
                    "put text that contains the separator in double quotes"
                )
            padded = [c.strip() for c in cells] + [""] * (len(self.header) - len(cells))
            yield line, dict(zip(self.header, padded, strict=False))

    def run(self, line: int, cells: dict[str, str]) -> Run:
        for needed in _NEEDED:
            if not cells[needed]:
                raise self.fault(line, needed, "is empty")
        role = cells.get("role", "").casefold() or "test"
        if role not in ROLES:
            raise self.fault(line, "role", f"'{one_line(role)}' is none of {', '.join(ROLES)}{nearest(role, ROLES)}")
        for column, known in (("station", self.rig.station_names), ("revision", self.rig.revisions.order)):
            value = cells.get(column, "")
            if value and known and value not in known:
                raise self.fault(
                    line, column, f"'{one_line(value)}' is not declared in rig.toml{nearest(value, known)}"
                )
        return Run(
            name=cells["run"],
            files=self._files(line, cells["file"]),
            revision=cells.get("revision", ""),
            treatment=cells.get("treatment", ""),
            drop_height_mm=self._height(line, cells.get("drop_height_mm", "")),
            station=cells.get("station", ""),
            session=cells.get("session", ""),
            recorded=self._when(line, cells.get("recorded", "")),
            balls_fed=self._count(line, cells.get("balls_fed", "")),
            role=role,
            notes=cells.get("notes", ""),
            extra=MappingProxyType({k: v for k, v in cells.items() if k not in COLUMNS}),
            line=line,
        )

    def _height(self, line: int, text: str) -> float | None:
        if not text:
            return None
        value = self._number(line, "drop_height_mm", text)
        if value <= 0:
            raise self.fault(line, "drop_height_mm", f"'{one_line(text)}' must be above 0")
        if value < 1:
            raise self.fault(line, "drop_height_mm", f"'{one_line(text)}' is under 1 mm: was it given in metres?")
        return value

    def _count(self, line: int, text: str) -> int | None:
        if not text:
            return None
        value = self._number(line, "balls_fed", text)
        if value < 0 or value != int(value):
            raise self.fault(line, "balls_fed", f"'{one_line(text)}' is not a whole number of balls")
        return int(value)

    def _number(self, line: int, column: str, text: str) -> float:
        comma = re.fullmatch(r"[+-]?\d+,\d+", text) is not None
        try:
            value = float(text.replace(",", ".") if comma and self.delimiter != "," else text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in text:
            hint = " (write the decimal point as '.')" if comma else ""
            if re.fullmatch(r"[+-]?[\d.,]+ *[A-Za-zµ%\"']+", text):
                hint = " (write the bare number, without its unit)"
            raise self.fault(line, column, f"'{one_line(text)}' is not a number{hint}")
        return value

    def _when(self, line: int, text: str) -> datetime | None:
        if not text:
            return None
        try:
            return datetime.fromisoformat(text)
        except ValueError:
            raise self.fault(
                line, "recorded", f"'{one_line(text)}' is not a date and time such as 2025-03-01 14:30"
            ) from None

    def _files(self, line: int, text: str) -> tuple[str, ...]:
        text = text.replace("\\", "/")
        if leads_out(text):
            raise self.fault(line, "file", f"'{one_line(text)}' leaves the campaign: give a path inside it")
        root = self.folder.resolve()
        try:
            if (self.folder / text).is_file():
                found = [self.folder / text]
            else:
                pattern = glob.glob(text, root_dir=self.folder, recursive=True) if glob.has_magic(text) else []
                found = [self.folder / p for p in pattern if (self.folder / p).is_file()]
        except (OSError, ValueError) as error:
            raise self.fault(line, "file", f"'{one_line(text)}' is not a usable path ({one_line(error)})") from error
        if not found:
            what = "matches no recording" if glob.has_magic(text) else "is missing"
            if (self.folder / text).is_dir():
                what = "is a folder: name a recording, or several with *"
            raise self.fault(line, "file", f"'{one_line(text)}' {what}{self._like(text)}")
        for path in found:
            if root not in path.resolve().parents:
                what = "is a link to a file" if path.is_symlink() else "lies"
                raise self.fault(line, "file", f"'{one_line(text)}' {what} outside the campaign: copy it here")
        names = {p.relative_to(self.folder).as_posix() for p in found}
        return tuple(sorted(names, key=lambda n: (natural_key(n), n)))

    def _like(self, text: str) -> str:
        inside = PurePosixPath(text).parent
        if not (self.folder / inside).is_dir():
            return ""
        names = {p.name: (inside / p.name).as_posix() for p in (self.folder / inside).iterdir() if p.is_file()}
        return nearest(PurePosixPath(text).name, names)


def _misspelt(name: str, known: Iterable[str]) -> bool:
    """Whether an unknown column is a known one but for a slip (an extra column of its own name is welcome)."""
    import difflib

    return bool(difflib.get_close_matches(name, list(known), n=1, cutoff=0.8))
