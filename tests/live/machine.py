"""A machine of two stations, a microphone at each, for watching: its rig file, and scenes of it with faults."""

from __future__ import annotations

from typing import Any

RIG = """
[[microphone]]
channel = 0
station = "landing"
[[microphone]]
channel = 1
station = "tray"
[[station]]
name = "landing"
next = "tray"
transit_s = [0.6, 0.9]
[[station]]
name = "tray"
target = true
[feed]
station = "landing"
period_s = 1.6
"""
PERIOD_S, LONGEST_S = 1.6, 0.9
"""Of the feed, and of the way from the landing to the tray."""


def machine_scene(seconds: float, rate: int, *, seed: int, balls: int, faults: list[dict[str, Any]]) -> dict[str, Any]:
    """Return a scene of the machine."""
    return {
        "scene": {"seed": seed, "rate_hz": rate, "format": "wav", "subtype": "PCM_24"},
        "microphone": [
            {"channel": 0, "position_mm": [0.0, 150.0, 100.0], "full_scale_pa": 120.0},
            {"channel": 1, "position_mm": [900.0, 150.0, 100.0], "full_scale_pa": 120.0},
        ],
        "station": [
            {"name": "landing", "position_mm": [0.0, 0.0, 0.0], "next": "tray", "transit_s": [0.6, LONGEST_S],
             "surface": "acrylic", "rebounds": 2, "drop_height_mm": 100.0},
            {"name": "tray", "position_mm": [900.0, 0.0, 0.0], "target": True, "surface": "wood", "rebounds": 1,
             "drop_height_mm": 60.0},
        ],
        "feed": {"station": "landing", "period_s": PERIOD_S, "balls": balls, "jitter": 0.03},
        "background": {"noise_db": -75.0, "motor_db": -70.0, "motor_hz": 50.0, "hiss_db": -105.0},
        "run": [{"run": "run", "seconds": seconds, "fault": faults}],
    }  # fmt: skip
