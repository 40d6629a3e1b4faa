"""What a recorder does wrong, applied block after block with its state carried on."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from noisecheck.simulate.parts import Recorder

__all__ = ["RecorderFaults"]

Samples = NDArray[np.float64]
_STEP_S = 0.0005


class RecorderFaults:
    """Faults of one recording. Call :meth:`apply` for its blocks in order.

    Order: gain riding (one gain for all channels, as recorders do), DC, clipping, dead and inverted channels,
    dropouts. The clock error is not here: it moves the events and is put on where sound is made.
    """

    def __init__(self, settings: Recorder, *, rate: int, seed: tuple[int, ...]) -> None:
        self._s, self._rate, self._seed = settings, rate, seed
        self._step = max(round(_STEP_S * rate), 1)
        self._gain_db = 0.0
        self._last_gain = 1.0
        self._block = 0

    def apply(self, samples: Samples) -> Samples:
        """Return the block (frames, channels) as the recorder would keep it."""
        s = self._s
        out = samples if s.agc_threshold_db is None else self._ride(samples)
        if s.dc:
            out = out + s.dc
        out = np.clip(out, -s.clip_at, s.clip_at)
        if s.dead_channels or s.inverted_channels:
            out = out.copy()
            out[:, [c for c in s.dead_channels if c < out.shape[1]]] = 0.0
            out[:, [c for c in s.inverted_channels if c < out.shape[1]]] *= -1.0
        if s.dropouts_per_min:
            out = self._drop(out)
        self._block += 1
        return out

    def _ride(self, samples: Samples) -> Samples:
        """Compressor on the loudest channel's peak: exponential attack and release of the gain in dB."""
        s, step = self._s, self._step
        hops = math.ceil(len(samples) / step)
        peak = np.abs(samples).max(axis=1, initial=0.0)
        peak = np.concatenate([peak, np.zeros(hops * step - len(peak))]).reshape(hops, step).max(axis=1)
        level = 20.0 * np.log10(np.maximum(peak, 1e-9))
        wanted = np.minimum((s.agc_threshold_db or 0.0) - level, 0.0) * (1.0 - 1.0 / s.agc_ratio)
        hop_s = step / self._rate
        attack, release = 1.0 - math.exp(-hop_s / s.agc_attack_s), 1.0 - math.exp(-hop_s / s.agc_release_s)
        gain_db = np.empty(hops)
        now = self._gain_db
        for i, aim in enumerate(wanted.tolist()):
            now += (aim - now) * (attack if aim < now else release)
            gain_db[i] = now
        self._gain_db = now
        ends = np.concatenate([[self._last_gain], 10.0 ** (gain_db / 20.0)])
        self._last_gain = float(ends[-1])
        gain = np.interp(np.arange(1, len(samples) + 1), np.arange(hops + 1) * step, ends)
        return np.asarray(samples * gain[:, None])

    def _drop(self, samples: Samples) -> Samples:
        rng = np.random.default_rng((*self._seed, 200, self._block))
        out = samples.copy()
        length = max(round(self._s.dropout_s * self._rate), 1)
        count = int(rng.poisson(self._s.dropouts_per_min / 60.0 * len(out) / self._rate))
        if len(out) <= 2 * length:
            return out  # only whole dropouts, with what they repeat, inside one block
        for start in np.sort(rng.integers(length, len(out) - length, count)).tolist():
            repeat = self._s.dropout_kind == "repeat"
            out[start : start + length] = out[start - length : start].copy() if repeat else 0.0
        return out
