"""Small scenes for the simulator's tests."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from noisecheck.simulate import Scene, parse_scene

DOCUMENT: dict[str, Any] = {
    "scene": {"rate_hz": 48000, "seed": 7},
    "microphone": [
        {"channel": 0, "position_mm": [0, 250, 150], "station": "landing"},
        {"channel": 1, "position_mm": [450, 250, 100], "station": "bend"},
    ],
    "station": [
        {
            "name": "landing", "position_mm": [0, 0, 0], "next": "bend", "transit_s": [0.8, 1.2], "drop_height_mm": 120,
            "plate": {"loss_factor": 0.05},
        },
        {
            "name": "bend", "position_mm": [450, 0, -60], "target": True, "surface": "wood", "drop_height_mm": 15,
            "plate": {"loss_factor": 0.05},
        },
    ],
    "feed": {"period_s": 1.5, "balls": 4},
    "treatment": [{"name": "felt", "station": "landing", "surface": "felt", "added_loss": 0.05}],
    "run": [{"run": "bare"}, {"run": "felt", "treatment": "felt"}],
}  # fmt: skip


@pytest.fixture
def scene() -> Callable[..., Scene]:
    """Return a scene made of the small document, with top-level sections replaced or (as dicts) overlaid."""

    def make(**changes: Any) -> Scene:
        document = copy.deepcopy(DOCUMENT)
        for key, value in changes.items():
            document[key] = {**document.get(key, {}), **value} if isinstance(value, dict) else value
        return parse_scene(document)

    return make
