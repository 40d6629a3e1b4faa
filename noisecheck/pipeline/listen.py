"""A recording, however long, to measured impacts: fixed tiles, one or more workers, flat memory.

The recording is cut into tiles at fixed places, each read with the context it needs, so neither the number
of workers nor how much is read at once can change a single bit. Two passes: candidates of every tile, then
(after the decisions, which look back only) the measurement of every tile.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Recording
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.core.units import to_seconds
from noisecheck.detect.candidates import Candidates, cell_frames, find_candidates, lead_frames, tail_frames
from noisecheck.detect.channels import MOST_SPREAD_S, Onsets, merge_channels
from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.measure.events import MeasureSettings, measure_impacts

__all__ = ["Heard", "ListenSettings", "Progress", "listen", "quiet_spans"]

TILE_S = 60
_BEFORE_S = 2.0
"""History before a tile for the background and the running levels."""
_QUIET_AFTER_S = (0.30, 0.15, 0.08)
_QUIET_BEFORE_S = 0.006
_ENOUGH_QUIET = 0.1
_LOUD_SCORE = 30.0
_EDGE_S = 0.003

Progress = Callable[[float], None]
"""Called with the share of the work done, 0 to 1."""


@dataclass(frozen=True, kw_only=True)
class ListenSettings:
    """Everything that can change a result of listening (part of the key under which results are kept)."""

    detect: DetectSettings = field(default_factory=DetectSettings)
    measure: MeasureSettings = field(default_factory=MeasureSettings)
    spread_s: float = MOST_SPREAD_S
    """Longest time from the first microphone to the last."""


@dataclass(frozen=True)
class Heard:
    """What was heard in one recording."""

    onsets: Onsets
    impacts: Impacts
    rate: int
    frames: int
    channels: int
    quiet: NDArray[np.int64]
    """Spans of frames without impacts, (m, 2)."""


def _tiles(rate: int, frames: int) -> list[tuple[int, int]]:
    length = TILE_S * cell_frames(rate)
    return [(start, min(start + length, frames)) for start in range(0, frames, length)]


def _read(recording: Recording, start: int, stop: int, block: int | None) -> NDArray[np.float32]:
    if block is None or stop - start <= block:
        return recording.read(start, stop)
    edges = [*range(start, stop, block), stop]
    return np.concatenate([recording.read(a, b) for a, b in itertools.pairwise(edges)])


def _candidates_of(opened: Callable[[], Recording], start: int, stop: int, block: int | None) -> list[Candidates]:
    recording = opened()
    rate = recording.rate
    origin = max(0, start - lead_frames(rate))
    samples = _read(recording, origin, min(stop + tail_frames(rate), recording.frames), block)
    return [
        find_candidates(np.ascontiguousarray(samples[:, c]), rate, origin=origin, start=start, stop=stop)
        for c in range(recording.channels)
    ]


def _measured(
    opened: Callable[[], Recording],
    start: int,
    stop: int,
    block: int | None,
    part: Onsets,
    limits: NDArray[np.int64],
    quiet: NDArray[np.int64],
    offset_db: NDArray[np.float64] | None,
    settings: MeasureSettings,
) -> dict[str, NDArray[Any]]:
    recording = opened()
    own = part.own_arrival
    order = np.argsort(own, kind="stable")
    origin = max(0, start - int(_BEFORE_S * recording.rate))
    end = min(int(max(stop, limits.max(initial=0))), stop + int(settings.longest_s * recording.rate), recording.frames)
    samples = _read(recording, origin, max(end, int(own.max(initial=0)) + 1), block)
    columns = measure_impacts(
        samples,
        recording.rate,
        origin=origin,
        onsets=own[order],
        channels=part.channel[order],
        limits=limits[order],
        quiet=quiet,
        offset_db=offset_db,
        settings=settings,
    )
    back = np.argsort(order, kind="stable")
    return {name: values[back] for name, values in columns.items()}


def _next_arrival(onsets: Onsets, frames: int) -> NDArray[np.int64]:
    """Return for each impact where its window must end: the next impact on the channel measured, or the end."""
    if not len(onsets):
        return np.empty(0, np.int64)
    following = np.append(onsets.frame[1:], frames)
    heard = np.vstack([onsets.arrival[1:], np.full((1, onsets.arrival.shape[1]), frames)])
    on_channel = heard[np.arange(len(onsets)), onsets.channel]
    limits = np.where(on_channel >= 0, on_channel, following)
    return np.maximum(limits, onsets.own_arrival + 1)


def quiet_spans(busy: NDArray[np.int64], rate: int, frames: int) -> NDArray[np.int64]:
    """Return the spans of frames, (m, 2), that begin well after each busy moment and end before the next.

    How long "well after" is depends on how busy the recording is: rings should have faded, but something
    must be left to take the background from.
    """
    edges = np.concatenate(([-(10**12)], np.sort(busy), [frames]))
    spans = np.empty((0, 2), np.int64)
    for after in _QUIET_AFTER_S:
        starts = np.maximum(edges[:-1] + int(after * rate), 0)
        stops = edges[1:] - int(_QUIET_BEFORE_S * rate)
        stops[-1] = frames
        keep = stops - starts > int(0.02 * rate)
        spans = np.column_stack((starts[keep], stops[keep])).astype(np.int64)
        if len(spans) and (spans[:, 1] - spans[:, 0]).sum() > _ENOUGH_QUIET * frames:
            break
    return spans


def _mapped(work: Iterable[tuple[Callable[..., Any], tuple[Any, ...]]], workers: int) -> Iterator[Any]:
    """Yield results in order, in this process or by joblib's workers (whatever backend is active)."""
    if workers == 1:
        for function, arguments in work:
            yield function(*arguments)
        return
    from joblib import Parallel, delayed

    yield from Parallel(n_jobs=workers, return_as="generator")(delayed(f)(*a) for f, a in work)


def listen(
    opened: Callable[[], Recording],
    *,
    settings: ListenSettings,
    offset_db: NDArray[np.float64] | None = None,
    workers: int = 1,
    block_s: float | None = None,
    progress: Progress | None = None,
) -> Heard:
    """Find and measure every impact of a recording.

    Args:
        opened: opens the recording; called once here and, with several workers, once a task (so it must pickle).
        settings: what may change the result.
        offset_db: dB to add for dB re 20 uPa, one a channel; None leaves dB re full scale.
        workers: processes; the result is the same for any number.
        block_s: seconds read at once (None: a tile); the result is the same for any length.
        progress: told the share of the work done.

    Returns:
        The impacts in order of first arrival; ``run``, ``file``, ``station`` are still blank.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):  # tiles are small: more threads only wait for one another
        return _listen(opened, settings, offset_db, workers, block_s, progress)


def _listen(
    opened: Callable[[], Recording],
    settings: ListenSettings,
    offset_db: NDArray[np.float64] | None,
    workers: int,
    block_s: float | None,
    progress: Progress | None,
) -> Heard:
    recording = opened()
    rate, frames, channels = recording.rate, recording.frames, recording.channels
    block = None if block_s is None else max(1, int(block_s * rate))
    tiles = _tiles(rate, frames)
    source = opened if workers > 1 else lambda: recording
    per_channel: list[list[Candidates]] = [[] for _ in range(channels)]
    for done, found in enumerate(_mapped(((_candidates_of, (source, *t, block)) for t in tiles), workers), 1):
        for channel, candidates in enumerate(found):
            per_channel[channel].append(candidates)
        if progress:
            progress(0.6 * done / len(tiles))
    last = frames - int(_EDGE_S * rate)  # nothing of an impact is left to measure there
    joined = [c.where(c.onset < last) for c in map(Candidates.concat, per_channel)]
    odds = [decide(c, rate, settings.detect) for c in joined]
    onsets = merge_channels(joined, odds, rate, spread_s=settings.spread_s)
    busy = np.concatenate([onsets.frame, *(c.onset[c.score > _LOUD_SCORE] for c in joined)])
    quiet = quiet_spans(busy, rate, frames)
    limits = _next_arrival(onsets, frames)

    def tasks() -> Iterator[tuple[Callable[..., Any], tuple[Any, ...]]]:
        for start, stop in tiles:
            lo, hi = np.searchsorted(onsets.frame, [start, stop])
            near = quiet[(quiet[:, 1] > start - int(_BEFORE_S * rate)) & (quiet[:, 0] < stop)]
            part = onsets.where(slice(int(lo), int(hi)))
            yield _measured, (source, start, stop, block, part, limits[lo:hi], near, offset_db, settings.measure)

    tables = []
    at = 0
    for done, columns in enumerate(_mapped(tasks(), workers), 1):
        count = len(columns["lae_db"])
        part = onsets.where(slice(at, at + count))
        at += count
        tables.append(_table(part, columns, rate, calibrated=offset_db is not None))
        if progress:
            progress(0.6 + 0.4 * done / len(tiles))
    return Heard(onsets, Impacts.concat(tables), rate, frames, channels, quiet)


def _table(part: Onsets, columns: dict[str, NDArray[Any]], rate: int, *, calibrated: bool) -> Impacts:
    flags = columns.pop("flags") | (0 if calibrated else Flag.UNCALIBRATED)
    return Impacts.of(
        len(part),
        channel=part.channel,
        frame=part.frame,
        time_s=to_seconds(part.frame, rate),
        odds=part.odds,
        db_re="20 uPa" if calibrated else "full scale",
        flags=flags,
        **columns,
    )
