"""Levels of octave bands frame by frame, mean spectra, the codec's band limit, hum and DC, in one pass."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import G, octave_midbands
from noisecheck.core.fourier import rfft
from noisecheck.core.records import record

__all__ = ["FRAMES_PER_TILE", "Hum", "SpectrumScan", "frame_length"]

FRAMES_PER_TILE: Final = 32
_MOST_FRAMES: Final = 1 << 18  # of level history a channel: 3.1 h at 43 ms, 5 MB
_SLOW: Final = 2048  # decimated samples a tile, for hum
_FLOOR: Final = 1e-20
_DROP_DB: Final = 15.0
_SAME_NOISE: Final = 4.0  # 6 dB: a microphone's noise falls or rises by no more over half an octave
_EDGE_SHARE: Final = 0.88  # of half the sample rate: above it every converter's own filter falls


def frame_length(rate: int) -> int:
    """Return the frames analysed at a time: the power of two nearest to 43 ms (2,048 at 48 kHz)."""
    return max(int(2 ** round(np.log2(0.0427 * rate))), 64)


@record
class Hum:
    """Lines at multiples of the mains frequency."""

    mains_hz: int
    level_db: float
    """Power of all lines found, dB re full scale."""
    lines: int


class SpectrumScan:
    """Accumulates one channel's spectra; feed it whole tiles of ``FRAMES_PER_TILE * frame_length(rate)`` frames."""

    def __init__(self, rate: int, *, step: float = 0.0) -> None:
        self.rate, self.n = rate, frame_length(rate)
        self._step = step or 2.0**-15
        window = np.hanning(self.n + 1)[:-1]
        self._window = window.astype(np.float32)
        self._scale = 2.0 / (self.n * float(np.sum(window**2)))
        self.hz = np.fft.rfftfreq(self.n, 1.0 / rate)
        mid = octave_midbands()[1:]
        self.midbands = mid[mid * np.sqrt(G) <= 1.02 * rate / 2]
        """Exact octave midbands analysed, 63 Hz up, Hz (bands,)."""
        edges = self.midbands[:, None] * G ** np.array([-0.5, 0.5])
        self._bands = ((self.hz[:, None] >= edges[:, 0]) & (self.hz[:, None] < edges[:, 1])).astype(np.float32)
        self._levels: list[NDArray[np.int16]] = []
        self._peaks: list[NDArray[np.float32]] = []
        self._kept = 0
        self._loud = np.zeros(len(self.hz))
        self._quiet = np.zeros(len(self.hz))
        self._all = np.zeros(len(self.hz))
        self._frames = 0
        self._tiles = 0
        self._sum, self._count = 0.0, 0
        self._slow = np.zeros(_SLOW // 2 + 1)
        self._slow_window = np.hanning(_SLOW + 1)[:-1]

    def add(self, x: NDArray[np.float32]) -> NDArray[np.float64]:
        """Take the next tile's samples (a whole tile, or fewer at the end); return its slow samples."""
        self._sum += float(x.sum(dtype=np.float64))
        self._count += len(x)
        whole = len(x) // self.n
        if whole:
            spectra = rfft(x[: whole * self.n].reshape(whole, self.n) * self._window)
            power = spectra.real**2 + spectra.imag**2
            levels = power @ self._bands
            strength = levels[:, -6:].sum(axis=1)
            self._loud += power[int(np.argmax(strength))]
            self._quiet += power[int(np.argmin(strength))]
            self._all += power.sum(axis=0)
            self._frames += whole
            self._tiles += 1
            if self._kept < _MOST_FRAMES:
                decibels = 10.0 * np.log10(levels * self._scale + _FLOOR)
                self._levels.append((100.0 * decibels).round().astype(np.int16))
                self._peaks.append(np.abs(x[: whole * self.n]).reshape(whole, self.n).max(axis=1))
                self._kept += whole
        return self._add_slow(x)

    def _add_slow(self, x: NDArray[np.float32]) -> NDArray[np.float64]:
        every = FRAMES_PER_TILE * self.n // _SLOW
        count = len(x) // every
        slow = x[: count * every].reshape(count, every).mean(axis=1, dtype=np.float64)
        if count == _SLOW:
            line = rfft((slow - slow.mean()) * self._slow_window)
            self._slow += line.real**2 + line.imag**2
        return np.asarray(slow - slow.mean() if count else slow)

    @property
    def dc(self) -> float:
        """Mean of all samples, full scale 1.0."""
        return self._sum / max(self._count, 1)

    def levels(self) -> NDArray[np.float32]:
        """Return octave band levels frame by frame, dB re full scale, (frames, bands); the first 3 h of a long take."""
        if not self._levels:
            return np.empty((0, len(self.midbands)), np.float32)
        return np.concatenate(self._levels).astype(np.float32) / np.float32(100.0)

    def peaks_db(self) -> NDArray[np.float32]:
        """Return the largest absolute sample of the same frames, dB re full scale, (frames,)."""
        peaks = np.concatenate([np.empty(0, np.float32), *self._peaks])
        return np.asarray(20.0 * np.log10(np.maximum(peaks, 1e-6)), np.float32)

    def band_limit_hz(self) -> float | None:
        """Return where the loud moments' spectrum ends in a cliff, Hz; None where it does not.

        A codec or a resampler leaves a drop of 15 dB or more within a twentieth of the frequency, with nothing above,
        from the weaker part of the third below (a single tone is no cliff);
        microphones and rooms fall off far more gently. Where the noise of quiet moments goes on above it, and is not
        finer than the steps of the samples, it is the sound that ends there, and not what the recording carries.
        """
        if not self._tiles or not self._loud.any():
            return None
        width = max(round(250.0 / (self.hz[1] or 1.0)), 1)
        kernel = np.ones(width) / width
        smooth = 10.0 * np.log10(np.convolve(self._loud, kernel, "same") / self._tiles + _FLOOR)
        highest = np.maximum.accumulate(smooth[::-1])[::-1]
        best, drop = None, _DROP_DB
        for i in np.flatnonzero((self.hz > 1000.0) & (self.hz < _EDGE_SHARE * self.rate / 2)).tolist():
            above = int(np.searchsorted(self.hz, self.hz[i] * 1.05 + 200.0))
            if above >= len(self.hz) - width:
                break
            below = smooth[np.searchsorted(self.hz, self.hz[i] / 1.3) : i + 1]
            step = float(np.quantile(below, 0.25)) - float(highest[above])
            if step > drop:
                best, drop = float(self.hz[i]), step
        return None if best is not None and self._goes_on(best) else best

    def _goes_on(self, hz: float) -> bool:
        """Whether the noise of quiet moments is the same above a cliff as below it."""
        low, at, above, high = np.searchsorted(self.hz, [hz / 1.3, hz, hz * 1.05 + 200.0, 0.95 * self.rate / 2])
        density = self._scale / self._tiles * self._quiet
        below = float(np.median(density[low:at]))
        beyond = float(np.median(density[above : max(min(above + at - low, high), above + 1)]))
        steps = self._step**2 / 12 / (self.n / 2)
        return beyond > max(below / _SAME_NOISE, steps / 2)

    def hum(self) -> Hum | None:
        """Return the mains hum: two or more of the first 8 multiples of 50 or 60 Hz 15 dB above their neighbours."""
        found: list[Hum] = []
        rate = self.rate * _SLOW / (FRAMES_PER_TILE * self.n)
        step = rate / _SLOW
        for mains in (50, 60):
            power, lines = 0.0, 0
            for k in range(1, 9):
                at = round(mains * k / step)
                if at + 24 >= len(self._slow):
                    break
                near = self._slow[at - 2 : at + 3].max()
                around = np.median(np.concatenate([self._slow[at - 14 : at - 5], self._slow[at + 6 : at + 15]]))
                if near > 10**1.5 * max(around, _FLOOR) and int(np.argmax(self._slow[at - 2 : at + 3])) in (1, 2, 3):
                    lines += 1
                    power += float(self._slow[at - 2 : at + 3].sum())
            if lines >= 2 and self._tiles:
                scale = 2.0 / (_SLOW * float(np.sum(self._slow_window**2))) / self._tiles
                found.append(Hum(mains, 10.0 * float(np.log10(power * scale + _FLOOR)), lines))
        return max(found, key=lambda h: (h.lines, h.level_db), default=None)
