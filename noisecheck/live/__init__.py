"""Watching a machine while it runs: sources of sound, the follower, and what is kept of it."""

from __future__ import annotations

from typing import Final

__all__ = ["PIPE_FORMATS"]

PIPE_FORMATS: Final = {"s16le": "PCM_16", "s24le": "PCM_24", "s32le": "PCM_32", "f32le": "FLOAT"}
"""Raw sample formats (signed integers of 16, 24, 32 bits or 32-bit float, little-endian), and how they are kept."""
