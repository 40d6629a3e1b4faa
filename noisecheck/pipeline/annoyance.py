"""How impulsive and how loud impacts are to the ear: level alone is not annoyance.

For each station under each treatment some typical impacts and the loudest one are listened to again.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.calibration import Calibration
from noisecheck.audio.split import join_recordings
from noisecheck.core.errors import InputError, MissingExtraError
from noisecheck.core.flags import NO_DROP, SPOILT, Flag
from noisecheck.core.records import record
from noisecheck.core.units import json_values
from noisecheck.measure.loudness import loudness_max
from noisecheck.measure.prominence import Onset, adjustment_db, fast_levels, impulse_onsets
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.run import RunResult, calibration_of

__all__ = ["INTERVAL_S", "Annoyance", "annoyance"]

INTERVAL_S: Final = 0.01
"""Interval of the level from which onset rates are taken; they depend on it, so it is stated."""
_BEFORE_S: Final = 1.0
_AFTER_S: Final = 0.7
_LATE_S: Final = 0.03
_TYPICAL: Final = 15
_UNFIT: Final = SPOILT | Flag.BOUND | NO_DROP


@record
class Annoyance:
    """One impact as it meets the ear; NaN where it cannot be given."""

    station: str
    treatment: str
    revision: str
    which: str
    """``typical``: around the median L_AE of its station and treatment; or ``loudest``."""
    impacts: int
    """Impacts behind P and K_I, which are medians: one onset rate alone scatters widely."""
    run: str
    time_s: float
    lae_db: float
    prominence: float
    """P of NT ACOU 112:2002 and ISO/PAS 1996-3:2022."""
    adjustment_db: float
    """K_I, to be added to a level by those standards."""
    onset_rate_db_s: float
    loudness_sone: float
    """N_max of ISO 532-1:2017; NaN without a calibration or without the extra ``loudness``."""
    why_no_loudness: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; not known is None."""
        out: dict[str, Any] = json_values(asdict(self))
        return out


def annoyance(result: CampaignResult) -> tuple[Annoyance, ...]:
    """Return typical impacts and the loudest one of each station under each revision and treatment.

    Recordings that can no longer be read are left out.
    """
    runs = {r.run.name: r for r in result.tests}
    wanted = _wanted(list(runs.values()))
    needed = {(name, row) for rows in wanted.values() for name, row in rows}
    rises: dict[tuple[str, int], Onset] = {}
    for name, run in runs.items():
        mine = sorted(row for other, row in needed if other == name)
        try:
            with join_recordings(run.paths) as recording:
                rises.update({(name, row): _rise(run, row, recording.read) for row in mine})
        except InputError:
            continue
    calibration = functools.cache(functools.partial(calibration_of, result.campaign))
    found = []
    for (station, revision, treatment, which), rows in wanted.items():
        known = [rises[at] for at in rows if at in rises and math.isfinite(rises[at].prominence)]
        run, row = runs[rows[0][0]], rows[0][1]
        sone, why = _loudness(run, row, calibration)
        p = float(np.median([o.prominence for o in known])) if known else math.nan
        found.append(
            Annoyance(
                station=station,
                treatment=treatment,
                revision=revision,
                which=which,
                impacts=len(known),
                run=run.run.name,
                time_s=float(run.impacts["time_s"][row]),
                lae_db=float(run.impacts["lae_db"][row]),
                prominence=p,
                adjustment_db=float(adjustment_db(p)) if known else math.nan,
                onset_rate_db_s=float(np.median([o.onset_rate for o in known])) if known else math.nan,
                loudness_sone=sone,
                why_no_loudness=why,
            )
        )
    return tuple(sorted(found, key=lambda a: (a.station, a.revision, a.treatment, a.which != "typical")))


def _wanted(runs: Sequence[RunResult]) -> dict[tuple[str, str, str, str], list[tuple[str, int]]]:
    """Return (run, row) to listen to by (station, revision, treatment, which), the one to be heard first."""
    places: dict[tuple[str, str, str], list[tuple[float, str, int]]] = {}
    for run in runs:
        table = run.impacts
        fit = ((table["flags"] & np.uint32(_UNFIT)) == 0) & np.isfinite(table["lae_db"]) & (table["rebound"] <= 0)
        for row in np.flatnonzero(fit).tolist():
            key = (str(table["station"][row]), run.run.revision, run.run.treatment)
            places.setdefault(key, []).append((float(table["lae_db"][row]), run.run.name, row))
    wanted = {}
    for key, rows in places.items():
        rows.sort()
        middle = rows[(len(rows) - 1) // 2][0]
        near = sorted(rows, key=lambda r: abs(r[0] - middle))[:_TYPICAL]
        wanted[*key, "typical"] = [(name, row) for _, name, row in near]
        wanted[*key, "loudest"] = [rows[-1][1:]]
    return wanted


def _rise(run: RunResult, row: int, read: Callable[[int, int], NDArray[np.float32]]) -> Onset:
    """Return the rise of the level at an impact; NaN where the sound before it hides the rise."""
    frame, channel = int(run.impacts["frame"][row]), max(int(run.impacts["channel"][row]), 0)
    start = max(frame - round(_BEFORE_S * run.rate), 0)
    samples = read(start, frame + round(_AFTER_S * run.rate))[:, channel]
    levels, interval = fast_levels(np.ascontiguousarray(samples), run.rate, interval_s=INTERVAL_S)
    at = (frame - start) / run.rate
    rises = [o for o in impulse_onsets(levels, interval) if o.start_s <= at + _LATE_S and o.end_s >= at]
    return max(rises, key=lambda o: o.prominence, default=Onset(at, at, math.nan, math.nan, math.nan))


def _loudness(run: RunResult, row: int, calibrated: Callable[[int], Calibration]) -> tuple[float, str]:
    """Return N_max of an impact up to the next one, or NaN and why."""
    frames = run.impacts["frame"]
    frame, channel = int(frames[row]), max(int(run.impacts["channel"][row]), 0)
    stop = min(int(frames[row + 1]) if row + 1 < len(frames) else frame + run.rate, frame + round(_AFTER_S * run.rate))
    try:
        calibration = calibrated(run.channels)
        if not calibration.known:
            return math.nan, "loudness needs dB re 20 uPa: calibrate"
        with join_recordings(run.paths) as recording:
            piece = np.ascontiguousarray(recording.read(frame, max(stop, frame + 1))[:, channel])
        return loudness_max(piece, run.rate, offset_db=calibration.offset_db[channel]), ""
    except (InputError, MissingExtraError) as error:
        return math.nan, str(error)
