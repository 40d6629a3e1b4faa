"""A campaign from its folder to everything known about it: runs listened to, placed, compared."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.calibration import Calibration, find_calibrator, from_sensitivity, uncalibrated
from noisecheck.audio.recording import open_recording
from noisecheck.bench.campaign import Campaign
from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.effects import Comparison, compare
from noisecheck.compare.summary import RunSummary, summarise
from noisecheck.core.errors import InputError
from noisecheck.core.provenance import provenance, settings_document
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.listen import Heard, ListenSettings, listen

__all__ = ["CampaignResult", "RunResult", "Told", "compare_campaign", "listen_to_run", "measure_campaign", "spread_of"]

Told = Callable[[float, str], None]
"""Progress: called with the share done and what is being done."""

_SOUND_M_S = 343.0


@dataclass(frozen=True)
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
        }


@dataclass(frozen=True)
class CampaignResult:
    """Everything measured in a campaign."""

    campaign: Campaign
    runs: tuple[RunResult, ...]
    summaries: tuple[RunSummary, ...]
    settings: dict[str, Any] = field(default_factory=dict)
    made_with: dict[str, str] = field(default_factory=dict)

    @property
    def impacts(self) -> Impacts:
        """Return the impacts of all runs, in the order of the run sheet."""
        return Impacts.concat(r.impacts for r in self.runs)


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


def _placed(impacts: Impacts, run: Run, rig: Rig) -> Impacts:
    """Return the impacts with stations: by each microphone's own, else by the run sheet's one station a run."""
    stations = {m.channel: m.station for m in rig.microphones if m.station}
    own = [stations.get(int(c), "") for c in impacts["channel"]] if stations else []
    if len(set(stations.values())) > 1:
        return impacts.with_columns(station=own, station_confidence=np.where(np.array(own) != "", 0.95, 0.0))
    if run.station:
        return impacts.with_columns(station=run.station, station_confidence=1.0)
    return impacts


def listen_to_run(
    campaign: Campaign,
    run: Run,
    *,
    settings: ListenSettings,
    workers: int = 1,
    progress: Callable[[float], None] | None = None,
) -> RunResult:
    """Find, measure and place every impact of one run.

    Raises:
        InputError: its recording cannot be used.
    """
    paths = campaign.paths(run)
    if len(paths) > 1:
        raise InputError(f"run {run.name}: has {len(paths)} files; split recordings must be joined first")
    opened = functools.partial(open_recording, paths[0])
    recording = opened()
    calibration = calibration_of(campaign, recording.channels)
    offset: NDArray[np.float64] | None = np.array(calibration.offset_db) if calibration.known else None
    heard: Heard = listen(opened, settings=settings, offset_db=offset, workers=workers, progress=progress)
    impacts = heard.impacts.with_columns(run=run.name, file=run.files[0])
    impacts = _placed(impacts, run, campaign.rig)
    return RunResult(run, impacts, heard.onsets, heard.rate, heard.frames / heard.rate, heard.channels, paths)


def measure_campaign(
    campaign: Campaign, *, settings: ListenSettings | None = None, workers: int = 1, told: Told | None = None
) -> CampaignResult:
    """Measure every run of a campaign.

    Args:
        campaign: from :func:`noisecheck.bench.campaign.load_campaign`.
        settings: detection and measurement; the default takes the microphones' spread from the rig file.
        workers: processes for each run.
        told: progress.
    """
    if settings is None:
        spread = spread_of(campaign.rig)
        settings = ListenSettings() if spread is None else ListenSettings(spread_s=spread)
    results = []
    for number, run in enumerate(campaign.runs):
        share = functools.partial(share_of, told, number, len(campaign.runs), run.name)
        results.append(listen_to_run(campaign, run, settings=settings, workers=workers, progress=share))
    impacts = Impacts.concat(r.impacts for r in results)
    return CampaignResult(
        campaign,
        tuple(results),
        summarise(impacts, campaign.runs),
        settings_document(settings),
        provenance(),
    )


def share_of(told: Told | None, number: int, count: int, name: str, share: float) -> None:
    """Pass on the share of one of several equal pieces of work."""
    if told:
        told((number + share) / count, f"run {name}")


def compare_campaign(
    result: CampaignResult, *, by: str, baseline: str | None = None, station: str | None = None
) -> Comparison:
    """Return the comparison of a campaign's runs by a column of the run sheet."""
    return compare(result.summaries, by=by, baseline=baseline, station=station, rig=result.campaign.rig)


def comparable_columns(runs: Sequence[Run]) -> list[str]:
    """Return the columns by which the test runs differ: treatment, revision, drop height."""
    tests = [r for r in runs if r.role == "test"]
    return [
        c for c in ("treatment", "revision", "drop_height_mm") if len({r.value(c) for r in tests if r.value(c)}) > 1
    ]
