"""One-third-octave and octave filters of IEC 61260-1:2014 as power responses on an event's spectrum.

Neighbouring filters are power complementary: at every frequency their responses sum to 1, so the exposures of
the bands sum to the exposure of the event. Crossovers are raised cosines in the logarithm of frequency.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.bands import G, third_octave_edges

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
EXTRA: Final = 2
"""Columns of :func:`band_matrix` behind the 30 bands: all frequencies, and all frequencies times Hz."""


def _below(frequency_hz: NDArray[np.float64], edge_hz: float) -> NDArray[np.float64]:
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


def fft_length(frames: int, rate: float) -> int:
    """Return the transform length for an event of ``frames`` frames: 2^k or 3 * 2^k, at least 40 ms."""
    need = max(frames, int(0.04 * rate), 256)
    power = 1 << (need - 1).bit_length()
    return power * 3 // 4 if power * 3 // 4 >= need else power


@lru_cache(maxsize=32)
def band_matrix(nfft: int, rate: float) -> NDArray[np.float32]:
    """Return what turns ``abs(rfft)**2`` (rows, nfft // 2 + 1) into sums of squares: (nfft // 2 + 1, 30 + EXTRA).

    Each bin's energy is shared over the width of the bin, so that short events, whose bins are wider than the
    lowest bands, still add up. Columns 30 and 31 are the whole spectrum, and the whole spectrum times frequency.
    """
    bins = nfft // 2 + 1
    width = rate / nfft
    parts = 32 if nfft < 65536 else 8
    offsets = (np.arange(parts) + 0.5) / parts - 0.5
    shares = np.zeros((bins, 30))
    for offset in offsets:
        shares += third_octave_response(np.abs(np.arange(bins) + offset) * width) / parts
    shares[:, ~carried(rate)] = 0.0
    frequency = np.arange(bins) * width
    inside = np.where((frequency >= 10.0) & (frequency <= 25000.0), 1.0, 0.0)  # recorder's drift is no sound
    matrix = np.column_stack([shares, np.ones(bins), frequency * inside])
    scale = np.full(bins, 2.0 / nfft)
    scale[0] = 1.0 / nfft
    if nfft % 2 == 0:
        scale[-1] = 1.0 / nfft
    return (matrix * scale[:, None]).astype(np.float32)


_BATCH: Final = 8


def band_exposures(pieces: list[NDArray[np.float32]], rate: float) -> NDArray[np.float64]:
    """Return the exposure (squared full scale times s) of each piece in each column, (pieces, 30 + EXTRA).

    Pieces of one transform length go together in batches of a fixed shape, so a row's bits never depend on its
    neighbours. A piece is windowed by the caller. Bands the rate cannot carry are 0 (see :func:`carried`).
    """
    out = np.zeros((len(pieces), 30 + EXTRA))
    lengths = np.array([fft_length(len(p), rate) for p in pieces], np.int64)
    for nfft in np.unique(lengths):
        rows = np.flatnonzero(lengths == nfft)
        matrix = band_matrix(int(nfft), rate)
        for first in range(0, len(rows), _BATCH):
            chunk = rows[first : first + _BATCH]
            batch = np.zeros((_BATCH, nfft), np.float32)
            for i, row in enumerate(chunk):
                batch[i, : len(pieces[row])] = pieces[row]
            spectrum = scipy.fft.rfft(batch, axis=1)
            power = spectrum.real**2 + spectrum.imag**2
            out[chunk] = (power @ matrix)[: len(chunk)]
    return out / rate
