"""The array of microphones in known places: what it can tell of places, and what sounds alike to it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.core.units import sound_speed_mps

__all__ = ["BENDING_MPS", "REACH_MM", "Array", "array_of", "pickups_of"]

Floats = NDArray[np.float64]

BENDING_MPS: Final = 400.0
"""Middle of 196 to 620 m/s, bending waves of 3 mm acrylic from 1 to 10 kHz (thin-plate theory)."""
REACH_MM: Final = 40.0
"""Impacts at a station lie within about so much of its stated place (two standard deviations)."""
_SAME_MM: Final = 5.0
_LEAST_MM: Final = 10.0  # a whole array within this was given in metres
_FLAT: Final = 0.05
_APART: Final = 2.0


@record
class Array:
    """Air microphones in known places, and what they cannot tell apart."""

    channels: tuple[int, ...]
    position_mm: Floats
    """(m, 3)."""
    speed_mps: float
    plane_mm: float
    """Height in which impacts are looked for where the array cannot tell heights."""
    dimensions: int
    """3, 2, or 1 where there is only a hyperbola (two microphones) or a mirror image (all in a line)."""
    stations: tuple[str, ...]
    station_mm: Floats
    """Places of the stations that have one, (stations, 3)."""
    notes: tuple[str, ...] = ()

    @property
    def longest_s(self) -> float:
        """Longest time sound takes from one microphone to another."""
        apart = np.linalg.norm(self.position_mm[:, None] - self.position_mm[None], axis=2)
        return float(apart.max()) / 1e3 / self.speed_mps

    def due_s(self, place_mm: Floats) -> Floats:
        """Return travel times from places (..., 3) to the microphones, (..., m)."""
        way = np.linalg.norm(place_mm[..., None, :] - self.position_mm, axis=-1)
        return np.asarray(way / 1e3 / self.speed_mps, np.float64)


def _three(position: Sequence[float]) -> list[float]:
    return [*position, 0.0][:3]


def array_of(rig: Rig, *, kind: Literal["air", "contact"] = "air", without: Collection[int] = ()) -> Array | None:
    """Return the array of a rig's microphones of one kind with positions, or None with fewer than two places.

    Contact pickups hear bending waves, whose speed the rig does not say: see :func:`fitted_speed`. Microphones on the
    channels ``without`` are left out.

    Raises:
        InputError: positions that must have been given in metres.
    """
    placed = [m for m in rig.microphones if m.kind == kind and m.position_mm is not None and m.channel not in without]
    everything = [_three(m.position_mm) for m in placed if m.position_mm is not None]
    where = {s.name: _three(s.position_mm) for s in rig.stations if s.position_mm is not None}
    if len(everything) < 2:
        return None
    cloud = np.array(everything, np.float64)
    whole = np.concatenate([cloud, np.array(list(where.values()), np.float64).reshape(-1, 3)])
    reach = float(np.ptp(whole, axis=0).max())
    if 0.0 < reach < _LEAST_MM:
        raise InputError(
            f"position_mm: microphones and stations lie within {reach:g} mm of each other: were they given in metres?"
        )
    notes: list[str] = []
    keep: list[int] = []
    for i in range(len(cloud)):
        twin = next((k for k in keep if np.linalg.norm(cloud[i] - cloud[k]) < _SAME_MM), None)
        if twin is None:
            keep.append(i)
        else:
            notes.append(
                f"microphones {placed[twin].channel} and {placed[i].channel} stand in the same place: their arrival "
                "times tell nothing apart, so only the first is used"
            )
    if len(keep) < 2:
        return None
    cloud = cloud[keep]
    spread = np.linalg.svd(cloud - cloud.mean(axis=0), compute_uv=False)
    rank = int((spread > max(_FLAT * spread[0], _SAME_MM)).sum())
    heights = [p[2] for p in where.values()] or cloud[:, 2].tolist()
    dimensions = (
        3 if rank == 3 and len(cloud) >= 5 and _has_height(rig, kind) else (2 if len(cloud) >= 3 and rank >= 2 else 1)
    )
    speed = sound_speed_mps(rig.rig.temperature_c) if kind == "air" else BENDING_MPS
    made = Array(
        tuple(placed[i].channel for i in keep), cloud, speed, float(np.mean(heights)), dimensions,
        tuple(where), np.array(list(where.values()), np.float64).reshape(-1, 3), tuple(notes),
    )  # fmt: skip
    return replace(made, notes=(*notes, *_blind_spots(made)))


def _has_height(rig: Rig, kind: str) -> bool:
    return all(m.position_mm is not None and len(m.position_mm) == 3 for m in rig.microphones if m.kind == kind)


def _blind_spots(array: Array) -> list[str]:
    notes = []
    if array.dimensions == 1 and len(array.position_mm) == 2:
        notes.append(
            "two microphones give one time difference, a hyperbola: stations can be told apart, places not be found"
        )
    elif array.dimensions == 1:
        notes.append("the microphones stand in a line: a place and its mirror image across that line sound alike")
    due = array.due_s(array.station_mm)
    due = due - due.mean(axis=1, keepdims=True)
    blur = 0.5 * REACH_MM / 1e3 / array.speed_mps
    for a in range(len(array.stations)):
        for b in range(a + 1, len(array.stations)):
            if np.sqrt(((due[a] - due[b]) ** 2).sum()) < _APART * blur:
                notes.append(
                    f"arrival times cannot tell '{array.stations[a]}' from '{array.stations[b]}': sound takes the same "
                    "times from both to these microphones"
                )
    return notes


def pickups_of(rig: Rig, channels: int) -> Array | None:
    """Return the array of contact pickups on one plate of so many channels; None where they tell no stations apart."""
    array = array_of(rig, kind="contact")
    if array is None or any(rig.microphone(c).station for c in array.channels):
        return None
    return None if max(array.channels) >= channels or len(array.stations) < 2 else array
