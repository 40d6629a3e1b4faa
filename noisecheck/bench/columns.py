"""Columns on disk: one file of plain NumPy arrays beside a JSON document, whole or not at all.

The file is an uncompressed ``.npz`` (a zip of ``.npy`` members, readable by ``numpy.load``) whose arrays begin on
64-byte boundaries, so that they can be mapped instead of read. No pickle anywhere. It is written beside its place,
forced to the disk and renamed, so a reader, a second writer or a power cut never meets half a file; each member's
CRC-32 is checked on reading.
"""

from __future__ import annotations

import json
import os
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.files import replaced
from noisecheck.core.records import record

__all__ = ["Damaged", "Stored", "Stream", "read_columns", "write_columns"]

_DOCUMENT: Final = "document.json"
_ALIGN: Final = 64
_PIECE: Final = 1 << 20
_SMALL: Final = 1 << 22
"""Files up to this size are read at once: mapping costs more than it saves."""
_ZIP64_EXTRA: Final = 20
_PADDING_ID: Final = 0x636E
_DATE: Final = (1980, 1, 1, 0, 0, 0)


class Damaged(Exception):
    """A file of columns that is not what was written."""


@record
class Stream:
    """A column that comes in pieces, so that it never has to be in memory whole."""

    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    pieces: Iterable[NDArray[Any]]


@record
class Stored:
    """What a file of columns holds; arrays are read-only and mapped from the file where it is large."""

    arrays: dict[str, NDArray[Any]]
    document: dict[str, Any]


def write_columns(path: Path, columns: Mapping[str, NDArray[Any] | Stream], document: Mapping[str, Any]) -> None:
    """Write columns and a document to ``path``; afterwards they are there for good, whatever happens.

    Raises:
        ValueError: a column of Python objects, or a stream that does not have the shape it promised.
        OSError: the disk is full, or the folder cannot be written.
    """
    with replaced(path) as file, zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for name, column in columns.items():
            stream = column if isinstance(column, Stream) else Stream(column.dtype, column.shape, (column,))
            _write_member(archive, file, name, stream)
        whole = {"columns": list(columns), "document": document}
        archive.writestr(zipfile.ZipInfo(_DOCUMENT, _DATE), json.dumps(whole, allow_nan=False).encode())


def _write_member(archive: zipfile.ZipFile, file: Any, name: str, stream: Stream) -> None:
    if stream.dtype.hasobject:
        raise ValueError(f"column {name!r} holds Python objects")
    info = zipfile.ZipInfo(f"{name}.npy", _DATE)
    before = file.tell() + 30 + len(info.filename.encode()) + _ZIP64_EXTRA
    pad = -(before + 4) % _ALIGN
    info.extra = struct.pack("<HH", _PADDING_ID, pad) + bytes(pad)
    count = 0
    with archive.open(info, "w", force_zip64=True) as member:
        header = {"descr": np.lib.format.dtype_to_descr(stream.dtype), "fortran_order": False, "shape": stream.shape}
        np.lib.format.write_array_header_1_0(member, header)
        for piece in stream.pieces:
            if piece.dtype != stream.dtype or piece.shape[1:] != stream.shape[1:]:
                raise ValueError(f"column {name!r} came as {piece.dtype} {piece.shape}, not {stream.dtype}")
            count += len(piece)
            if piece.size:
                member.write(np.ascontiguousarray(piece).data.cast("B"))
    if count != stream.shape[0]:
        raise ValueError(f"column {name!r} has {count} rows, not {stream.shape[0]}")


def read_columns(path: Path, names: Iterable[str] | None = None) -> Stored:
    """Return the columns (all, or those named) and the document, each checked against its CRC-32.

    Raises:
        FileNotFoundError: no such file.
        Damaged: it is not what was written.
    """
    if path.exists() and not path.is_file():  # a pipe would be waited for without end
        raise Damaged(f"{path.name}: is no file")
    try:
        with path.open("rb") as file, zipfile.ZipFile(file) as archive:
            members = {info.filename: info for info in archive.infolist()}
            if any(i.compress_type != zipfile.ZIP_STORED or i.header_offset < 0 for i in members.values()):
                raise ValueError("not an uncompressed archive")
            about = json.loads(archive.read(_DOCUMENT))
            document, present = dict(about["document"]), list(about["columns"])
            whole = b"" if os.fstat(file.fileno()).st_size > _SMALL else _all_of(file)
            wanted = present if names is None else names
            arrays = {name: _member(path, file, members[f"{name}.npy"], whole) for name in wanted}
    except (zipfile.BadZipFile, LookupError, TypeError, ValueError, EOFError, struct.error, RuntimeError) as error:
        raise Damaged(f"{path.name}: {error}") from error
    except (SyntaxError, OverflowError, MemoryError) as error:
        raise Damaged(f"{path.name}: {type(error).__name__}") from error
    return Stored(arrays, document)


def _all_of(file: Any) -> bytes:
    file.seek(0)
    return bytes(file.read())


def _pieces(file: Any, start: int, length: int, whole: bytes) -> Iterator[bytes | memoryview]:
    if whole:
        yield memoryview(whole)[start : start + length]
        return
    file.seek(start)
    while length > 0:
        piece = file.read(min(length, _PIECE))
        if not piece:
            raise EOFError("it ends too early")
        length -= len(piece)
        yield piece


def _member(path: Path, file: Any, info: zipfile.ZipInfo, whole: bytes) -> NDArray[Any]:
    file.seek(info.header_offset)
    head = file.read(30)
    if len(head) != 30 or head[:4] != b"PK\x03\x04":
        raise ValueError(f"{info.filename} is not where it should be")
    start = info.header_offset + 30 + sum(struct.unpack("<HH", head[26:30]))
    check = 0
    for piece in _pieces(file, start, info.file_size, whole):
        check = zlib.crc32(piece, check)
    if check != info.CRC:
        raise ValueError(f"{info.filename} is not what was written")
    file.seek(start)
    if np.lib.format.read_magic(file) != (1, 0):
        raise ValueError(f"{info.filename} is of an unknown version")
    shape, fortran, dtype = np.lib.format.read_array_header_1_0(file)
    offset, count = file.tell(), int(np.prod(shape, dtype=np.int64))
    if dtype.hasobject or fortran or offset - start + count * dtype.itemsize != info.file_size:
        raise ValueError(f"{info.filename} is no plain column")
    if whole or not count:
        return np.frombuffer(whole, dtype, count, offset).reshape(shape) if count else np.empty(shape, dtype)
    return np.memmap(path, dtype, "r", offset, shape)
