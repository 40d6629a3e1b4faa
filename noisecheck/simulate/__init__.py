"""Recordings with exactly known truth."""

from __future__ import annotations

from noisecheck.simulate.load import load_scene, parse_scene
from noisecheck.simulate.render import RunRenderer, impact_waveform, render_run
from noisecheck.simulate.scene import Scene
from noisecheck.simulate.writer import simulate_file, simulate_scene

__all__ = [
    "RunRenderer",
    "Scene",
    "impact_waveform",
    "load_scene",
    "parse_scene",
    "render_run",
    "simulate_file",
    "simulate_scene",
]
