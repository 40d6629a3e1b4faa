"""One run: its recording listened to, measured, and flagged by what its health, its codec and the user's ear say."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.calibration import Calibration, find_calibrator, from_sensitivity, uncalibrated
from noisecheck.audio.health import Health
from noisecheck.audio.recording import open_recording
from noisecheck.audio.split import join_recordings, recorded_s, with_gaps
from noisecheck.bench.campaign import Campaign
from noisecheck.bench.corrections import Correction
from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.flags import Flag
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.correcting import corrected
from noisecheck.pipeline.flagging import flagged_by_codec, flagged_by_health
from noisecheck.pipeline.kept import listen_once
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.pipeline.lost import at_return, lost_notes, lost_spans
from noisecheck.pipeline.references import Ends
from noisecheck.pipeline.together import Take, told_apart

if TYPE_CHECKING:
    from noisecheck.bench.catalogue import Catalogue
    from noisecheck.bench.rig import Rig
    from noisecheck.flow.findings import Ledger
    from noisecheck.flow.siblings import Sibling
    from noisecheck.pipeline.limit import DetectionLimit
    from noisecheck.place.combine import Found
    from noisecheck.place.evidence import Evidence

__all__ = ["RunResult", "Told", "calibration_of", "listen_to_run", "spread_of"]

Told = Callable[[float, str], None]
"""Progress: called with the share done and what is being done."""

_SOUND_M_S = 343.0


@record
class RunResult:
    """One run, measured."""

    run: Run
    impacts: Impacts
    onsets: Onsets
    rate: int
    seconds: float
    channels: int
    paths: tuple[Path, ...]
    notes: tuple[str, ...] = ()
    health: Health | None = None
    gaps_s: tuple[tuple[float, float], ...] = ()
    """Spans between split files that nobody listened to, seconds of the run."""
    lost_s: tuple[tuple[float, float], ...] = ()
    """Spans within its recording in which all sound was lost, seconds of the run."""
    limit: DetectionLimit | None = None
    """How faint an impact may be and still be heard, where that was tried."""
    corrections: tuple[Correction, ...] = ()
    """What the user's ear corrects in it."""
    found: Found | None = None
    """Where in the plan each impact was, where microphones in known places tell."""
    odds: Evidence | None = None
    """What every way of placing together says of each impact, row by row with ``impacts``; None where none spoke."""
    doubts: tuple[str, ...] = ()
    """Those of the notes that say why the places of its impacts are in doubt."""
    ends: Ends = field(default_factory=Ends)
    """What its ends leave to be said once reference drops are marked."""
    siblings: tuple[Sibling, ...] = ()
    """What other runs of its revision show of the machine, where this one is short."""
    coded: bool = False
    """Whether it was listened to as sound that went through a lossy codec."""
    unkept: str = ""
    """Why what was heard could not be kept, so that it is measured each time; empty when it is."""
    listened: tuple[str, ...] = ()
    """Stations known to be heard: with a microphone of their own among others, or whose sound was taught."""
    ledger: Ledger | None = None
    """What became of every ball by the impacts as their sound placed them, where the schedule had to tell some."""

    @property
    def not_listened_s(self) -> tuple[tuple[float, float], ...]:
        """Return the spans nobody listened to, between its files or within them, seconds of the run."""
        spans: list[tuple[float, float]] = []
        for start, stop in sorted((*self.gaps_s, *self.lost_s)):
            if spans and start < spans[-1][1]:  # sound was lost on both sides of a joint
                spans[-1] = (spans[-1][0], max(spans[-1][1], stop))
            else:
                spans.append((start, stop))
        return tuple(spans)

    @property
    def document(self) -> dict[str, Any]:
        """Return what JSON and the page say of the run besides its impacts."""
        return {
            "run": self.run.name,
            "files": list(self.run.files),
            "role": self.run.role,
            "seconds": round(self.seconds, 3),
            "rate_hz": self.rate,
            "channels": self.channels,
            "impacts": len(self.impacts),
            "notes": list(self.notes),
            "health": None if self.health is None else self.health.to_dict(),
            **({} if self.limit is None else {"detection_limit": self.limit.to_dict()}),
            **({} if self.found is None else {"places": self.found.to_dict(self.impacts["time_s"])}),
        }


def spread_of(rig: Rig) -> float | None:
    """Return the longest time in s from the first microphone to the last, where positions say so."""
    places = [m.position_mm for m in rig.microphones]
    if len(places) < 2 or any(p is None for p in places):
        return None
    at = np.array([[*p, 0.0][:3] for p in places if p is not None]) / 1000.0
    apart = float(np.sqrt(((at[:, None] - at[None]) ** 2).sum(axis=-1)).max())
    return apart / _SOUND_M_S + 0.003


def calibration_of(campaign: Campaign, channels: int) -> Calibration:
    """Return what the rig file says 0 dB is, for a recording of so many channels.

    Raises:
        InputError: the calibrator's recording has no steady tone, or the numbers do not fit the channels.
    """
    given = campaign.rig.calibration
    if given.pa_at_full_scale is not None:
        return from_sensitivity(channels, pa_at_full_scale=given.pa_at_full_scale)
    if given.file is None:
        return uncalibrated(channels)
    known = {"level_db": given.level_db, "frequency_hz": given.frequency_hz}
    found = find_calibrator(open_recording(campaign.folder / given.file), **known)
    if given.file_after is not None:
        found = found.checked_with(find_calibrator(open_recording(campaign.folder / given.file_after), **known))
    return found


def need_channels(name: Path | str, channels: int, rig: Rig) -> None:
    """Make sure that sound of so many channels has one for each microphone of a station.

    Raises:
        InputError: it has not.
    """
    from noisecheck.place.microphones import station_channels

    try:
        station_channels(rig, channels)
    except InputError as error:
        raise InputError(f"{one_line(name)}: {error}") from error


def listen_to_run(
    campaign: Campaign,
    run: Run,
    *,
    settings: ListenSettings,
    workers: int = 1,
    progress: Callable[[float], None] | None = None,
    check: bool = True,
    try_limit: bool = False,
    catalogue: Catalogue | None = None,
) -> RunResult:
    """Find and measure every impact of one run (:func:`place_runs` then says where they happened).

    Args:
        campaign: where the run stands.
        run: a row of its run sheet.
        settings: detection and measurement.
        workers: processes.
        progress: told the share done.
        check: also say what the recording is good for, and flag impacts accordingly.
        try_limit: also put copies of its impacts back at known times, to see how faint one may be and still be found.
        catalogue: where results are kept and looked up; None keeps nothing.

    Raises:
        InputError: its recording cannot be used.
    """
    paths = campaign.paths(run)
    opened = functools.partial(join_recordings, paths)
    with opened() as recording:
        need_channels(paths[0], recording.channels, campaign.rig)
        calibration, subtype = calibration_of(campaign, recording.channels), recording.subtype
    offset: NDArray[np.float64] | None = np.array(calibration.offset_db) if calibration.known else None
    listened = listen_once(
        opened,
        settings=settings,
        offset_db=offset,
        check=check,
        workers=workers,
        progress=progress,
        catalogue=catalogue,
        run=run.name,
        paths=paths,
    )
    heard, health = listened.heard, listened.health
    notes = (*listened.notes, *listened.news, *calibration.sentences())
    take = Take(opened, heard.rate, heard.frames, heard.quiet, offset, settings.measure)
    onsets, impacts = told_apart(heard.onsets, heard.impacts, campaign.rig, take)
    mine = tuple(c for c in campaign.corrections if c.run == run.name)
    clock = functools.partial(recorded_s, gaps=listened.gaps, rate=heard.rate)
    onsets, impacts, said = corrected(onsets, impacts, mine, take, clock=clock)
    notes = (*notes, *said)
    impacts = impacts.with_columns(run=run.name, file=run.files[0])
    if health is not None:
        impacts = flagged_by_health(impacts, health)
    impacts = flagged_by_codec(impacts, subtype)
    if not calibration.comparable:
        impacts = impacts.with_columns(flags=impacts["flags"] | np.uint32(Flag.DRIFTED))
    lost = () if health is None else lost_spans(impacts, health)
    back = at_return(impacts, lost, heard.rate)
    onsets, impacts = onsets.where(~back), impacts.where(~back)
    notes = (*notes, *lost_notes(lost))
    time_s, gaps_s = with_gaps(impacts["time_s"], heard.rate, listened.gaps)
    ends, _ = with_gaps(np.array(lost).ravel(), heard.rate, listened.gaps)
    seconds = heard.frames / heard.rate + sum(stop - start for start, stop in gaps_s)
    limit = None
    if try_limit:
        from noisecheck.pipeline.limit import detection_limit

        limit = detection_limit(opened, heard, settings=settings)
    return RunResult(
        run,
        impacts.with_columns(time_s=time_s),
        onsets,
        heard.rate,
        seconds,
        heard.channels,
        paths,
        notes,
        health,
        gaps_s,
        tuple((a, b) for a, b in ends.reshape(-1, 2).tolist()),
        limit,
        mine,
        coded=heard.coded,
        unkept=listened.unkept,
    )
