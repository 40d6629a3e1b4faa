"""Whether a sound rises over milliseconds, from the part of its band that stands out of the noise.

White over the whole band, as the prediction error is, a soft thud comes out of the noise late: it fills a few hundred
hertz. Here each frequency is weighed by what it tells of a rise in variance, ``S / (N (S + N))`` with ``N`` the
spectrum before and ``S`` what came on top of it, and the energies of half a millisecond are compared with rises of
several lengths and strengths by the likelihood of Gaussian samples whose variance follows them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, next_fast_len, rfft
from noisecheck.core.records import record
from noisecheck.detect.prediction import gather

__all__ = ["AHEAD_S", "slow_rises"]

Floats = NDArray[np.float32]

_BLOCK_S: Final = 0.0005
_STEP_S: Final = 0.00025
_LEAD_S: Final = 0.012
_TAIL_S: Final = 0.012
_SEARCH_S: Final = (-0.010, 0.004)
_RISES_S: Final = (0.0, 0.002, 0.003, 0.0045, 0.0065, 0.0095)
_STRENGTHS: Final = tuple(np.geomspace(3.0, 2000.0, 5).tolist())
_FRAME_S: Final = 0.016
_BEFORE_S: Final = (-0.070, -0.012)
_AFTER_S: Final = (-0.002, 0.030)
AHEAD_S: Final = _AFTER_S[1] + 0.001
"""Seconds of samples after the rough onset that can change what is told."""
_SMEAR_S: Final = 0.002
_BESIDE_PEAK: Final = 1e-3
_TINY: Final = 1e-16
_BATCH: Final = 64


@record
class _Rises:
    weights: Floats
    """(blocks, shapes)."""
    constants: Floats
    start_s: NDArray[np.float64]
    rise_s: NDArray[np.float64]
    block: int
    lead: int
    """Blocks before the rough onset."""


@lru_cache(maxsize=8)
def _rises(rate: int) -> _Rises:
    block = max(1, round(_BLOCK_S * rate))
    lead, tail = (round(s * rate / block) for s in (_LEAD_S, _TAIL_S))
    at = (np.arange(-lead, tail) + 0.5) * block / rate
    begins, strengths = np.arange(_SEARCH_S[0], _SEARCH_S[1], _STEP_S), np.array(_STRENGTHS)
    since = at - begins[:, None]
    profiles = [np.clip(since / s, 0.0, 1.0) ** 2 if s else (since > 0).astype(np.float64) for s in _RISES_S]
    # Shapes by start, then rise, then strength.
    v = (1.0 + strengths[:, None] * np.stack(profiles, axis=1)[:, :, None]).reshape(-1, len(at))
    rise = np.tile(np.repeat(_RISES_S, len(strengths)), len(begins))
    weights = (1.0 - 1.0 / v).T.astype(np.float32)
    constants = np.log(v).sum(axis=1).astype(np.float32)
    return _Rises(weights.copy(), constants, np.repeat(begins, len(v) // len(begins)), rise, block, lead)


def _spectrum(samples: Floats, at: NDArray[np.int64], rate: int, span_s: tuple[float, float], size: int) -> Floats:
    """Return the mean power spectrum (rows, bins) of half-overlapping frames in a span around each position."""
    frame = int(_FRAME_S * rate)
    window = np.hanning(frame + 2)[1:-1]
    window = (window / np.sqrt((window**2).sum())).astype(np.float32)
    starts = range(int(span_s[0] * rate), int(span_s[1] * rate) - frame + 1, frame // 2)
    total = np.zeros((len(at), size // 2 + 1), np.float32)
    for start in starts:
        spectrum = rfft(gather(samples, at, start, start + frame) * window, size)
        total += spectrum.real**2 + spectrum.imag**2
    padded = np.pad(total, ((0, 0), (2, 2)), mode="edge") / np.float32(9 * len(starts))
    count = total.shape[1]
    return np.asarray(sum(w * padded[:, k : k + count] for k, w in enumerate((1.0, 2.0, 3.0, 2.0, 1.0))), np.float32)


def slow_rises(samples: Floats, rate: int, rough: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how much likelier each sound rises than steps in, and the seconds for which it rises.

    The first is a log-likelihood ratio, 0 where a step explains the sound best.

    Args:
        samples: one channel, (n,), at a rate of some kilohertz.
        rate: frames a second.
        rough: (m,) positions in ``samples``, at most 4 ms before and 10 ms after the onset.
    """
    parts = [_slow(samples, rate, rough[i : i + _BATCH]) for i in range(0, len(rough), _BATCH)]
    if not parts:
        return np.empty(0), np.empty(0)
    likelier, rises = (np.concatenate(column) for column in zip(*parts, strict=True))
    return likelier, rises


def _slow(samples: Floats, rate: int, at: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rises = _rises(rate)
    count = len(rises.weights) * rises.block
    frame = int(_FRAME_S * rate)
    size = next_fast_len(count + 2 * frame, real=True)
    noise = _spectrum(samples, at, rate, _BEFORE_S, size) + np.float32(_TINY)
    new = np.maximum(_spectrum(samples, at, rate, _AFTER_S, size) - noise, np.float32(0.0))
    # Zero phase, and no longer than 2 ms either way, so that the rise is not smeared.
    response = irfft(np.sqrt(new / (noise * (new + noise))), size)
    lag = np.minimum(np.arange(size), size - np.arange(size)) / rate
    short = np.where(lag < _SMEAR_S, 0.5 + 0.5 * np.cos(np.pi * lag / _SMEAR_S), 0.0).astype(np.float32)
    gain = rfft(response * short).real
    begin = -rises.lead * rises.block - frame
    piece = gather(samples, at, begin, begin + size)
    piece = piece - piece.mean(axis=1, keepdims=True)
    heard = irfft(rfft(piece) * gain, size)[:, frame : frame + count]
    power = (heard**2).reshape(len(at), -1, rises.block).mean(axis=2)
    left = gain**2 * noise
    quiet = left.sum(axis=1) * np.float32(2.0 / size)
    # Independent values a block: its length times twice the band that the weights leave.
    freedom = 2.0 * rises.block * left.sum(axis=1) ** 2 / ((left**2).sum(axis=1) * size + np.float32(1e-30))
    quiet = np.maximum(quiet, np.float32(_BESIDE_PEAK) * power.max(axis=1)) + np.float32(1e-30)
    score = (power / quiet[:, None]) @ rises.weights - rises.constants
    best = score.argmax(axis=1)
    rise = rises.rise_s[best]
    likelier = 0.5 * freedom * (score[np.arange(len(at)), best] - score[:, rises.rise_s == 0.0].max(axis=1))
    # An answer at the edge of the search is none: something sounded before.
    inside = (rise > 0) & (rises.start_s[best] > _SEARCH_S[0])
    return np.where(inside, likelier, 0.0).astype(np.float64), rise
