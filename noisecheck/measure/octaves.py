"""Decay of each impact in octave bands, to tell more damping from a softer contact."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.bands import G, octave_midbands
from noisecheck.core.fourier import ifft, rfft
from noisecheck.measure.bands import carried, fft_length
from noisecheck.measure.channel import DEFAULT, ChannelTile
from noisecheck.measure.decay import decay_time, shortest_decay_s
from noisecheck.measure.events import checked

__all__ = ["octave_decays"]

_POLES: Final = np.exp(1j * np.pi * (0.5 + (2 * np.arange(3) + 1) / 6.0))  # third-order Butterworth low pass
_WIDER: Final = 1.047  # its noise bandwidth against that of the ideal filter, (pi/6) / sin(pi/6)
_ENDED: Final = 1.25


@lru_cache(maxsize=32)
def _filter(nfft: int, rate: float, octave: int) -> tuple[int, NDArray[np.complex64], int]:
    """Return (first bin, response of the bins kept, length of the inverse transform) of a time-reversed octave."""
    middle = float(octave_midbands()[octave])
    width = rate / nfft
    low = max(int(middle / 8.0 / width), 1)
    high = min(int(middle * 8.0 / width) + 2, nfft // 2)
    ratio = np.arange(low, high) * width / middle
    s = 1j * (ratio - 1.0 / ratio) / (G**0.5 - G**-0.5)
    response = -np.prod(_POLES) / np.prod(s[:, None] - _POLES, axis=1)
    return low, np.conj(response).astype(np.complex64), 1 << (max(high - low, 2) - 1).bit_length()


def octave_decays(
    samples: NDArray[np.float32],
    rate: float,
    *,
    origin: int,
    onsets: ArrayLike,
    channels: ArrayLike,
    limits: ArrayLike,
    quiet: ArrayLike,
) -> NDArray[np.float64]:
    """Return the decay in ms (to 60 dB) of each impact in the octaves 31.5 Hz to 16 kHz, shape (n, 10).

    Third-order filters run backward in time, so that ``B T > 4`` is enough (ISO 3382-2:2008 clause 7.3); T20 where
    the margin allows, else T10; NaN where :func:`~noisecheck.measure.decay.decay_time` refuses, where there is no
    background to compare with, or where the rate does not carry the octave. Arguments as ``measure_impacts``.
    """
    x, on, ch, lim, spans = checked(samples, origin, onsets, channels, limits, quiet)
    out = np.full((len(on), 10), np.nan)
    octaves = np.flatnonzero(carried(rate).reshape(10, 3).all(axis=1))
    bandwidth = octave_midbands() * (G**0.5 - G**-0.5)
    for channel in np.unique(ch):
        tile = ChannelTile(x[:, channel], rate, spans, DEFAULT)
        if not tile.known:
            continue
        rows = np.flatnonzero(ch == channel)
        noise = tile.background.at(on[rows])[2][:, :30].reshape(-1, 10, 3).sum(axis=2) * _WIDER
        for i, row in enumerate(rows):
            start = int(on[row])
            stop = min(int(lim[row]), len(x), start + round(DEFAULT.longest_s * rate))
            piece = tile.x[start:stop]
            if len(piece) < 16:
                continue
            nfft = fft_length(2 * len(piece), rate)
            spectrum = rfft(piece, nfft)
            for k in octaves:
                power, step_s = _band_power(spectrum, nfft, rate, int(k), len(piece))
                shortest = max(
                    shortest_decay_s(float(bandwidth[k]), reversed_filter=True), 2.0 * _own_decay_s(nfft, rate, int(k))
                )
                out[row, k] = 1e3 * _decay(power, step_s, float(noise[i, k]), float(bandwidth[k]), shortest)
    return out


def _band_power(
    spectrum: NDArray[np.complex64], nfft: int, rate: float, octave: int, frames: int
) -> tuple[NDArray[np.float64], float]:
    """Return (mean square of the band over time, step in s) at the reduced rate of the band's own bins."""
    low, response, length = _filter(nfft, rate, octave)
    kept = np.zeros(length, np.complex64)
    kept[: len(response)] = spectrum[low : low + len(response)] * response
    envelope = ifft(kept) * np.float32(2.0 * length / nfft)
    step_s = nfft / length / rate
    power = 0.5 * (envelope.real.astype(np.float64) ** 2 + envelope.imag.astype(np.float64) ** 2)
    return power[: max(int(frames / rate / step_s), 1)], step_s


@lru_cache(maxsize=256)
def _own_decay_s(nfft: int, rate: float, octave: int) -> float:
    """Return the decay in s that a click shows: twice that is the least believed (ISO 3382-1 clause 7.3)."""
    power, step_s = _band_power(np.ones(nfft // 2 + 1, np.complex64), nfft, rate, octave, nfft // 2)
    seconds = _decay(power, step_s, 1e-9 * float(power.max()), 1.0 / step_s, 0.0)
    return 0.0 if np.isnan(seconds) else seconds


def _decay(power: NDArray[np.float64], step_s: float, noise: float, bandwidth_hz: float, shortest_s: float) -> float:
    span = max(round(max(0.024, 2.0 / bandwidth_hz) / step_s), 1)
    if len(power) <= 2 * span:
        return float("nan")
    peak = int(np.argmax(power[: max(round(0.25 / step_s), 1)]))
    total = np.concatenate([[0.0], np.cumsum(power[peak:])])
    smooth = (total[span:] - total[:-span]) / span
    over = np.flatnonzero(smooth <= max(_ENDED * noise, 1e-6 * power[peak]))
    end = peak + (
        int(over[0]) + span // 3 if len(over) else len(power) - peak - max(round(1.0 / bandwidth_hz / step_s), 1)
    )
    return decay_time(power[peak:end], step_s, noise=noise, shortest_s=shortest_s)[0]
