"""What tests of several folders read: check values, each file with its source in its first lines, and real scenes."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def reference() -> Callable[[str], list[dict[str, str]]]:
    """Return a function that reads the rows of a file of tests/references, named without its ending."""

    def rows(name: str) -> list[dict[str, str]]:
        text = (HERE / "references" / f"{name}.csv").read_text(encoding="utf-8")
        return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))

    return rows


@pytest.fixture(scope="session")
def shared() -> Path:
    """Return the folder of the real scenes, or skip."""
    folder = Path(os.environ.get("NOISECHECK_SHARED", HERE.parents[1] / "shared")) / "real"
    if not folder.is_dir():
        pytest.skip("the real scenes are not here (NOISECHECK_SHARED)")
    return folder
