"""What a recording is, for keeping results: a key of its content, whatever its name, place or date."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from noisecheck.core.errors import InputError, one_line

__all__ = ["fingerprint", "quick_fingerprint"]

_PIECE: Final = 1 << 20
_ENDS: Final = 1 << 16


def fingerprint(path: str | Path) -> str:
    """Return the SHA-256 of a file's bytes (64 hexadecimal digits), read in pieces of 1 MiB.

    Raises:
        InputError: the file cannot be read.
    """
    path = Path(path)
    digest = hashlib.sha256()
    buffer = bytearray(_PIECE)
    view = memoryview(buffer)
    try:
        if not path.is_file():
            raise FileNotFoundError
        with path.open("rb", buffering=0) as file:
            while count := file.readinto(buffer):
                digest.update(view[:count])
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    return digest.hexdigest()


def quick_fingerprint(path: str | Path) -> str:
    """Return a key from size, first and last 64 KiB and 16 spots between: milliseconds however long the file.

    Two recordings never share it by accident; a file edited on purpose in its middle may keep it.

    Raises:
        InputError: the file cannot be read.
    """
    path = Path(path)
    digest = hashlib.sha256()
    try:
        if not path.is_file():
            raise FileNotFoundError
        size = path.stat().st_size
        digest.update(str(size).encode())
        with path.open("rb") as file:
            for k in range(18):
                file.seek(max(size - _ENDS, 0) * k // 17)
                digest.update(file.read(_ENDS if k in (0, 17) else 4096))
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    return digest.hexdigest()


def _unreadable(path: Path, error: Exception) -> InputError:
    reason = "no such file" if isinstance(error, FileNotFoundError) else getattr(error, "strerror", None) or error
    return InputError(f"{one_line(path)}: cannot be read ({one_line(reason)})")
