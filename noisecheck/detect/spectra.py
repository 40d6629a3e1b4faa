"""Band energies of short frames at two resolutions, on one grid of frames.

The fine frames (5.3 ms) tell *when*; the coarse ones (21 ms at a reduced rate) tell low notes apart,
where a thud on a soft pad lives. Frame ``i`` is centred on sample ``i * hop`` of the recording in both,
so the values do not depend on where a tile was cut.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["FrameGrid", "decimated", "frame_energies", "frame_grid"]

Floats = NDArray[np.float32]

_FINE_S = 0.0053
_COARSE_S = 0.0213
_COARSE_RATE = 6000
_TOP_HZ = 24_000.0
_COARSE_TOP_HZ = 1_900.0
_CHUNK = 512  # frames transformed at once: small enough for the cache


@dataclass(frozen=True)
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

    @property
    def reach(self) -> int:
        """Samples a frame needs on either side of its centre."""
        return max(self.fine // 2, (self.coarse // 2 + 7) * self.step)

    @property
    def fine_width(self) -> Floats:
        """Bins in each fine band (float32)."""
        return np.diff(np.array(self.fine_bins)).astype(np.float32)

    @property
    def coarse_width(self) -> Floats:
        """Bins in each coarse band (float32)."""
        return np.diff(np.array(self.coarse_bins)).astype(np.float32)

    def frames(self, seconds: float) -> int:
        """Return the number of hops nearest to a time."""
        return max(1, round(seconds * self.rate / self.hop))


def _edges(first: int, last: int, bands: int) -> tuple[int, ...]:
    return tuple(int(b) for b in np.unique(np.round(np.geomspace(first, last, bands + 1)).astype(int)))


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
def _window(length: int) -> Floats:
    window = np.hanning(length + 1)[:length]
    return (window / math.sqrt(float(np.sum(window**2)))).astype(np.float32)


@lru_cache(maxsize=16)
def _lowpass(step: int) -> Floats:
    """Return a windowed-sinc low-pass for decimation, cutting off at 0.8 of the new Nyquist."""
    n = np.arange(-6 * step, 6 * step + 1)
    taps = np.sinc(0.8 * n / step) * np.hamming(len(n))
    return (taps / taps.sum()).astype(np.float32)


def _energies(frames: Floats, bins: tuple[int, ...]) -> Floats:
    length = frames.shape[1]
    window = _window(length)
    gather = np.zeros((length // 2 + 1, len(bins) - 1), np.float32)
    for b, (lo, hi) in enumerate(itertools.pairwise(bins)):
        gather[lo:hi, b] = 1.0
    out = np.empty((len(frames), len(bins) - 1), np.float32)
    for i in range(0, len(frames), _CHUNK):
        spectrum = scipy.fft.rfft(frames[i : i + _CHUNK] * window, axis=1)
        out[i : i + _CHUNK] = (spectrum.real**2 + spectrum.imag**2) @ gather
    return out


def frame_energies(samples: Floats, grid: FrameGrid, *, origin: int, first: int, count: int) -> tuple[Floats, Floats]:
    """Return fine and coarse band energies, each (count, bands), of frames ``first`` to ``first + count``.

    Args:
        samples: one channel, (n,), whose first sample is sample ``origin`` of the recording. It must reach
            ``grid.reach`` samples beyond the outer frame centres; what is missing is mirrored.
        grid: frames and bands.
        origin: position of ``samples[0]`` in the recording.
        first: number of the first frame wanted.
        count: how many frames.
    """
    start = first * grid.hop - origin - grid.reach
    stop = (first + count - 1) * grid.hop - origin + grid.reach + 1
    piece = samples[max(start, 0) : max(stop, 0)]
    if start < 0 or stop > len(samples):
        # Mirrored, not silent: a cut to silence would splash over all bands.
        piece = np.pad(piece, (max(-start, 0), max(stop - max(len(samples), start), 0)), mode="reflect")
    view = np.lib.stride_tricks.sliding_window_view(piece, grid.fine)[grid.reach - grid.fine // 2 :: grid.hop]
    fine = _energies(view[:count], grid.fine_bins)
    slow = decimated(piece, grid.step)
    centre = grid.reach // grid.step
    view = np.lib.stride_tricks.sliding_window_view(slow, grid.coarse)[
        centre - grid.coarse // 2 :: grid.hop // grid.step
    ]
    return fine, _energies(view[:count], grid.coarse_bins)


def decimated(samples: Floats, step: int) -> Floats:
    """Return every ``step``-th sample of the low-passed signal; sample ``i`` of it is sample ``i * step``."""
    if step == 1:
        return samples
    taps = _lowpass(step)
    padded = np.pad(samples, len(taps) // 2)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, len(taps))[::step] @ taps, np.float32)
