"""Make the folder's own helpers importable by its tests."""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def reference() -> Callable[[str], list[dict[str, str]]]:
    """Return a function that reads the rows of a reference file; its first lines name the source."""

    def rows(name: str) -> list[dict[str, str]]:
        text = (Path(__file__).parents[1] / "references" / f"{name}.csv").read_text()
        return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))

    return rows
