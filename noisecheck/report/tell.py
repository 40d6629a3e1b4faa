"""Results as plain lines for the terminal."""

from __future__ import annotations

import math

from noisecheck.compare.effects import Comparison, Difference
from noisecheck.flow.findings import say_odds
from noisecheck.pipeline.account import Account

__all__ = ["interval", "tell_account", "tell_comparison"]


def interval(low: float, high: float, digits: int = 1) -> str:
    """Return ``(2.9 to 5.5)``, or an empty text where there is no interval."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    return f"({low:.{digits}f} to {high:.{digits}f})"


def _change(difference: Difference) -> str:
    if not math.isfinite(difference.difference_db):
        return difference.verdict
    size = f"{abs(difference.difference_db):.1f} dB {'quieter' if difference.difference_db < 0 else 'louder'}"
    if difference.indicative:
        return f"{size}, indicative only: one run on a side gives no interval"
    low, high = sorted(abs(v) for v in difference.ci_db)
    if difference.verdict == "no difference shown":
        return f"no difference shown: {difference.difference_db:+.1f} dB {interval(*difference.ci_db)}"
    return f"{size} {interval(low, high)}" if difference.verdict != "not comparable" else "not comparable"


def tell_comparison(comparison: Comparison) -> list[str]:
    """Return the lines ``noisecheck compare`` prints."""
    where = f" at {comparison.station}" if comparison.station else ""
    lines = [
        f"L_AE by {comparison.by}{where}, dB re {comparison.db_re}: means of run means, "
        f"{comparison.confidence:.0%} intervals from runs"
    ]
    width = max([len(g.value) for g in comparison.groups] + [5])
    for group in comparison.groups:
        runs = "1 run" if group.runs == 1 else f"{group.runs} runs"
        level = group.levels["lae_db"]
        shown = f"{level:.1f} dB {interval(*group.ci['lae_db'])}" if math.isfinite(level) else "not measurable"
        lines.append(f"  {group.value:<{width}}  {shown}  [{runs}, {group.impacts} impacts]")
    said: dict[str, list[str]] = {}
    for difference in comparison.differences:
        if difference.measure != "lae_db":
            continue
        lines.append(f"{difference.value} against {comparison.baseline}: {_change(difference)}")
        if difference.why is not None and difference.why.kind != "nothing shown":
            lines.append(f"  why: {difference.why.sentence}")
        for warning in difference.warnings:
            said.setdefault(warning, []).append(difference.value)
    lines += [f"note: {text}" for text in (*comparison.warnings, *said)]
    return lines


_KINDS = {"stuck": "stuck", "stray": "stray", "held_up": "held up", "unheard": "unheard"}


def tell_account(account: Account) -> list[str]:
    """Return the lines ``noisecheck ledger`` prints."""
    lines = []
    for ledger in account.ledgers:
        counts = [f"{ledger.count(k)} {word}" for k, word in _KINDS.items() if ledger.count(k)]
        rest = f"; {', '.join(counts)}" if counts else ""
        waiting = f"; {ledger.under_way} under way at the end" if ledger.under_way else ""
        doubtful = f"; {ledger.undecided} undecided" if ledger.undecided else ""
        lines.append(f"{ledger.run}: {ledger.arrived} of {ledger.fed} balls arrived{rest}{doubtful}{waiting}")
        for finding in ledger.findings:
            where = f" at {finding.station}" if finding.station else ""
            odds = say_odds(finding.odds)
            lines.append(f"  {_KINDS[finding.kind]}{where}, {finding.time_s:.2f} s, {odds}: {finding.why}")
    for revision, rate in account.rates.items():
        lines.append(f"revision {revision}: {rate.sentence}" if revision else rate.sentence)
    if len(account.rates) > 1:
        lines.append(f"all runs: {account.overall.sentence}")
    lines += [f"challenge, run {run}: {c.sentence}" for run, c in account.challenges]
    lines += [f"early warning: {text}" for text in account.warnings]
    lines += [f"note: {text}" for text in dict.fromkeys((*account.overall.notes, *account.notes))]
    return lines
