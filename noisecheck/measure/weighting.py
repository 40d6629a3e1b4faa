"""Frequency weightings A, C, Z and time weightings F, S (IEC 61672-1:2013, clauses 5.5, 5.8 and Annex E)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache
from itertools import accumulate
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.fourier import irfft, rfft
from noisecheck.core.windows import windows

__all__ = [
    "FAST_S",
    "Weighting",
    "a_blocks_and_c",
    "running",
    "spectrum_weight",
    "time_weighted",
    "weighting_db",
    "weighting_response",
]

Weighting = Literal["A", "C", "Z"]
FAST_S: Final = 0.125
"""Time constant F in s, IEC 61672-1:2013 clause 5.8.1."""

_KERNEL_S: Final = 0.085  # the 20.6 Hz poles have fallen by e^-11: the error left at 10 Hz is below 0.1 dB
_ROWS: Final = 4
_PIECE: Final = 8  # transforms are so many times as long as the kernel
_STEPS: Final = 32  # steps averaged by one matrix product (scipy.signal would take a second to load)
_LEAD: Final = 64  # taps before time zero, for the ripple a band edge at Nyquist leaves


def _poles() -> tuple[float, float, float, float]:
    """Return the pole frequencies f1 to f4 in Hz from the five figures of Annex E."""
    fr, f_low, f_high, f_a, d2 = 1000.0, 10.0**1.5, 10.0**3.9, 10.0**2.45, 0.5
    b = (fr**2 + f_low**2 * f_high**2 / fr**2 - d2**0.5 * (f_low**2 + f_high**2)) / (1.0 - d2**0.5)
    c = f_low**2 * f_high**2
    f1 = ((-b - (b * b - 4 * c) ** 0.5) / 2) ** 0.5
    f4 = ((-b + (b * b - 4 * c) ** 0.5) / 2) ** 0.5
    return f1, (3 - 5**0.5) / 2 * f_a, (3 + 5**0.5) / 2 * f_a, f4


_F1, _F2, _F3, _F4 = _poles()


def _analogue(frequencies_hz: NDArray[np.float64], kind: Weighting) -> NDArray[np.complex128]:
    s = np.asarray(1j * frequencies_hz, np.complex128)
    response = s**2 * _F4**2 / ((s + _F1) ** 2 * (s + _F4) ** 2)
    if kind == "A":
        response *= s**2 / ((s + _F2) * (s + _F3))
    return np.asarray(response, np.complex128)


def weighting_response(frequencies_hz: ArrayLike, kind: Weighting) -> NDArray[np.complex128]:
    """Return the complex response (same shape) of the analogue design goal, magnitude 1 at 1 kHz.

    IEC 61672-1:2013 Annex E, equations (E.1) and (E.6). ``Z`` is 1 at all frequencies.
    """
    if kind not in ("A", "C", "Z"):
        raise InputError(f"no frequency weighting {kind!r}: A, C and Z are known")
    f = np.asarray(frequencies_hz, np.float64)
    if kind == "Z":
        return np.ones(f.shape, np.complex128)
    return _analogue(f, kind) / abs(_analogue(np.array(1000.0), kind))


def weighting_db(frequencies_hz: ArrayLike, kind: Weighting) -> NDArray[np.float64]:
    """Return the weighting in dB (same shape); 0 Hz gives -inf for A and C."""
    magnitude = np.abs(weighting_response(frequencies_hz, kind))
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(magnitude), np.float64)


@lru_cache(maxsize=16)
def spectrum_weight(nfft: int, rate: float, kind: Weighting) -> NDArray[np.float32]:
    """Return the power weight of each ``rfft`` bin, shape (nfft // 2 + 1,): the closed form up to Nyquist."""
    weight = (np.abs(weighting_response(np.fft.rfftfreq(nfft, 1.0 / rate), kind)) ** 2).astype(np.float32)
    weight.setflags(write=False)
    return weight


@lru_cache(maxsize=16)
def _kernel_spectrum(rate: float, kind: Weighting, taps: int, nfft: int) -> NDArray[np.complex64]:
    """Return the spectrum, at ``nfft`` points, of a running filter with the magnitude of the closed form.

    The analogue response is sampled up to Nyquist, so nothing sags there as with a bilinear design. A shift of
    less than a sample makes the phase real at Nyquist, which keeps the impulse response short.
    """
    f = np.fft.rfftfreq(taps, 1.0 / rate)
    response = weighting_response(f, kind)
    turn = np.angle(response[-1])
    turn -= np.pi * np.round(turn / np.pi)
    response = response * np.exp(-1j * turn * f / f[-1])
    kernel = np.roll(np.fft.irfft(response, taps), _LEAD)
    fade = int(0.1 * taps)
    kernel[taps - fade :] *= np.cos(0.5 * np.pi * np.arange(fade) / fade) ** 2
    return np.fft.rfft(kernel, nfft).astype(np.complex64)


def kernel_taps(rate: float) -> int:
    """Return the length in frames of the running filters (a power of two of at least 85 ms)."""
    return 1 << int(np.ceil(np.log2(_KERNEL_S * rate)))


def running(signal: NDArray[np.float32], rate: float, kinds: tuple[Weighting, ...]) -> tuple[NDArray[np.float32], ...]:
    """Return the signal after each frequency weighting, sample by sample, each of shape (frames,) float32.

    Causal but for half a sample and the ripple of the band edge; silence is assumed before the first frame.
    ``signal`` is one channel, shape (frames,). Blocks are fixed, so equal input gives equal bits.
    """
    x = np.asarray(signal, np.float32)
    if x.ndim != 1:
        raise InputError(f"one channel has shape (frames,), not {x.shape}: pass samples[:, channel]")
    shape = _rows_of(len(x), rate, 1)
    out = {kind: np.empty(shape, np.float32) for kind in kinds if kind != "Z"}
    for first, rows in _weighted_rows(x, rate, tuple(out), shape[1]):
        for target, row in zip(out.values(), rows, strict=True):
            target[first : first + _ROWS] = row
    return tuple(x.copy() if kind == "Z" else out[kind].reshape(-1)[: len(x)] for kind in kinds)


def a_blocks_and_c(
    signal: NDArray[np.float32], rate: float, block: int
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Return (sums of squares of the A-weighted signal in blocks of frames, the C-weighted signal) of one channel.

    As of :func:`running`, but the A-weighted signal goes no further than the cache. Shapes (blocks,), float64, the last
    block may be short; (frames,), float32.
    """
    shape = _rows_of(len(signal), rate, block)
    sums, c = np.empty((shape[0], shape[1] // block)), np.empty(shape, np.float32)
    for first, (a_rows, c_rows) in _weighted_rows(signal, rate, ("A", "C"), shape[1]):
        blocks = a_rows.reshape(_ROWS, -1, block)
        sums[first : first + _ROWS] = np.einsum("ijk,ijk->ij", blocks, blocks)
        c[first : first + _ROWS] = c_rows
    return sums.reshape(-1)[: -(-len(signal) // block)], c.reshape(-1)[: len(signal)]


def _rows_of(frames: int, rate: float, block: int) -> tuple[int, int]:
    """Return (rows, frames a row) in which so many frames are weighted: whole groups of rows, whole blocks a row."""
    step = (_PIECE - 1) * kernel_taps(rate) // block * block
    return -(-frames // (step * _ROWS)) * _ROWS, step


def _weighted_rows(
    x: NDArray[np.float32], rate: float, kinds: tuple[Weighting, ...], step: int
) -> Iterator[tuple[int, list[NDArray[np.float32]]]]:
    """Yield (first row, those ``_ROWS`` rows of ``step`` frames after each weighting); 0 behind the end."""
    taps = kernel_taps(rate)
    nfft, history = _PIECE * taps, taps - _LEAD
    inside = windows(x, nfft) if len(x) >= nfft else np.empty((0, nfft), np.float32)
    for first in range(0, -(-len(x) // step), _ROWS):
        begin = first * step - history
        last = begin + (_ROWS - 1) * step
        if begin >= 0 and last < len(inside):
            pieces = inside[begin : last + 1 : step]
        else:
            padded = np.zeros(last + nfft - begin, np.float32)
            part = x[max(begin, 0) : last + nfft]
            padded[max(-begin, 0) :][: len(part)] = part
            pieces = windows(padded, nfft)[::step]
        spectrum = rfft(pieces)
        rows = []
        for kind in kinds:
            row = irfft(spectrum * _kernel_spectrum(rate, kind, taps, nfft), nfft)[:, taps : taps + step]
            for k in range(_ROWS):
                row[k, max(len(x) - (first + k) * step, 0) :] = 0.0
            rows.append(row)
        yield first, rows


def time_weighted(power: ArrayLike, step_s: float, *, constant_s: float, start: float = 0.0) -> NDArray[np.float64]:
    """Return the exponentially averaged mean square at the end of each step, shape of ``power`` (first axis time).

    Args:
        power: mean square of the frequency-weighted signal in each step (or each sample squared).
        step_s: length of a step in s.
        constant_s: time constant in s, such as :data:`FAST_S`.
        start: state before the first step.

    IEC 61672-1:2013 clause 3.8, exact for a power that is constant within a step.
    """
    p = np.asarray(power, np.float64)
    keep = float(np.exp(-step_s / constant_s))
    count, others = len(p), math.prod(p.shape[1:])
    rows = -(-count // _STEPS)
    padded = np.zeros((rows * _STEPS, others))
    padded[:count] = p.reshape(count, others)
    # Within a row of steps the average is a product with fixed weights; between rows only the state goes on.
    own = np.matmul(padded.reshape(rows, _STEPS, others).transpose(2, 0, 1), _fading(keep))
    fade, into = keep**_STEPS, np.empty((others, rows))
    for k, ends in enumerate(own[:, :, -1].tolist()):
        into[k] = list(accumulate(ends, lambda state, end: end + fade * state, initial=start))[:rows]
    own += into[:, :, None] * keep ** np.arange(1.0, _STEPS + 1)
    return np.asarray(own.reshape(others, rows * _STEPS)[:, :count].T.reshape(p.shape), np.float64)


@lru_cache(maxsize=16)
def _fading(keep: float) -> NDArray[np.float64]:
    """Return the matrix (steps, steps) of the weights with which each step enters those after it."""
    behind = np.arange(_STEPS)[None, :] - np.arange(_STEPS)[:, None]
    return np.where(behind >= 0, (1.0 - keep) * keep ** np.maximum(behind, 0), 0.0)
