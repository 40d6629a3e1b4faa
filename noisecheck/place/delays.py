"""Differences of arrival between microphones, by generalised cross-correlation of the first milliseconds.

The cross-spectrum is whitened and weighted by ``g / (1 - g)``, ``g`` the coherence the signal-to-noise ratio allows:
the maximum-likelihood weighting of Knapp and Carter (IEEE Trans. ASSP 24 (1976) 320). The variance is the Cramer-Rao
bound of the same weights, widened where the phases scatter more than noise explains (a source that sends different
sounds to different microphones).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.fourier import ifft, irfft, next_fast_len, rfft
from noisecheck.core.records import record
from noisecheck.core.units import to_frames

__all__ = ["NOISE_ROWS", "Arrivals", "Reader", "cut_snippets", "measure_arrivals", "onset_variance", "pair_delays"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Reader = Callable[[int, int], NDArray[np.float32]]
"""Returns frames ``start`` to ``stop`` of the recording, (frames, channels), clipped at its ends."""

BEFORE_S: Final = 0.006
AFTER_S: Final = 0.006
_CLOSE_S: Final = 0.02
_LEAD_S: Final = 0.001  # of the time before the onset, so much belongs to the impact: onsets may be late
_LEAST_FRAMES: Final = 0.005  # no delay is known better than so many frames
_FINER: Final = 2  # steps of the correlation in a frame, before the last ones by its slope and curvature
_REFINED: Final = 2
_LEAST_KNOWN: Final = np.float32(0.3)  # frequencies that say less than this are noise
_LEAST_COHERENT: Final = 0.7  # of the weighted spectrum: below it the peak may be anyone's
_HOPELESS: Final = 0.6  # the same between two steps of the correlation, which take off up to a tenth
ONSET_SD_S: Final = 15e-6
"""Spread of one onset's own arrival however clear the impact is. In simulated runs nine in ten are off by 10 to 13 us,
the rest by up to some hundred (the rise differs between microphones, and where its first half wave is small the second
is taken): 95 % lie within 35 to 85 us. Which one is off, residuals tell where microphones are to spare."""
_SHAPE: Final = 0.015
"""The same in periods of the sound's middle frequency: a dull sound rises slowly, and no two rises are alike."""
_RISE: Final = 0.5
"""What noise adds, in the same periods, over the amplitude ratio to the background: noise moves the crossing of a
rising edge by its amplitude over the slope. All three from simulated runs (at 520 Hz 50 to 110 us at 10 dB and 12 to
20 us at 30 dB, at 1.9 kHz 9 to 12 us at 21 dB), wider for their long tails and their bias from place to place."""
_AT_DB: Final = 25.0
_AT_HZ: Final = 2000.0
_MOST_SD_S: Final = 1e-3
_CONTRADICTS: Final = 3.0  # standard deviations between a correlation and the onsets: it took another period
_TOP: Final = 0.37  # of the rate: what is above says little and costs as much
_BATCH: Final = 256
NOISE_ROWS: Final = 48


@record
class Arrivals:
    """When each impact reached each of ``m`` microphones, up to one unknown constant an impact."""

    seconds: Floats
    """(n, m); each row has mean 0; NaN throughout where the impact was not heard well enough."""
    variance: Floats
    """Of each microphone's own error, s squared, (n, m)."""

    def __len__(self) -> int:
        return len(self.seconds)


def cut_snippets(read: Reader, frames: Ints, rate: float, *, after_s: float = AFTER_S) -> NDArray[np.float32]:
    """Return (n, length, channels) samples round the given frames, zero beyond the ends of the recording."""
    before, length = to_frames(BEFORE_S, rate), to_frames(BEFORE_S, rate) + to_frames(after_s, rate)
    out = np.zeros((len(frames), length, read(0, 1).shape[1]), np.float32)
    order = np.argsort(frames, kind="stable")
    starts = frames[order] - before
    # Reading costs more by the call than by the frame: what lies close together is read at once.
    apart = np.diff(starts) > length + to_frames(_CLOSE_S, rate)
    groups = np.split(np.arange(len(starts)), np.flatnonzero(apart) + 1) if len(starts) else []
    for group in groups:
        origin = max(int(starts[group[0]]), 0)
        piece = read(origin, int(starts[group[-1]]) + length)
        for i in group.tolist():
            start = int(starts[i]) - origin
            mine = piece[max(start, 0) : start + length]
            at = max(-start, 0)
            out[order[i], at : at + len(mine)] = mine
    return out


def pair_delays(
    snippets: NDArray[np.float32],
    rate: float,
    *,
    longest_s: float,
    band_hz: tuple[float, float] | None = None,
    noise: Floats | None = None,
    onsets_s: Floats | None = None,
    onset_variance_s2: Floats | None = None,
) -> tuple[Floats, Floats, list[tuple[int, int]]]:
    """Return (delays of j after i in s (n, pairs), their variances (n, pairs), the pairs (i, j)).

    Args:
        snippets: samples round first arrivals, (n, length, m); the impact begins ``BEFORE_S`` into them.
        rate: frames a second.
        longest_s: no delay is longer.
        band_hz: only this band is compared (contact pickups: bending waves of other frequencies travel at others).
        noise: background power of each microphone and frequency, as :func:`noise_power` gives it (None: from these).
        onsets_s: onsets found at each microphone, s, (n, m), NaN where not heard. An impact heard at all of them is
            given up (NaN from there on) at the first pair that fails or contradicts them: the onsets place it alone.
        onset_variance_s2: their variances, (n, m).

    Raises:
        InputError: snippets of another shape, too short, or of fewer than two microphones.
    """
    if snippets.ndim != 3 or snippets.shape[2] < 2:
        raise InputError(f"snippets have shape {snippets.shape}: (impacts, frames, two or more microphones) is needed")
    n, length, m = snippets.shape
    quiet = to_frames(BEFORE_S - _LEAD_S, rate)
    if not 8 <= quiet <= length - 16:
        raise InputError(f"snippets of {length} frames with {quiet} before the onset: too short to compare")
    pairs = [(i, j) for i in range(m) for j in range(i + 1, m)]
    if not n:
        return np.empty((0, len(pairs))), np.empty((0, len(pairs))), pairs
    taper = _taper(length - quiet, to_frames(0.0005, rate)).astype(np.float32)
    size = next_fast_len(2 * len(taper), real=True)
    omega = 2.0 * np.pi * np.fft.rfftfreq(size, 1.0 / rate)
    low, high = band_hz or (0.0, _TOP * rate)
    first = max(int(np.searchsorted(omega, 2 * np.pi * low)), 1)
    used = slice(first, int(np.searchsorted(omega, 2 * np.pi * min(high, 0.45 * rate))))
    below = noise_power(snippets, rate) if noise is None else noise
    turn = omega[used].astype(np.float32)
    bins = len(taper) / size  # padding makes bins, not knowledge
    reach = min(max(int(np.ceil(longest_s * rate * _FINER)), 1), _FINER * size // 2 - 1)
    delay, variance = np.full((n, len(pairs)), np.nan), np.ones((n, len(pairs)))
    whole = _FINER * size
    curve_in = np.zeros((n, whole // 2 + 1 if band_hz is None else whole), np.complex64)
    moved = turn if band_hz is None else turn - turn.mean()
    alive = np.arange(n)
    complete = np.zeros(n, bool) if onsets_s is None else np.isfinite(onsets_s).all(axis=1)
    heard: list[tuple[NDArray[np.complex64], NDArray[np.float32]]] = []  # of the first microphones, those alive
    for p, (i, j) in enumerate(pairs):
        if p and onsets_s is not None and onset_variance_s2 is not None:
            a, b = pairs[p - 1]
            off = np.abs(delay[:, p - 1] - (onsets_s[:, b] - onsets_s[:, a]))
            near = off < _CONTRADICTS * np.sqrt(onset_variance_s2[:, a] + onset_variance_s2[:, b])
            keep = (near | ~complete)[alive]
            if not keep.all():
                alive, heard = alive[keep], [(s[keep], r[keep]) for s, r in heard]
            curve_in = curve_in[: len(alive)]
            if not len(alive):
                break
        while len(heard) <= j:  # only what is still in question is transformed
            c = len(heard)
            heard.append(_whitened(snippets[alive, quiet:, c] * taper, size, used, below[used, c]))
        (one, clear), (other, as_clear) = heard[i], heard[j]
        known = clear * as_clear / (1.0 + clear + as_clear)
        known[known <= _LEAST_KNOWN] = 0.0
        weighted = known * (np.conj(one) * other)
        curve_in[:, used] = weighted
        if band_hz is None:
            curve = irfft(curve_in, whole) * np.float32(0.5 * whole)
        else:
            # Dispersion shifts the phase: the envelope counts.
            curve = np.abs(ifft(curve_in)) * np.float32(whole)
        curve = np.concatenate([curve[:, -reach:], curve[:, : reach + 1]], axis=1)
        top = curve.argmax(axis=1)
        total = known.sum(axis=1, dtype=np.float64)
        rows = np.flatnonzero(np.take_along_axis(curve, top[:, None], axis=1)[:, 0] > _HOPELESS * total)
        if not len(rows):
            continue
        known, weighted, total = known[rows], weighted[rows], total[rows]
        tau, step = np.zeros(len(rows)), (top[rows] - reach) / (rate * _FINER)
        rows = alive[rows]
        for _ in range(_REFINED):
            tau += step
            weighted *= np.exp(np.complex64(1j) * (step.astype(np.float32)[:, None] * turn))
            if band_hz is not None:
                weighted *= np.exp(-1j * np.angle(weighted.sum(axis=1, keepdims=True))).astype(np.complex64)
            slope = (weighted.imag @ moved).astype(np.float64)
            bend = (weighted.real @ moved**2).astype(np.float64)
            step = np.where(bend > 0, -slope / np.where(bend > 0, bend, 1.0), 0.0)
            step = np.clip(step, -0.5 / (rate * _FINER), 0.5 / (rate * _FINER))
        height = weighted.real.sum(axis=1, dtype=np.float64) - slope * step - 0.5 * bend * step**2
        excess = 4.0 * (total - height) / np.maximum((known > 0.0).sum(axis=1), 1)
        bound = 1.0 / np.maximum(2.0 * bins * (known @ moved**2).astype(np.float64), 1e-30)
        delay[rows, p] = np.where(height > _LEAST_COHERENT * total, tau + step, np.nan)
        variance[rows, p] = np.maximum(excess, 0.5) * bound + (_LEAST_FRAMES / rate) ** 2
    return delay, variance, pairs


def _whitened(
    x: NDArray[np.float32], size: int, used: slice, below: Floats
) -> tuple[NDArray[np.complex64], NDArray[np.float32]]:
    """Return (spectrum of magnitude 1, power over that of the background, less 1) of the frequencies used, (n, f)."""
    spectrum = rfft(x, size)[:, used]
    power = spectrum.real**2 + spectrum.imag**2
    ratio = _smooth(power) / np.maximum(below, 1e-30).astype(np.float32)
    ratio -= np.float32(1.0)
    np.maximum(ratio, np.float32(0.0), out=ratio)
    return spectrum / np.sqrt(np.maximum(power, np.float32(1e-36))), ratio.astype(np.float32, copy=False)


def noise_power(snippets: NDArray[np.float32], rate: float) -> Floats:
    """Return the mean power of the time before the onsets, (frequencies, m), on the grid of :func:`pair_delays`."""
    import scipy.fft

    quiet = to_frames(BEFORE_S - _LEAD_S, rate)
    length = snippets.shape[1] - quiet
    size = next_fast_len(2 * length, real=True)
    x = np.asarray(snippets[:, :quiet], np.float32)
    window = np.sin(np.pi * (np.arange(quiet, dtype=np.float32) + np.float32(0.5)) / np.float32(quiet))
    spectrum = scipy.fft.rfft(x * window[None, :, None], size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    # The median over impacts (of exponentially distributed powers: ln 2 of the mean) ignores what still rings.
    middle = np.median(power, axis=0) / np.log(2.0) if len(x) >= 8 else power.mean(axis=0)
    scaled = np.asarray(middle, np.float64) * length / float((window**2).sum())
    return np.maximum(_smooth(scaled.T).T, 1e-12 * float(scaled.max()) + 1e-30)


def _taper(length: int, edge: int) -> Floats:
    window = np.ones(length)
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / max(edge, 1)) ** 2
    window[:edge], window[length - edge :] = ramp, ramp[::-1]
    return window


def _smooth(power: NDArray[np.floating], half: int = 4) -> NDArray[np.floating]:
    """Return the running mean over ``2 half + 1`` of the last axis (edges repeat)."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(power, 2 * half + 1, axis=-1, mode="nearest"))


def measure_arrivals(
    read: Reader,
    frames: Ints,
    rate: float,
    *,
    channels: tuple[int, ...],
    longest_s: float,
    onsets: Ints | None = None,
    margin_db: Floats | None = None,
    centroid_hz: Floats | None = None,
    band_hz: tuple[float, float] | None = None,
    noise: Floats | None = None,
) -> Arrivals:
    """Return arrivals at the given channels for impacts whose first arrivals are given.

    Args:
        read: gives samples of the recording.
        frames: first arrivals, (n,).
        rate: frames a second.
        channels: at least two.
        longest_s: sound needs no longer from one of these microphones to another.
        onsets: arrivals found at each of these microphones, frames, -1 where not heard, (n, m). They stand in for
            correlations that are not clear, or that contradict them by more than three standard deviations.
        margin_db: how far each impact stands above the background at each of them, dB, (n, m); None: as at 25 dB.
        centroid_hz: middle frequency of each impact, (n,); NaN, or None: as at 2 kHz.
        band_hz: see :func:`pair_delays`.
        noise: see there; None: as the first :data:`NOISE_ROWS` impacts show it.
    """
    after = AFTER_S + longest_s
    out: list[tuple[Floats, Floats]] = []
    for at in range(0, len(frames), _BATCH):
        part = cut_snippets(read, frames[at : at + _BATCH], rate, after_s=after)
        if channels != tuple(range(part.shape[2])):
            part = part[:, :, list(channels)]
        if noise is None:
            # From the first impacts for all: later batches may be too few to tell it.
            noise = noise_power(part[:NOISE_ROWS], rate)
        if onsets is None or band_hz is not None:
            delay, variance, pairs = pair_delays(part, rate, longest_s=longest_s, band_hz=band_hz, noise=noise)
        else:
            rows = slice(at, at + _BATCH)
            own = onset_variance(
                None if margin_db is None else margin_db[rows],
                None if centroid_hz is None else centroid_hz[rows],
                part.shape[::2],
            )
            found = np.where(onsets[rows] >= 0, (onsets[rows] - frames[rows, None]) / rate, np.nan)
            delay, variance, pairs = pair_delays(
                part, rate, longest_s=longest_s, noise=noise, onsets_s=found, onset_variance_s2=own
            )
            delay, variance = _backed(delay, variance, pairs, found, own)
        out.append(_arrivals(delay, variance, pairs, len(channels)))
    if not out:
        return Arrivals(np.empty((0, len(channels))), np.empty((0, len(channels))))
    return Arrivals(np.concatenate([o[0] for o in out]), np.concatenate([o[1] for o in out]))


def onset_variance(margin_db: Floats | None, centroid_hz: Floats | None, shape: tuple[int, ...]) -> Floats:
    """Return the variance (s squared) of onsets by margin (n, m) and middle frequency (n,), of the shape (n, m)."""
    at = np.full(shape, _AT_DB) if margin_db is None else np.nan_to_num(margin_db, nan=0.0, posinf=0.0, neginf=0.0)
    middle = np.full(shape[:1], _AT_HZ) if centroid_hz is None else np.nan_to_num(centroid_hz, nan=_AT_HZ)
    period = 1.0 / np.maximum(middle, 50.0)[:, None]
    noise = np.minimum(_RISE * period * 10.0 ** (-at / 20.0), _MOST_SD_S)
    return np.asarray(ONSET_SD_S**2 + (_SHAPE * period) ** 2 + noise**2, np.float64)


def _backed(
    delay: Floats, variance: Floats, pairs: list[tuple[int, int]], onsets_s: Floats, own: Floats
) -> tuple[Floats, Floats]:
    """Return delays and variances in which onsets stand in for correlations that failed or contradict them.

    An impact heard everywhere is placed by correlations alone or by onsets alone: the errors of a mixture hang
    together, so that no variance of each microphone's own would tell them.
    """
    left, right = (np.array(side) for side in zip(*pairs, strict=True))
    apart, both = onsets_s[:, right] - onsets_s[:, left], own[:, right] + own[:, left]
    wrong = np.isfinite(apart) & ~(np.abs(delay - apart) < _CONTRADICTS * np.sqrt(both))
    wrong |= wrong.any(axis=1, keepdims=True) & np.isfinite(apart).all(axis=1, keepdims=True)
    return np.where(wrong, apart, delay), np.where(wrong, both, variance)


def _arrivals(delay: Floats, variance: Floats, pairs: list[tuple[int, int]], m: int) -> tuple[Floats, Floats]:
    """Return (arrivals (n, m), variances (n, m)) that explain the delays of all pairs best."""
    sides = np.zeros((len(pairs), m))
    for p, (i, j) in enumerate(pairs):
        sides[p, i], sides[p, j] = -1.0, 1.0
    weight = np.where(np.isfinite(delay), 1.0 / variance, 0.0)
    normal = np.einsum("pi,np,pj->nij", sides, weight, sides) + 1e-3 * weight.max(axis=1, initial=1e-30)[
        :, None, None
    ] * np.ones((m, m))
    right = np.einsum("pi,np->ni", sides, weight * np.nan_to_num(delay))
    lost = ~np.isfinite(delay).all(axis=1)
    seconds = np.full(right.shape, np.nan)
    seconds[~lost] = np.linalg.solve(normal[~lost], right[~lost, :, None])[:, :, 0]
    # var_ij = v_i + v_j, solved in the least-squares sense and kept above a tenth of the least pair.
    split = np.linalg.pinv(np.abs(sides))
    own = np.maximum(variance @ split.T, 0.1 * variance.min(axis=1, keepdims=True))
    return seconds - seconds.mean(axis=1, keepdims=True), own
