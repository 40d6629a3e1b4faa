"""What the commands print: progress, JSON and plain lines."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from typing import Any

from noisecheck.core.errors import one_line

__all__ = ["Bar", "print_json", "say"]


class Bar:
    """Progress on stderr, only on a terminal; taken away at the end of its ``with``."""

    def __init__(self) -> None:
        self._bar: Any = None
        if sys.stderr.isatty():
            from tqdm import tqdm

            self._bar = tqdm(total=1000, bar_format="{l_bar}{bar}| {elapsed} {desc}", leave=False, file=sys.stderr)

    def __call__(self, share: float, what: str = "") -> None:
        """Show the share done and what is being done."""
        if self._bar is not None:
            self._bar.set_description_str(one_line(what), refresh=False)
            self._bar.update(int(1000 * share) - self._bar.n)

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.close()


def print_json(document: Any) -> None:
    """Print one JSON document, in ASCII where the terminal cannot show it otherwise."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:  # a terminal of another alphabet, or a name that is no text
        text = json.dumps(document, allow_nan=False)
    sys.stdout.write(text + "\n")


def say(lines: Iterable[str]) -> None:
    """Print lines; what a name in them would do to a terminal is shown instead of done."""
    for line in lines:
        print(one_line(line))
