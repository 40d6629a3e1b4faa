"""Matching what was found with what is true."""

from __future__ import annotations

from noisecheck.score.matching import Matching, match

__all__ = ["Matching", "match"]
