"""One channel of a tile, ready to be measured: weighted streams in blocks, background, where sounds end, what rings."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import median
from noisecheck.core.records import record
from noisecheck.core.units import from_power_db
from noisecheck.core.windows import in_blocks
from noisecheck.measure.background import Background, background_of
from noisecheck.measure.decay import late_rates
from noisecheck.measure.levels import block_frames, block_sums
from noisecheck.measure.weighting import FAST_S, a_blocks_and_c, time_weighted
from noisecheck.measure.windows import first_at_or_below, gathered, in_groups

__all__ = ["CELL", "DEFAULT", "RING_RATE", "ChannelTile", "MeasureSettings"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@record
class MeasureSettings:
    """Choices of the measurement; the defaults suit impacts of machines that move balls."""

    before_ms: float = 2.0
    """A window begins this long before the onset, and the window before it ends there."""
    longest_s: float = 4.0
    """No window is longer."""
    ended_db: float = 1.0
    """A sound has ended when 24 ms of it are less than this above the background..."""
    faded_db: float = 60.0
    """... or this far below its loudest 4 ms."""
    lost_db: float = 0.1
    """A window that loses more than this is flagged as truncated; a ring below that adds more, as overlapped."""


DEFAULT: Final = MeasureSettings()
CELL: Final = 8
"""Blocks of 0.5 ms in a cell of 4 ms."""
RING_RATE: Final = 7.0
"""Fall in 1/s of a ring of two seconds, taken where a ring's own cannot be seen."""
_SMOOTH: Final = 6  # cells averaged to see where a sound ends
_RING_CELLS: Final = 25
_FLOOR: Final = 1e-30


class ChannelTile:
    """One channel of a tile: its weighted streams in blocks of 0.5 ms and cells of 4 ms, and its background."""

    def __init__(
        self, samples: NDArray[np.float32], rate: float, quiet: Ints, settings: MeasureSettings, *, lead: int = 0
    ) -> None:
        """Take one channel, shape (frames,); all positions count from ``lead`` frames of silence put before it."""
        self.lead = lead
        finite = np.isfinite(samples)
        self.broken = np.empty(0, np.int64) if finite.all() else np.flatnonzero(~finite) + lead
        if len(self.broken):
            samples = np.where(finite, samples, np.float32(0.0))
        x = np.empty(lead + len(samples), np.float32)
        x[:lead] = 0.0
        # The converter's offset is no sound.
        np.subtract(samples, _median(samples[:: max(len(x) // 100_000, 1)]), out=x[lead:])
        self.x, self.rate, self.settings = x, rate, settings
        self.block = block_frames(rate)
        self.step_s = self.block / rate
        self.a_blocks, self.c = a_blocks_and_c(x, rate, self.block)
        self.z_blocks = block_sums(x, self.block)
        self.a_sum = np.concatenate([[0.0], np.cumsum(self.a_blocks)])
        self.cell = CELL * self.block
        self.a_cells, self.z_cells = _cells(self.a_blocks) / self.cell, _cells(self.z_blocks) / self.cell
        self.background: Background = background_of(x, self.a_blocks, self.z_blocks, self.block, rate, quiet)
        self.known = len(self.background) > 0
        self._floors()
        start = median(self.a_cells[: round(0.25 / (self.cell / rate))])
        self.fast = time_weighted(self.a_blocks / self.block, self.step_s, constant_s=FAST_S, start=start)

    def _floors(self) -> None:
        """Set the background of every cell: what was quiet near by, else the tile's quietest tenth."""
        middle = (np.arange(len(self.a_cells), dtype=np.int64) * 2 + 1) * self.cell // 2
        if self.known:
            grid = np.arange(0, len(self.a_cells) + 50, 50)
            bandless = replace(self.background, bands=self.background.bands[:, :0])  # they would take most of the time
            a, z, _ = bandless.at(grid * self.cell)
            self.a_floor = np.interp(middle, grid * self.cell, a)
            self.z_floor = np.interp(middle, grid * self.cell, z)
        else:
            self.a_floor = np.full(len(middle), np.percentile(self.a_cells, 10.0))
            self.z_floor = np.full(len(middle), np.percentile(self.z_cells, 10.0))
        self.a_log = np.log(np.maximum(self.a_cells - self.a_floor, 0.1 * self.a_floor + _FLOOR))
        self.a_smooth, self.z_smooth = _forward_mean(self.a_cells), _forward_mean(self.z_cells)
        ended = float(from_power_db(self.settings.ended_db))
        self.a_ended, self.z_ended = self.a_floor * ended, self.z_floor * ended
        self.settled = ended - 1.0  # what a sound that has ended still carries, in backgrounds

    def loudest_cells(self, first: Ints, limit: Ints) -> Ints:
        """Return the loudest cell of each window of blocks ``first`` to ``limit``, (n,)."""
        cell = np.minimum(first // CELL, len(self.a_cells) - 1)
        length = np.maximum(limit // CELL - cell, 1)
        for rows, width in in_groups(length):
            cell[rows] += gathered(self.a_cells, cell[rows], length[rows], width, blank=-1.0).argmax(axis=1)
        return np.asarray(cell, np.int64)

    def ends(self, peak: Ints, limit: Ints) -> tuple[Ints, Ints, NDArray[np.bool_]]:
        """Return (block at which each sound has ended, the same unweighted and no earlier, whether the limit came).

        Args:
            peak: loudest cell of each window, (n,).
            limit: block where each window must end at the latest, (n,).
        """
        stop = limit // CELL - _SMOOTH
        fade = 10.0 ** (-0.1 * self.settings.faded_db)
        a = first_at_or_below(self.a_smooth, self.a_ended, fade * self.a_cells[peak], peak, stop)
        z = first_at_or_below(self.z_smooth, self.z_ended, fade * self.z_cells[peak], peak, stop)
        a_end, z_end = (np.where(k >= 0, np.minimum((k + 2) * CELL, limit), limit) for k in (a, z))
        return a_end, np.maximum(a_end, z_end), a < 0

    def rings_before(self, first: Ints, previous: Ints) -> tuple[Floats, Floats]:
        """Return (power above the background just before each window, its fall in 1/s) of what still sounds.

        Args:
            first: block where each window begins, (n,).
            previous: onset before it, frames from the beginning of the tile; -1 where there is none.
        """
        oldest = np.where(previous >= 0, np.maximum(previous // self.block + 2, 0), 0)
        span = np.clip(first - oldest, 1, 3 * CELL)
        power = (self.a_sum[first] - self.a_sum[np.maximum(first - span, 0)]) / (span * self.block)
        floor = self.a_floor[np.minimum(first // CELL, len(self.a_floor) - 1)]
        heard = (first - oldest >= 2) & (power - floor > 0.5 * floor) & self.known
        start = np.maximum(oldest // CELL + 1, first // CELL - _RING_CELLS)
        fall = late_rates(self.a_log, np.minimum(start, first // CELL), first // CELL, self.cell / self.rate)
        fall = np.where(heard & np.isfinite(fall), fall, RING_RATE)
        return np.where(heard, (power - floor) * np.exp(-0.5 * fall * span * self.step_s), 0.0), fall


def _median(values: NDArray[np.float32]) -> np.float32:
    """Return the median of numbers, as ``np.median`` does, which looks for NaN and takes ten times as long."""
    half = len(values) // 2
    part = np.partition(values, half)
    return part[half] if len(values) % 2 else np.float32(0.5) * (part[:half].max() + part[half])


def _cells(blocks: Floats) -> Floats:
    count = len(blocks) // CELL
    if not count:
        return np.array([blocks.sum() * CELL / max(len(blocks), 1)])
    return np.asarray(in_blocks(blocks[None], CELL, np.add)[0], np.float64)


def _forward_mean(cells: Floats) -> Floats:
    """Return the mean of each cell and the five behind it (fewer at the end)."""
    total = np.concatenate([[0.0], np.cumsum(cells)])
    at = np.arange(len(cells))
    stop = np.minimum(at + _SMOOTH, len(cells))
    return np.asarray((total[stop] - total[at]) / (stop - at), np.float64)
