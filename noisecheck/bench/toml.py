"""TOML files read with a sentence for whatever is wrong with them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from noisecheck.bench.runsheet import read_text
from noisecheck.core.errors import InputError, one_line

__all__ = ["read_toml"]


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Return a file's document, and its text to find lines in; raises ``InputError``."""
    text = read_text(path)
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        told = re.search(r"line (\d+)", str(error))
        wrong = text.splitlines()[int(told[1]) - 1 : int(told[1])] if told else []
        hint = " (write the decimal point as '.')" if wrong and re.search(r"=\s*-?\d+,\d+\s*(#.*)?$", wrong[0]) else ""
        raise InputError(f"{one_line(path)}: not valid TOML: {one_line(error)}{hint}") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{one_line(path)}: not usable TOML: a number too long, or lists too deep") from error
