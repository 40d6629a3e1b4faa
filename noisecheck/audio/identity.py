"""What a recording is, for keeping results: a key of its content, whatever its name, place or date."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from noisecheck.core.errors import InputError, one_line

__all__ = ["fingerprint"]

_PIECE: Final = 1 << 20


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
        reason = "no such file" if isinstance(error, FileNotFoundError) else getattr(error, "strerror", None) or error
        raise InputError(f"{one_line(path)}: cannot be read ({one_line(reason)})") from error
    return digest.hexdigest()
