"""What recordings are good for, by what the detector hears in them: one by one, and set against one another."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from noisecheck.audio.clock import ClockPair, clock_between
from noisecheck.audio.health import Health, check_health
from noisecheck.audio.recording import FileRecording, open_recording
from noisecheck.bench.runsheet import Run
from noisecheck.compare.ties import References
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.decisions import Decisions, joined_onsets
from noisecheck.pipeline.flagging import flagged_by_health
from noisecheck.pipeline.history import find_in_first, note_coded
from noisecheck.pipeline.listen import ListenSettings, heard_of
from noisecheck.pipeline.parts import columns_of
from noisecheck.pipeline.references import as_references_tell, mark_references, references_of
from noisecheck.pipeline.tiles import DecidedTile, Reader, find_in_tiles, measure_tiles, tiles_of

__all__ = ["Examined", "examine"]

_ENDS_S: Final = 30.0
"""Tiles that reach so far into the beginning or the end are measured: reference drops are there."""
_MOST_PAIRS: Final = 15
_UNKNOWN: Final = (
    "clock error: not known: a second device's recording of the same run, given together with this one, would show it"
)


@record
class Examined:
    """Recordings examined together."""

    recordings: tuple[tuple[Path, Health], ...]
    references: References
    """Found at the ends of the recordings, each taken for a take of one session."""
    clocks: tuple[tuple[str, str, ClockPair], ...]
    """Pairs of recordings of one run: how the second's clock runs against the first's."""

    def to_dict(self) -> dict[str, Any]:
        """Return the document that ``health --json`` prints."""
        return {
            "recordings": [{"file": str(path), **health.to_dict()} for path, health in self.recordings],
            "reference_drops": self.references.to_dict(),
            "clocks": [
                {"first": a, "second": b, "ppm": round(c.ppm, 2), "error_ppm": round(c.error_ppm, 2),
                 "offset_s": round(c.offset_s, 6), "matched": c.matched}
                for a, b, c in self.clocks
            ],
        }  # fmt: skip

    def sentences(self) -> list[str]:
        """Return the lines that ``health`` prints."""
        lines = []
        for path, health in self.recordings:
            lines += [str(path), *(f"  {sentence}" for sentence in health.sentences())]
        lines += self.references.sentences
        lines += [pair.sentence(a, b) for a, b, pair in self.clocks] or [_UNKNOWN]
        return lines


def examine(paths: Sequence[Path], *, told: Callable[[float, str], None] | None = None) -> Examined:
    """Say what recordings are good for, whether reference drops tie them, and how their clocks run.

    The detector's impacts are used; only the first and last minute are measured, for reference drops.

    Raises:
        InputError: a recording cannot be used.
    """
    names = [p.name for p in paths] if len({p.name for p in paths}) == len(paths) else [p.as_posix() for p in paths]
    settings, found = ListenSettings(), list[tuple[Path, Health]]()
    tables: list[tuple[Run, Impacts, float]] = []
    times = []
    for number, (path, name) in enumerate(zip(paths, names, strict=True)):
        if told:
            told(number / len(paths), str(path))
        with open_recording(path) as recording:
            onsets, ends = _heard(recording, settings)
            health = check_health(recording, onsets=onsets.frame)
            found.append((path, health))
            seconds = recording.frames / recording.rate
            times.append(onsets.frame / recording.rate)
        tables.append((Run(name, (path.as_posix(),)), flagged_by_health(ends, health).with_columns(run=name), seconds))
    marked = mark_references(tables)
    heard = [(run, *take) for (run, _, _), take in zip(tables, marked, strict=True)]
    found = [(path, as_references_tell(health, ends)) for (path, health), (_, ends) in zip(found, marked, strict=True)]
    # What they say of the gain is a reason of the recordings above.
    references = replace(references_of(heard, ()), ridden=())
    pairs = itertools.islice(itertools.combinations(range(len(paths)), 2), _MOST_PAIRS)
    clocks = [(names[i], names[j], clock_between(times[i], times[j])) for i, j in pairs]
    return Examined(tuple(found), references, tuple((a, b, c) for a, b, c in clocks if c is not None))


def _heard(recording: FileRecording, settings: ListenSettings) -> tuple[Onsets, Impacts]:
    """Return all impacts, and those at the ends measured."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        reader = Reader(recording)
        tiles = tiles_of(recording.rate, recording.frames)
        decisions = Decisions(
            tiles,
            recording.rate,
            recording.channels,
            detect=settings.detect,
            spread_s=settings.spread_s,
            longest_s=settings.measure.longest_s,
        )
        onsets: list[Onsets] = []
        columns = []
        for tile in tiles:
            found = find_in_first(reader, tile) if tile == tiles[0] else find_in_tiles(reader, [tile])[0]
            for decided in decisions.take(found):
                onsets.append(decided.onsets)
                if min(decided.start, recording.frames - decided.stop) < _ENDS_S * recording.rate:
                    columns.append(_measured(reader, decided, settings))
    note_coded(recording, reader.coded)
    joined = {n: np.concatenate([c[n] for c in columns]) for n in columns[0]} if columns else {}
    ends = heard_of(joined, recording.rate, recording.frames, recording.channels, calibrated=False).impacts
    return joined_onsets(onsets, recording.channels), ends


def _measured(reader: Reader, tile: DecidedTile, settings: ListenSettings) -> dict[str, Any]:
    return columns_of(tile, measure_tiles(reader, [tile], settings.measure, None)[0])
