"""What the ledger found, in the words that page and terminal share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from noisecheck.core.errors import listed, one_line
from noisecheck.flow.failures import FailureRate
from noisecheck.flow.findings import Finding, Ledger, Passage, say_odds

__all__ = ["claimed_late", "pooled_sentence", "way_of", "why_of"]

_SAME_S = 1e-3


def why_of(finding: Finding) -> str:
    """Return why a finding is one, without the odds, which stand beside it."""
    return one_line(finding.why).replace(f", {say_odds(finding.odds)}", "", 1)


def way_of(ledger: Ledger, finding: Finding) -> tuple[str, str]:
    """Return from where a held-up ball was on its way, empty where that is not known, and where it arrived."""
    came = next((p for p in ledger.passages if _same(p, finding)), None)
    names = list(ledger.transit_s)
    at = names.index(finding.station) if finding.station in names else len(names)
    return came.origin if came is not None else names[at - 1] if at else "", finding.station


def claimed_late(ledger: Ledger, passage: Passage) -> bool:
    """Return whether the ledger claims that the ball of a passage was held up."""
    return any(f.kind == "held_up" and _same(passage, f) for f in ledger.findings)


def _same(passage: Passage, finding: Finding) -> bool:
    return passage.station == finding.station and abs(passage.time_s - finding.time_s) < _SAME_S


def pooled_sentence(overall: FailureRate, revisions: Sequence[str]) -> str:
    """Return what all runs say together; of several revisions that they are pooled, and nothing of balls still needed.

    Balls of an older design show nothing about the newest, unless nothing that matters changed.
    """
    if len(revisions) < 2:
        return overall.sentence
    names = listed([one_line(r) or "none" for r in revisions])
    return f"revisions {names} pooled, as if nothing changed: {replace(overall, limit=None).sentence}"
