"""Where impacts happened, campaign-wide: taps teach their stations' sounds, then every run is placed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.place.combine import Found, place_run
from noisecheck.place.taught import Lesson, TaughtSounds, teach

__all__ = ["placed", "taught_by"]

Reader = Callable[[int, int], NDArray[np.float32]]


def taught_by(taps: Iterable[tuple[Run, Impacts]], rig: Rig, groups: Sequence[Lesson] = ()) -> TaughtSounds | None:
    """Return what the runs of role ``taps`` (and named groups) teach, or None where there are none.

    Raises:
        InputError: a run of taps names no station, or one that is not declared.
    """
    lessons = [
        Lesson(run.station, impacts, session=run.session, treatment=run.treatment)
        for run, impacts in taps
        if run.role == "taps"
    ] + list(groups)
    return teach(lessons, stations=rig.station_names or None) if lessons else None


def placed(
    onsets: Onsets,
    impacts: Impacts,
    run: Run,
    rig: Rig,
    *,
    rate: float,
    taught: TaughtSounds | None = None,
    read: Reader | None = None,
) -> tuple[Impacts, tuple[str, ...], Found | None]:
    """Return the impacts of a run with their stations, what there is to say about the placing, and places found.

    Taps, reference drops and runs at a station without a microphone are where the run sheet says; else every way
    that applies is asked.
    """
    owned = {m.station for m in rig.microphones if m.station}
    if run.station and (run.role != "test" or not rig.station_names or (owned and run.station not in owned)):
        return impacts.with_columns(station=run.station, station_confidence=1.0), (), None
    if not rig.station_names:
        return impacts, (), None
    if owned >= set(rig.route or rig.station_names):
        read = None  # every station has its own microphone: nothing is left for arrival times to tell
    answer = place_run(
        onsets,
        impacts,
        rig,
        rate=rate,
        taught=taught,
        session=run.session,
        run_station=run.station,
        read=read,
    )
    return answer.into(impacts), answer.notes, answer.found
