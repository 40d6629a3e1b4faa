"""An impact without the background it was recorded in, so that a copy of it brings none along."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, rfft
from noisecheck.measure.weighting import spectrum_weight

__all__ = ["BEFORE_S", "without_background"]

BEFORE_S: Final = 0.12
"""What sounds so long before an impact is its background (what rings there goes on under it)."""
_FRAME_S: Final = 0.010
_HOPS: Final = 2
_LEAST: Final = 3
"""Frames of background, fewer tell nothing."""
_BEYOND: Final = 2.0
"""Of what stands out by less than this factor nothing is left: a background is never just its mean."""
_MOST: Final = 2.0
"""Factor by which what is left may be made up for what was taken away with the background."""


def without_background(sound: NDArray[np.float32], first: int, rate: int) -> NDArray[np.float32]:
    """Return what stands out of the background, from frame ``first`` on, as loud (A-weighted) as both less background.

    Short-time spectra are reduced by the background's mean power (spectral subtraction, as a Wiener filter).

    Args:
        sound: background and, from about ``first`` on, an impact in it, (n, channels).
        first: where the background alone ends; it is returned as it is where that leaves too little to learn from.
        rate: frames a second.
    """
    size = 1 << round(np.log2(_FRAME_S * rate))
    hop, (n, channels) = size // _HOPS, sound.shape
    count = -(-(n + size) // hop // _HOPS) * _HOPS
    whole = np.zeros(((count - 1) * hop + size, channels), np.float32)
    whole[size : size + n] = sound[: len(whole) - size]
    window = np.sqrt(0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(whole, size, axis=0)[::hop]
    start = np.arange(count) * hop - size
    quiet, loud = (start >= 0) & (start + size <= first), (start >= first) & (start + size <= n)
    if quiet.sum() < _LEAST or not loud.any():
        return sound[first:]
    spectra = rfft(frames * window)
    power = spectra.real**2 + spectra.imag**2
    background = power[quiet].mean(axis=0, keepdims=True)
    rest = 1.0 - _BEYOND * _smooth(background, 2) / np.maximum(_smooth(_smooth(power, 2), 0), np.float32(1e-30))
    gain = np.maximum(rest, 0.0)
    weight = spectrum_weight(size, rate, "A")
    net = float(((power - background)[loud] * weight).sum())
    left = float(((gain**2 * power)[loud] * weight).sum())
    pieces = irfft(spectra * gain, size) * window
    out = np.zeros((len(whole) + size, channels), np.float32)
    for k in range(_HOPS):  # every so many frames lie side by side
        row = pieces[k::_HOPS].swapaxes(1, 2).reshape(-1, channels)
        out[k * hop : k * hop + len(row)] += row
    out *= np.float32(2.0 / _HOPS * np.sqrt(np.clip(net / max(left, 1e-30), 1.0, _MOST**2)))
    return out[size + first : size + n]


def _smooth(power: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Return running means of three along an axis, its ends as they are."""
    out, inner = power.copy(), np.moveaxis(power, axis, 0)
    np.moveaxis(out, axis, 0)[1:-1] = (inner[:-2] + inner[1:-1] + inner[2:]) / 3.0
    return out
