"""Matching what was found with what is true."""

from __future__ import annotations

from noisecheck.score.matching import LevelError, Matching, TimingError, level_error, match

__all__ = ["LevelError", "Matching", "TimingError", "level_error", "match"]
