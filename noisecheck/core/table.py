"""The impact table: declared once here; stages only fill its columns.

:data:`COLUMNS` is the registry that drives CSV, JSON, the report and the documentation. In memory a
table is a set of equally long NumPy arrays: text columns as int32 codes with a tuple of names,
positions as int64 frames, levels as float64 dB, flags as a uint32 mask, band levels as one
(rows, 30) float32 array. Missing numbers are NaN (floats) or -1 (integers), with the reason in ``flags``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.bands import NOMINAL_THIRD_HZ, band_column
from noisecheck.core.errors import MissingExtraError
from noisecheck.core.flags import Flag, flag_words
from noisecheck.core.records import record
from noisecheck.core.units import rounded

__all__ = ["COLUMNS", "Column", "Impacts", "band_names", "band_set", "csv_columns", "in_band_set"]


@record
class Column:
    """One column of the table: name, kind of value, unit, meaning and digits printed."""

    name: str
    kind: str
    """``text``, ``int``, ``float``, ``flags``, ``bands`` or ``band set`` (one bit a band)."""
    unit: str
    meaning: str
    digits: int = 2
    listed: bool = True
    """Whether it is a column of ``impacts.csv`` (all are in the JSON)."""


COLUMNS: Final[tuple[Column, ...]] = (
    Column("run", "text", "", "run of the run sheet, or the file's name where there is none"),
    Column("file", "text", "", "recording, relative to the campaign"),
    Column("channel", "int", "", "channel measured, from 0: the one that heard it best"),
    Column("time_s", "float", "s", "first arrival from the start of the run, to the sample", 6),
    Column("station", "text", "", "where it happened; empty when unplaced"),
    Column("station_confidence", "float", "", "probability that the station is right, 0 to 1", 3),
    Column("drop", "int", "", "number of the drop in the run, from 0"),
    Column("rebound", "int", "", "0 for the first contact of a drop, 1 for its first rebound, ..."),
    Column("lzpeak_db", "float", "dB", "L_Zpeak: unweighted peak level"),
    Column("lcpeak_db", "float", "dB", "L_Cpeak: C-weighted peak level, IEC 61672-1"),
    Column("lafmax_db", "float", "dB", "L_AFmax: highest A-weighted level, fast (125 ms), IEC 61672-1"),
    Column("lae_db", "float", "dB", "L_AE: A-weighted sound exposure level re 1 s, background subtracted"),
    Column("db_re", "text", "", "what 0 dB is: '20 uPa' or 'full scale' (1.0)"),
    Column("margin_db", "float", "dB", "L_AE above the same span of background"),
    Column("decay_ms", "float", "ms", "time to fall by 60 dB, extrapolated from T20 or T10 (see flags)", 1),
    Column("centroid_hz", "float", "Hz", "centre of gravity of the power spectrum", 0),
    Column("flags", "flags", "", "words joined by ';'"),
    Column("bands", "bands", "dB", "sound exposure level per one-third octave, background subtracted"),
    Column(
        "bound_bands",
        "band set",
        "",
        "bands less than 3 dB above the background: the sound there is at most as loud as stated; joined by ';'",
        listed=False,
    ),
    Column("frame", "int", "frames", "first arrival from the start of the run", listed=False),
    Column("odds", "float", "", "odds that it is a real impact, against chance", 1, listed=False),
)
_BY_NAME: Final = {c.name: c for c in COLUMNS}


@cache
def band_names() -> tuple[str, ...]:
    """Return the 30 names of the band columns, ``le_25hz`` to ``le_20000hz``."""
    return tuple(band_column(f) for f in NOMINAL_THIRD_HZ)


def band_set(members: NDArray[np.bool_]) -> NDArray[np.uint32]:
    """Return a set of bands as one number a row; ``members`` has shape (rows, 30)."""
    return np.asarray(members @ (np.uint32(1) << np.arange(len(NOMINAL_THIRD_HZ), dtype=np.uint32)), np.uint32)


def in_band_set(sets: NDArray[np.uint32]) -> NDArray[np.bool_]:
    """Return which bands are in each set, shape (rows, 30): the inverse of :func:`band_set`."""
    bits = np.arange(len(NOMINAL_THIRD_HZ), dtype=np.uint32)
    return np.asarray((sets[:, None] >> bits) & np.uint32(1), bool)


def _band_words(bands: int) -> str:
    return ";".join(name for bit, name in enumerate(band_names()) if bands >> bit & 1)


def csv_columns() -> tuple[str, ...]:
    """Return the header of ``impacts.csv`` in order."""
    names: list[str] = []
    for column in COLUMNS:
        if column.listed:
            names.extend(band_names() if column.kind == "bands" else (column.name,))
    return tuple(names)


_NOTHING: Final[dict[str, np.generic]] = {
    "text": np.int32(0),
    "int": np.int64(-1),
    "flags": np.uint32(0),
    "bands": np.float32(np.nan),
    "band set": np.uint32(0),
    "float": np.float64(np.nan),
}
"""What an empty cell holds, by kind of column."""


def _blank(column: Column, rows: int) -> NDArray[Any]:
    """Return a column that says nothing, read only and without taking memory."""
    shape, nothing = _shape(column, rows), _NOTHING[column.kind]
    return np.ndarray(shape, nothing.dtype, nothing.tobytes(), 0, (0,) * len(shape))


def _shape(column: Column, rows: int) -> tuple[int, ...]:
    return (rows, len(NOMINAL_THIRD_HZ)) if column.kind == "bands" else (rows,)


_WORDS: Final[dict[str, Callable[[int], str]]] = {"flags": flag_words, "band set": _band_words}


@record
class Impacts:
    """Impacts found and measured, one row each (see :data:`COLUMNS`). Treat as immutable."""

    data: Mapping[str, NDArray[Any]]
    names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """For each text column, the text behind its codes; code 0 is always the empty text."""

    @classmethod
    def of(cls, rows: int, **columns: Any) -> Impacts:
        """Return a table of ``rows`` rows; columns not given are blank.

        Text columns take one string for all rows or a sequence of strings; others an array or a scalar.
        Raises ``KeyError`` for a name not in the registry, ``ValueError`` for a wrong length.
        """
        return cls.of_arrays({c.name: _blank(c, rows).copy() for c in COLUMNS}).with_columns(**columns)

    @classmethod
    def of_arrays(cls, data: Mapping[str, NDArray[Any]]) -> Impacts:
        """Return a table of columns as they are, ``frame`` among them; the rest is blank and takes no memory."""
        rows = len(data["frame"])
        return cls(
            {c.name: data[c.name] if c.name in data else _blank(c, rows) for c in COLUMNS},
            {c.name: ("",) for c in COLUMNS if c.kind == "text"},
        )

    @classmethod
    def empty(cls) -> Impacts:
        """Return the table with no rows."""
        return _empty()

    def __len__(self) -> int:
        return len(self.data["frame"])

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Return a column as an array; text columns as an object array of ``str``; a band by its own name."""
        if name in band_names():
            return self.data["bands"][:, band_names().index(name)]
        column = _BY_NAME[name]
        if column.kind == "text":
            return np.asarray(self.names[name], dtype=object)[self.data[name]]
        return self.data[name]

    def with_columns(self, **columns: Any) -> Impacts:
        """Return a copy in which the given columns are replaced."""
        data, names = dict(self.data), dict(self.names)
        for name, value in columns.items():
            column = _BY_NAME[name]
            if column.kind == "text":
                names[name], data[name] = _encode(value, len(self))
                continue
            array, shape = np.asarray(value, dtype=_NOTHING[column.kind].dtype), _shape(column, len(self))
            if array.ndim and array.shape != shape:
                raise ValueError(f"column {name!r} has shape {array.shape}, the table needs {shape}")
            data[name] = array if array.ndim else np.full(shape, array)
        return Impacts(data, names)

    def at_stations(self, told: Mapping[int, tuple[str, float]], *, flag: int = 0) -> Impacts:
        """Return a copy in which some rows are placed.

        Args:
            told: station and confidence by row.
            flag: set in those rows, in which ``unplaced`` and ``machine`` are cleared.
        """
        station, confidence, flags = (self[n].copy() for n in ("station", "station_confidence", "flags"))
        for row, (name, sure) in told.items():
            station[row], confidence[row] = name, sure
            flags[row] = (flags[row] | np.uint32(flag)) & ~np.uint32(Flag.UNPLACED | Flag.MACHINE)
        return self.with_columns(station=station, station_confidence=confidence, flags=flags)

    def where(self, keep: ArrayLike) -> Impacts:
        """Return the rows picked by a boolean mask or an index array."""
        index = np.asarray(keep)
        return Impacts({name: array[index] for name, array in self.data.items()}, self.names)

    def is_text(self, name: str, text: str) -> NDArray[np.bool_]:
        """Return where the text column ``name`` equals ``text`` (fast: compares codes)."""
        names = self.names[name]
        return self.data[name] == (names.index(text) if text in names else -1)

    def flagged(self, flag: int) -> NDArray[np.bool_]:
        """Return where any of the flags in ``flag`` is set."""
        return (self.data["flags"] & np.uint32(flag)) != 0

    def rows(self) -> Iterator[dict[str, Any]]:
        """Yield each impact as a plain dict in registry order (None = not measurable), for JSON and pages."""
        getters = [(c, self[c.name]) for c in COLUMNS]
        for i in range(len(self)):
            row: dict[str, Any] = {}
            for column, values in getters:
                if column.kind == "bands":
                    row.update(zip(band_names(), (rounded(v, 2) for v in values[i]), strict=True))
                else:
                    row[column.name] = _plain(column, values[i])
            yield row

    def to_pandas(self) -> Any:
        """Return the table as a pandas DataFrame that shares its numbers with this one (write to neither).

        Text columns become categories, flags words, bands one column each. pandas is not installed with the package:
        raises ``MissingExtraError`` without it.
        """
        try:
            import pandas
        except ImportError as error:
            raise MissingExtraError("a DataFrame needs pandas: pip install pandas") from error
        columns: dict[str, Any] = {}
        for column in COLUMNS:
            values = self.data[column.name]
            if column.kind == "text":
                columns[column.name] = pandas.Categorical.from_codes(values, list(self.names[column.name]))
            elif column.kind == "bands":
                columns.update(zip(band_names(), values.T, strict=True))
            elif column.kind in _WORDS:
                masks, codes = np.unique(values, return_inverse=True)
                words = [_WORDS[column.kind](int(m)) for m in masks]
                columns[column.name] = pandas.Categorical.from_codes(codes, words)
            else:
                columns[column.name] = values
        return pandas.DataFrame(columns, copy=False)

    @staticmethod
    def concat(tables: Iterable[Impacts]) -> Impacts:
        """Return the rows of all tables, one after the other."""
        parts = [t for t in tables if len(t)]
        if not parts:
            return Impacts.empty()
        data: dict[str, NDArray[Any]] = {}
        names: dict[str, tuple[str, ...]] = {}
        for column in COLUMNS:
            if column.kind != "text":
                data[column.name] = np.concatenate([p.data[column.name] for p in parts])
                continue
            union: dict[str, int] = {"": 0}
            for part in parts:
                for text in part.names[column.name]:
                    union.setdefault(text, len(union))
            data[column.name] = np.concatenate(
                [np.array([union[t] for t in p.names[column.name]], np.int32)[p.data[column.name]] for p in parts]
            )
            names[column.name] = tuple(union)
        return Impacts(data, names)


@cache
def _empty() -> Impacts:
    """Return the one table with no rows: a watch asks for it fifty times a second."""
    return Impacts.of(0)


def _encode(value: Any, rows: int) -> tuple[tuple[str, ...], NDArray[np.int32]]:
    if isinstance(value, str):
        return (("",), np.zeros(rows, np.int32)) if not value else (("", value), np.ones(rows, np.int32))
    texts = [str(v) for v in value]
    if len(texts) != rows:
        raise ValueError(f"a text column has {len(texts)} entries, the table needs {rows}")
    union: dict[str, int] = {"": 0}
    codes = np.array([union.setdefault(t, len(union)) for t in texts], np.int32).reshape(rows)
    return tuple(union), codes


def _plain(column: Column, value: Any) -> Any:
    plain: dict[str, Callable[[], Any]] = {
        "text": lambda: str(value),
        "int": lambda: None if value < 0 else int(value),
        "flags": lambda: flag_words(int(value)),
        "band set": lambda: _band_words(int(value)),
        "float": lambda: rounded(value, column.digits),
    }
    return plain[column.kind]()
