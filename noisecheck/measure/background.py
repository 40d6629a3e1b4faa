"""The background between impacts: mean squares near an event, from spans the detector found quiet."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import distinct
from noisecheck.core.records import record
from noisecheck.core.units import from_power_db
from noisecheck.measure.bands import EXTRA, band_exposures

__all__ = ["Background", "background_of"]

_PIECE_S: Final = 0.04
_LEAST_S: Final = 0.004
_CELL_S: Final = 1.0
_REACH_S: Final = 3.0  # e-folding distance at which a cell still counts for an event
_SURPRISE_DB: Final = 4.0  # pieces this far above the quieter quarter hold something that is not background


@record
class Background:
    """Background of one channel in cells of time; empty arrays where nothing was quiet."""

    centre: NDArray[np.float64]
    """Frame at the middle of each cell, relative to the tile, shape (cells,)."""
    weight_s: NDArray[np.float64]
    """Seconds of quiet behind each cell, shape (cells,)."""
    a_power: NDArray[np.float64]
    """A-weighted mean square, shape (cells,)."""
    z_power: NDArray[np.float64]
    """Unweighted mean square, shape (cells,)."""
    bands: NDArray[np.float64]
    """Mean square per band and in the columns of ``band_matrix``, shape (cells, 61)."""
    rate: float

    def __len__(self) -> int:
        return len(self.centre)

    def at(self, frames: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return (A-weighted, unweighted, per band) mean squares at frames of the tile: (n,), (n,), (n, 61).

        Cells are averaged with weights that fall with distance; NaN where there is no background at all.
        """
        n = len(frames)
        if not len(self) or not n:
            return np.full(n, np.nan), np.full(n, np.nan), np.full((n, 30 + EXTRA), np.nan)
        away = np.abs(np.asarray(frames, np.float64)[:, None] - self.centre[None, :]) / (self.rate * _REACH_S)
        away -= away.min(axis=1, keepdims=True)
        weight = np.exp(-away) * self.weight_s
        weight /= weight.sum(axis=1, keepdims=True)
        # einsum without a plan sums each row by itself: bits do not depend on how many events ask
        return (
            np.einsum("ij,j->i", weight, self.a_power, optimize=False),
            np.einsum("ij,j->i", weight, self.z_power, optimize=False),
            np.einsum("ij,jk->ik", weight, self.bands, optimize=False),
        )


def _pieces(quiet: NDArray[np.int64], frames: int, rate: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (start, stop), in order, of the pieces into which quiet spans are cut, none shorter than 4 ms."""
    full, least = int(_PIECE_S * rate), max(int(_LEAST_S * rate), 16)
    starts: list[NDArray[np.int64]] = []
    stops: list[NDArray[np.int64]] = []
    for first, last in np.clip(quiet[np.argsort(quiet[:, 0], kind="stable")], 0, frames):
        if last - first < least:
            continue
        count = max(int(last - first) // full, 1)
        at = first + full * np.arange(count, dtype=np.int64)
        starts.append(at)
        stops.append(np.minimum(at + full, last))
    if not starts:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    return np.concatenate(starts), np.concatenate(stops)


def background_of(
    signal: NDArray[np.float32],
    a_blocks: NDArray[np.float64],
    z_blocks: NDArray[np.float64],
    block: int,
    rate: float,
    quiet: NDArray[np.int64],
) -> Background:
    """Return the background of one channel of a tile.

    Args:
        signal: the channel, shape (frames,).
        a_blocks, z_blocks: sums of squares, A-weighted and not, of blocks of ``block`` frames.
        rate: frames a second.
        quiet: spans (m, 2) of frames of the tile without impacts; they may still hold the end of a ring or a
            missed click: pieces 4 dB above the quieter quarter of their neighbours are left out.
    """
    start, stop = _pieces(quiet, min(len(a_blocks) * block, len(signal)), rate)
    if not len(start):
        nothing = np.empty(0)
        return Background(nothing, nothing, nothing, nothing, np.empty((0, 30 + EXTRA)), rate)
    a_sum, z_sum = np.concatenate([[0.0], np.cumsum(a_blocks)]), np.concatenate([[0.0], np.cumsum(z_blocks)])
    first, last = -(-start // block), np.maximum(stop // block, -(-start // block) + 1)
    last = np.minimum(last, len(a_blocks))
    first = np.minimum(first, last - 1)
    length = (last - first) * block
    a, z = (a_sum[last] - a_sum[first]) / length, (z_sum[last] - z_sum[first]) / length
    cell = ((start + stop) / (2.0 * _CELL_S * rate)).astype(np.int64)
    keep = _ordinary(a, cell)
    start, stop, a, z, cell = start[keep], stop[keep], a[keep], z[keep], cell[keep]
    window: dict[int, tuple[NDArray[np.float32], float]] = {}
    cut: list[NDArray[np.float32]] = []
    norm = np.empty(len(start))
    for i, (s, e) in enumerate(zip(start.tolist(), stop.tolist(), strict=True)):
        if e - s not in window:
            w = np.sin(np.pi * (np.arange(e - s) + 0.5) / (e - s)).astype(np.float32)
            window[e - s] = w, float(np.sum(w.astype(np.float64) ** 2)) / rate
        w, norm[i] = window[e - s]
        cut.append(signal[s:e] * w)
    bands = band_exposures(cut, rate) / norm[:, None]
    seconds = (stop - start) / rate
    _, inverse = np.unique(cell, return_inverse=True)
    total = np.bincount(inverse, seconds).astype(np.float64)

    def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(inverse, seconds * values) / total

    columns = np.column_stack([mean(bands[:, k]) for k in range(bands.shape[1])])
    centre = mean(np.asarray(0.5 * (start + stop), np.float64))
    return Background(centre, total, mean(a), mean(z), columns, rate)


def _ordinary(power: NDArray[np.float64], cell: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which pieces are no louder than their neighbours within two cells would explain."""
    keep = np.ones(len(power), bool)
    limit = float(from_power_db(_SURPRISE_DB))
    cells = distinct(cell)
    # Pieces are in order, so those of a cell and its neighbours lie side by side.
    near = np.searchsorted(cell, cells - 2), np.searchsorted(cell, cells + 3)
    own = np.searchsorted(cell, cells), np.searchsorted(cell, cells + 1)
    for first, last, begin, end in zip(*near, *own, strict=True):
        keep[begin:end] = power[begin:end] <= limit * _lower_quartile(power[first:last])
    return keep


def _lower_quartile(values: NDArray[np.float64]) -> float:
    """Return the quartile of some values, between two of them in proportion (``np.percentile`` is slow for so few)."""
    at, part = divmod(len(values) - 1, 4)
    low, high = np.partition(values, (at, min(at + 1, len(values) - 1)))[[at, min(at + 1, len(values) - 1)]]
    return float(low + 0.25 * part * (high - low))
