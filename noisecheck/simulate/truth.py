"""What is exactly known about a simulated run, and how its clean levels are computed.

Levels here come from the spectrum of each clean impact, with nothing of the measuring code in between: that is what
makes them a check on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import third_octave_edges
from noisecheck.core.records import record
from noisecheck.simulate.flow import BallHistory, Contact, Finding

__all__ = ["RunTruth", "TrueImpact", "a_weighting_power", "band_exposures", "exposure", "true_peak"]

Floats = NDArray[np.float64]

# Pole frequencies of the A weighting, IEC 61672-1:2013, Annex E.
_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217


def a_weighting_power(freq_hz: Floats) -> Floats:
    """Return the power factor of the A weighting (1 at 1 kHz), same shape; IEC 61672-1:2013 Annex E, closed form."""

    def gain(f: Floats) -> Floats:
        s = f**2
        return _F4**2 * s**2 / ((s + _F1**2) * np.sqrt((s + _F2**2) * (s + _F3**2)) * (s + _F4**2))

    return np.asarray((gain(np.asarray(freq_hz, np.float64)) / gain(np.array(1000.0))) ** 2)


def exposure(spectrum: NDArray[np.complex128], power: Floats, step_hz: float) -> Floats:
    """Return the exposure (square of full scale, s) of one-sided spectra (..., bins) times ``power`` (bins,)."""
    density = np.abs(spectrum) ** 2 * power
    return np.asarray((2.0 * density.sum(axis=-1) - density[..., 0]) * step_hz)


def band_exposures(spectrum: NDArray[np.complex128], freq_hz: Floats) -> Floats:
    """Return ideal (rectangular) one-third-octave exposures, shape (..., 30), IEC 61260-1 band edges."""
    density = 2.0 * np.abs(spectrum) ** 2 * (freq_hz[1] - freq_hz[0])
    total = np.concatenate([np.zeros((*density.shape[:-1], 1)), np.cumsum(density, axis=-1)], axis=-1)
    edge = np.clip(np.searchsorted(freq_hz, third_octave_edges()), 0, len(freq_hz))
    return np.asarray(np.diff(total[..., edge], axis=-1))


_REACH: Final = 32
_FINE: Final = 16


def _sinc_bank() -> Floats:
    offset = np.arange(-_FINE, _FINE + 1) / _FINE  # one sample to both sides
    tap = np.arange(-_REACH, _REACH + 1)
    distance = offset[:, None] - tap[None, :]
    return np.asarray(np.sinc(distance) * np.cos(np.pi * distance / (2 * (_REACH + 2))) ** 2)


_BANK: Final = _sinc_bank()


def true_peak(samples: Floats) -> tuple[float, float]:
    """Return (peak between samples, sample peak) of one channel, shape (frames,), by windowed-sinc interpolation."""
    size = np.abs(samples)
    top = float(size.max(initial=0.0))
    if top == 0.0:
        return 0.0, 0.0
    padded = np.pad(samples, _REACH)
    # Only near-highest samples can have a higher peak beside them (band-limited, a little oversampled by the filter).
    near = np.argpartition(size, -8)[-8:] if len(size) > 8 else np.arange(len(size))
    best = max(float(np.abs(_BANK @ padded[i : i + 2 * _REACH + 1]).max()) for i in near.tolist())
    return max(best, top), top


@dataclass(frozen=True, slots=True)
class TrueImpact:
    """One impact, clean. Times are in the file's own clock; arrays are one value a channel, in channel order."""

    emitted_s: float
    arrival_s: Floats
    """First arrival at each microphone, in seconds from the start of the file."""
    lzpeak_db: Floats
    """Peak between samples, dB re full scale, of the impact alone and before the recorder's faults."""
    sample_peak_db: Floats
    lae_db: Floats
    """A-weighted sound exposure level, dB re full scale squared times 1 s."""
    le_db: Floats
    """Exposure level per one-third octave, shape (channels, 30); -inf where the rate carries nothing."""
    contact_s: float
    contact: Contact

    @property
    def channel(self) -> int:
        """The channel that hears it best (highest L_AE)."""
        return int(np.argmax(self.lae_db))

    @property
    def time_s(self) -> float:
        """First arrival at any microphone."""
        return float(self.arrival_s.min())


@record
class RunTruth:
    """All that is known of one run. Filled while the run is rendered; complete when the last block is out."""

    run: str
    rate: int
    clip_at: float = 1.0
    impacts: list[TrueImpact] = field(default_factory=list)
    balls: list[BallHistory] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def times_s(self, *, channel: int | None = None) -> Floats:
        """Return first arrivals (n,), of one channel or of whichever hears each impact first."""
        return np.array([i.time_s if channel is None else i.arrival_s[channel] for i in self.impacts], np.float64)

    @property
    def stations(self) -> tuple[str, ...]:
        """Station of each impact ('' for a stray)."""
        return tuple(i.contact.station for i in self.impacts)

    def level_db(self, name: str, *, channel: int | None = None) -> Floats:
        """Return ``lae_db``, ``lzpeak_db`` or ``sample_peak_db`` (n,), of one channel or of the best of each."""
        return np.array([getattr(i, name)[i.channel if channel is None else channel] for i in self.impacts], np.float64)

    def impact_rows(self, channels: int) -> tuple[list[str], list[Sequence[object]]]:
        """Return header and rows of ``truth/RUN.impacts.csv``."""
        header = ["time_s", "channel", "place", "lzpeak_db", "lae_db", "ball", "drop", "rebound", "drop_height_mm"]
        header += ["speed_mps", "restitution", "contact_us", "emitted_s", "clipped"]
        for c in range(channels):
            header += [f"time_s_{c}", f"lzpeak_db_{c}", f"sample_peak_db_{c}", f"lae_db_{c}"]
        rows: list[Sequence[object]] = []
        for i in self.impacts:
            c, k = i.channel, i.contact
            row: list[object] = [f"{i.time_s:.7f}", c, k.station, f"{i.lzpeak_db[c]:.3f}", f"{i.lae_db[c]:.3f}"]
            row += [k.ball, k.drop, k.rebound, f"{1e3 * k.drop_height_m:.3f}", f"{k.speed_mps:.5f}"]
            row += [f"{k.restitution:.5f}", f"{1e6 * i.contact_s:.2f}", f"{i.emitted_s:.7f}"]
            row.append(int(10 ** (i.sample_peak_db[c] / 20) >= self.clip_at))
            for n in range(channels):
                row += [f"{i.arrival_s[n]:.7f}", f"{i.lzpeak_db[n]:.3f}", f"{i.sample_peak_db[n]:.3f}"]
                row.append(f"{i.lae_db[n]:.3f}")
            rows.append(row)
        return header, rows

    def ball_rows(self, stations: Sequence[str]) -> tuple[list[str], list[Sequence[object]]]:
        """Return header and rows of ``truth/RUN.balls.csv``: one a ball, arrivals in true seconds."""
        header = ["ball", "fed_s", "fate", *(f"arrival_s_{s}" for s in stations), "held_up_at", "unheard_at"]
        rows: list[Sequence[object]] = [
            [
                b.ball,
                f"{b.fed_s:.6f}",
                b.fate,
                *(f"{b.arrivals_s[s]:.6f}" if s in b.arrivals_s else "" for s in stations),
                ";".join(b.held_up_at),
                ";".join(b.unheard_at),
            ]
            for b in self.balls
        ]
        return header, rows

    def finding_rows(self) -> tuple[list[str], list[Sequence[object]]]:
        """Return header and rows of ``truth/RUN.findings.csv``: what a perfect ledger would report."""
        header = ["kind", "time_s", "station", "ball"]
        return header, [[f.kind, f"{f.time_s:.6f}", f.station, f.ball if f.ball >= 0 else ""] for f in self.findings]
