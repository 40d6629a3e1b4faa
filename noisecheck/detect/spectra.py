"""Band energies of short frames at two resolutions, on one grid of frames.

The fine frames (5.3 ms) tell *when*; the coarse ones (21 ms at a reduced rate) tell low notes apart,
where a thud on a soft pad lives. Frame ``i`` is centred on sample ``i * hop`` of the recording in both,
so the values do not depend on where a tile was cut.
"""

from __future__ import annotations

import itertools
import math
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import rfft
from noisecheck.core.order import distinct
from noisecheck.core.records import record
from noisecheck.core.windows import extended, strided, windows

__all__ = ["FILTER_REACH", "PAIR", "FrameGrid", "decimated", "frame_energies", "frame_grid"]

Floats = NDArray[np.float32]

_FINE_S = 0.0053
_COARSE_S = 0.0213
_COARSE_RATE = 6000
_TOP_HZ = 24_000.0
_COARSE_TOP_HZ = 1_900.0
_CHUNK = 1 << 16  # samples of frames transformed at once: small enough for the cache
_BLOCKS = 4096
PAIR = 2
"""Of the coarse frames, twenty times as long as a hop, every so many are worked out, counted from the first of the
recording; the next one is taken as alike."""
_CELL_S = 1.0
FILTER_REACH = 6
"""Of :func:`decimated` samples so many on either side depend on the same samples."""


@record
class FrameGrid:
    """The frames and bands used at one sample rate."""

    rate: int
    hop: int
    """Samples between frames, about 1 ms; a multiple of ``step``."""
    step: int
    """Decimation of the coarse frames."""
    fine: int
    """Length of a fine frame in samples."""
    coarse: int
    """Length of a coarse frame in decimated samples."""
    fine_bins: tuple[int, ...]
    """First bin of each fine band, and the end of the last."""
    coarse_bins: tuple[int, ...]

    @cached_property
    def reach(self) -> int:
        """Samples a frame depends on, on either side of its centre."""
        return max(self.fine // 2, (self.coarse // 2 + 7) * self.step)

    @cached_property
    def fine_width(self) -> Floats:
        """Bins in each fine band (float32)."""
        return np.diff(np.array(self.fine_bins)).astype(np.float32)

    @cached_property
    def coarse_width(self) -> Floats:
        """Bins in each coarse band (float32)."""
        return np.diff(np.array(self.coarse_bins)).astype(np.float32)

    @cached_property
    def cell(self) -> int:
        """Frames of a cell of the background: whole pairs, of which coarse frames are worked out once."""
        return PAIR * round(_CELL_S * self.rate / (PAIR * self.hop))

    def frames(self, seconds: float) -> int:
        """Return the number of hops nearest to a time."""
        return max(1, round(seconds * self.rate / self.hop))


def _edges(first: int, last: int, bands: int) -> tuple[int, ...]:
    return tuple(int(b) for b in distinct(np.round(np.geomspace(first, last, bands + 1)).astype(int)))


@lru_cache(maxsize=16)
def frame_grid(rate: int) -> FrameGrid:
    """Return the grid for a sample rate in Hz."""
    step = max(1, rate // _COARSE_RATE)
    hop = step * max(1, round(rate / step / 1000))
    fine = 2 ** round(math.log2(_FINE_S * rate))
    coarse = 2 ** round(math.log2(_COARSE_S * rate / step))
    top = min(fine // 2, int(_TOP_HZ * fine / rate)) + 1
    coarse_top = min(coarse // 2, int(_COARSE_TOP_HZ * coarse * step / rate)) + 1
    return FrameGrid(rate, hop, step, fine, coarse, (0, *_edges(1, top, 24)), _edges(1, coarse_top, 18))


@lru_cache(maxsize=16)
def _windows(length: int) -> Floats:
    """Return the window, of unit energy, once for each frame transformed at once."""
    window = np.hanning(length + 1)[:length]
    return np.tile((window / math.sqrt(float(np.sum(window**2)))).astype(np.float32), (max(_CHUNK // length, 1), 1))


@lru_cache(maxsize=16)
def _lowpass(step: int) -> Floats:
    """Return a windowed-sinc low-pass for decimation, cutting off at 0.8 of the new Nyquist, in rows.

    Row ``k`` of the (13, step) matrix holds the taps for the ``k``-th of 13 neighbouring blocks of ``step``
    samples, so that decimating is one matrix product and a sum of 13 shifted rows.
    """
    n = np.arange(-6 * step, 7 * step)
    taps = np.where(np.abs(n) <= 6 * step, np.sinc(0.8 * n / step) * (0.54 + 0.46 * np.cos(np.pi * n / (6 * step))), 0)
    return (taps / taps.sum()).astype(np.float32).reshape(13, step)


def decimated(samples: Floats, step: int) -> Floats:
    """Return every ``step``-th sample of the low-passed signal, (..., n); sample ``i`` of it is sample ``i * step``."""
    if step == 1:
        return samples
    *lead, length = samples.shape
    count = -(-length // step)
    out = np.empty((*lead, count), np.float32)
    taps = _lowpass(step)
    for start in range(0, count, _BLOCKS):
        stop = min(start + _BLOCKS, count)
        begin, end = (start - FILTER_REACH) * step, (stop + FILTER_REACH) * step
        piece = samples[..., max(begin, 0) : end]
        if begin < 0 or end > length:  # a constant goes on: no step at the ends
            piece = extended(piece, max(-begin, 0), max(end - length, 0))
        product = taps @ piece.reshape(*lead, -1, step).swapaxes(-1, -2)
        *others, row, one = product.strides
        shifted = strided(product, (*lead, 13, stop - start), (*others, row + one, one))
        np.add.reduce(shifted, axis=-2, out=out[..., start:stop])
    return out


def _energies(samples: Floats, length: int, hop: int, wanted: range, bins: tuple[int, ...]) -> Floats:
    faded, (*lead, n) = _windows(length), samples.shape
    some = min(len(faded), len(wanted))
    used = 2 * bins[-1]  # real and imaginary parts of the bins up to the last band
    gather = np.zeros((bins[-1], len(bins) - 1), np.float32)
    for b, (lo, hi) in enumerate(itertools.pairwise(bins)):
        gather[lo:hi, b] = 1.0
    count, step = len(wanted), hop * wanted.step
    inside = windows(samples, min(length, n))
    out = np.empty((*lead, count, len(bins) - 1), np.float32)
    piece, powers = np.empty((*lead, some, length), np.float32), np.empty((*lead, some, bins[-1]), np.float32)
    for i in range(0, count, some):
        rows = min(some, count - i)
        begin = wanted[i] * hop - length // 2
        last = begin + (rows - 1) * step
        framed = piece[..., :rows, :]
        if begin >= 0 and last + length <= n:
            framed[:] = inside[..., begin : last + 1 : step, :]
        else:
            ends = max(-begin, 0), max(last + length - n, 0)
            part = samples[..., max(begin, 0) : last + length]
            part = np.pad(part, [*((0, 0) for _ in lead), ends], mode="reflect")
            framed[:] = windows(part, length)[..., ::step, :]
        framed *= faded[:rows]
        spectrum = rfft(framed).view(np.float32)
        spectrum *= spectrum
        power = np.add(spectrum[..., :used:2], spectrum[..., 1:used:2], out=powers[..., :rows, :])
        np.matmul(power, gather, out=out[..., i : i + rows, :])
    return out


def frame_energies(samples: Floats, grid: FrameGrid, *, low: Floats, frames: range) -> tuple[Floats, Floats]:
    """Return fine and coarse band energies, (..., frames, bands) and (..., pairs of frames, bands).

    Frame ``i`` is centred on sample ``i * hop``, coarse ones are those of the first frame of each pair.

    Args:
        samples: one channel or several, (..., n); beyond its ends it is taken as mirrored (a cut to silence would
            splash over all bands).
        grid: frames and bands.
        low: the same, :func:`decimated` by ``grid.step``.
        frames: which ones, at least one, from the first of a pair on; ``samples`` begin with a pair. By whole pairs
            they are the same ones of both.
    """
    fine = _energies(samples, grid.fine, grid.hop, frames, grid.fine_bins)
    pairs = frames if frames.step > 1 else frames[::PAIR]
    return fine, _energies(low, grid.coarse, grid.hop // grid.step, pairs, grid.coarse_bins)
