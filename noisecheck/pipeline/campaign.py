"""A campaign from its folder to everything known about it: runs listened to, placed, compared."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import asdict, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.split import join_recordings
from noisecheck.bench.campaign import Campaign
from noisecheck.bench.runsheet import Run, of_role
from noisecheck.compare.apart import runs_apart, say_apart
from noisecheck.compare.summary import RunSummary, summarise
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.provenance import provenance
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.pipeline.correcting import relocated
from noisecheck.pipeline.flowing import follow_run, height_note, listened_at, with_drops
from noisecheck.pipeline.grouping import named_groups
from noisecheck.pipeline.kept import catalogue_of
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.pipeline.machine import own_ticks
from noisecheck.pipeline.placing import placed, settled, taught_by
from noisecheck.pipeline.references import as_references_tell, mark_references, references_of, tied_summaries
from noisecheck.pipeline.run import RunResult, Told, listen_to_run, spread_of
from noisecheck.pipeline.scheduled import left_open, placed_by_schedule
from noisecheck.pipeline.siblings import with_siblings

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig
    from noisecheck.compare.differences import Comparison
    from noisecheck.compare.ties import References
    from noisecheck.flow.failures import HeardShare
    from noisecheck.flow.findings import Ledger

__all__ = [
    "CampaignResult",
    "compare_campaign",
    "measure_campaign",
    "place_runs",
]

_LEAST_ALIKE = 3  # impacts from which two recordings that agree to the frame are one


@record
class CampaignResult:
    """Everything measured in a campaign."""

    campaign: Campaign
    runs: tuple[RunResult, ...]
    summaries: tuple[RunSummary, ...]
    settings: dict[str, Any] = field(default_factory=dict)
    made_with: dict[str, str] = field(default_factory=dict)

    @functools.cached_property
    def by_name(self) -> dict[str, RunResult]:
        """Return the runs by their names, in the order of the run sheet."""
        return {r.run.name: r for r in self.runs}

    @functools.cached_property
    def tests(self) -> tuple[RunResult, ...]:
        """Return the runs of role ``test``."""
        return tuple(of_role(self.runs, "test"))

    def only(self, revision: str) -> CampaignResult:
        """Return the result with the test runs of one revision, and all the others that teach and tie them.

        Raises:
            InputError: no test run has that revision.
        """
        known = sorted({r.run.revision for r in self.tests if r.run.revision})
        if revision not in known:
            raise InputError(f"revision '{one_line(revision)}': no test run has it{nearest(revision, known)}")
        kept = [r.run.name for r in self.runs if r.run.role != "test" or r.run.revision == revision]
        return replace(
            self,
            runs=tuple(r for r in self.runs if r.run.name in kept),
            summaries=tuple(s for s in self.summaries if s.run.name in kept),
        )

    @functools.cached_property
    def impacts(self) -> Impacts:
        """Return the impacts of all runs, in the order of the run sheet."""
        return Impacts.concat(r.impacts for r in self.runs)

    @functools.cached_property
    def ledgers(self) -> tuple[Ledger, ...]:
        """Return the ledger of each test run; none where the rig file does not say the balls' way."""
        rig = self.campaign.rig
        if not rig.route:
            return ()
        return tuple(r.ledger or follow_run(r, rig) for r in self.tests)

    @functools.cached_property
    def heard_shares(self) -> dict[str, HeardShare | None]:
        """Return the share of events heard by revision, of the revisions whose balls were followed."""
        from noisecheck.pipeline.heard import heard_share

        revisions = {r.run.name: r.run.revision for r in self.runs}
        ledgers: dict[str, list[Ledger]] = {}
        for ledger in self.ledgers:
            ledgers.setdefault(revisions[ledger.run], []).append(ledger)
        catalogue = catalogue_of(self.campaign.folder)
        return {revision: heard_share(self.runs, part, catalogue) for revision, part in ledgers.items()}

    @functools.cached_property
    def doubtful_heights(self) -> tuple[str, ...]:
        """Return a sentence for each run whose stated drop height is not the one its rebounds tell."""
        notes = (height_note(r.impacts, r.run, self.campaign.rig) for r in self.runs)
        return tuple(note for note in notes if note)

    @functools.cached_property
    def doubtful_places(self) -> tuple[str, ...]:
        """Return why the places of impacts are in doubt, a sentence each for the test runs concerned."""
        return tuple(f"run {r.run.name}: {doubt}" for r in self.tests for doubt in r.doubts)

    @functools.cached_property
    def copies(self) -> tuple[str, ...]:
        """Return a sentence for each test run whose impacts are those of an earlier one to the frame: a copy of it."""
        seen: dict[tuple[bytes, bytes], str] = {}
        notes = []
        for r in self.tests:
            if len(r.impacts) >= _LEAST_ALIKE:
                first = seen.setdefault((r.impacts["frame"].tobytes(), r.impacts["lae_db"].tobytes()), r.run.name)
                if first != r.run.name:
                    notes.append(
                        f"run {r.run.name} is the same recording as run {first}: counted as runs of their own, copies "
                        "make intervals too narrow"
                    )
        return tuple(notes)

    @functools.cached_property
    def apart_db(self) -> dict[str, float]:
        """Return by how much test runs lie off the others of their kind, by name, where that is far."""
        return runs_apart(self.summaries)

    @property
    def apart(self) -> tuple[str, ...]:
        """Return a sentence for each test run whose levels lie far off those of the others of its kind."""
        return say_apart(self.apart_db)

    @functools.cached_property
    def octave_decays(self) -> dict[tuple[str, str], NDArray[np.float64]]:
        """Return ln of the decay time in ms by octave, (10,), by (run, station) of test runs."""
        from noisecheck.pipeline.octaves import run_octave_decays

        return run_octave_decays(self.tests)

    @functools.cached_property
    def references(self) -> References:
        """Return what reference drops tell: the run sheet's, and those found at the ends of takes."""
        own = of_role(self.runs, "reference")
        rows = summarise(Impacts.concat(r.impacts for r in own), [r.run for r in own])
        return references_of([(r.run, r.impacts, r.ends) for r in self.runs], rows)


def place_runs(results: Sequence[RunResult], rig: Rig, taps: Sequence[RunResult] = ()) -> tuple[RunResult, ...]:
    """Return the runs with their impacts placed and grouped into drops.

    Args:
        results: from :func:`listen_to_run`.
        rig: stations and microphones.
        taps: runs that teach, besides those among ``results``.
    """
    tables = [(r.run, r.impacts) for r in (*results, *taps)]
    named = named_groups(tables, rig)
    taught = taught_by(tables, rig, named.lessons)
    ticks, listened = own_ticks([*results, *taps], taught), listened_at(rig, taught)
    done = []
    for result in results:
        with join_recordings(result.paths) as recording:
            answer = placed(
                result.onsets,
                result.impacts,
                result.run,
                rig,
                rate=result.rate,
                taught=taught,
                read=recording.read,
                ticks=ticks,
            )
        impacts, more = relocated(named.into(answer.impacts, result.run.name), result.corrections)
        odds = settled(answer.odds, answer.impacts, impacts)
        notes = (*result.notes, *answer.notes, *more)
        done.append(
            replace(
                result,
                impacts=impacts,
                notes=notes,
                doubts=answer.doubts,
                found=answer.found,
                odds=odds,
                listened=listened,
            )
        )
    marked = mark_references([(r.run, r.impacts, r.seconds) for r in done])
    told = with_drops([(r.run, impacts) for r, (impacts, _) in zip(done, marked, strict=True)], rig)
    done = [
        replace(r, impacts=impacts, ends=ends, health=r.health and as_references_tell(r.health, ends))
        for r, impacts, (_, ends) in zip(done, told, marked, strict=True)
    ]
    said = [height_note(r.impacts, r.run, rig) for r in done]
    done = [replace(r, notes=(*r.notes, note)) if note else r for r, note in zip(done, said, strict=True)]
    done = [_scheduled(r, rig) for r in with_siblings(done, rig)]
    if taught is not None and done:
        done[0] = replace(done[0], notes=(*done[0].notes, *taught.notes))
    return tuple(done)


def _scheduled(result: RunResult, rig: Rig) -> RunResult:
    """Return a placed run with the stations that its sound left open told by the balls' schedule."""
    if not rig.route or result.run.role != "test" or not left_open(result.impacts).any():
        return result
    ledger = follow_run(result, rig)
    return replace(result, impacts=placed_by_schedule(result.impacts, ledger), ledger=ledger)


def measure_campaign(
    campaign: Campaign, *, settings: ListenSettings | None = None, workers: int = 1, told: Told | None = None
) -> CampaignResult:
    """Measure every run of a campaign, once: what its ``results`` hold is used, what they lack is added.

    Args:
        campaign: from :func:`noisecheck.bench.campaign.load_campaign`.
        settings: detection and measurement; the default takes the microphones' spread from the rig file.
        workers: processes for each run.
        told: progress.
    """
    if settings is None:
        settings = ListenSettings().across(spread_of(campaign.rig))
    results = []
    catalogue = catalogue_of(campaign.folder)
    for number, run in enumerate(campaign.runs):
        share = functools.partial(share_of, told, number, len(campaign.runs), run.name)
        results.append(
            listen_to_run(campaign, run, settings=settings, workers=workers, progress=share, catalogue=catalogue)
        )
    results = list(place_runs(results, campaign.rig))
    impacts = Impacts.concat(r.impacts for r in results)
    tables = [(r.run, r.impacts, r.ends) for r in results]
    return CampaignResult(
        campaign,
        tuple(results),
        tied_summaries(tables, _with_floors(summarise(impacts, campaign.runs), results)),
        asdict(settings),
        provenance(),
    )


def _with_floors(summaries: Sequence[RunSummary], results: Sequence[RunResult]) -> tuple[RunSummary, ...]:
    """Return summaries that know the background of their recording, at all of its microphones."""
    floors = {
        r.run.name: tuple(v for c in r.health.channels for v in c.floor_db) for r in results if r.health is not None
    }
    return tuple(replace(s, floor_db=floors.get(s.run.name, ())) for s in summaries)


def share_of(told: Told | None, number: int, count: int, name: str, share: float) -> None:
    """Pass on the share of one of several equal pieces of work."""
    if told:
        told((number + share) / count, f"run {name}")


def compare_campaign(
    result: CampaignResult, *, by: str, baseline: str | None = None, station: str | None = None
) -> Comparison:
    """Return the comparison of a campaign's runs by a column of the run sheet."""
    from noisecheck.compare.effects import compare

    found = compare(
        result.summaries,
        by=by,
        baseline=baseline,
        station=station,
        rig=result.campaign.rig,
        decays=result.octave_decays,
    )
    own = *result.copies, *result.apart, *result.references.alarms, *result.doubtful_heights, *result.doubtful_places
    said = *found.warnings, *own
    return replace(found, warnings=said)


def comparable_columns(runs: Sequence[Run]) -> list[str]:
    """Return the columns by which the test runs differ: treatment, revision, drop height."""
    tests = [r for r in runs if r.role == "test"]
    return [
        c for c in ("treatment", "revision", "drop_height_mm") if len({r.value(c) for r in tests if r.value(c)}) > 1
    ]
