"""What an impact sounds like, made ready for comparison: band levels, how far they can be trusted, decay.

A band of a weak impact shows the background rather than the impact. How much of a band is its own follows from
the table alone: ``margin_db`` says how much background there was, and over a run no band's background can be
above the lowest level any impact left in it, nor above the whole of the background.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import third_octave_edges, third_octave_midbands
from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.core.table import Impacts
from noisecheck.core.units import from_power_db, power_db
from noisecheck.measure.weighting import weighting_db

__all__ = ["BANDS", "Sounds", "sounds_of"]

Floats = NDArray[np.float64]

BANDS: Final = 30
_FIRST_BAND: Final = 4
"""Bands below 63 Hz are left out: hum and handling, no impact of a small machine."""
_LOWEST: Final = 10.0  # percentile
_QUARTER: Final = 25.0  # percentile: of four contacts of a drop three may be rebounds
_DEFAULT_MARGIN_DB: Final = 40.0
_MOST_MARGIN_DB: Final = 60.0
_BOUND_DB: Final = 3.0
_CLEAR_DB: Final = 6.0  # a quarter of it may be the background's
_WINDOW_S: Final = 0.05
"""Time that most of an impact takes."""
_DECILE: Final = 1.2816
"""Standard normal deviate that one in ten exceeds."""
_LEAST: Final = 0.1


@record
class Sounds(Rows):
    """The sounds of ``n`` impacts, level included."""

    level_db: Floats
    """Band levels, (n, 30), NaN where a band isn't carried."""
    floor_db: Floats
    """Level below which a band shows the background, (n, 30)."""
    decay_db: Floats
    """``10 lg`` of the decay in ms, (n,), NaN where not measured."""

    def __len__(self) -> int:
        return len(self.decay_db)

    @classmethod
    def concat(cls, parts: list[Sounds]) -> Sounds:
        """Return all sounds, one after the other."""
        if not parts:
            return Sounds(np.empty((0, BANDS)), np.empty((0, BANDS)), np.empty(0))
        return super().concat(parts)

    @property
    def share(self) -> Floats:
        """How much of each band is the impact's own, 0 to 1, (n, 30); 0 where a band isn't carried."""
        return self._share(self.floor_db)

    @property
    def least_share(self) -> Floats:
        """The same with a background as high as noise goes in one window in ten, (n, 30)."""
        return self._share(self.floor_db + noise_swing_db())

    def _share(self, floor_db: Floats) -> Floats:
        own = 1.0 - from_power_db(floor_db - self.level_db)
        return np.where(np.isfinite(self.level_db), np.clip(own, 0.0, 1.0), 0.0)


@lru_cache(maxsize=1)
def noise_swing_db() -> Floats:
    """Return how far the highest tenth of steady noise in a window lies above the lowest, by band, (30,).

    Energies of Gaussian noise over a time T in a band B are chi-square with 2 B T degrees of freedom; quantiles after
    Wilson and Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684.
    """
    freedom = np.maximum(2.0 * _WINDOW_S * np.diff(third_octave_edges()), 1.0)
    middle, step = 1.0 - 2.0 / (9.0 * freedom), _DECILE * np.sqrt(2.0 / (9.0 * freedom))
    return np.asarray(3.0 * power_db((middle + step) / np.maximum(middle - step, _LEAST)), np.float64)


def sounds_of(impacts: Impacts) -> Sounds:
    """Return the sounds of one run's impacts (the background is judged over the run, so pass a whole run)."""
    bands = np.array(impacts["bands"], np.float64).reshape(-1, BANDS)
    bands[~np.isfinite(bands)] = np.nan
    bands[:, :_FIRST_BAND] = np.nan
    if not len(bands):
        return Sounds(bands, bands, np.empty(0))
    margin = np.where(np.isfinite(impacts["margin_db"]), impacts["margin_db"], _DEFAULT_MARGIN_DB)
    # Where L_AE is only a bound (under 3 dB) it is half of what was measured, ISO 3746:2010 clause 8.3.3.
    margin = np.clip(margin, 0.0, _MOST_MARGIN_DB)
    below = np.where(margin < _BOUND_DB, margin - _BOUND_DB, power_db(from_power_db(np.maximum(margin, 1.0)) - 1.0))
    noise = impacts["lae_db"] - below  # of the same span as the impact's window
    noise = np.where(np.isfinite(noise), noise, np.nan)
    # What hardly stands out of the ring may be the ring's.
    noise = np.where(margin < _CLEAR_DB, noise, _without_ring(noise, impacts))
    above = bands - noise[:, None]
    seen = np.isfinite(above)
    lowest = np.full(BANDS, np.inf)
    for b in np.flatnonzero(seen.any(axis=0)):
        lowest[b] = np.percentile(above[seen[:, b], b], _LOWEST)
    weighting = weighting_db(third_octave_midbands(), "A")
    shape = _level_off(lowest + weighting) - weighting
    floor = noise[:, None] + shape
    floor = np.where(np.isfinite(floor), floor, bands - _DEFAULT_MARGIN_DB)
    decay = impacts["decay_ms"]
    return Sounds(bands, floor, np.where(decay > 0, power_db(np.maximum(decay, 1e-3)), np.nan))


def _without_ring(noise_db: Floats, impacts: Impacts) -> Floats:
    """Return the background of each impact, (n,), where it isn't the ring of the impact before.

    What a rebound is measured against is mostly that ring, which leaves the background of other bands as it was.
    """
    out = noise_db.copy()
    _, take = np.unique(np.column_stack([impacts.data["run"], impacts["channel"]]), axis=0, return_inverse=True)
    for number in range(int(take.max()) + 1):
        here = np.isfinite(noise_db) & (take == number)
        if here.any():
            out[here] = np.minimum(noise_db[here], np.percentile(noise_db[here], _QUARTER) + _BOUND_DB)
    return out


def _level_off(weighted_db: Floats) -> Floats:
    """Return A-weighted band levels of the background re its total, none above ``weighted_db``, summing to 0 dB.

    Where the lowest levels seen add up to more than the whole background, the highest of them are impacts, not
    background: they are cut off evenly.
    """
    power = np.where(np.isfinite(weighted_db), from_power_db(np.where(np.isfinite(weighted_db), weighted_db, 0.0)), 0.0)
    if power.sum() <= 1.0:
        return weighted_db
    rising = np.sort(power)
    below = np.concatenate([[0.0], np.cumsum(rising)[:-1]])
    top = (1.0 - below) / np.arange(len(rising), 0, -1)
    k = int((top <= rising).argmax())
    return np.minimum(weighted_db, float(power_db(top[k])))
