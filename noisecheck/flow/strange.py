"""Sounds unlike every station's that are yet most like one: trains told by them where a run is full of them.

Taps, or another day, may sound otherwise than the balls of a run. Then most contacts sound like no station, and yet
each is far more like its own than like any other: enough to tell which rebounds go together.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.trains import find_drops
from noisecheck.place.evidence import Evidence

__all__ = ["with_trains_by_sound"]

_CLEARLY: Final = math.log(100.0)
"""Log likelihood by which a sound is clearly more like one station than like the next."""
_MANY: Final = 0.2
"""Share of such sounds among those clearly like a station from which trains are told by them."""
_OPEN: Final = 0.49
"""Confidence of where they are put, below that of any station named: their labels say the rest."""


def with_trains_by_sound(impacts: Impacts, odds: Evidence) -> Impacts:
    """Return impacts in order of time, those unplaced put to the station they are clearly most like, in trains anew.

    The impacts as they are where few are so. ``odds`` go row by row with the impacts.
    """
    if len(odds.stations) < 2 or not len(impacts):
        return impacts
    ordered = np.sort(odds.log_likelihood, axis=1)
    clear = ordered[:, -1] - ordered[:, -2] > _CLEARLY
    strange = clear & (impacts["station"] == "") & ~impacts.flagged(Flag.REFERENCE)
    if strange.sum() <= _MANY * max(int(clear.sum()), 1):
        return impacts
    best = odds.log_likelihood.argmax(axis=1)
    rows = np.flatnonzero(strange).tolist()
    impacts = impacts.at_stations({row: (odds.stations[best[row]], _OPEN) for row in rows})
    drop, rebound = find_drops(impacts["time_s"], impacts["lae_db"], _codes(impacts), faint=impacts.flagged(Flag.BOUND))
    return impacts.with_columns(
        drop=drop, rebound=np.where(impacts.flagged(Flag.REFERENCE), impacts["rebound"], rebound)
    )


def _codes(impacts: Impacts) -> NDArray[np.int64]:
    nowhere = (impacts["station"] == "") | impacts.flagged(Flag.REFERENCE)
    return np.where(nowhere, -1, impacts.data["station"].astype(np.int64))
