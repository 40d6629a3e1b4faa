"""Bare recordings, with or without a rig file, to measured impacts."""

from __future__ import annotations

import functools
from collections.abc import Collection, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from noisecheck.audio.split import join_recordings
from noisecheck.bench.campaign import Campaign, load_campaign, run_names
from noisecheck.bench.no_rig import no_rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.summary import BANDS, RunSummary, summarise
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.errors import InputError
from noisecheck.core.provenance import provenance
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.core.units import many
from noisecheck.pipeline.campaign import place_runs, share_of
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.pipeline.references import machine_impacts, references_of
from noisecheck.pipeline.run import RunResult, Told, listen_to_run, spread_of

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["Measured", "campaign_at", "campaign_beside", "measure_files", "teaching_runs"]

_TEACHING: Final = ("taps", "background")
"""Roles of the runs that tell what stations and the machine itself sound like."""


@record
class Measured:
    """Recordings measured one by one."""

    runs: tuple[RunResult, ...]
    settings: dict[str, Any]

    @property
    def impacts(self) -> Impacts:
        """Return all impacts, file by file."""
        return Impacts.concat(r.impacts for r in self.runs)

    def document(self) -> dict[str, Any]:
        """Return the JSON document of ``noisecheck measure``."""
        return {
            "runs": [r.document for r in self.runs],
            "impacts": list(self.impacts.rows()),
            "settings": self.settings,
            "made_with": provenance(),
        }

    def sentences(self) -> list[str]:
        """Return what was measured in a few plain lines; levels are those that ``compare`` takes."""
        lines = []
        for run in self.runs:
            lines.append(f"{run.run.files[0]}: {many(len(run.impacts), 'impact')} in {run.seconds:.1f} s")
            lines += [f"  {note}" for note in run.notes]
            table = machine_impacts(run.impacts)
            apart = len(run.impacts) - len(table)
            for row in summarise(table, [run.run]):
                lines += _of_place(row, table)
            placed = table["station"] != ""
            if placed.any() and not placed.all():
                lines.append(f"  unplaced: {int((~placed).sum())}")
            if apart:
                lines.append(f"  reference drops: {many(apart, 'impact')}, none of the machine's")
        doubts = references_of([(r.run, r.impacts, r.ends) for r in self.runs], ()).doubts
        return lines + [f"note: {doubt}" for doubt in doubts]


def _of_place(row: RunSummary, table: Impacts) -> list[str]:
    """Return the lines on one place of one run: its drops, their levels, what was left out."""
    part = table.where(table.is_text("station", row.station)) if table.is_text("station", row.station).any() else table
    if not len(part):
        return []
    rebounds = int((part["rebound"] > 0).sum())
    count = many(row.impacts, "drop") + (f" and {many(rebounds, 'rebound')}" if rebounds else "")
    unit, mean = f"dB re {part['db_re'][0]}", row.value("lae_db")
    said = [count]
    if np.isfinite(mean):
        said.append(f"L_AE {mean:.1f} {unit} (mean of {row.used}; energy mean {row.energy[0]:.1f})")
    bands = row.mean[BANDS]
    if np.isfinite(bands).any():
        said.append(f"strongest band {NOMINAL_THIRD_HZ[int(np.nanargmax(bands))]:g} Hz")
    if np.isfinite(part["lzpeak_db"]).any():
        said.append(f"loudest peak L_Zpeak {np.nanmax(part['lzpeak_db']):.1f} dB")
    gone = ", ".join(f"{n} {word.replace('_', ' ')}" for word, n in row.excluded.items())
    lines = [f"  {row.station or 'all impacts'}: {', '.join(said)}" + (f"; left out: {gone}" if gone else "")]
    return lines + [f"  {warning}" for warning in row.warnings]


def measure_files(
    files: Sequence[str | Path],
    *,
    settings: ListenSettings | None = None,
    rig_path: str | Path | None = None,
    workers: int = 1,
    try_limit: bool = False,
    told: Told | None = None,
) -> Measured:
    """Measure recordings; with a rig file, place their impacts too.

    A recording that stands in the ``runs.csv`` beside the rig file is that run, with its station and name.

    Args:
        files: recordings, each a run of its own.
        settings: detection and measurement; the microphones' spread is taken from the rig file.
        rig_path: rig file; None: nothing is placed and no level is calibrated.
        workers: processes for each run.
        try_limit: try copies of each run's impacts to tell how faint one may be and still be found.
        told: progress.

    Raises:
        InputError: a recording or the rig file cannot be used.
    """
    paths = [Path(f) for f in files]
    rig_file = None if rig_path is None else Path(rig_path)
    rig = _rig_at(rig_file)
    settings = (settings or ListenSettings()).across(spread_of(rig))
    beside = campaign_beside(rig_file)
    results = []
    names = run_names([f.as_posix() for f in paths])
    for number, (path, name) in enumerate(zip(paths, names, strict=True)):
        campaign = of_recording(beside, path, rig) or _bare(path, name, rig, rig_file)
        (run,) = campaign.runs
        share = functools.partial(share_of, told, number, len(files), str(path))
        result = listen_to_run(
            campaign, run, settings=settings, workers=workers, progress=share, check=False, try_limit=try_limit
        )
        results.append(result if len(result.onsets) else _why_nothing(result))
    teaching = teaching_runs(beside, settings, done={r.run.name for r in results}, workers=workers)
    return Measured(place_runs(results, rig, teaching), asdict(settings))


def _why_nothing(result: RunResult) -> RunResult:
    """Return a run in which no impact was heard with what its recording's health says of that."""
    from noisecheck.audio.health import check_health

    with join_recordings(result.paths) as recording:
        counts = check_health(recording, onsets=result.onsets.frame).counts
    return replace(result, notes=(*result.notes, *(counts.reasons if counts.verdict != "usable" else ())))


def _rig_at(path: Path | None) -> Rig:
    if path is None:
        return no_rig()
    if not path.exists():
        raise InputError(f"{path}: no such rig file")
    from noisecheck.bench.rig_file import load_rig

    return load_rig(path)


def campaign_beside(rig_path: Path | None) -> Campaign | None:
    """Return the campaign whose run sheet stands beside a rig file, None where there is none.

    Raises:
        InputError: its run sheet cannot be used.
    """
    if rig_path is None or not (rig_path.parent / "runs.csv").exists():
        return None
    return load_campaign(rig_path.parent)


def teaching_runs(
    campaign: Campaign | None,
    settings: ListenSettings,
    *,
    done: Collection[str] = (),
    workers: int = 1,
) -> list[RunResult]:
    """Return the runs of a campaign that teach what its stations and the machine itself sound like, measured.

    Those named in ``done`` are left out.

    Raises:
        InputError: a recording cannot be used.
    """
    if campaign is None:
        return []
    teaching = [r for role in _TEACHING for r in campaign.of_role(role) if r.name not in done]
    return [listen_to_run(campaign, r, settings=settings, workers=workers, check=False) for r in teaching]


def of_recording(campaign: Campaign | None, path: Path, rig: Rig) -> Campaign | None:
    """Return the campaign with only the run whose one recording this is, None where there is no such run."""
    if campaign is None:
        return None
    found = [r for r in campaign.runs if [p.resolve() for p in campaign.paths(r)] == [path.resolve()]]
    return replace(campaign, rig=rig, runs=(found[-1],), notes=()) if found else None


def _bare(path: Path, name: str, rig: Rig, rig_path: Path | None) -> Campaign:
    """Return a campaign of a recording that stands in no run sheet; what the rig file names lies beside that."""
    if rig_path is not None:
        given = rig.calibration
        files = {k: v and (rig_path.parent / v).absolute().as_posix() for k, v in
                 (("file", given.file), ("file_after", given.file_after))}  # fmt: skip
        rig = rig.model_copy(update={"calibration": given.model_copy(update=files)})
    return Campaign(Path(), rig, (Run(name, (path.as_posix(),)),))


def campaign_at(path: Path, rig_path: Path | None = None) -> Campaign:
    """Return the campaign in a folder; for a bare recording with a rig file one of that run and those that teach it.

    They are the taps and the machine without balls in the ``runs.csv`` beside the rig file, which is the one in the
    recording's own folder where none is given.

    Raises:
        InputError: neither is there, or a rig file is given for a folder that has its own.
    """
    if path.is_dir() or not path.exists():
        if rig_path is not None:
            raise InputError(f"{path}: a campaign has its own rig.toml: leave --rig out")
        return load_campaign(path)
    rig_path = rig_path or path.parent / "rig.toml"
    if rig_path.parent == path.parent and not rig_path.exists():
        raise InputError(f"{path}: no rig file beside it, and --rig names none: it says from where to where balls go")
    rig, beside = _rig_at(rig_path), campaign_beside(rig_path)
    known = of_recording(beside, path, rig)
    own = known or _bare(path, path.stem, rig, rig_path)
    if beside is None:
        return own
    (run,) = own.runs
    teaching = [r for r in beside.runs if r.role in _TEACHING and r != run]
    if known is None:
        teaching = [replace(r, files=tuple(p.absolute().as_posix() for p in beside.paths(r))) for r in teaching]
        taken = any(r.name == run.name for r in teaching)
        run = replace(run, name=path.as_posix()) if taken else run
    return replace(own, runs=(*teaching, run))
