"""Impacts that a codec made: its noise changes from block to block, so they begin on the grid of its blocks.

What hits something knows nothing of that grid: real impacts begin anywhere in a block. Whether faint ones crowd at one
place of it is judged by the Rayleigh test of uniformity on a circle (Mardia & Jupp 2000, Directional Statistics,
section 6.3.1: p is about exp(-n R^2); from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.records import record

__all__ = ["CodecMade", "codec_made"]

_BLOCK: Final = {"MPEG_LAYER_III": 576, "AAC": 1024, "VORBIS": 1024, "OPUS": 960}
"""Frames after which a codec sets its noise anew (MP3: a granule, ISO/IEC 11172-3; the others: from memory)."""
_LEAST: Final = 8
_SURE: Final = 9.2  # -ln p: 1 in 10,000
_ARC: Final = 0.125  # of a block, to either side
_EVEN: Final = 0.5  # of the intervals equal: an even feed, whose period may be so many blocks by chance


@record
class CodecMade:
    """Faint impacts that crowd at one place of a codec's blocks."""

    block: int
    """Length of a block, frames."""
    count: float
    """About how many impacts the codec made: those in the crowded quarter beyond what falls there anyway."""
    place: float
    """Where in a block they crowd, 0 to 1."""
    share: float
    """Share of the codec's own among the faint impacts in the crowded quarter."""

    def holds(self, onsets: ArrayLike) -> NDArray[np.bool_]:
        """Return which onsets (frames, (n,)) lie in the crowded quarter of a block, (n,)."""
        turns = (np.asarray(onsets, np.int64) % self.block) / self.block
        return np.asarray(np.abs((turns - self.place + 0.5) % 1.0 - 0.5) <= _ARC)


def codec_made(onsets: ArrayLike, subtype: str) -> CodecMade | None:
    """Return how many of the faint impacts at ``onsets`` (frames, (n,)) a codec made; None where none are shown."""
    block = _BLOCK.get(subtype)
    at = np.sort(np.asarray(onsets, np.int64))
    if block is None or len(at) < _LEAST:
        return None
    turns = (at % block) / block
    mean = np.mean(np.exp(2j * np.pi * turns))
    if len(at) * abs(mean) ** 2 < _SURE:
        return None
    apart = np.round((at[1:] - at[:-1]) / block)
    if np.unique(apart, return_counts=True)[1].max() > _EVEN * len(apart):
        return None
    place = float(np.angle(mean) / (2 * np.pi) % 1.0)
    inside = int(np.count_nonzero(CodecMade(block, 0.0, place, 0.0).holds(at)))
    count = max((inside - 2 * _ARC * len(at)) / (1 - 2 * _ARC), 1.0)
    # Of all that begin anywhere, a quarter falls there.
    share = 1.0 - 2 * _ARC * max(len(at) - count, 0.0) / max(inside, 1)
    return CodecMade(block, count, place, min(max(share, 0.0), 1.0))
