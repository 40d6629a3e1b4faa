"""One-third-octave and octave filters of IEC 61260-1:2014 as power responses on an event's spectrum.

Neighbouring filters are power complementary: at every frequency their responses sum to 1, so the exposures of
the bands sum to the exposure of the event. Crossovers are raised cosines in the logarithm of frequency.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.bands import G, third_octave_edges
from noisecheck.core.fourier import rfft
from noisecheck.core.order import distinct

__all__ = [
    "EXTRA",
    "band_exposures",
    "band_matrix",
    "carried",
    "fft_length",
    "octave_response",
    "third_octave_response",
]

_HALF: Final = 0.25  # half width of a crossover, in one-third octaves: flat top and the class 1 skirts both hold
_NEAR: Final = 0.1  # of an edge: the crossovers reach 6 % to either side
_GROUP: Final = 2.0 ** (1 / 48) - 1.0
_PARTS: Final = 16
_BATCH: Final = 8
_LANES: Final = 4  # rows that are transformed together, as alike as one
_LARGE: Final = 65536  # longer transforms go one by one, to save memory
EXTRA: Final = 31
"""Columns of :func:`band_matrix` behind the 30 bands: the whole spectrum, then each band times frequency."""


def _below(frequency_hz: NDArray[np.float64], edge_hz: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Return the share of power that goes below an edge: 1, raised cosine, 0."""
    third = np.log(G) / 3.0
    with np.errstate(divide="ignore"):
        u = np.log(frequency_hz / edge_hz) / (third * _HALF)
    return np.cos(0.25 * np.pi * (1.0 + np.clip(u, -1.0, 1.0))) ** 2


def _responses(frequency_hz: NDArray[np.float64], edges_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    below = np.stack([_below(frequency_hz, edge) for edge in edges_hz], axis=-1)
    return np.maximum(np.diff(below, axis=-1), 0.0)


def third_octave_response(frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the power responses, shape (..., 30), of the one-third-octave filters at the frequencies given."""
    return _responses(np.asarray(frequencies_hz, np.float64), third_octave_edges())


def octave_response(frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the power responses, shape (..., 10), of the octave filters 31.5 Hz to 16 kHz."""
    return _responses(np.asarray(frequencies_hz, np.float64), third_octave_edges()[::3])


def carried(rate: float) -> NDArray[np.bool_]:
    """Return which of the 30 bands a sample rate carries, shape (30,): upper crossover below Nyquist."""
    top = third_octave_edges()[1:] * G ** (_HALF / 3.0)
    return np.asarray(top <= rate / 2.0)


@lru_cache(maxsize=4096)
def fft_length(frames: int, rate: float) -> int:
    """Return the transform length for an event of ``frames`` frames: 2^k or 3 * 2^k, at least 40 ms."""
    need = max(frames, int(0.04 * rate), 256)
    power = 1 << (need - 1).bit_length()
    return power * 3 // 4 if power * 3 // 4 >= need else power


@lru_cache(maxsize=64)
def band_matrix(nfft: int, rate: float) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Return (first bins of groups, matrix) that turn ``abs(rfft)**2`` into sums of squares.

    Bins are first summed in groups no wider than 1/48 octave, (groups,), so that the matrix (groups, 30 + EXTRA)
    stays small however long the event. Each group's energy is shared over its width, so that short events, whose
    bins are wider than the lowest bands, still add up. Column 30 is the whole spectrum, columns 31 to 60 are the
    bands times frequency in Hz, for centroids.
    """
    bins, width = nfft // 2 + 1, rate / nfft
    starts = [0]
    while starts[-1] < bins - 2:
        starts.append(min(starts[-1] + max(int(starts[-1] * _GROUP), 1), bins - 1))
    if starts[-1] != bins - 1:
        starts.append(bins - 1)  # the bin at Nyquist counts once, so it stands alone
    first = np.array(starts, np.int64)
    low, high = (first - 0.5) * width, (np.append(first[1:], bins) - 0.5) * width
    parts = (np.arange(_PARTS) + 0.5) / _PARTS
    inside = np.abs(low + (high - low) * parts[:, None])
    edges = third_octave_edges()
    below = (high <= edges[:, None]).astype(np.float64)
    edge, near = np.nonzero((high > (1.0 - _NEAR) * edges[:, None]) & (low < (1.0 + _NEAR) * edges[:, None]))
    below[edge, near] = _below(inside[:, near], edges[edge]).mean(axis=0)
    shares = np.maximum(np.diff(below, axis=0), 0.0).T.copy()
    shares[:, ~carried(rate)] = 0.0
    centre = 0.5 * (low + high)
    matrix = np.column_stack([shares, np.ones(len(first)), shares * centre[:, None]])
    scale = np.full(len(first), 2.0 / nfft)
    scale[0] = 1.0 / nfft
    if nfft % 2 == 0:
        scale[-1] = 1.0 / nfft
    return first, (matrix * scale[:, None]).astype(np.float32)


def band_exposures(
    pieces: list[NDArray[np.float32]], rate: float, fade: NDArray[np.float32] | None = None
) -> NDArray[np.float64]:
    """Return the exposure (squared full scale times s) of each piece in each column, (pieces, 30 + EXTRA).

    Pieces of one transform length go together in batches of a fixed shape, so a row's bits never depend on its
    neighbours. A piece fades in by ``fade``, and out by it reversed (at most half of a piece each), or is windowed by
    the caller. Bands the rate cannot carry are 0 (see :func:`carried`).
    """
    out = np.zeros((len(pieces), 30 + EXTRA))
    length_of = {frames: fft_length(frames, rate) for frames in set(map(len, pieces))}
    lengths = np.array([length_of[len(p)] for p in pieces], np.int64)
    for nfft in distinct(lengths):
        rows = np.flatnonzero(lengths == nfft)
        groups, matrix = band_matrix(int(nfft), rate)
        size = _BATCH if nfft <= _LARGE else 1
        for first in range(0, len(rows), size):
            chunk = rows[first : first + size]
            batch = np.zeros((min(-(-len(chunk) // _LANES) * _LANES, size), nfft), np.float32)
            for i, row in enumerate(chunk.tolist()):
                piece = batch[i, : len(pieces[row])]
                piece[:] = pieces[row]
                if fade is not None:
                    side = min(len(fade), len(piece) // 2)
                    piece[:side] *= fade[:side]
                    piece[len(piece) - side :] *= fade[:side][::-1]
            spectrum = rfft(batch)
            squares = spectrum.view(np.float32)
            squares *= squares
            power = squares[:, ::2] + squares[:, 1::2]
            grouped = np.add.reduceat(power, groups, axis=1)[: len(chunk)]
            out[chunk] = np.matmul(grouped[:, None, :], matrix)[:, 0]  # one product a row, see above
    return out / rate
