"""How long each place rings in every octave, run by run: whether a change damps, and where."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.split import join_recordings
from noisecheck.core.errors import InputError
from noisecheck.core.flags import SPOILT, Flag
from noisecheck.measure.octaves import octave_decays
from noisecheck.pipeline.decisions import quiet_spans

if TYPE_CHECKING:
    from noisecheck.pipeline.run import RunResult

__all__ = ["run_octave_decays"]

Floats = NDArray[np.float64]
_LISTENED_S: Final = 60.0
"""Of each run only so much is heard again: a decay is the same in every impact of a place."""
_AMONG: Final = 16
_MOST: Final = 12
_AFTER_S: Final = 4.0
_LEAST: Final = 3
_UNFIT: Final = SPOILT | Flag.BOUND | Flag.REFERENCE | Flag.LOW_MARGIN


def run_octave_decays(runs: Sequence[RunResult]) -> dict[tuple[str, str], Floats]:
    """Return ln of the decay time in ms in the octaves 31.5 Hz to 16 kHz, (10,), by (run, station).

    Each is the median over the twelve clearest of the first sixteen first contacts; NaN where fewer than three
    show a decay (see :func:`noisecheck.measure.octaves.octave_decays`). Recordings that can no longer be read are
    left out.
    """
    found: dict[tuple[str, str], Floats] = {}
    for run in runs:
        with contextlib.suppress(InputError):
            found.update({(run.run.name, station): d for station, d in _of_run(run).items()})
    return found


def _of_run(run: RunResult) -> dict[str, Floats]:
    table, most = run.impacts, round(min(_LISTENED_S, run.seconds) * run.rate)
    frames = table.data["frame"].astype(np.int64)
    fit = (frames < most) & (table.data["rebound"] <= 0) & ~table.flagged(_UNFIT) & np.isfinite(table.data["margin_db"])
    chosen: dict[str, NDArray[np.int64]] = {}
    for code in np.unique(table.data["station"][fit]):
        rows = np.flatnonzero(fit & (table.data["station"] == code))[:_AMONG]
        clearest = rows[np.argsort(-table.data["margin_db"][rows], kind="stable")[:_MOST]]
        chosen[table.names["station"][code]] = np.sort(clearest)
    if not chosen:
        return {}
    last = max(int(frames[rows[-1]]) for rows in chosen.values())
    end = min(most, last + round(_AFTER_S * run.rate))
    with join_recordings(run.paths) as recording:
        samples = recording.read(0, end)
    heard = np.sort(frames[frames < end])
    every = np.sort(np.concatenate(list(chosen.values())))
    following = np.append(heard, end)[np.searchsorted(heard, frames[every], side="right")]
    decays = octave_decays(
        samples,
        run.rate,
        origin=0,
        onsets=frames[every],
        channels=np.maximum(table.data["channel"][every], 0),
        limits=following,
        quiet=quiet_spans(heard, run.rate, 0, end),
    )
    return {station: _middle(np.log(decays[np.isin(every, rows)])) for station, rows in chosen.items()}


def _middle(logs: Floats) -> Floats:
    enough = np.isfinite(logs).sum(axis=0) >= _LEAST
    out = np.full(logs.shape[1], np.nan)
    out[enough] = np.nanmedian(logs[:, enough], axis=0)
    return out
