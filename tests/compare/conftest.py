"""Reads the statistical check values; each file names its source in its first lines."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

REFERENCES = Path(__file__).parents[1] / "references"


@pytest.fixture
def reference() -> Callable[[str], list[dict[str, float]]]:
    def read(name: str) -> list[dict[str, float]]:
        lines = [line for line in (REFERENCES / name).read_text().splitlines() if not line.startswith("#")]
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(lines)]

    return read
