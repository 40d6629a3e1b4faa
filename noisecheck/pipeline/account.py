"""The ball ledger of a campaign: runs followed, failure rates bounded, listening itself put to the test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from noisecheck.bench.rig import Rig
from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.flow.challenge import Challenge
from noisecheck.flow.failures import FailureRate, HeardShare
from noisecheck.flow.findings import Ledger, ledger_document
from noisecheck.flow.warning import LinkFlow, RestitutionChange, link_flows, restitution_change
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.flowing import challenge_run, drops_of, pooled_rate, route_of
from noisecheck.pipeline.references import machine_impacts
from noisecheck.pipeline.run import RunResult, Told

__all__ = ["Account", "account_for"]

_SURELY = 0.001
_BOUNCE = 0.03
"""A change of restitution below this says nothing about a place."""


@record
class Account:
    """What became of every ball."""

    ledgers: tuple[Ledger, ...]
    rates: dict[str, FailureRate]
    """Failure rate of each revision (``""`` where runs name none), runs of one revision pooled."""
    overall: FailureRate
    links: tuple[tuple[str, LinkFlow], ...]
    """(run, flow of one link), for early warning."""
    restitution: tuple[tuple[str, str, RestitutionChange], ...]
    """(run, station, change of the rebound over the run)."""
    challenges: tuple[tuple[str, Challenge], ...] = ()
    notes: tuple[str, ...] = ()
    """What was left out, and what the bounds rest on."""

    def to_dict(self) -> dict[str, Any]:
        """Return the document that ``ledger --json`` prints."""
        document = ledger_document(self.ledgers, self.overall.to_dict())
        document["failure_rate_by_revision"] = {k: v.to_dict() for k, v in self.rates.items()}
        document["statements"] = {(k or "all"): v.sentence for k, v in self.rates.items()}
        document["warnings"] = list(self.warnings)
        document["notes"] = list(self.notes)
        if self.challenges:
            document["challenges"] = [
                {
                    "run": run,
                    "stuck_tried": c.stuck_tried,
                    "stuck_caught": c.stuck_caught,
                    "stray_tried": c.stray_tried,
                    "stray_caught": c.stray_caught,
                }
                for run, c in self.challenges
            ]
        return document

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return the early warnings: places that are about to hold a ball."""
        said = [f"run {run}: {link.warning}" for run, link in self.links if link.warning]
        said += [
            f"run {run}: {where} bounces differently (restitution {c.first_half:.2f}, then {c.second_half:.2f})"
            for run, where, c in self.restitution
            if c.p < _SURELY and abs(c.second_half - c.first_half) > _BOUNCE
        ]
        return tuple(said)


def account_for(
    result: CampaignResult, *, challenged: bool = False, confidence: float | None = None, told: Told | None = None
) -> Account:
    """Return the account of a measured campaign's test runs.

    Args:
        result: from :func:`noisecheck.pipeline.campaign.measure_campaign`.
        challenged: put known failures into every run and count how many are named; the share goes into the bounds of
            the run's revision.
        confidence: of the bounds; None: what the strictest failure-rate requirement asks for, else 0.95.
        told: progress of the challenges, which take about as long as the recordings.

    Raises:
        InputError: the rig file does not say the balls' way, or no run is a test.
    """
    rig = result.campaign.rig
    route_of(rig)
    tests = result.tests
    if not tests:
        raise InputError("runs.csv: no run has the role test: there are no balls to account for")
    ledgers = {ledger.run: ledger for ledger in result.ledgers}
    challenges, notes = _challenges(tests, ledgers, rig, told) if challenged else ((), ())
    revisions: dict[str, list[Ledger]] = {}
    for run in tests:
        revisions.setdefault(run.run.revision, []).append(ledgers[run.run.name])
    shares = {}
    for name, part in revisions.items():  # what is heard of one design may be lost in the noise of another
        own = {ledger.run for ledger in part}
        shares[name] = _heard([c for run, c in challenges if run in own]) or result.heard_shares[name]
    worst = min((s for s in shares.values() if s is not None), key=lambda s: s.lower, default=None)
    rates = {
        name: pooled_rate(part, rig, heard=shares[name], confidence=confidence) for name, part in revisions.items()
    }
    return Account(
        tuple(ledgers.values()),
        rates,
        pooled_rate(ledgers.values(), rig, heard=worst, confidence=confidence),
        tuple((name, link) for name, ledger in ledgers.items() for link in link_flows(ledger)),
        tuple(
            (r.run.name, r.impacts.names["station"][max(c.station, 0)] or "unplaced", c)
            for r in tests
            for c in restitution_change(drops_of(machine_impacts(r.impacts)))
        ),
        challenges,
        (
            *_of_rates(rates),
            *notes,
            *(n for run in tests for n in _of_recording(run)),
            *(n for ledger in ledgers.values() for n in _said(ledger)),
            *result.doubtful_heights,
            *result.doubtful_places,
        ),
    )


def _of_rates(rates: Mapping[str, FailureRate]) -> list[str]:
    return [
        f"revision {name}: {note}" if name and len(rates) > 1 else note
        for name, rate in rates.items()
        for note in rate.notes
    ]


def _of_recording(run: RunResult) -> list[str]:
    """Return what was lost of a run's recording, or makes impacts hard to count in it: a ball may be lost in that."""
    if run.health is None:
        return []
    lost, counts = [n for n in run.notes if n in run.health.notes], run.health.counts
    return [f"run {run.run.name}: {n}" for n in (*lost, *(counts.reasons if counts.verdict != "usable" else ()))]


def _said(ledger: Ledger) -> list[str]:
    """Return a run's notes, but for the one on open balls, which are named beside the findings."""
    named = [ball.sentence for ball in ledger.open_balls]
    return [f"run {ledger.run}: {note}" for note in ledger.notes if not any(ball in note for ball in named)]


def _challenges(
    tests: Sequence[RunResult], ledgers: Mapping[str, Ledger], rig: Rig, told: Told | None
) -> tuple[tuple[tuple[str, Challenge], ...], tuple[str, ...]]:
    done, notes = [], []
    for number, run in enumerate(tests):
        if told:
            told(number / len(tests), f"challenging run {run.run.name}")
        try:
            found = challenge_run(run, rig, ledgers[run.run.name])
        except InputError as error:
            notes.append(f"run {run.run.name}: not challenged, {error}")
            continue
        done.append((run.run.name, found))
    return tuple(done), tuple(notes)


def _heard(challenges: Sequence[Challenge]) -> HeardShare | None:
    if not challenges:
        return None
    return HeardShare.from_test(sum(c.stuck_caught for c in challenges), sum(c.stuck_tried for c in challenges))
