"""Everything measured of the impacts of one tile of a recording."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.order import distinct
from noisecheck.core.table import band_set
from noisecheck.core.units import from_power_db, power_db
from noisecheck.core.windows import windows
from noisecheck.measure.bands import EXTRA, band_exposures, carried
from noisecheck.measure.channel import CELL, DEFAULT, ChannelTile, MeasureSettings
from noisecheck.measure.decay import decay_times, late_rates, shortest_decay_s
from noisecheck.measure.levels import BOUND_DB, LOW_DB, block_frames, net_exposure
from noisecheck.measure.peaks import peak_candidates, true_peaks
from noisecheck.measure.windows import around, gathered, in_groups, maxima

__all__ = ["MARGIN_AFTER_S", "MARGIN_BEFORE_S", "checked", "measure_impacts"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


MARGIN_BEFORE_S: Final = 1.0
"""Sound a tile should hold before its first impact: what the weightings and the fast level remember."""
MARGIN_AFTER_S: Final = 4.2
"""Sound a tile should hold after its last impact: the longest window; less is flagged as a recording's end."""
_PEAK_S: Final = 0.1  # the peak comes within this of the onset
_RING_PIECE_S: Final = 0.02
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
    wanted: ArrayLike = True,
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
        wanted: which are measured, (n,) or one value; the others ring before them only, and their entries tell nothing.
        offset_db: dB to add to get dB re 20 uPa, one number or one a channel; None leaves dB re full scale.
        settings: see :class:`MeasureSettings`.

    Returns:
        ``lzpeak_db``, ``lcpeak_db``, ``lafmax_db``, ``lae_db``, ``margin_db``, ``decay_ms``, ``centroid_hz`` (float64),
        ``bands`` (float32, (n, 30)), ``bound_bands`` (uint32, a set of bands) and ``flags`` (uint32). Levels follow
        IEC 61672-1:2013, bands IEC 61260-1:2014, the background correction ISO 3744:2010; ``decay_ms`` is that of the
        A-weighted event.

    Raises:
        InputError: shapes that do not fit together, or an impact outside the tile.
    """
    x, on, ch, lim, spans = checked(samples, origin, onsets, channels, limits, quiet)
    columns: dict[str, NDArray[Any]] = {name: np.full(len(on), np.nan) for name in _FLOATS}
    columns["bands"] = np.full((len(on), 30), np.nan, np.float32)
    columns["bound_bands"] = np.zeros(len(on), np.uint32)
    columns["flags"] = np.full(len(on), Flag.UNCALIBRATED if offset_db is None else 0, np.uint32)
    offset = np.broadcast_to(np.asarray(0.0 if offset_db is None else offset_db, np.float64), x.shape[1])
    lead = origin % (CELL * block_frames(rate))  # blocks and cells lie on one grid in every tile of a recording
    asked = np.broadcast_to(np.asarray(wanted, bool), on.shape)
    for channel in distinct(ch[asked]):
        rows = np.flatnonzero(asked & (ch == channel))
        tile = ChannelTile(x[:, channel], rate, spans + lead, settings, lead=lead)
        for name, values in _measured(tile, on + lead, rows, lim[rows] + lead).items():
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


def _measured(tile: ChannelTile, onsets: Ints, rows: Ints, limits: Ints) -> dict[str, NDArray[Any]]:
    """Return the columns of the impacts ``rows`` of ``onsets``, whose windows end at ``limits`` at the latest."""
    on, s, block, step_s = onsets[rows], tile.settings, tile.block, tile.step_s
    earlier = np.searchsorted(onsets, on, side="left") - 1
    n, frames, blocks = len(on), len(tile.x), len(tile.a_blocks)
    before = max(round(s.before_ms * 1e-3 * tile.rate / block), 1)
    limits = np.minimum(limits, frames)
    at_edge = limits >= frames
    first = np.maximum(on // block - before, 0)
    limit = np.where(at_edge, frames // block, limits // block - before)
    limit = np.minimum(limit, first + round(s.longest_s / step_s))
    limit = np.minimum(np.maximum(limit, on // block + 2), blocks)
    a_noise, _, band_noise = tile.background.at(on)
    flags = np.zeros(n, np.uint32)
    if not tile.known:
        flags |= np.uint32(Flag.NO_BACKGROUND)
        a_noise, band_noise = np.zeros(n), np.zeros((n, 30 + EXTRA))
    flags[on - tile.lead < before * block] |= np.uint32(Flag.FILE_EDGE)

    ring, ring_fall = tile.rings_before(first, np.where(earlier >= 0, onsets[np.maximum(earlier, 0)], -1))
    peak = tile.loudest_cells(first, limit)
    a_end, z_end, cut = tile.ends(peak, limit)
    decay, words = _decays(tile, first, a_end, peak, ring, ring_fall)
    flags |= words

    seconds_in = (a_end - first) * step_s
    gross = (tile.a_sum[a_end] - tile.a_sum[first]) / tile.rate
    faded = np.exp(-ring_fall * seconds_in)
    ring_in = ring * (1.0 - faded) / ring_fall
    noise = a_noise * seconds_in + ring_in
    net = net_exposure(gross, noise)
    span = np.clip((a_end - first) // 4, 1, 2 * CELL)
    left = (tile.a_sum[a_end] - tile.a_sum[a_end - span]) / (span * block)
    rest = np.maximum(left - a_noise - ring * faded, 0.0)
    # a short late slope is uncertain and the slope of the whole may be curved: their mean serves best
    since_peak = np.maximum((a_end - peak * CELL - CELL // 2) * step_s, step_s)
    fall = late_rates(tile.a_log, peak, a_end // CELL, tile.cell / tile.rate)
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = np.log(np.maximum(tile.a_cells[peak] / np.maximum(rest, _FLOOR), 1.0)) / since_peak
        rate = np.where(np.isfinite(fall) & (whole > _SLOWEST), 0.5 * (fall + whole), np.nan)
        lost = np.where(cut, rest, tile.settled * a_noise) / rate
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
        margin = np.where(noise > 0, power_db(gross) - power_db(noise), np.nan if not tile.known else np.inf)
    flags[margin < LOW_DB] |= np.uint32(Flag.LOW_MARGIN)
    flags[margin < BOUND_DB] |= np.uint32(Flag.BOUND)

    sounding = np.where(ring_in > 0.005 * net, ring, 0.0)
    bands, bounds, centroid = _bands(tile, first, z_end, band_noise, sounding, ring_fall)
    if not carried(tile.rate).all():
        flags |= np.uint32(Flag.BAND_LIMITED)
    last = np.maximum(np.minimum(a_end + round(0.03 / step_s), limit), first + 1)
    searched = np.minimum(first + round(_PEAK_S / step_s), limit)
    z_at, c_at = (peak_candidates(signal, block, first, searched) for signal in (tile.x, tile.c))
    out: dict[str, NDArray[Any]] = {
        "lzpeak_db": 2.0 * power_db(true_peaks(tile.x, z_at)),
        "lcpeak_db": 2.0 * power_db(true_peaks(tile.c, c_at)),
        "lafmax_db": power_db(maxima(tile.fast, first, last)),
        "lae_db": power_db(total),
        "margin_db": margin,
        "decay_ms": decay,
        "centroid_hz": centroid,
        "bands": bands,
        "bound_bands": bounds,
        "flags": flags,
    }
    flags[_clipped(tile, z_at[:, 0])] |= np.uint32(Flag.CLIPPED)
    if len(tile.broken):
        _break(tile, out, first, z_end)
    for name in _FLOATS:
        out[name][~np.isfinite(out[name])] = np.nan
    return out


def _decays(
    tile: ChannelTile, first: Ints, end: Ints, peak: Ints, ring: Floats, ring_fall: Floats
) -> tuple[Floats, NDArray[np.uint32]]:
    """Return (decays in ms, their flags) of the A-weighted windows, the ring of the impact before taken off."""
    seconds, flags = np.empty(len(first)), np.empty(len(first), np.uint32)
    shortest = shortest_decay_s(0.45 * tile.rate, reversed_filter=False)
    floor = tile.a_floor[np.minimum(peak, len(tile.a_floor) - 1)]
    for rows, width in in_groups(end - first):
        power = gathered(tile.a_blocks, first[rows], (end - first)[rows], width, blank=0.0) / tile.block
        over = np.flatnonzero(ring[rows] > 0)
        fading = np.exp(-ring_fall[rows[over], None] * tile.step_s * np.arange(width))
        power[over] -= ring[rows[over], None] * fading
        seconds[rows], flags[rows] = decay_times(
            power, (end - first)[rows], tile.step_s, noise=floor[rows], shortest_s=shortest
        )
    return 1e3 * seconds, flags


def _bands(
    tile: ChannelTile, first: Ints, end: Ints, noise: Floats, ring: Floats, ring_fall: Floats
) -> tuple[NDArray[np.float32], NDArray[np.uint32], Floats]:
    """Return (band levels, bands that are bounds, centroids) of windows that fade over the time before an onset."""
    fade = max(round(tile.settings.before_ms * 1e-3 * tile.rate), 2)
    ramp = (np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / fade) ** 2).astype(np.float32)
    spans = zip((first * tile.block).tolist(), (end * tile.block).tolist(), strict=True)
    exposure = band_exposures([tile.x[b0:b1] for b0, b1 in spans], tile.rate, ramp)
    lasted = np.maximum((end - first) * tile.step_s - 1.25 * fade / tile.rate, tile.step_s)
    below = noise * lasted[:, None]
    sounding = np.flatnonzero((ring > 0) & (first * tile.block > _RING_PIECE_S * tile.rate))
    if len(sounding):
        length = int(_RING_PIECE_S * tile.rate)
        window = np.sin(np.pi * (np.arange(length) + 0.5) / length).astype(np.float32)
        before = windows(tile.x, length)[first[sounding] * tile.block - length]
        power = band_exposures(list(before * window), tile.rate) / (0.5 * length / tile.rate)
        above = np.maximum(power - noise[sounding], 0.0)
        fall = ring_fall[sounding]
        kept = np.exp(-0.5 * fall * length / tile.rate) * (1.0 - np.exp(-fall * lasted[sounding])) / fall
        below[sounding] += above * kept[:, None]
    clear = exposure[:, _BANDS] > below[:, _BANDS] * float(from_power_db(BOUND_DB))
    energy, moment = (np.where(clear, exposure[:, c] - below[:, c], 0.0).sum(axis=1) for c in (_BANDS, _MOMENTS))
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = moment / energy
    levels = power_db(net_exposure(exposure[:, _BANDS], below[:, _BANDS])).astype(np.float32)
    levels[:, ~carried(tile.rate)] = np.nan
    return levels, band_set(~clear & carried(tile.rate)), centre


def _clipped(tile: ChannelTile, at: Ints) -> NDArray[np.bool_]:
    """Return where the peak is a run of three or more equal samples entered steeply: a rail."""
    top = tile.x[at][:, None]
    rails = np.where(np.abs(top) >= _RAIL, top, np.inf)
    part = around(tile.x, at, _RAIL_REACH) / rails  # of the same sign: the offset taken off shifts rails
    rail = part >= np.float32(0.99999)
    run = (rail[:, :-2] & rail[:, 1:-1] & rail[:, 2:]).any(axis=1)
    steep = np.where(rail, 0.0, part).max(axis=1) < 0.999
    return np.asarray(run & steep & (part.max(axis=1) <= np.float32(1.00001)))  # nothing is beyond a rail


def _break(tile: ChannelTile, out: dict[str, NDArray[Any]], first: Ints, end: Ints) -> None:
    """Empty the cells of impacts whose window holds samples that are no numbers."""
    a = np.searchsorted(tile.broken, first * tile.block)
    b = np.searchsorted(tile.broken, end * tile.block)
    hit = b > a
    for name in (*_FLOATS, "bands"):
        out[name][hit] = np.nan
    out["flags"][hit] &= ~np.uint32(Flag.DECAY_T10 | Flag.DECAY_T20)
    out["flags"][hit] |= np.uint32(Flag.NONFINITE | Flag.NO_DECAY)
