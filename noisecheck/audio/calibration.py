"""What 0 dB is: from a sound calibrator found in a recording, from a stated sensitivity, or not known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.audio.recording import Recording
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.records import record
from noisecheck.core.units import P_REF_PA

__all__ = ["DRIFT_LIMIT_DB", "Calibration", "CalibratorTone", "find_calibrator", "from_sensitivity", "uncalibrated"]

DRIFT_LIMIT_DB: Final = 0.5
"""Largest difference of two consecutive checks, ISO 1996-2:2017 clause 5.2."""

# IEC 60942:2017 Tables 2, 4 and 7 at 1 kHz: fluctuation in dB, frequency in %, distortion and noise in %
_CLASSES: Final = ((1, 0.07, 0.7, 2.5), (2, 0.15, 1.7, 3.0))
_STEP_S: Final = 0.25
_SPREAD_HZ: Final = 16.0  # half width of the tone's lines in a Hann window of 0.25 s
_CUSTOMARY_HZ: Final = (250.0, 1000.0)  # of sound calibrators and pistonphones
_FOUND_NOISE: Final = 0.1  # a tone with a tenth of its energy in other things is not a coupled calibrator
_STEADY_DB: Final = 0.15  # class 2 fluctuation
_LEAST_S: Final = 2.0
_QUIETEST_DB: Final = -90.0


@record
class CalibratorTone:
    """A steady tone found in one channel, and how it compares with IEC 60942:2017."""

    channel: int
    start_s: float
    stop_s: float
    level_db: float
    """RMS level re full scale."""
    frequency_hz: float
    fluctuation_db: float
    """Half the difference between the highest and the lowest level of quarter seconds."""
    distortion_percent: float
    """Everything but the tone, 22 Hz up, against the tone."""
    meets_class: int
    """1 or 2 where fluctuation, frequency and distortion are inside that class of IEC 60942:2017, else 0."""


@record
class Calibration:
    """dB to add to dB re full scale to get dB re 20 uPa, per channel (NaN: that channel has none)."""

    offset_db: tuple[float, ...]
    source: Literal["calibrator", "sensitivity", "none"]
    tones: tuple[CalibratorTone, ...] = ()
    drift_db: tuple[float, ...] | None = None
    """Offset after minus before, per channel; None where there was one check only."""

    @property
    def known(self) -> bool:
        """Whether every channel can be given in dB re 20 uPa."""
        return self.source != "none" and bool(np.isfinite(self.offset_db).all())

    @property
    def comparable(self) -> bool:
        """False when any channel drifted by more than 0.5 dB between the checks (ISO 1996-2:2017 clause 5.2)."""
        return self.drift_db is None or bool(np.nanmax(np.abs(self.drift_db), initial=0.0) <= DRIFT_LIMIT_DB)

    def sentences(self) -> list[str]:
        """Return what was found of a calibrator and of drift between two checks, one sentence each."""
        told = []
        for tone in self.tones:
            judged = f"class {tone.meets_class}" if tone.meets_class else "outside class 2"
            told.append(
                f"calibrator on channel {tone.channel}: {tone.frequency_hz:.1f} Hz, fluctuation "
                f"{tone.fluctuation_db:.2f} dB, distortion {tone.distortion_percent:.1f} % ({judged} of IEC 60942)"
            )
        known = [d for d in self.drift_db or () if math.isfinite(d)]
        if self.drift_db is not None and not known:
            told.append("calibration drift is not known: no channel holds the calibrator's tone before and after")
        elif known:
            drift = max(known, key=abs)
            word = "within" if self.comparable else "more than"
            end = "" if self.comparable else ": levels are not comparable, calibrate and record again"
            told.append(f"calibration drift {drift:+.2f} dB between the two checks, {word} {DRIFT_LIMIT_DB:g} dB{end}")
        return told

    def checked_with(self, after: Calibration) -> Calibration:
        """Return this calibration with the drift to a check made after the measurement.

        Raises:
            InputError: another number of channels, or a side that was not made with a calibrator.
        """
        if len(after.offset_db) != len(self.offset_db):
            raise InputError(f"{len(self.offset_db)} channels calibrated before and {len(after.offset_db)} after")
        if self.source != "calibrator" or after.source != "calibrator":
            raise InputError("drift needs a calibrator recording before and one after the measurement")
        drift = tuple(float(b - a) for a, b in zip(self.offset_db, after.offset_db, strict=True))
        return replace(self, drift_db=drift)


def uncalibrated(channels: int) -> Calibration:
    """Return the calibration of a recording of which nothing is known: dB re full scale."""
    return Calibration((float("nan"),) * channels, "none")


def from_sensitivity(channels: int, *, pa_at_full_scale: ArrayLike) -> Calibration:
    """Return the calibration of a stated sensitivity.

    Args:
        channels: number of channels.
        pa_at_full_scale: instantaneous pressure in Pa that reads 1.0, one number or one a channel.

    Raises:
        InputError: a value is not a positive number, or there is another number of them.
    """
    pascal = _positive(pa_at_full_scale, channels)
    return Calibration(tuple((20.0 * np.log10(pascal / P_REF_PA)).tolist()), "sensitivity")


def find_calibrator(
    recording: Recording, *, level_db: float = 94.0, frequency_hz: float = 1000.0, least_s: float = _LEAST_S
) -> Calibration:
    """Find the tone of a sound calibrator by itself and return the calibration.

    In each channel the longest stretch is taken in which quarter seconds hold a tone within 5 % of the stated
    frequency, with less than a tenth of energy beside it, steady to 0.15 dB (the class 2 fluctuation of IEC 60942:2017
    Table 2). The stretch loses a quarter second at each end, where the calibrator was being switched or touched.
    A channel without a tone gets NaN, so microphones may be calibrated one after the other in one recording.

    Args:
        recording: any length; read in pieces.
        level_db: level the calibrator makes, dB re 20 uPa (customary 94 or 114; the recording cannot tell which).
        frequency_hz: its nominal frequency.
        least_s: shortest stretch accepted.

    Raises:
        InputError: no channel holds such a tone, or the tone is clipped.
    """
    rate = recording.rate
    if frequency_hz * 1.05 >= rate / 2:
        raise InputError(f"a calibrator at {frequency_hz:g} Hz cannot be heard at {rate} frames a second")
    level, frequency, beside, peak = _quarters(recording, frequency_hz)
    tones: list[CalibratorTone] = []
    for channel in range(recording.channels):
        with np.errstate(invalid="ignore"):
            fits = (
                (np.abs(frequency[:, channel] / frequency_hz - 1.0) <= 0.05)
                & (beside[:, channel] <= _FOUND_NOISE)
                & (level[:, channel] > _QUIETEST_DB)
            )
        start, stop = _steadiest(level[:, channel], fits)
        start, stop = start + 1, stop - 1
        if (stop - start) * _STEP_S < least_s:
            continue
        if float(peak[start:stop, channel].max()) >= 0.999:
            raise InputError(
                f"{one_line(recording.name)}: the calibrator's tone is clipped in channel {channel}: lower the gain"
            )
        tones.append(_tone(channel, start, stop, level, frequency, beside, frequency_hz))
    if not tones:
        raise InputError(
            f"{one_line(recording.name)}: no steady tone near {frequency_hz:g} Hz for {least_s:g} s: "
            + (_other_tone(recording, frequency_hz, least_s) or "is this the calibrator's recording?")
        )
    offsets = dict.fromkeys(range(recording.channels), float("nan"))
    offsets.update({t.channel: level_db - t.level_db for t in tones})
    return Calibration(tuple(offsets.values()), "calibrator", tuple(tones))


def _other_tone(recording: Recording, frequency_hz: float, least_s: float) -> str:
    """Return what to ask where the recording holds a tone that is customary, but not the one stated; else nothing."""
    for hz in _CUSTOMARY_HZ:
        if abs(hz / frequency_hz - 1.0) > 0.05 and hz * 1.05 < recording.rate / 2:
            level, frequency, beside, _ = _quarters(recording, hz)
            with np.errstate(invalid="ignore"):
                fits = (np.abs(frequency / hz - 1.0) <= 0.05) & (beside <= _FOUND_NOISE) & (level > _QUIETEST_DB)
            if (fits.sum(axis=0) * _STEP_S >= least_s).any():
                return f"there is one near {hz:g} Hz, is frequency_hz = {hz:g} meant?"
    return ""


def _positive(value: ArrayLike, channels: int) -> NDArray[np.float64]:
    array = np.asarray(value, np.float64)
    if array.ndim and array.shape != (channels,):
        raise InputError(f"{array.size} values for {channels} channels: give one, or one a channel")
    if not np.all(np.isfinite(array) & (array > 0)):
        raise InputError(f"a sensitivity must be a positive number, not {array.tolist()}")
    return np.broadcast_to(array, (channels,))


def _quarters(
    recording: Recording, nominal_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return (tone level dB, frequency, other energy / tone, peak) of each quarter second, each (steps, channels)."""
    import scipy.fft

    rate, length = recording.rate, round(_STEP_S * recording.rate)
    window = np.hanning(length + 1)[:-1][:, None]
    scale = 2.0 / (length * float(np.sum(window**2)))
    bins = np.fft.rfftfreq(length, 1.0 / rate)
    near = np.flatnonzero(np.abs(bins - nominal_hz) <= 0.06 * nominal_hz + _SPREAD_HZ)
    heard = bins >= 22.0
    rows: list[tuple[NDArray[np.float64], ...]] = []
    for start in range(0, recording.frames - length + 1, length):
        x = np.nan_to_num(recording.read(start, start + length).astype(np.float64), posinf=1.0, neginf=-1.0)
        power = scale * np.abs(scipy.fft.rfft(x * window, axis=0)) ** 2
        top = near[np.argmax(power[near], axis=0)]
        tone = np.abs(bins[:, None] - bins[top][None, :]) <= _SPREAD_HZ
        own = np.sum(power * tone, axis=0)
        other = np.sum(power * ~tone * heard[:, None], axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            centre = np.sum(power * tone * bins[:, None], axis=0) / own
            rows.append((10.0 * np.log10(own), centre, other / own, np.abs(x).max(axis=0)))
    if not rows:
        return (np.empty((0, recording.channels)),) * 4
    level, frequency, beside, peak = (np.stack(column) for column in zip(*rows, strict=True))
    return level, frequency, beside, peak


def _steadiest(level: NDArray[np.float64], fits: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the longest stretch of steps that fit and whose levels stay within the class 2 fluctuation."""
    best, start = (0, 0), 0
    for stop in range(1, len(level) + 1):
        if not fits[stop - 1]:
            start = stop
            continue
        while np.ptp(level[start:stop]) > 2.0 * _STEADY_DB:
            start += 1
        if stop - start > best[1] - best[0]:
            best = (start, stop)
    return best


def _tone(
    channel: int,
    start: int,
    stop: int,
    level: NDArray[np.float64],
    frequency: NDArray[np.float64],
    beside: NDArray[np.float64],
    nominal_hz: float,
) -> CalibratorTone:
    levels = level[start:stop, channel]
    fluctuation = 0.5 * float(np.ptp(levels))
    hz = float(np.mean(frequency[start:stop, channel]))
    percent = 100.0 * float(np.sqrt(np.mean(beside[start:stop, channel])))
    off = 100.0 * abs(hz / nominal_hz - 1.0)
    met: Sequence[int] = [c for c, f, h, d in _CLASSES if fluctuation <= f and off <= h and percent <= d]
    mean_db = 10.0 * float(np.log10(np.mean(10.0 ** (levels / 10.0))))
    return CalibratorTone(
        channel, start * _STEP_S, stop * _STEP_S, mean_db, hz, fluctuation, percent, met[0] if met else 0
    )
