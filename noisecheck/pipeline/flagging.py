"""What a recording's health and its codec say of single impacts, as flags."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.grid import codec_made
from noisecheck.audio.health import Health
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts

__all__ = ["flagged_by_codec", "flagged_by_health"]

_FEW: Final = 0.5
_AT_LEAST: Final = 2
_SHORT: Final = 0.05
"""A noise gate makes more spans of silence an impact than so many (few impacts: more in all), and cuts out more of the
time, when all has died away."""
_FAINT_DB: Final = 3.0  # of margin: nearly all that a codec makes of its noise is fainter


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
        mine = impacts.data["channel"] == number
        for spans in (channel.zeros, channel.repeated):
            lost = np.diff(spans, axis=1).sum()
            if len(spans) <= max(_FEW * mine.sum(), _AT_LEAST) and lost <= _SHORT * health.frames:
                flags[mine & _touched(impacts.data["frame"], spans, health.rate)] |= np.uint32(Flag.DROPOUT)
    at = impacts.data["frame"]
    for start, stop in health.nonfinite:
        flags[(at < stop) & (at + int(0.5 * health.rate) > start)] |= np.uint32(Flag.NONFINITE)
    return impacts.with_columns(flags=flags)


def _touched(at: NDArray[np.int64], spans: NDArray[np.int64], rate: float) -> NDArray[np.bool_]:
    """Return which impacts have missing samples in their first quarter second or in the 20 ms before them."""
    later = np.searchsorted(spans[:, 1], at - int(0.02 * rate), side="right")
    start = spans[np.minimum(later, len(spans) - 1), 0] if len(spans) else np.zeros(len(at), np.int64)
    return np.asarray((later < len(spans)) & (start < at + int(0.25 * rate)))


def flagged_by_codec(impacts: Impacts, subtype: str) -> Impacts:
    """Return the impacts with those marked, and doubted, that the recording's codec most likely made.

    They are bounds in any case and in no mean. How likely each is real is what the grid leaves: the share of faint
    impacts that would begin there anyway.
    """
    faint = impacts["margin_db"] < _FAINT_DB
    made = codec_made(impacts["frame"][faint], subtype)
    if made is None:
        return impacts
    own = faint & made.holds(impacts["frame"])
    real = np.float64(max(1.0 - made.share, 0.01))
    odds = np.where(own, np.minimum(impacts["odds"], real / (1.0 - real)), impacts["odds"])
    flags = np.where(own, impacts["flags"] | np.uint32(Flag.CODEC_NOISE), impacts["flags"])
    return impacts.with_columns(odds=odds, flags=flags)
