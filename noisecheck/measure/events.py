"""Everything measured of the impacts of one tile of a recording."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.units import from_power_db, power_db
from noisecheck.measure.background import Background, background_of
from noisecheck.measure.bands import EXTRA, band_exposures, carried
from noisecheck.measure.decay import decay_time, late_rate, shortest_decay_s
from noisecheck.measure.levels import (
    BOUND_DB,
    CANDIDATES,
    LOW_DB,
    block_frames,
    block_sums,
    net_exposure,
    peak_candidates,
    true_peaks,
)
from noisecheck.measure.weighting import FAST_S, running, time_weighted

__all__ = [
    "DEFAULT",
    "MARGIN_AFTER_S",
    "MARGIN_BEFORE_S",
    "ChannelTile",
    "MeasureSettings",
    "checked",
    "measure_impacts",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
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
MARGIN_BEFORE_S: Final = 1.0
"""Sound a tile should hold before its first impact: what the weightings and the fast level remember."""
MARGIN_AFTER_S: Final = 4.2
"""Sound a tile should hold after its last impact: the longest window; less is flagged as a recording's end."""
_CELL: Final = 8  # blocks of 0.5 ms in a cell of 4 ms
_SMOOTH: Final = 6  # cells averaged to see where a sound ends
_PEAK_S: Final = 0.1  # the peak comes within this of the onset
_RING_PIECE_S: Final = 0.02
_RING_RATE: Final = 7.0  # 1/s: a ring of two seconds, where its own fall cannot be seen
_SLOWEST: Final = 0.7  # 1/s: a fall of 60 dB in 20 s is none
_LOST_LIMIT: Final = 1.0  # a completion may at most double the exposure
_BANDS: Final = slice(0, 30)
_MOMENTS: Final = slice(31, 61)
_RAIL: Final = 0.2
_RAIL_REACH: Final = 48
_FLOOR: Final = 1e-30
_FLOATS: Final = ("lzpeak_db", "lcpeak_db", "lafmax_db", "lae_db", "margin_db", "decay_ms", "centroid_hz")
_SHIFTED: Final = ("lzpeak_db", "lcpeak_db", "lafmax_db", "lae_db", "bands")


def measure_impacts(
    samples: NDArray[np.float32],
    rate: float,
    *,
    origin: int,
    onsets: ArrayLike,
    channels: ArrayLike,
    limits: ArrayLike,
    quiet: ArrayLike,
    offset_db: ArrayLike | None = None,
    settings: MeasureSettings = DEFAULT,
) -> dict[str, NDArray[Any]]:
    """Measure impacts and return columns of the impact table, one entry an impact.

    Args:
        samples: a tile of the recording, (frames, channels) float32, full scale 1.0.
        rate: frames a second.
        origin: frame of ``samples[0]`` in the recording.
        onsets: first arrivals, absolute frames, sorted, shape (n,).
        channels: channel to measure of each, shape (n,).
        limits: frame at which each window must end at the latest (next impact or end of the recording), (n,).
        quiet: spans of absolute frames without impacts, (m, 2); may be empty.
        offset_db: dB to add to get dB re 20 uPa, one number or one a channel; None leaves dB re full scale.
        settings: see :class:`MeasureSettings`.

    Returns:
        ``lzpeak_db``, ``lcpeak_db``, ``lafmax_db``, ``lae_db``, ``margin_db``, ``decay_ms``, ``centroid_hz`` (float64),
        ``bands`` (float32, (n, 30)) and ``flags`` (uint32). Levels follow IEC 61672-1:2013, bands IEC 61260-1:2014,
        the background correction ISO 3744:2010; ``decay_ms`` is that of the A-weighted event.

    Raises:
        InputError: shapes that do not fit together, or an impact outside the tile.
    """
    x, on, ch, lim, spans = checked(samples, origin, onsets, channels, limits, quiet)
    columns: dict[str, NDArray[Any]] = {name: np.full(len(on), np.nan) for name in _FLOATS}
    columns["bands"] = np.full((len(on), 30), np.nan, np.float32)
    columns["flags"] = np.full(len(on), Flag.UNCALIBRATED if offset_db is None else 0, np.uint32)
    offset = np.broadcast_to(np.asarray(0.0 if offset_db is None else offset_db, np.float64), x.shape[1])
    lead = origin % (_CELL * block_frames(rate))  # blocks and cells lie on one grid in every tile of a recording
    for channel in np.unique(ch):
        rows = np.flatnonzero(ch == channel)
        tile = ChannelTile(x[:, channel], rate, spans + lead, settings, lead=lead)
        for name, values in tile.measure(on + lead, rows, lim[rows] + lead).items():
            if name == "flags":
                columns[name][rows] |= values
            else:
                columns[name][rows] = values + (offset[channel] if name in _SHIFTED else 0.0)
    return columns


def checked(
    samples: NDArray[np.float32],
    origin: int,
    onsets: ArrayLike,
    channels: ArrayLike,
    limits: ArrayLike,
    quiet: ArrayLike,
) -> tuple[NDArray[np.float32], Ints, Ints, Ints, Ints]:
    """Return (samples, onsets, channels, limits, quiet) with frames relative to the tile, or raise ``InputError``."""
    x = np.asarray(samples)
    if x.ndim != 2:
        raise InputError(f"samples have shape {x.shape}, not (frames, channels): pass samples[:, None] for one channel")
    on, ch, lim = (np.asarray(v, np.int64).reshape(-1) for v in (onsets, channels, limits))
    if not len(on) == len(ch) == len(lim):
        raise InputError(f"{len(on)} onsets, {len(ch)} channels and {len(lim)} limits: one of each an impact is needed")
    spans = np.asarray(quiet, np.int64).reshape(-1, 2) - origin
    on, lim = on - origin, lim - origin
    if not len(on):
        return x, on, ch, lim, spans
    if np.any(np.diff(on) < 0):
        raise InputError("onsets are not sorted: sort onsets, channels and limits together")
    if on[0] < 0 or on[-1] >= len(x):
        wrong = int(on[0] if on[0] < 0 else on[-1]) + origin
        raise InputError(
            f"onset at frame {wrong} is outside the tile ({origin} to {origin + len(x)}): absolute frames?"
        )
    if ch.min() < 0 or ch.max() >= x.shape[1]:
        raise InputError(f"channel {int(ch.max())} of a recording with {x.shape[1]}: channels count from 0")
    return x, on, ch, lim, spans


class ChannelTile:
    """One channel of a tile: its weighted streams in blocks of 0.5 ms, its background, and its impacts."""

    def __init__(
        self, samples: NDArray[np.float32], rate: float, quiet: Ints, settings: MeasureSettings, *, lead: int = 0
    ) -> None:
        """Take one channel, shape (frames,); all positions count from ``lead`` frames of silence put before it."""
        self.lead = lead
        x = np.zeros(lead + len(samples), np.float32)
        x[lead:] = samples
        finite = np.isfinite(x)
        self.broken = np.empty(0, np.int64) if finite.all() else np.flatnonzero(~finite)
        x[self.broken] = 0.0
        x[lead:] -= np.float32(np.median(x[lead :: max(len(x) // 100_000, 1)]))  # the converter's offset is no sound
        self.x, self.rate, self.settings = x, rate, settings
        a, self.c = running(x, rate, ("A", "C"))
        self.block = block_frames(rate)
        self.step_s = self.block / rate
        self.a_blocks, self.z_blocks = block_sums(a, self.block), block_sums(x, self.block)
        self.a_sum = np.concatenate([[0.0], np.cumsum(self.a_blocks)])
        self.cell = _CELL * self.block
        self.a_cells, self.z_cells = _cells(self.a_blocks) / self.cell, _cells(self.z_blocks) / self.cell
        self.background: Background = background_of(x, self.a_blocks, self.z_blocks, self.block, rate, quiet)
        self.known = len(self.background) > 0
        self._floors()
        start = float(np.median(self.a_cells[: round(0.25 / (self.cell / rate))]))
        self.fast = time_weighted(self.a_blocks / self.block, self.step_s, constant_s=FAST_S, start=start)

    def _floors(self) -> None:
        """Set the background of every cell: what was quiet near by, else the tile's quietest tenth."""
        middle = (np.arange(len(self.a_cells), dtype=np.int64) * 2 + 1) * self.cell // 2
        if self.known:
            grid = np.arange(0, len(self.a_cells) + 50, 50)
            a, z, _ = self.background.at(grid * self.cell)
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

    def measure(self, onsets: Ints, rows: Ints, limits: Ints) -> dict[str, NDArray[Any]]:
        on = onsets[rows]
        earlier = np.searchsorted(onsets, on, side="left") - 1
        n, frames, s = len(on), len(self.x), self.settings
        before = max(round(s.before_ms * 1e-3 * self.rate / self.block), 1)
        limits = np.minimum(limits, frames)
        at_edge = limits >= frames
        first = np.maximum(on // self.block - before, 0)
        limit = np.where(at_edge, frames // self.block, limits // self.block - before)
        limit = np.minimum(limit, first + round(s.longest_s / self.step_s))
        limit = np.minimum(np.maximum(limit, on // self.block + 2), len(self.a_blocks))
        a_noise, _, band_noise = self.background.at(on)
        flags = np.zeros(n, np.uint32)
        if not self.known:
            flags |= np.uint32(Flag.NO_BACKGROUND)
            a_noise, band_noise = np.zeros(n), np.zeros((n, 30 + EXTRA))
        flags[on - self.lead < before * self.block] |= np.uint32(Flag.FILE_EDGE)

        z_at, c_at = np.empty((n, CANDIDATES), np.int64), np.empty((n, CANDIDATES), np.int64)
        a_end, z_end = np.empty(n, np.int64), np.empty(n, np.int64)
        fall, left, ring, ring_fall = np.empty(n), np.empty(n), np.zeros(n), np.full(n, _RING_RATE)
        decay = np.full(n, np.nan)
        top, peak_at = np.empty(n), np.empty(n, np.int64)
        cut = np.zeros(n, bool)
        reach, shortest = int(_PEAK_S * self.rate), shortest_decay_s(0.45 * self.rate, reversed_filter=False)
        step = self.cell / self.rate
        for i in range(n):
            b0, b1 = int(first[i]), int(limit[i])
            k0, k1 = b0 // _CELL, b1 // _CELL
            ring[i], ring_fall[i] = self._ring_before(b0, int(onsets[earlier[i]]) if earlier[i] >= 0 else -1)
            peak = k0 + int(self.a_cells[k0 : max(k1, k0 + 1)].argmax())
            a_end[i], cut[i] = self._end(self.a_smooth, self.a_ended, self.a_cells[peak], peak, b1)
            z_end[i], _ = self._end(self.z_smooth, self.z_ended, self.z_cells[peak], peak, b1)
            z_end[i] = max(z_end[i], a_end[i])
            k_end = int(a_end[i]) // _CELL
            peak_at[i], top[i] = peak * _CELL + _CELL // 2, self.a_cells[peak]
            fall[i] = late_rate(self.a_log[peak:k_end], step)
            span = min(max((int(a_end[i]) - b0) // 4, 1), 2 * _CELL)
            left[i] = (self.a_sum[a_end[i]] - self.a_sum[a_end[i] - span]) / (span * self.block)
            power = self.a_blocks[b0 : a_end[i]] / self.block
            if ring[i] > 0:
                power -= ring[i] * np.exp(-ring_fall[i] * self.step_s * np.arange(len(power)))
            floor = float(self.a_floor[min(peak, len(self.a_floor) - 1)])
            seconds, word = decay_time(power, self.step_s, noise=floor, shortest_s=shortest)
            decay[i] = 1e3 * seconds
            flags[i] |= np.uint32(word)
            stop = min(b0 * self.block + reach, b1 * self.block)
            start = b0 * self.block
            z_at[i] = start + peak_candidates(self.x[start:stop])
            c_at[i] = start + peak_candidates(self.c[start:stop])

        seconds_in = (a_end - first) * self.step_s
        gross = (self.a_sum[a_end] - self.a_sum[first]) / self.rate
        faded = np.exp(-ring_fall * seconds_in)
        ring_in = ring * (1.0 - faded) / ring_fall
        noise = a_noise * seconds_in + ring_in
        net = net_exposure(gross, noise)
        rest = np.maximum(left - a_noise - ring * faded, 0.0)
        # a short late slope is uncertain and the slope of the whole may be curved: their mean serves best
        since_peak = np.maximum((a_end - peak_at) * self.step_s, self.step_s)
        with np.errstate(divide="ignore", invalid="ignore"):
            whole = np.log(np.maximum(top / np.maximum(rest, _FLOOR), 1.0)) / since_peak
            rate = np.where(np.isfinite(fall) & (whole > _SLOWEST), 0.5 * (fall + whole), np.nan)
            lost = np.where(cut, rest, self.settled * a_noise) / rate
        lost[~cut & ~np.isfinite(rate)] = 0.0
        unknown = ~np.isfinite(lost)
        lost = np.minimum(np.where(unknown, rest * np.minimum(seconds_in, 0.1), lost), _LOST_LIMIT * net)
        share = float(from_power_db(s.lost_db)) - 1.0
        truncated = cut & (lost > share * net)
        flags[truncated] |= np.uint32(Flag.TRUNCATED)
        flags[truncated & at_edge] |= np.uint32(Flag.FILE_EDGE)
        flags[(truncated & ~at_edge) | (ring_in > share * net)] |= np.uint32(Flag.OVERLAPPED)
        total = net + np.where(unknown, 0.0, lost)
        with np.errstate(divide="ignore", invalid="ignore"):
            margin = np.where(noise > 0, power_db(gross) - power_db(noise), np.nan if not self.known else np.inf)
        flags[margin < LOW_DB] |= np.uint32(Flag.LOW_MARGIN)
        flags[margin < BOUND_DB] |= np.uint32(Flag.BOUND)

        bands, centroid = self._bands(first, z_end, band_noise, np.where(ring_in > 0.005 * net, ring, 0.0), ring_fall)
        if not carried(self.rate).all():
            flags |= np.uint32(Flag.BAND_LIMITED)
        last = np.maximum(np.minimum(a_end + round(0.03 / self.step_s), limit), first + 1)
        loudest = np.array([self.fast[b0:b1].max() for b0, b1 in zip(first, last, strict=True)])
        out: dict[str, NDArray[Any]] = {
            "lzpeak_db": 2.0 * power_db(true_peaks(self.x, z_at)),
            "lcpeak_db": 2.0 * power_db(true_peaks(self.c, c_at)),
            "lafmax_db": power_db(loudest),
            "lae_db": power_db(total),
            "margin_db": margin,
            "decay_ms": decay,
            "centroid_hz": centroid,
            "bands": bands,
            "flags": flags,
        }
        flags[self._clipped(z_at[:, 0])] |= np.uint32(Flag.CLIPPED)
        if len(self.broken):
            self._break(out, first, z_end)
        for name in _FLOATS:
            out[name][~np.isfinite(out[name])] = np.nan
        return out

    def _end(self, smooth: Floats, ended: Floats, loudest: float, peak: int, limit: int) -> tuple[int, bool]:
        """Return (block at which the sound has ended, whether the limit came first)."""
        stop = limit // _CELL - _SMOOTH
        if stop > peak:
            faded = loudest * 10.0 ** (-0.1 * self.settings.faded_db)
            over = smooth[peak:stop] <= np.maximum(ended[peak:stop], faded)
            k = int(over.argmax())
            if over[k]:
                return min((peak + k + 2) * _CELL, limit), False
        return limit, True

    def _ring_before(self, first: int, previous: int) -> tuple[float, float]:
        """Return (power above the background just before a window, its fall in 1/s) of what still sounds."""
        oldest = max(previous // self.block + 2, 0) if previous >= 0 else 0
        span = min(3 * _CELL, first - oldest)
        if span < 2:
            return 0.0, _RING_RATE
        power = float(self.a_sum[first] - self.a_sum[first - span]) / (span * self.block)
        cell = min(first // _CELL, len(self.a_floor) - 1)
        above = power - float(self.a_floor[cell])
        if above <= 0.5 * float(self.a_floor[cell]) or not self.known:
            return 0.0, _RING_RATE
        start = max(oldest // _CELL + 1, first // _CELL - 25)
        fall = late_rate(self.a_log[start : first // _CELL], self.cell / self.rate)
        fall = fall if math.isfinite(fall) else _RING_RATE
        return above * math.exp(-0.5 * fall * span * self.step_s), fall

    def _bands(
        self, first: Ints, end: Ints, noise: Floats, ring: Floats, ring_fall: Floats
    ) -> tuple[NDArray[np.float32], Floats]:
        """Return (band levels, centroids) of windows that fade in and out over the time before an onset."""
        fade = max(round(self.settings.before_ms * 1e-3 * self.rate), 2)
        ramp = (np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / fade) ** 2).astype(np.float32)
        pieces: list[NDArray[np.float32]] = []
        for b0, b1 in zip((first * self.block).tolist(), (end * self.block).tolist(), strict=True):
            piece = self.x[b0:b1].copy()
            side = min(fade, len(piece) // 2)
            piece[:side] *= ramp[:side]
            piece[len(piece) - side :] *= ramp[:side][::-1]
            pieces.append(piece)
        exposure = band_exposures(pieces, self.rate)
        lasted = np.maximum((end - first) * self.step_s - 1.25 * fade / self.rate, self.step_s)
        below = noise * lasted[:, None]
        sounding = np.flatnonzero((ring > 0) & (first * self.block > _RING_PIECE_S * self.rate))
        if len(sounding):
            length = int(_RING_PIECE_S * self.rate)
            window = np.sin(np.pi * (np.arange(length) + 0.5) / length).astype(np.float32)
            stops = (first[sounding] * self.block).tolist()
            power = band_exposures([self.x[b - length : b] * window for b in stops], self.rate) / (
                0.5 * length / self.rate
            )
            above = np.maximum(power - noise[sounding], 0.0)
            fall = ring_fall[sounding]
            kept = np.exp(-0.5 * fall * length / self.rate) * (1.0 - np.exp(-fall * lasted[sounding])) / fall
            below[sounding] += above * kept[:, None]
        clear = exposure[:, _BANDS] > below[:, _BANDS] * float(from_power_db(BOUND_DB))
        energy, moment = (np.where(clear, exposure[:, c] - below[:, c], 0.0).sum(axis=1) for c in (_BANDS, _MOMENTS))
        with np.errstate(divide="ignore", invalid="ignore"):
            centre = moment / energy
        levels = power_db(net_exposure(exposure[:, _BANDS], below[:, _BANDS])).astype(np.float32)
        levels[:, ~carried(self.rate)] = np.nan
        return levels, centre

    def _clipped(self, at: Ints) -> NDArray[np.bool_]:
        """Return where the peak is a run of three or more equal samples entered steeply: a rail."""
        padded = np.pad(self.x, _RAIL_REACH)
        around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _RAIL_REACH + 1)[at]
        top = self.x[at][:, None]
        part = around / np.where(
            np.abs(top) >= _RAIL, top, np.inf
        )  # of the same sign: the offset taken off shifts rails
        rail = part >= np.float32(0.99999)
        run = (rail[:, :-2] & rail[:, 1:-1] & rail[:, 2:]).any(axis=1)
        steep = np.where(rail, 0.0, part).max(axis=1) < 0.999
        return np.asarray(run & steep)

    def _break(self, out: dict[str, NDArray[Any]], first: Ints, end: Ints) -> None:
        """Empty the cells of impacts whose window holds samples that are no numbers."""
        a = np.searchsorted(self.broken, first * self.block)
        b = np.searchsorted(self.broken, end * self.block)
        hit = b > a
        for name in (*_FLOATS, "bands"):
            out[name][hit] = np.nan
        out["flags"][hit] |= np.uint32(Flag.NONFINITE)


def _cells(blocks: Floats) -> Floats:
    count = len(blocks) // _CELL
    if not count:
        return np.array([blocks.sum() * _CELL / max(len(blocks), 1)])
    return np.asarray(blocks[: count * _CELL].reshape(count, _CELL).sum(axis=1), np.float64)


def _forward_mean(cells: Floats) -> Floats:
    """Return the mean of each cell and the five behind it (fewer at the end)."""
    total = np.concatenate([[0.0], np.cumsum(cells)])
    at = np.arange(len(cells))
    stop = np.minimum(at + _SMOOTH, len(cells))
    return np.asarray((total[stop] - total[at]) / (stop - at), np.float64)
