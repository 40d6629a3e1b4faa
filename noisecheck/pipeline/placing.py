"""Where impacts happened, campaign-wide: taps teach their stations' sounds, then every run is placed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import Run
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.machine import OwnTicks

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig
    from noisecheck.place.combine import Found
    from noisecheck.place.crosstalk import CrossTalk
    from noisecheck.place.evidence import Evidence
    from noisecheck.place.taught import Lesson, TaughtSounds
    from noisecheck.place.timed import Timed

__all__ = ["PlacedRun", "needs_arrivals", "placed", "settled", "taught_by"]

Reader = Callable[[int, int], NDArray[np.float32]]


class PlacedRun(NamedTuple):
    """A run whose impacts were placed."""

    impacts: Impacts
    notes: tuple[str, ...]
    doubts: tuple[str, ...]
    """Those of the notes that say why places are in doubt."""
    found: Found | None
    """Places in the plan, where microphones in known places tell."""
    odds: Evidence | None
    """What every way of placing together says of each impact, row by row; None where the run sheet alone speaks."""


def taught_by(taps: Iterable[tuple[Run, Impacts]], rig: Rig, groups: Sequence[Lesson] = ()) -> TaughtSounds | None:
    """Return what the runs of role ``taps`` (and named groups) teach, or None where there are none.

    Raises:
        InputError: a run of taps names no station, or one that is not declared.
    """
    taught = [(run, impacts) for run, impacts in taps if run.role == "taps"]
    if not taught and not groups:
        return None
    from noisecheck.place.taught import Lesson, teach

    lessons = [Lesson(run.station, table, session=run.session, treatment=run.treatment) for run, table in taught]
    return teach([*lessons, *groups], stations=rig.station_names or None)


def placed(
    onsets: Onsets,
    impacts: Impacts,
    run: Run,
    rig: Rig,
    *,
    rate: float,
    taught: TaughtSounds | None = None,
    read: Reader | None = None,
    timed: Timed | None = None,
    talk: CrossTalk | None = None,
    widened: float = 1.0,
    ticks: OwnTicks | None = None,
) -> PlacedRun:
    """Return the impacts of a run with their stations, and what there is to say about the placing.

    Taps, reference drops and runs at a station without a microphone are where the run sheet says; else every way
    that applies is asked. (``timed``, ``talk`` and ``widened``: what is known already, see
    :func:`~noisecheck.place.combine.place_run`.) With ``ticks`` what the machine makes without balls is marked:
    where it is heard where an impact was, by how all microphones hear it, and that is at no station (unless it has the
    sound of one that ticks never have, or arrives from one); where only the run sheet tells places, by its level.
    """
    ticks = ticks or OwnTicks({})
    owned = {m.station for m in rig.microphones if m.station}
    if run.station and (run.role != "test" or not rig.station_names or (owned and run.station not in owned)):
        there = impacts.with_columns(station=run.station, station_confidence=1.0)
        return PlacedRun(*ticks.marked(there, ticks.no_louder(there, run), run), (), None, None)
    if not rig.station_names:
        return PlacedRun(*ticks.marked(impacts, ticks.no_louder(impacts, run), run), (), None, None)
    if not needs_arrivals(rig):
        read = timed = None
    from noisecheck.place.combine import place_run
    from noisecheck.place.microphones import cross_talk_of, station_channels

    own = ticks.among(onsets, impacts, run, rate)
    if len(station_channels(rig, onsets.arrival.shape[1])) >= 2:
        talk = talk or cross_talk_of(onsets.where(~own), rig, rate)
    answer = place_run(
        onsets,
        impacts,
        rig,
        rate=rate,
        taught=taught,
        session=run.session,
        run_station=run.station,
        read=read,
        timed=timed,
        talk=talk,
        widened=widened,
        ticks=own,
    )
    impacts, odds = answer.into(impacts), answer.evidence
    if answer.ways == ("run sheet",):
        own = ticks.no_louder(impacts, run)
    elif own.any():
        if answer.ways == ("sound",):
            own &= ~ticks.told_by_sound(impacts, run)
        elif "microphones" not in answer.ways:
            own &= np.asarray(impacts["station"] == "")
        impacts = impacts.at_stations({row: ("", 1.0) for row in np.flatnonzero(own).tolist()})
        odds = odds.settled(own, [""] * len(own))
    impacts, said = ticks.marked(impacts, own, run)
    return PlacedRun(impacts, (*answer.notes, *said), answer.doubts, answer.found, odds)


def needs_arrivals(rig: Rig) -> bool:
    """Return whether arrival times may tell what no microphone of a station's own does."""
    return not {m.station for m in rig.microphones if m.station} >= set(rig.route or rig.station_names)


def settled(odds: Evidence | None, before: Impacts, after: Impacts) -> Evidence | None:
    """Return the odds of placing with what was said of impacts since (named groups, corrections by ear)."""
    if odds is None:
        return None
    station = after["station"]
    changed = (before["station"] != station) | (
        (after["station_confidence"] == 1.0) & (before["station_confidence"] != 1.0)
    )
    return odds.settled(changed, station.tolist())
