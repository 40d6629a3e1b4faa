"""How strongly each frame says that something new sounds, against what the recent past explains.

For each band the energy of a frame is compared with the most that the past accounts for: the background
floor, what leaks into it of louder low notes, and what still rings from the last tens of milliseconds, allowed to fall
no faster than a set rate (so that the beating of a ring is not taken for a new sound). The two are energies of
independent Gaussian samples under the null hypothesis, so the generalised likelihood ratio for "the variance went up"
has a closed form; the log-likelihood ratios of the bands are added.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import medians
from noisecheck.core.records import record
from noisecheck.core.windows import windows
from noisecheck.detect.coded import kept_bands
from noisecheck.detect.spectra import PAIR, FrameGrid

__all__ = [
    "FLOOR_CELLS",
    "FLOOR_EVERY",
    "Novelty",
    "floor_after",
    "floor_of",
    "memory_frames",
    "novelty",
    "quantile_of",
    "quiet_of",
]

Floats = NDArray[np.float32]

FLOOR_CELLS = 5
FLOOR_EVERY = 4
"""Of the frames of a cell every so many make its floor; neighbours overlap."""
_FLOOR_QUANTILE = 0.2
_FLOOR_SCALE = 1.6  # mean over 20 % quantile for the few degrees of freedom of a frame
_FINE = (0.004, 500.0, 1)
_COARSE = (0.012, 250.0, PAIR)
"""What the past explains begins so many s ago and falls by so many dB/s; there is an energy for each so many frames."""
_SPAN_DB = 32.0
_BAND_CAP = 12.0
_BEYOND = np.float32(1e12)
"""Far beyond the cap; its third power is finite."""
_FINE_DOF = 5.0
_COARSE_DOF = 3.0
_LEAKING = 6
"""Of so many of the lowest bands, where machines rumble, side lobes of the window reach the bands above..."""
_LOBE = 3.0
_LEAKS = 0.3
"""... so many bins away and more (nearer is their own), by 1 / pi^2 / (d^3 - d)^2 of a tone's energy d bins away at
most: three times as much, since what sounds at a frame's ends, where it leaks, may be louder than in its middle."""
_SPILLS = 10.0**-6.6
"""Share of a band's energy in any other one: no chain is cleaner, least of all one that took another rate to this one,
whose empty bands hold images of the low ones, alike in all."""
_CHUNK = 4096
_TINY = np.float32(1e-13)  # -130 dB re full scale, below any converter: digital silence stays finite


@record
class Novelty:
    """Log-likelihood ratios per frame, each (frames,) float32, and the energy that is new.

    Of several channels worked out at once (frames, channels), with their bands side by side.
    """

    fine: Floats
    coarse: Floats
    new_energy: Floats
    """Energy above what the past explains, summed over the fine bands."""
    energy: Floats
    """Fine band energies, (frames, bands)."""
    floor: Floats
    """Their background, (cells, bands)..."""
    cell: NDArray[np.int64]
    """... and which cell each frame lies in, (frames,)."""

    def floor_at(self, frames: NDArray[np.int64]) -> Floats:
        """Return the background at some frames, (m, bands); beyond the ends it is as there."""
        return self.floor.take(self.cell.take(frames, mode="clip"), axis=0)


def floor_of(energy: Floats, cell: int, *, each: int = 1, earlier: list[Floats] | None = None) -> Floats:
    """Return the background energy per band for each cell of ``cell`` frames, shape (n_cells, bands).

    Of the energies there is one for every ``each`` frames. A cell's floor is the median, over the ``FLOOR_CELLS`` cells
    before it, of the 20 % quantile of their frames: what comes later never matters, so a live stream and a file agree.
    The first cell uses itself.
    ``earlier`` are the quantiles (:func:`quiet_of`) of cells before those, where there are any.
    """
    before = earlier or []
    rows = cell // each
    whole = len(energy) // rows * rows
    rest = [quiet_of(energy[whole:], each)] if whole < len(energy) else []
    cells = energy[:whole].reshape(-1, rows, energy.shape[1])[:, :: FLOOR_EVERY // each]
    quiet = np.array([*before, *quantile_of(cells.swapaxes(0, 1)), *rest])
    few = range(len(before), min(FLOOR_CELLS, len(quiet)))
    floors = [floor_after(quiet[max(0, c - FLOOR_CELLS) : max(c, 1)])[None] for c in few]
    if len(quiet) > FLOOR_CELLS:
        past = windows(quiet[:-1].T, FLOOR_CELLS).transpose(1, 2, 0)
        floors.append(floor_after(past[max(len(before) - FLOOR_CELLS, 0) :]))
    return np.concatenate(floors)


def quiet_of(energy: Floats, each: int = 1) -> Floats:
    """Return the 20 % quantile over the frames of one cell, per band, from energies of every ``each`` frames."""
    return quantile_of(energy[:: FLOOR_EVERY // each])


def quantile_of(part: Floats) -> Floats:
    """Return the same of the frames that make a floor, (frames, ..., bands)."""
    k = int(_FLOOR_QUANTILE * len(part))
    # Side by side they are parted in two thirds of the time.
    return np.asarray(np.partition(np.ascontiguousarray(np.moveaxis(part, 0, -1)), k)[..., k])


def floor_after(quiet: Floats) -> Floats:
    """Return the background per band, (..., bands), behind cells of :func:`quiet_of`, (..., cells, bands)."""
    return np.maximum(medians(quiet, -2) * np.float32(_FLOOR_SCALE), _TINY)


def _falling_max(energy: Floats, fall_db: float, frames: int) -> Floats:
    """Return ``max over tau in 0..frames of energy[t - tau] * 10^(-fall_db * tau / 10)``, in log2(frames) passes."""
    out = energy.copy()
    shift = 1
    while shift < frames:
        faded = out[:-shift] * np.float32(10.0 ** (-fall_db * shift / 10.0))
        np.maximum(out[shift:], faded, out=out[shift:])
        shift *= 2
    return out


def _band_evidence(energy: Floats, past: Floats, dof: Floats, most: Floats) -> Floats:
    """Return ``min(dof * (3 ln((r + 2) / 3) - ln r), cap)`` summed over each channel's bands, r = energy / past > 1.

    ``most`` is cap / dof, a row a frame: with rows of their own a pass takes a third of the time.
    """
    ratio = np.divide(energy, past)
    # Logarithms take most of the time, and only one band in five is above what the past explains.
    above = np.flatnonzero(~(ratio <= np.float32(1.0)))
    some = np.minimum(ratio.reshape(-1)[above], _BEYOND)
    part = some + np.float32(2.0)
    part *= np.float32(1.0 / 3.0)
    cubed = part * part
    part *= cubed
    part /= some
    np.log(part, out=part)
    score = np.zeros_like(ratio)
    score.reshape(-1)[above] = np.minimum(part, most.reshape(-1)[above], out=part)
    return np.asarray(np.einsum("ijk,k->ij", score.reshape(len(score), -1, len(dof)), dof), np.float32)


def _reach(lag: int, fall_db: float) -> int:
    return lag + 2 ** int(np.ceil(np.log2(_SPAN_DB / fall_db)))


def memory_frames(grid: FrameGrid) -> int:
    """Return how many frames (whole pairs) before it the evidence of a frame depends on (besides the floor)."""
    reaches = (
        each * _reach(*_lag_and_fall(grid, seconds, fall_db_s, each)) for seconds, fall_db_s, each in (_FINE, _COARSE)
    )
    return -(-max(reaches) // PAIR) * PAIR


def _lag_and_fall(grid: FrameGrid, seconds: float, fall_db_s: float, each: int) -> tuple[int, float]:
    """Return the lag in energies of every ``each`` frames, and the fall in dB from one to the next."""
    step_s = each * grid.hop / grid.rate
    return max(1, round(seconds / step_s)), fall_db_s * step_s


@lru_cache(maxsize=16)
def _leak(bins: tuple[int, ...]) -> Floats:
    """Return how much of the energy of each band comes into each other one, (bands, bands)."""
    first, end = np.array(bins[:-1]), np.array(bins[1:])
    out = np.full((len(first), len(first)), _SPILLS, np.float32)
    np.fill_diagonal(out, 0.0)
    for low in range(min(_LEAKING, len(first))):
        for band in range(low + 1, len(first)):
            apart = np.arange(first[band], end[band]) - (end[low] - 1.0)
            apart = apart[apart >= _LOBE]
            out[low, band] += np.sum(_LEAKS / (apart * (apart**2 - 1.0)) ** 2)
    return out


def _explain_leaks(past: Floats, energy: Floats, leak: Floats) -> None:
    """Let the past explain, in place, what leaks into the bands of one channel, (frames, bands)."""
    np.maximum(past, np.maximum(past, energy) @ leak, out=past)


def _resolution(
    energy: Floats,
    floor: Floats,
    cell: NDArray[np.int64],
    lag: int,
    fall_db: float,
    *,
    dof: Floats,
    leak: Floats,
    with_new: bool,
    coded: bool,
) -> tuple[Floats, Floats]:
    """Return evidence and, where wanted, new energy per frame for one resolution, computed in cache-sized chunks."""
    kept = kept_bands(floor, len(dof)) if coded else None
    reach = _reach(lag, fall_db)
    channels = energy.shape[1] // len(dof)
    evidence = np.zeros((len(energy), channels), np.float32)
    new = np.zeros_like(evidence) if with_new else evidence
    most = np.tile(np.float32(_BAND_CAP) / dof, (min(_CHUNK, len(energy)), channels))
    leaks = np.tile(leak.sum(axis=0), channels)
    for start in range(0, len(energy), _CHUNK):
        stop = min(start + _CHUNK, len(energy))
        lead = min(start, reach)
        piece = energy[start - lead : stop]
        held = _falling_max(piece, fall_db, reach - lag)
        past = np.empty((stop - start, energy.shape[1]), np.float32)
        behind = min(lag, lead)
        past[lag - behind :] = held[lead - behind : len(held) - lag] if len(held) > lag else held[:0]
        past[: lag - behind] = held[0]
        here = floor[cell[start] : cell[stop - 1] + 1]
        np.maximum(past, floor.take(cell[start:stop], axis=0), out=past)
        loudest = max(float(piece.max()), float(here.max()))
        if (loudest * leaks > here.min(axis=0)).any():
            for first in range(0, past.shape[1], len(dof)):
                one = slice(first, first + len(dof))
                _explain_leaks(past[:, one], energy[start:stop, one], leak)
        heard = energy[start:stop]
        if kept is not None:  # (A band that opens knows what rang in it.)
            heard = heard * kept.take(cell[start:stop], axis=0)
        evidence[start:stop] = _band_evidence(heard, past, dof, most)
        if with_new:
            above = np.subtract(heard, past, out=past)
            np.maximum(above, np.float32(0.0), out=above)
            # (Unlike a sum over the last axis, fast for short rows.)
            np.einsum("ijk->ij", above.reshape(stop - start, channels, -1), out=new[start:stop])
    return (evidence, new) if channels > 1 else (evidence[:, 0], new[:, 0])


def novelty(
    fine: Floats,
    coarse: Floats,
    grid: FrameGrid,
    *,
    floors: tuple[Floats, Floats] | None = None,
    phase: int = 0,
    coded: bool = False,
) -> Novelty:
    """Return the evidence per frame.

    Args:
        fine: band energies (frames, bands) of the fine frames, the first at a whole floor cell; of several channels
            side by side.
        coarse: those of the coarse frames, one for every pair.
        grid: frames and bands.
        floors: background of both, (cells, bands) each, of the cells from that of the first frame on, where it is
            known already (a stream); None: worked out by :func:`floor_of`.
        phase: frames (whole pairs) of its cell before the first one (0 without ``floors``).
        coded: the sound went through a lossy codec: bands in which it keeps no background tell nothing.
    """
    length = grid.cell
    fine_floor, coarse_floor = floors or (floor_of(fine, length), floor_of(coarse, length, each=PAIR))
    cell = (np.arange(len(fine)) + phase) // length
    f_evidence, f_new = _resolution(
        fine,
        fine_floor,
        cell,
        *_lag_and_fall(grid, *_FINE),
        dof=np.minimum(grid.fine_width, np.float32(_FINE_DOF)),
        leak=_leak(grid.fine_bins),
        with_new=True,
        coded=coded,
    )
    c_evidence, _ = _resolution(
        coarse,
        coarse_floor,
        cell[::PAIR],
        *_lag_and_fall(grid, *_COARSE),
        dof=np.minimum(grid.coarse_width, np.float32(_COARSE_DOF)),
        leak=_leak(grid.coarse_bins),
        with_new=False,
        coded=coded,
    )
    c_evidence = np.repeat(c_evidence, PAIR, axis=0)[: len(fine)]
    return Novelty(f_evidence, c_evidence, f_new, fine, fine_floor, cell)
