"""What a recording's health says of single impacts, as flags."""

from __future__ import annotations

import numpy as np

from noisecheck.audio.health import Health
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts

__all__ = ["flagged_by_health"]


def flagged_by_health(impacts: Impacts, health: Health) -> Impacts:
    """Return the impacts of a recording with what its health says of them as flags."""
    flags = impacts.data["flags"].copy()
    if health.riding.found:
        flags |= np.uint32(Flag.GAIN_RIDING)
    for number, channel in enumerate(health.channels):
        if len(channel.clipped):
            # An impact is clipped where its first 50 ms touch a clipped span.
            at = impacts.data["frame"]
            after = np.searchsorted(channel.clipped[:, 1], at)
            start = channel.clipped[np.minimum(after, len(channel.clipped) - 1), 0]
            hit = (after < len(channel.clipped)) & (start < at + int(0.05 * health.rate))
            flags[hit & (impacts.data["channel"] == number)] |= np.uint32(Flag.CLIPPED)
    at = impacts.data["frame"]
    for start, stop in health.nonfinite:
        flags[(at < stop) & (at + int(0.5 * health.rate) > start)] |= np.uint32(Flag.NONFINITE)
    return impacts.with_columns(flags=flags)
