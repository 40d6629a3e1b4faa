"""When the impacts of a run reached microphones in known places: measured in a recording, or known already."""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.place.array import Array
from noisecheck.place.delays import (
    AFTER_S,
    NOISE_ROWS,
    Arrivals,
    Reader,
    cut_snippets,
    measure_arrivals,
    noise_power,
)

__all__ = [
    "CONTACT_BAND_HZ",
    "InRecording",
    "Timed",
    "air_arrivals",
    "contact_arrivals",
    "deaf",
    "deaf_in",
    "noise_before",
]

Floats = NDArray[np.float64]

CONTACT_BAND_HZ: Final = (2000.0, 4000.0)
"""The one octave in which contact pickups are compared: bending waves of other frequencies travel at other speeds."""
_SLOWEST: Final = 4.0
"""Bending waves may take so many times as long as those of the speed first assumed."""
_CHECKED: Final = 20
_HARDLY: Final = 0.1


class Timed(Protocol):
    """Knows when impacts reached microphones in known places."""

    def air(self, onsets: Onsets, impacts: Impacts, array: Array) -> Arrivals:
        """Return arrivals at the air microphones of an array; ``impacts`` are the same, measured."""
        ...

    def contact(self, onsets: Onsets, array: Array) -> Arrivals:
        """Return arrivals at the contact pickups of an array."""
        ...


@record
class InRecording:
    """Measures arrivals in a recording."""

    read: Reader
    rate: float

    def air(self, onsets: Onsets, impacts: Impacts, array: Array) -> Arrivals:
        """Return arrivals at the air microphones of an array."""
        return air_arrivals(self.read, self.rate, onsets, impacts, array)

    def contact(self, onsets: Onsets, array: Array) -> Arrivals:
        """Return arrivals at the contact pickups of an array."""
        return contact_arrivals(self.read, self.rate, onsets, array)


def air_arrivals(
    read: Reader, rate: float, onsets: Onsets, impacts: Impacts, array: Array, *, noise: Floats | None = None
) -> Arrivals:
    """Return arrivals at air microphones; ``noise`` as of :func:`~noisecheck.place.delays.measure_arrivals`."""
    return measure_arrivals(
        read,
        onsets.frame,
        rate,
        channels=array.channels,
        longest_s=array.longest_s,
        onsets=onsets.arrival[:, list(array.channels)],
        margin_db=_margins(onsets, impacts, array.channels),
        centroid_hz=impacts["centroid_hz"],
        noise=noise,
    )


def contact_arrivals(
    read: Reader, rate: float, onsets: Onsets, array: Array, *, noise: Floats | None = None
) -> Arrivals:
    """Return arrivals at contact pickups on one plate."""
    return measure_arrivals(
        read,
        onsets.frame,
        rate,
        channels=array.channels,
        longest_s=_SLOWEST * array.longest_s,
        band_hz=CONTACT_BAND_HZ,
        noise=noise,
    )


def noise_before(read: Reader, rate: float, onsets: Onsets, array: Array, *, contact: bool) -> Floats:
    """Return the background before the first impacts of a run, at least one, at the microphones of an array."""
    after_s = AFTER_S + (_SLOWEST if contact else 1.0) * array.longest_s
    snippets = cut_snippets(read, onsets.frame[:NOISE_ROWS], rate, after_s=after_s)
    return noise_power(snippets[:, :, list(array.channels)], rate)


def deaf(heard: NDArray[np.int64], impacts: int) -> list[int]:
    """Return the channels that heard hardly any of so many impacts, where there are enough to say so.

    Args:
        heard: impacts that each channel heard, (channels,).
        impacts: of the run so far.
    """
    if impacts < _CHECKED:
        return []
    return [int(c) for c in np.flatnonzero(heard < _HARDLY * heard.max())]


def deaf_in(onsets: Onsets) -> list[int]:
    """Return the channels that heard hardly any of the impacts of a run."""
    return deaf((onsets.arrival >= 0).sum(axis=0), len(onsets))


def _margins(onsets: Onsets, impacts: Impacts, channels: tuple[int, ...]) -> Floats:
    """Return the margin (dB) of each impact at each microphone: its own, and by how much it was fainter there."""
    own = np.take_along_axis(onsets.level_db, onsets.channel[:, None].astype(np.int64), axis=1)
    with np.errstate(invalid="ignore"):  # where it was not heard
        return np.asarray(impacts["margin_db"][:, None] + onsets.level_db[:, list(channels)] - own, np.float64)
