"""What was measured so far, tile by tile: in memory, or on disk so that a killed run goes on where it was.

On disk, every sixteen tiles become one file of columns named by the tiles it covers. The whole is the same kind of
file, put together column by column, so it never has to be in memory; it is mapped when it is used.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.tiles import DecidedTile

__all__ = ["LEVELS", "Columns", "Parts", "PartsGone", "columns_of"]

Columns = dict[str, NDArray[Any]]

LEVELS: Final = ("lzpeak_db", "lcpeak_db", "lafmax_db", "lae_db", "margin_db", "decay_ms", "centroid_hz")
"""Kept as float32: 24 bits hold any level to 0.00001 dB."""
_TILES: Final = 16
_FIRST: Final = "first."


class PartsGone(Exception):
    """Pieces kept on disk were removed while they were in use: another process has finished, or the user tidied up."""


def columns_of(tile: DecidedTile, measured: Columns) -> Columns:
    """Return all that is kept of a tile, by name: rows of impacts, and its quiet spans."""
    columns: Columns = {f.name: getattr(tile.onsets, f.name) for f in fields(Onsets)}
    columns["channel"] = columns["channel"].astype(np.int16)
    columns.update({name: measured[name].astype(np.float32) for name in LEVELS})
    columns.update({name: measured[name] for name in ("bands", "bound_bands", "flags")})
    columns["quiet"] = tile.quiet[tile.quiet[:, 0] >= tile.start]
    return columns


@record
class _Part:
    first: int
    stop: int
    path: Path

    @staticmethod
    def of(path: Path) -> _Part | None:
        first, _, stop = path.stem.partition("-")
        return _Part(int(first), int(stop), path) if first.isdecimal() and stop.isdecimal() else None


class Parts:
    """Collects the columns of tile after tile."""

    def __init__(self, count: int, folder: Path | None = None) -> None:
        """Begin, or go on with what a folder holds.

        Args:
            count: tiles of the recording.
            folder: where finished tiles are kept; None keeps them in memory.
        """
        self._count, self._folder = count, folder
        self._kept: list[_Part] = []
        self._waiting: list[Columns] = []
        self.first: list[Candidates] | None = None
        """What :class:`noisecheck.pipeline.decisions.Decisions` needs to go on."""
        if folder is not None:
            self._find(folder)

    @property
    def done(self) -> int:
        """Tiles that are done, from the first."""
        return (self._kept[-1].stop if self._kept else 0) + len(self._waiting)

    def _find(self, folder: Path) -> None:
        from noisecheck.bench.columns import Damaged, read_columns

        known = [p for p in map(_Part.of, folder.glob("*.npz")) if p is not None and p.first < p.stop <= self._count]
        at = 0
        while True:
            for part in sorted((p for p in known if p.first == at), key=lambda p: -p.stop):
                try:
                    stored = read_columns(part.path)
                except (FileNotFoundError, Damaged):
                    continue
                self._kept.append(part)
                self.first = _firsts(stored.arrays)
                at = part.stop
                break
            else:
                return

    def add(self, columns: Columns, first: list[Candidates]) -> None:
        """Take the columns of the next tile; ``first`` is kept to go on with.

        Raises:
            PartsGone: the folder was removed meanwhile.
        """
        self._waiting.append(columns)
        if self._folder is not None and len(self._waiting) >= _TILES and self.done < self._count:
            self._write(first)

    def _write(self, first: list[Candidates]) -> None:
        folder = self._folder
        if folder is None or not self._waiting:
            return
        from noisecheck.bench.columns import write_columns

        begin = self._kept[-1].stop if self._kept else 0
        stop = begin + len(self._waiting)
        path = folder / f"{begin:07d}-{stop:07d}.npz"
        joined = {name: np.concatenate([w[name] for w in self._waiting]) for name in self._waiting[0]}
        try:
            write_columns(path, {**joined, **_first_columns(first)}, {})
        except FileNotFoundError as error:  # the folder went while the piece was written
            raise PartsGone(str(error)) from error
        self._kept.append(_Part(begin, stop, path))
        self._waiting = []

    def whole(self, first: list[Candidates]) -> Columns:
        """Return all columns of all tiles; mapped from one file where they are kept on disk.

        Raises:
            PartsGone: files were removed meanwhile.
        """
        if self._folder is None:
            names = list(self._waiting[0]) if self._waiting else []
            # Column by column, letting go of the pieces, so that the peak is one column above the whole.
            return {name: np.concatenate([w.pop(name) for w in self._waiting]) for name in names}
        from noisecheck.bench.columns import Damaged, read_columns

        self._write(first)
        try:
            if len(self._kept) > 1:
                self._join()
            stored = read_columns(self._kept[0].path)
        except (FileNotFoundError, Damaged) as error:
            raise PartsGone(str(error)) from error
        return {name: array for name, array in stored.arrays.items() if not name.startswith(_FIRST)}

    def _join(self) -> None:
        from noisecheck.bench.columns import Stream, read_columns, write_columns

        folder = self._kept[0].path.parent
        path = folder / f"{0:07d}-{self._count:07d}.npz"
        last = read_columns(self._kept[-1].path)
        rows: dict[str, int] = dict.fromkeys(last.arrays, 0)
        for part in self._kept:
            for name, array in read_columns(part.path).arrays.items():
                rows[name] += len(array)
        streams = {
            name: Stream(array.dtype, (rows[name], *array.shape[1:]), _column(self._kept, name))
            for name, array in last.arrays.items()
            if not name.startswith(_FIRST)
        }
        ends = {name: array for name, array in last.arrays.items() if name.startswith(_FIRST)}
        write_columns(path, {**streams, **ends}, {})
        for part in self._kept:
            part.path.unlink(missing_ok=True)
        self._kept = [_Part(0, self._count, path)]


def _column(parts: list[_Part], name: str) -> Iterator[NDArray[Any]]:
    from noisecheck.bench.columns import read_columns

    for part in parts:
        yield read_columns(part.path, (name,)).arrays[name]


def _first_columns(first: list[Candidates]) -> Columns:
    joined = Candidates.concat(first)
    columns: Columns = {f"{_FIRST}{f.name}": getattr(joined, f.name) for f in fields(Candidates)}
    columns[f"{_FIRST}count"] = np.array([len(c) for c in first], np.int64)
    return columns


def _firsts(columns: Columns) -> list[Candidates]:
    joined = Candidates(*(columns[f"{_FIRST}{f.name}"] for f in fields(Candidates)))
    ends = np.concatenate([[0], np.cumsum(columns[f"{_FIRST}count"])])
    return [joined.where(np.arange(a, b)) for a, b in itertools.pairwise(ends)]
