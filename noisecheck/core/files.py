"""Files written whole or not at all: beside their place first, forced to the disk, then renamed over it.

So a reader, a second writer or a power cut never meets half a file.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import BinaryIO, Final

from noisecheck.core.errors import InputError, one_line

__all__ = ["TEMPORARY", "csv_text", "fingerprint", "replaced", "write_together"]

TEMPORARY: Final = ".unfinished"
"""Ending of files still being written."""


def csv_text(rows: Iterable[Sequence[object]], delimiter: str = ",") -> str:
    """Return rows as CSV: None is an empty cell, quotes only where needed, lines end in ``\\n``."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return out.getvalue()


def fingerprint(path: Path) -> str:
    """Return the SHA-256 of a file's bytes (64 hexadecimal digits), in flat memory.

    Raises:
        InputError: the file cannot be read.
    """
    import hashlib

    try:
        if not path.is_file():
            raise FileNotFoundError
        with path.open("rb", buffering=0) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        reason = "no such file" if isinstance(error, FileNotFoundError) else getattr(error, "strerror", None) or error
        raise InputError(f"{one_line(path)}: cannot be read ({one_line(reason)})") from error


@contextlib.contextmanager
def replaced(path: Path) -> Iterator[BinaryIO]:
    """Write ``path`` anew, in a ``with``; after an error it is as it was. Its folder is made where missing."""
    with _beside(path) as (file, part):
        yield file
        _settle(file)
        os.replace(part, path)
        _sync_folder(path.parent)


def write_together(files: Mapping[Path, str | bytes | Iterable[str]]) -> list[Path]:
    """Write files so that either all are new and whole or none has changed; return their paths.

    Text is UTF-8; of names that are none, odd bytes are written as ``\\udc..``. Folders are made where missing. Only
    when all files are complete are they renamed; should a rename fail, files that were not there before are taken away.

    Raises:
        InputError: a folder or file cannot be written, or its place is taken by what is no file.
    """
    fresh: list[Path] = []
    try:
        with contextlib.ExitStack() as stack:
            parts: list[tuple[Path, Path]] = []
            for path, content in files.items():
                file, part = stack.enter_context(_beside(path))
                for piece in (content,) if isinstance(content, str | bytes) else content:
                    file.write(piece if isinstance(piece, bytes) else piece.encode(errors="backslashreplace"))
                _settle(file)
                parts.append((part, path))
            for part, path in parts:
                there = os.path.lexists(path)
                os.replace(part, path)
                if not there:
                    fresh.append(path)
            for folder in {path.parent for path in files}:
                _sync_folder(folder)
    except OSError as error:
        for path in fresh:
            path.unlink(missing_ok=True)
        where = one_line(error.filename or next(iter(files)).parent)
        raise InputError(f"{where}: cannot be written ({error.strerror or error})") from error
    return list(files)


@contextlib.contextmanager
def _beside(path: Path) -> Iterator[tuple[BinaryIO, Path]]:
    """Open a new file beside ``path``, in a ``with``; what is left of it at the end goes."""
    # A rename would put a file in the place of a device or a pipe.
    if not path.name or (path.exists() and not path.is_file() and not path.is_dir()):
        raise OSError(errno.EINVAL, "it is no file", str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}-{os.urandom(4).hex()}{TEMPORARY}")
    try:
        with part.open("xb") as file:
            yield file, part
    except OSError as error:
        if error.filename == str(part):  # the user knows the file that is wanted, not the one beside it
            raise OSError(error.errno, error.strerror, str(path)) from error
        raise
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def _settle(file: BinaryIO) -> None:
    """Force what was written to the disk and close the file (some systems do not rename open ones)."""
    file.flush()
    os.fsync(file.fileno())
    file.close()


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened there; the rename is journalled
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
