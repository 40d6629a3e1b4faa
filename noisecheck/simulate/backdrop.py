"""Sound that is no impact: room noise, hiss, motor hum, gear whine, the lift's chain, speech-like bursts.

Everything is made tile by tile from seeds of (run, part, tile), with filter states and tails carried on, so a run of
any length needs the memory of a few tiles and the same scene gives the same samples.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from noisecheck.simulate.parts import Background

__all__ = ["Backdrop", "Carry", "slope_filter"]

Samples = NDArray[np.float64]

_NOISE, _HISS, _CHAIN, _SPEECH, _FIXED = range(100, 105)


class Carry:
    """Adds pieces of sound that may reach past the tile they begin in; hands tiles out in order."""

    def __init__(self, channels: int) -> None:
        self._buffer = np.zeros((0, channels))
        self._origin = 0

    def add(self, start: int, piece: Samples) -> None:
        """Add ``piece`` (frames, channels) from frame ``start``; what lies before the current tile is dropped."""
        offset = start - self._origin
        if offset < 0:
            piece, offset = piece[-offset:], 0
        missing = offset + len(piece) - len(self._buffer)
        if missing > 0:
            self._buffer = np.concatenate([self._buffer, np.zeros((missing, self._buffer.shape[1]))])
        self._buffer[offset : offset + len(piece)] += piece

    def take(self, frames: int) -> Samples:
        """Return the next ``frames`` frames, shape (frames, channels), and forget them."""
        out = np.zeros((frames, self._buffer.shape[1]))
        ready = self._buffer[:frames]
        out[: len(ready)] = ready
        self._buffer = self._buffer[frames:]
        self._origin += frames
        return out


def slope_filter(slope_db: float, rate: int) -> Samples:
    """Return second-order sections, shape (n, 6), that give white noise of RMS 1 a slope in dB per octave and RMS 1.

    First-order poles an octave apart from 15 Hz, each with a zero placed for the slope (within 0.3 dB of straight).
    """
    from scipy.signal import sosfreqz

    if slope_db == 0.0:
        return np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    poles = 15.0 * 2.0 ** np.arange(0, math.log2(0.45 * rate / 15.0))
    zeros = np.minimum(poles * 2.0 ** (-slope_db / 6.0206), 0.49 * rate)
    tan_p, tan_z = np.tan(np.pi * poles / rate), np.tan(np.pi * zeros / rate)
    sos = np.zeros((len(poles), 6))
    # Bilinear (1 + s/z) / (1 + s/p), prewarped at both corners.
    sos[:, 0], sos[:, 1] = (1 + tan_z) / tan_z, -(1 - tan_z) / tan_z
    scale = (1 + tan_p) / tan_p
    sos[:, :2] /= scale[:, None]
    sos[:, 3], sos[:, 4] = 1.0, -(1 - tan_p) / (1 + tan_p)
    _, response = sosfreqz(sos, worN=1 << 16)
    sos[0, :3] /= math.sqrt(float(np.mean(np.abs(response) ** 2)))
    return sos


class Backdrop:
    """Background of one run. Call :meth:`tile` for tiles 0, 1, 2, ... in order."""

    def __init__(self, settings: Background, *, rate: int, channels: int, seed: tuple[int, ...]) -> None:
        self._s, self._rate, self._channels, self._seed = settings, rate, channels, seed
        fixed = np.random.default_rng((*seed, _FIXED))
        self._gain = 10.0 ** (fixed.normal(0.0, 1.5, (5, channels)) / 20.0)
        self._phase = fixed.uniform(0.0, 2.0 * math.pi, (24, channels))
        self._tone_db = -2.5 * np.arange(24) + fixed.normal(0.0, 3.0, 24)
        self._wander = fixed.uniform(0.0, 2.0 * math.pi, 4)
        self._ring_hz = fixed.uniform(1400.0, 3200.0, 3)
        self._chain, self._speech = Carry(1), Carry(1)
        self._next_clink = 0
        self._frame = 0
        self._tile = 0
        self._sos = slope_filter(settings.noise_slope_db, rate)
        self._state = np.zeros((len(self._sos), 2, channels))
        if settings.noise_db is not None:
            self._filtered(np.random.default_rng((*seed, _NOISE)).standard_normal((rate // 2, channels)))

    def _filtered(self, white: Samples) -> Samples:
        from scipy.signal import sosfilt

        out, self._state = sosfilt(self._sos, white, axis=0, zi=self._state)
        return np.asarray(out)

    def _rng(self, part: int, number: int) -> np.random.Generator:
        return np.random.default_rng((*self._seed, part, number))

    def tile(self, frames: int) -> Samples:
        """Return the next ``frames`` frames, shape (frames, channels), full scale 1.0."""
        s, shape = self._s, (frames, self._channels)
        out = np.zeros(shape)
        if s.noise_db is not None:
            out += 10 ** (s.noise_db / 20) * self._filtered(self._rng(_NOISE, self._tile + 1).standard_normal(shape))
        if s.hiss_db is not None:
            out += 10 ** (s.hiss_db / 20) * self._rng(_HISS, self._tile).standard_normal(shape)
        seconds = (self._frame + np.arange(frames)) / self._rate
        if s.motor_db is not None:
            out += 10 ** (s.motor_db / 20) * self._tones(seconds, s.motor_hz, 16, 0.0) * self._gain[0]
        if s.gear_db is not None:
            # Whine with its strength going round with the wheel.
            turn = 1.0 + 0.35 * np.sin(2 * math.pi * 2.3 * seconds + self._wander[2])
            whine = self._tones(seconds, s.gear_hz, 3, 4.0)
            out += 10 ** (s.gear_db / 20) * turn[:, None] * whine * self._gain[1]
        if s.chain_db is not None:
            self._add_clinks(frames)
            out += 10 ** (s.chain_db / 20) * self._chain.take(frames) * self._gain[2]
        if s.speech_db is not None:
            self._add_speech(frames)
            out += 10 ** (s.speech_db / 20) * self._speech.take(frames) * self._gain[3]
        self._frame += frames
        self._tile += 1
        return out

    def _tones(self, seconds: Samples, base_hz: float, count: int, fall_db: float) -> Samples:
        """Return harmonics of a slowly wandering base, RMS 1 in all, shape (frames, channels)."""
        # 0.2 % of wander over tens of seconds: the integral of the frequency is written out, so tiles join.
        drift = sum(
            0.002 / k * np.sin(2 * math.pi * seconds / p + self._wander[k - 1]) * p / (2 * math.pi)
            for k, p in ((1, 37.0), (2, 11.0))
        )
        numbers = np.arange(1, count + 1)
        numbers = numbers[numbers * base_hz < 0.45 * self._rate]
        amplitude = 10 ** ((self._tone_db[: len(numbers)] - fall_db * np.arange(len(numbers))) / 20)
        amplitude *= math.sqrt(2.0 / float(np.sum(amplitude**2)))
        # Harmonics are powers of one rotating number: a product each instead of a sine.
        turn = np.exp(2j * math.pi * base_hz * (seconds + drift))
        power = np.ones_like(turn)
        out = np.zeros((len(seconds), self._channels))
        for n, a in zip(numbers, amplitude, strict=True):
            power = power * turn
            out += (power.imag * a)[:, None] * np.cos(self._phase[n - 1])
            out += (power.real * a)[:, None] * np.sin(self._phase[n - 1])
        return out

    def _add_clinks(self, frames: int) -> None:
        """Chain links laid on the wheel, each swelling into the next: a regular rattle without onsets, no impacts."""
        length = max(round(1.6 * self._s.chain_period_s * self._rate), 8)
        time = np.arange(length) / self._rate
        envelope = np.hanning(length)
        # Neighbours overlap: a clink of this power every period makes an RMS of 1 in all.
        envelope /= math.sqrt(float(np.sum(envelope**2)) / (self._s.chain_period_s * self._rate))
        while True:
            rng = self._rng(_CHAIN, self._next_clink)
            when = (self._next_clink - 0.8 + 0.06 * float(rng.normal())) * self._s.chain_period_s
            if when * self._rate >= self._frame + frames:
                return
            tone = sum(
                np.sin(2 * math.pi * f * time + p) for f, p in zip(self._ring_hz, rng.uniform(0, 6.28, 3), strict=True)
            )
            noise = rng.standard_normal(length)
            noise = np.convolve(noise, np.hanning(max(round(self._rate / 6000), 1) + 2)[1:-1], mode="same")
            piece = envelope * (0.4 * np.asarray(tone) + noise / float(np.std(noise)))
            level = 10 ** (float(rng.normal(0.0, 1.0)) / 20) / math.sqrt(1.0 + 0.4**2 * 1.5)
            self._chain.add(round(when * self._rate), (level * piece)[:, None])
            self._next_clink += 1

    def _add_speech(self, frames: int) -> None:
        """Voiced bursts: a glottal pulse train through three resonances, syllables of about 4 a second."""
        from scipy.signal import lfilter

        rng = self._rng(_SPEECH, self._tile)
        for _ in range(int(rng.poisson(frames / self._rate / self._s.speech_every_s))):
            length = round(float(rng.uniform(0.6, 2.0)) * self._rate)
            time = np.arange(length) / self._rate
            pitch = float(rng.uniform(95, 210)) * (
                1 + 0.08 * np.sin(2 * math.pi * 1.3 * time + float(rng.uniform(0, 6)))
            )
            phase = np.cumsum(pitch) / self._rate
            voice = (phase % 1.0) ** 2 - 1 / 3 + 0.03 * rng.standard_normal(length)
            for hz, width in ((float(rng.uniform(350, 750)), 90), (float(rng.uniform(1000, 1900)), 130), (2600.0, 200)):
                if hz < 0.45 * self._rate:
                    radius = math.exp(-math.pi * width / self._rate)
                    voice = lfilter(
                        [1 - radius], [1, -2 * radius * math.cos(2 * math.pi * hz / self._rate), radius**2], voice
                    )
            swell = np.abs(np.sin(math.pi * time / time[-1])) ** 0.5
            syllables = np.sin(math.pi * np.clip(time * 4.0 % 1.0, 0, 1)) ** 2 * swell
            voice *= syllables
            voice /= math.sqrt(float(np.mean(voice**2)))
            self._speech.add(self._frame + int(rng.integers(frames)), np.asarray(voice)[:, None])
