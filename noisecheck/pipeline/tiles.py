"""Work on the tiles of a recording: fixed pieces, each read with the context it needs.

Where tiles begin and how much context they get is fixed, so what is found in one depends only on the recording:
not on who works on it, in what order, or how much is read at once.
"""

from __future__ import annotations

import itertools
import os
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, closing, nullcontext
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Recording, is_lossy
from noisecheck.core.records import record
from noisecheck.detect.candidates import Candidates, cell_frames, find_candidates, lead_frames, tail_frames
from noisecheck.detect.channels import Onsets
from noisecheck.measure.channel import MeasureSettings
from noisecheck.measure.events import measure_impacts

__all__ = [
    "BEFORE_S",
    "TILE_S",
    "DecidedTile",
    "Opener",
    "Reader",
    "Tile",
    "end_with_parent",
    "find_in_tiles",
    "keep_memory",
    "measure_onsets",
    "measure_tiles",
    "opened_once",
    "tiles_of",
]

TILE_S: Final = 60
_PARENT_S: Final = 1.0  # between looks whether the main process is still there
BEFORE_S: Final = 2.0
"""History before a tile for the background and the running levels."""
_HELD_CHANNELS: Final = 2
_HELD_S: Final = TILE_S + 8
_PIECE: Final = 1 << 17
"""Frames fetched at once where they are held: they stay in the cache until they are copied."""

_SEEN: Final = (32 << 20) - 8192
"""Bytes: the largest block that glibc's allocator learns from is 32 MB with its own few."""

Opener = Callable[[], Recording]
Tile = tuple[int, int]
"""First frame and end."""


@record
class DecidedTile:
    """A tile whose impacts are known, ready to be measured."""

    start: int
    stop: int
    onsets: Onsets
    limits: NDArray[np.int64]
    """Where each impact's window must end at the latest, (n,)."""
    quiet: NDArray[np.int64]
    """Spans without impacts in and shortly before the tile, (m, 2)."""


def tiles_of(rate: int, frames: int) -> list[Tile]:
    """Return the tiles of a recording: whole floor cells of the detector, one minute in all."""
    length = TILE_S * cell_frames(rate)
    return [(start, min(start + length, frames)) for start in range(0, frames, length)]


def keep_memory() -> None:
    """Let memory that one tile frees serve the next one.

    glibc gives freed memory back to the system, which clears it again for the next tile (a tenth of what listening
    takes), until it has seen a large block freed. Nothing is touched here, and other allocators take no notice.
    """
    np.empty(_SEEN, np.uint8)


@cache
def end_with_parent() -> None:
    """Let this process end soon after the one that started it, if it is a worker (POSIX; elsewhere it stays).

    A main process that is killed cannot tell its workers, and they would wait for work for minutes.
    """
    import multiprocessing
    import threading

    parent = multiprocessing.parent_process()
    if parent is None or os.getppid() != parent.pid:
        return

    def watch() -> None:
        while os.getppid() == parent.pid:
            time.sleep(_PARENT_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def opened_once(opener: Opener) -> AbstractContextManager[Recording]:
    """Return a recording to be used in a ``with``; it is closed at the end where it can be."""
    recording = opener()
    return closing(recording) if hasattr(recording, "close") else nullcontext(recording)  # type: ignore[type-var]


class Reader:
    """Reads a recording going forward; what was read within the last tile is not read (and decoded) again.

    With more than two channels nothing is held, to save memory.
    """

    def __init__(self, recording: Recording, block_s: float | None = None, *, coded: bool = False) -> None:
        self.recording = recording
        self.coded = coded or is_lossy(recording)
        """Whether the sound went through a lossy codec (:mod:`noisecheck.pipeline.history`)."""
        rate = recording.rate
        self._block = None if block_s is None else max(1, int(block_s * rate))
        self._keep = _HELD_S * cell_frames(rate)
        self._room = np.empty((0, recording.channels), np.float32)
        self._origin = self._filled = 0

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return frames ``start`` to ``stop``, (frames, channels); good until the next call."""
        start, stop = max(start, 0), min(stop, self.recording.frames)
        if self.recording.channels > _HELD_CHANNELS:
            return self._fetch(start, stop)
        if not self._origin <= start <= self._origin + self._filled:
            self._origin, self._filled = start, 0
        if stop - self._origin > len(self._room):
            self._make_room(start, stop)
        while stop > self._origin + self._filled:
            fresh = self._fetch(self._origin + self._filled, min(stop, self._origin + self._filled + _PIECE))
            self._room[self._filled : self._filled + len(fresh)] = fresh
            self._filled += len(fresh)
            if not len(fresh):
                break
        return self._room[start - self._origin : stop - self._origin]

    def _make_room(self, start: int, stop: int) -> None:
        first = min(max(start - self._keep, self._origin), self._origin + self._filled)
        held = self._room[first - self._origin : self._filled]
        if stop - first > len(self._room):
            # As large as it will have to be, at once: what is not filled costs nothing.
            room = np.empty((max(stop - first, 2 * self._keep) + self._keep, self.recording.channels), np.float32)
            room[: len(held)] = held
            self._room = room
        else:
            self._room[: len(held)] = held  # NumPy copies overlapping pieces safely
        self._origin, self._filled = first, len(held)

    def _fetch(self, start: int, stop: int) -> NDArray[np.float32]:
        if self._block is None or stop - start <= self._block:
            return self.recording.read(start, stop)
        edges = [*range(start, stop, self._block), stop]
        return np.concatenate([self.recording.read(a, b) for a, b in itertools.pairwise(edges)])


def find_in_tiles(reader: Reader, tiles: list[Tile]) -> list[list[Candidates]]:
    """Return the candidates of each channel, for each of the tiles."""
    recording = reader.recording
    rate = recording.rate
    found = []
    for start, stop in tiles:
        origin = max(0, start - lead_frames(rate))
        samples = reader.read(origin, stop + tail_frames(rate))
        found.append(
            [
                find_candidates(
                    np.ascontiguousarray(samples[:, c]), rate, origin=origin, start=start, stop=stop, coded=reader.coded
                )
                for c in range(recording.channels)
            ]
        )
    return found


def measure_tiles(
    reader: Reader, tiles: list[DecidedTile], settings: MeasureSettings, offset_db: NDArray[np.float64] | None
) -> list[dict[str, NDArray[Any]]]:
    """Return the measured columns of each of the tiles, rows in the order of their onsets."""
    return [_measured(reader, tile, settings, offset_db) for tile in tiles]


def _measured(
    reader: Reader, tile: DecidedTile, settings: MeasureSettings, offset_db: NDArray[np.float64] | None
) -> dict[str, NDArray[Any]]:
    rate, onsets = reader.recording.rate, tile.onsets
    origin = max(0, tile.start - int(BEFORE_S * rate))
    end = min(int(max(tile.stop, tile.limits.max(initial=0))), tile.stop + int(settings.longest_s * rate))
    samples = reader.read(origin, max(end, int(onsets.own_arrival.max(initial=0)) + 1))
    return measure_onsets(
        _as_stored(samples, origin, reader.recording),
        rate,
        onsets,
        origin=origin,
        limits=tile.limits,
        quiet=tile.quiet,
        offset_db=offset_db,
        settings=settings,
    )


def _as_stored(samples: NDArray[np.float32], origin: int, recording: Recording) -> NDArray[np.float32]:
    """Return samples from ``origin`` on with those that are no numbers so again: what they spoil is not measurable."""
    broken: tuple[NDArray[np.int64], ...] = getattr(recording, "nonfinite_of", ())
    copied = False
    for channel, ranges in enumerate(broken):
        bad = ranges - origin
        bad = bad[(bad[:, 1] > 0) & (bad[:, 0] < len(samples))]
        if len(bad) and not copied:
            samples, copied = samples.copy(), True  # the reader's own are read again
        for start, stop in np.maximum(bad, 0).tolist():
            samples[start:stop, channel] = np.nan
    return samples


def measure_onsets(
    samples: NDArray[np.float32],
    rate: int,
    onsets: Onsets,
    *,
    origin: int,
    limits: NDArray[np.int64],
    quiet: NDArray[np.int64],
    wanted: NDArray[np.bool_] | bool = True,
    offset_db: NDArray[np.float64] | None,
    settings: MeasureSettings,
) -> dict[str, NDArray[Any]]:
    """Return the measured columns of impacts at the channels that heard them best, rows in the order of the onsets.

    Arguments otherwise as for :func:`~noisecheck.measure.events.measure_impacts`, which wants them in order of arrival.
    """
    own = onsets.own_arrival
    order = np.argsort(own, kind="stable")
    columns = measure_impacts(
        samples,
        rate,
        origin=origin,
        onsets=own[order],
        channels=onsets.channel[order],
        limits=limits[order],
        quiet=quiet,
        wanted=np.broadcast_to(wanted, own.shape)[order],
        offset_db=offset_db,
        settings=settings,
    )
    back = np.argsort(order, kind="stable")
    return {name: values[back] for name, values in columns.items()}
