"""The check values as numbers."""

from __future__ import annotations

from collections.abc import Callable

import pytest


@pytest.fixture
def reference(reference: Callable[[str], list[dict[str, str]]]) -> Callable[[str], list[dict[str, float]]]:
    return lambda name: [{k: float(v) for k, v in row.items()} for row in reference(name)]
