"""A recording, however long, to measured impacts: fixed tiles, one or more workers, flat memory.

The recording is cut into tiles at fixed places (:mod:`noisecheck.pipeline.tiles`). Candidates are found tile by tile,
decisions follow in order (:mod:`noisecheck.pipeline.decisions`), and a tile is measured as soon as it is settled. Work
on tiles depends only on the recording and the settings, so neither the number of workers, nor how much is read at
once, nor where an earlier attempt was killed can change a single bit.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.flags import Flag
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.core.units import to_seconds
from noisecheck.detect.channels import MOST_SPREAD_S, Onsets
from noisecheck.detect.decide import DetectSettings
from noisecheck.measure.channel import MeasureSettings
from noisecheck.pipeline.decisions import WARM_TILES, Decisions, joined_onsets
from noisecheck.pipeline.history import tells_codec
from noisecheck.pipeline.parts import LEVELS, Columns, Parts, columns_of
from noisecheck.pipeline.tiles import (
    DecidedTile,
    Opener,
    Reader,
    Tile,
    end_with_parent,
    find_in_tiles,
    keep_memory,
    measure_tiles,
    opened_once,
    tiles_of,
)

__all__ = ["Heard", "ListenSettings", "Progress", "heard_of", "listen", "start_workers"]

_LONG_TILES: Final = 240
"""From four hours on, what is measured waits on disk and not in memory."""
_MOST_BATCH: Final = 4

Progress = Callable[[float], None]
"""Called with the share of the work done, 0 to 1."""


@dataclass(frozen=True, kw_only=True)
class ListenSettings:
    """Everything that can change a result of listening (part of the key under which results are kept)."""

    detect: DetectSettings = field(default_factory=DetectSettings)
    measure: MeasureSettings = field(default_factory=MeasureSettings)
    spread_s: float = MOST_SPREAD_S
    """Longest time from the first microphone to the last."""

    def across(self, spread_s: float | None) -> ListenSettings:
        """Return these settings for microphones so far apart; the same ones where that is not known."""
        return self if spread_s is None else replace(self, spread_s=spread_s)


@record
class Heard:
    """What was heard in one recording."""

    onsets: Onsets
    impacts: Impacts
    rate: int
    frames: int
    channels: int
    quiet: NDArray[np.int64]
    """Spans of frames without impacts, (m, 2)."""
    columns: Columns = field(repr=False, default_factory=dict)
    """The same as it is kept on disk."""
    coded: bool = False
    """Whether it was listened to as sound that went through a lossy codec."""


@record
class _Batch:
    """A piece of work for one worker: tiles to be searched, or settled ones to be measured."""

    opener: Opener
    settings: MeasureSettings
    offset_db: NDArray[np.float64] | None
    block_s: float | None
    coded: bool
    to_find: tuple[Tile, ...] = ()
    to_measure: tuple[DecidedTile, ...] = ()

    def done_by(self, reader: Reader) -> list[Any]:
        if self.to_find:
            return find_in_tiles(reader, list(self.to_find))
        return measure_tiles(reader, list(self.to_measure), self.settings, self.offset_db)


def listen(
    opened: Opener,
    *,
    settings: ListenSettings,
    offset_db: NDArray[np.float64] | None = None,
    workers: int = 1,
    block_s: float | None = None,
    progress: Progress | None = None,
    unfinished: Path | None = None,
) -> Heard:
    """Find and measure every impact of a recording.

    Args:
        opened: opens the recording; called once here and, with several workers, once a batch (so it must pickle).
        settings: what may change the result.
        offset_db: dB to add for dB re 20 uPa, one a channel; None leaves dB re full scale.
        workers: processes (-1: all cores), of whatever joblib backend is active; the result is the same for any number.
        block_s: seconds read at once (None: a tile); the result is the same for any length.
        progress: told the share of the work done.
        unfinished: folder in which finished tiles are kept, so that a killed run goes on from there; only for this
            recording with these settings. What is in it is left for the caller to remove.

    Returns:
        The impacts in order of first arrival; ``run``, ``file``, ``station`` are still blank.

    Raises:
        noisecheck.pipeline.parts.PartsGone: files in ``unfinished`` were removed meanwhile.
    """
    from threadpoolctl import threadpool_limits

    keep_memory()
    # Tiles are small: more threads would only wait for one another, and could change bits.
    with threadpool_limits(limits=1, user_api="blas"), opened_once(opened) as recording:
        shape = (recording.rate, recording.frames, recording.channels)
        reader = Reader(recording, block_s)
        tiles = tiles_of(recording.rate, recording.frames)
        calibrated = offset_db is not None
        how = (settings, offset_db, workers, block_s, progress)
        if unfinished is None and len(tiles) > _LONG_TILES:
            import tempfile

            # Mapped files outlive their names (where they do not, on Windows, the folder is left to the system).
            with tempfile.TemporaryDirectory(prefix="noisecheck-", ignore_cleanup_errors=True) as folder:
                columns = _columns(opened, reader, tiles, *how, Path(folder))
        else:
            columns = _columns(opened, reader, tiles, *how, unfinished)
        columns["coded"] = np.array([reader.coded])
    return heard_of(columns, *shape, calibrated=calibrated)


def _columns(
    opener: Opener,
    reader: Reader,
    tiles: list[Tile],
    settings: ListenSettings,
    offset_db: NDArray[np.float64] | None,
    workers: int,
    block_s: float | None,
    progress: Progress | None,
    folder: Path | None,
) -> Columns:
    """Return all columns; what is found in the first tile may tell that all has to be listened to as coded sound."""
    parts = Parts(len(tiles), folder)
    if parts.done and not reader.coded:
        reader.coded = tells_codec(reader, tiles[0], find_in_tiles(reader, tiles[:1])[0])
    rate, channels = reader.recording.rate, reader.recording.channels
    decisions = Decisions(
        tiles,
        rate,
        channels,
        detect=settings.detect,
        spread_s=settings.spread_s,
        longest_s=settings.measure.longest_s,
        give_from=parts.done,
        first=parts.first,
    )
    size = 1 if workers == 1 else min(max(len(tiles) // 16, 1), _MOST_BATCH)
    common = (opener, settings.measure, offset_db, block_s, reader.coded)
    settled: deque[DecidedTile] = deque()
    again = False
    begin = max(0, parts.done - WARM_TILES) if parts.done < len(tiles) else len(tiles)

    def measuring(least: int) -> Iterator[_Batch]:
        while len(settled) >= least:
            yield _Batch(*common, to_measure=tuple(settled.popleft() for _ in range(min(size, len(settled)))))

    def batches() -> Iterator[_Batch]:
        # May run ahead of the results (workers ask for more while they work): it gives what is there, never waits.
        first = begin
        while first < len(tiles) and not again:
            yield from measuring(size)
            many = size if len(tiles) - first > 4 * size else 1  # small ones at the end leave no worker waiting long
            yield _Batch(*common, to_find=tuple(tiles[first : first + many]))
            first += many
        yield from measuring(1)

    def take(batch: _Batch, results: list[Any]) -> None:
        if batch.to_find:
            nonlocal again
            again |= batch.to_find[0] == tiles[0] and not reader.coded and tells_codec(reader, tiles[0], results[0])
            for found in () if again else results:
                settled.extend(decisions.take(found))
            return
        for tile, measured in zip(batch.to_measure, results, strict=True):
            parts.add(columns_of(tile, measured), decisions.first)
            if progress:
                progress(parts.done / len(tiles))

    if workers == 1:
        for batch in batches():
            take(batch, batch.done_by(reader))
    else:
        from joblib import Parallel

        with Parallel(n_jobs=workers, return_as="generator") as pool:
            work = batches()
            while True:
                given: deque[_Batch] = deque()
                for results in pool(_noted(work, given)):
                    take(given.popleft(), results)
                if not settled:
                    break
                work = measuring(1)
    if again:  # what workers had begun is let end
        reader.coded = True
        return _columns(opener, reader, tiles, settings, offset_db, workers, block_s, progress, folder)
    return parts.whole(decisions.first)


def start_workers(workers: int) -> None:
    """Start the processes that :func:`listen` will use, so that they are there when it begins."""
    from joblib import Parallel, delayed

    Parallel(n_jobs=workers)(delayed(_started)() for _ in range(workers if workers > 0 else 1))


def _started() -> None:
    """Be a worker that has loaded this module, and that ends with its parent."""
    end_with_parent()


def _noted(work: Iterator[_Batch], given: deque[_Batch]) -> Iterator[Any]:
    """Yield the work as joblib takes it, noting it in the order in which its results will come."""
    from joblib import delayed

    for batch in work:
        given.append(batch)
        yield delayed(_done)(batch)


def _done(batch: _Batch) -> list[Any]:
    """Do a piece of work in a worker's process; only positions and columns travel, never samples."""
    from threadpoolctl import threadpool_limits

    end_with_parent()
    keep_memory()
    with threadpool_limits(limits=1, user_api="blas"), opened_once(batch.opener) as recording:
        return batch.done_by(Reader(recording, batch.block_s, coded=batch.coded))


def heard_of(columns: Columns, rate: int, frames: int, channels: int, *, calibrated: bool) -> Heard:
    """Return what was heard from its columns (see :func:`noisecheck.pipeline.parts.columns_of`)."""
    if "frame" not in columns:
        nothing = joined_onsets([], channels)
        return Heard(nothing, Impacts.empty(), rate, frames, channels, np.empty((0, 2), np.int64))
    data: dict[str, NDArray[Any]] = {
        "channel": columns["channel"].astype(np.int64),
        "time_s": to_seconds(columns["frame"], rate),
        "flags": columns["flags"] if calibrated else columns["flags"] | np.uint32(Flag.UNCALIBRATED),
        **{name: columns[name] for name in ("frame", "odds", "bands", "bound_bands")},
        **{name: columns[name].astype(np.float64) for name in LEVELS},
    }
    impacts = Impacts.of_arrays(data).with_columns(db_re="20 uPa" if calibrated else "full scale")
    onsets = Onsets(**{f.name: columns[f.name] if f.name != "channel" else data["channel"] for f in fields(Onsets)})
    coded = bool(columns.get("coded", np.zeros(1)).any())
    return Heard(onsets, impacts, rate, frames, channels, columns["quiet"], columns, coded)
