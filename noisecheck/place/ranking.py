"""Which station makes most of the noise, and what making it quieter would bring.

Exposures add: the total of a run is the sum of the A-weighted sound exposures of its impacts (ISO 1996-1:2016
clause 3.1.8), so each station has a share, and a station quieter by some dB takes a known part of its share away.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.core.units import from_power_db, power_db

__all__ = ["QUIETER_DB", "UNPLACED", "Ranking", "StationShare", "rank_stations"]

Floats = NDArray[np.float64]

QUIETER_DB: Final = (3.0, 6.0, 10.0, float("inf"))
"""Reductions tried; the last is silence."""
UNPLACED: Final = ""
"""Name under which impacts of no station are counted."""
WORTH_DB: Final = 1.0
"""A total that falls by less even when a station is silent: not worth quieting (1 dB is just noticeable in the
laboratory, common practice, no source)."""


@record
class StationShare:
    """One station's part of the noise of a campaign."""

    station: str
    impacts: int
    lae_db: float
    """A-weighted exposure level of all its impacts together."""
    share: float
    """Of the total A-weighted exposure, 0 to 1."""
    falls_db: tuple[float, ...]
    """By how much the total falls with this station 3, 6, 10 dB quieter and silent; inf where nothing else sounds."""
    band_share: Floats
    """Of the exposure of each one-third-octave band, (30,), NaN where a band holds nothing."""
    band_falls_db: Floats
    """The falls for each band, (reductions, 30)."""

    @property
    def worth_quieting(self) -> bool:
        """Whether silencing it would lower the total by :data:`WORTH_DB` or more."""
        return self.falls_db[-1] >= WORTH_DB


@record
class Ranking:
    """Stations from the loudest part of the total to the smallest; unplaced impacts are a row of their own."""

    rows: tuple[StationShare, ...]
    total_lae_db: float
    without_level: int
    """Impacts left out because their level could not be measured."""
    notes: tuple[str, ...]


def fall_db(share: Floats | float, quieter_db: float) -> Floats:
    """Return by how much a total falls (dB) when a part with this share becomes quieter by ``quieter_db``.

    ``-10 lg(1 - s (1 - 10^(-q/10)))``: a part of 90 % silenced lowers the total by 10 dB.
    """
    left = 1.0 - np.asarray(share, np.float64) * (1.0 - from_power_db(-quieter_db))
    return np.asarray(-power_db(left), np.float64) + 0.0


def rank_stations(impacts: Impacts) -> Ranking:
    """Return each station's share of the noise and what quieting it would bring.

    Args:
        impacts: placed and measured impacts of any number of runs (all re one reference, full scale or 20 uPa).
    """
    level = impacts["lae_db"]
    good = np.isfinite(level)
    exposure = np.where(good, from_power_db(np.where(good, level, 0.0)), 0.0)
    bands = np.asarray(impacts["bands"], np.float64).reshape(-1, 30)
    in_band = np.where(np.isfinite(bands), from_power_db(np.where(np.isfinite(bands), bands, 0.0)), 0.0)
    total, band_total = float(exposure.sum()), in_band.sum(axis=0)
    rows = []
    for name in dict.fromkeys([*(n for n in impacts.names["station"] if n), UNPLACED]):
        mine = impacts.is_text("station", name)
        if not mine.any():
            continue
        part = float(exposure[mine].sum())
        share = part / total if total > 0 else 0.0
        with np.errstate(invalid="ignore", divide="ignore"):
            band_share = np.where(band_total > 0, in_band[mine].sum(axis=0) / band_total, np.nan)
        falls = tuple(float(fall_db(share, q)) for q in QUIETER_DB)
        rows.append(
            StationShare(
                name,
                int(mine.sum()),
                float(power_db(part)),
                share,
                falls,
                band_share,
                np.stack([fall_db(band_share, q) for q in QUIETER_DB]),
            )
        )
    rows.sort(key=lambda r: -r.share)
    return Ranking(tuple(rows), float(power_db(total)), int((~good).sum()), tuple(_notes(rows)))


def _notes(rows: Sequence[StationShare]) -> list[str]:
    notes = []
    for row in rows:
        if row.station != UNPLACED and row.impacts and not row.worth_quieting:
            notes.append(
                f"'{row.station}' is not worth quieting: it makes {100 * row.share:.0f} % of the noise, and silencing "
                f"it would lower the total by {row.falls_db[-1]:.1f} dB"
            )
    unplaced = next((r for r in rows if r.station == UNPLACED), None)
    if unplaced is not None and unplaced.share > 0.1:
        notes.append(
            f"unplaced impacts make {100 * unplaced.share:.0f} % of the noise: the shares of stations may be larger"
        )
    return notes
