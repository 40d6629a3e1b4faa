"""Make the folder's own helpers importable by its tests."""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from noisecheck.flow.rebounds import ReboundLaw

sys.path.insert(0, str(Path(__file__).parent))

from fallmaker import train


@pytest.fixture
def law() -> ReboundLaw:
    """Return the law learnt from 300 falls with two rebounds."""
    rng = np.random.default_rng(5)
    learnt = ReboundLaw()
    learnt.learn([train(rng) for _ in range(300)])
    return learnt


@pytest.fixture(scope="session")
def reference() -> Callable[[str], list[dict[str, str]]]:
    """Return a function that reads the rows of a reference file; its first lines name the source."""

    def rows(name: str) -> list[dict[str, str]]:
        text = (Path(__file__).parents[1] / "references" / f"{name}.csv").read_text()
        return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))

    return rows
