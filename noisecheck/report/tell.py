"""Results as plain lines for the terminal."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import Final

from noisecheck.compare.changed import Changed
from noisecheck.compare.differences import Comparison, Difference
from noisecheck.compare.flowing import LINK, GroupFlow
from noisecheck.compare.height import HeightStudy
from noisecheck.compare.joint import JointVerdict
from noisecheck.compare.scorecard import Judged, say_time
from noisecheck.compare.trend import Trend
from noisecheck.core.units import many
from noisecheck.flow.findings import KIND_WORDS, Finding, Ledger, either_way, say_odds
from noisecheck.pipeline.account import Account
from noisecheck.pipeline.revisions import Plan
from noisecheck.report.found import pooled_sentence, way_of, why_of
from noisecheck.report.words import brief, fold_alike

__all__ = ["interval", "tell_account", "tell_changed", "tell_comparison", "tell_plan", "tell_trend"]

_COUNTED: Final = re.compile(r"run (.+): (\d+ of \d+) (.+)")


def interval(low: float, high: float, digits: int = 1) -> str:
    """Return ``(2.9 to 5.5)``, ``(2.9 or more)`` with an open end, or an empty text where there is no interval."""
    if math.isfinite(low) and math.isfinite(high):
        return f"({low:.{digits}f} to {high:.{digits}f})"
    if math.isfinite(low):
        return f"({low:.{digits}f} or more)"
    return f"({high:.{digits}f} or less)" if math.isfinite(high) else ""


def _change(difference: Difference) -> str:
    if not math.isfinite(difference.difference_db):
        return difference.verdict
    if difference.indicative:
        return f"{difference.size}, indicative only: too few runs for an interval"
    low, high = sorted(abs(v) for v in difference.ci_db)
    if difference.verdict == "no difference shown":
        return f"no difference shown: {difference.difference_db:+.1f} dB {interval(*difference.ci_db)}".rstrip()
    if difference.verdict == "not comparable":
        return "not comparable"
    found = f", {abs(difference.difference_db):.1f} dB by what could be measured" if difference.at_least else ""
    return f"{difference.size}{found or f' {interval(low, high)}'}"


def _flow(flow: GroupFlow, station: str | None = None) -> str:
    """Return how balls ran in a few words, with restitution and spread of transit times at one station."""
    if not flow.balls:
        return "no balls followed"
    rate = flow.held_up
    text = f"{flow.balls:,} balls, held up {rate.value:.3g} per thousand {interval(rate.low, rate.high, 0)}"
    text += f", {flow.counts['stuck']} stuck" if flow.counts["stuck"] else ""
    if station in flow.restitution:
        text += f", restitution {flow.restitution[station].value:.2f}"
    for link, spread in flow.transit_spread_s.items():
        if station and link.startswith(f"{station}{LINK}") and math.isfinite(spread.value):
            text += f", transit time spread {1000 * spread.value:.0f} ms"
    return text


def tell_comparison(
    comparison: Comparison,
    flows: Sequence[GroupFlow] = (),
    verdicts: Sequence[JointVerdict] = (),
    heights: HeightStudy | None = None,
) -> list[str]:
    """Return the lines ``noisecheck compare`` prints, with how balls ran beside the noise where that is known."""
    ran = {f.value: f"; {_flow(f, comparison.station)}" for f in flows if f.balls}
    joint = {v.value: v.sentence for v in verdicts if v.flow.value.balls}
    where = f" at {comparison.station}" if comparison.station else ""
    unit = f", dB re {comparison.db_re}" if comparison.db_re else ""
    lines = [
        f"L_AE by {comparison.by}{where}{unit}: means of run means, {comparison.confidence:.0%} intervals from runs"
    ]
    width = max([len(g.value) for g in comparison.groups] + [5])
    for group in comparison.groups:
        level = group.levels["lae_db"]
        shown = f"{level:.1f} dB {interval(*group.ci['lae_db'])}" if math.isfinite(level) else "not measurable"
        heard = f"{many(group.runs, 'run')}, {many(group.impacts, 'impact')}"
        lines.append(f"  {group.value:<{width}}  {shown}  [{heard}{ran.get(group.value, '')}]")
    said: dict[str, list[str]] = {}
    for difference in comparison.differences:
        if difference.measure != "lae_db":
            continue
        lines.append(f"{difference.value} against {comparison.baseline}: {_change(difference)}")
        if difference.why is not None and difference.why.kind != "nothing shown":
            lines.append(f"  why: {difference.why.sentence}")
        if math.isfinite(difference.difference_db) and difference.verdict in ("quieter", "louder"):
            lines.append(f"  to the ear: {difference.heard.sentence}")
        if difference.value in joint:
            lines.append(f"  with flow: {joint[difference.value]}")
        for warning in difference.warnings:
            said.setdefault(warning, []).append(difference.value)
    if heights is not None and heights.fits:
        lines += ["L_AE against drop height:", *(f"  {text}" for text in heights.sentences)]
    lines += [f"note: {text}" for text in fold_alike((*comparison.warnings, *_folded(said)))]
    return lines


def _folded(notes: Iterable[str]) -> list[str]:
    """Return the notes with those that say the same of three runs or more, with other counts, in one."""
    alike: dict[str, list[tuple[str, str]]] = {}
    for note in notes:
        found = _COUNTED.fullmatch(note)
        alike.setdefault(found[3] if found else note, []).append((note, f"{found[1]} {found[2]}" if found else ""))
    lines = []
    for text, members in alike.items():
        if len(members) < 3:
            lines += [note for note, _ in members]
        else:
            plural = text.replace("its mean is", "their means are")
            lines.append(f"{len(members)} runs with {plural} ({', '.join(counts for _, counts in members)})")
    return lines


def tell_account(account: Account) -> list[str]:
    """Return the lines ``noisecheck ledger`` prints."""
    lines = []
    for ledger in account.ledgers:
        counts = [f"{ledger.count(k)} {word}" for k, word in KIND_WORDS.items() if ledger.count(k)]
        rest = f"; {', '.join(counts)}" if counts else ""
        waiting = f"; {ledger.under_way} under way at the end" if ledger.under_way else ""
        doubtful = f"; {ledger.undecided} undecided" if ledger.undecided else ""
        lost = f"; {ledger.not_followed} not followed" if ledger.not_followed else ""
        fed = max(ledger.fed, ledger.accounted)
        stated = f" ({ledger.fed} stated)" if fed > ledger.fed else ""
        lines.append(f"{ledger.run}: {ledger.arrived} of {fed} balls arrived{stated}{rest}{doubtful}{waiting}{lost}")
        lines += [
            f"  {KIND_WORDS[f.kind]}{_where(ledger, f)} {f.time_s:.2f} s, {say_odds(f.odds)}: {why_of(f)}"
            for f in ledger.findings
        ]
        lines += [f"  undecided: {ball.sentence}" for ball in ledger.open_balls]
    for revision, rate in account.rates.items():
        lines.append(f"revision {revision}: {rate.sentence}" if revision else rate.sentence)
    if len(account.rates) > 1:
        lines.append(pooled_sentence(account.overall, list(account.rates)))
    lines += [f"challenge, run {run}: {c.sentence}" for run, c in account.challenges]
    lines += [f"early warning: {text}" for text in account.warnings]
    lines += [f"note: {text}" for text in fold_alike(account.notes)]
    return lines


def _where(ledger: Ledger, finding: Finding) -> str:
    """Return where, and what the time that follows is."""
    if finding.kind != "held_up":
        return f" at {finding.station}," if finding.station else ","
    origin, station = way_of(ledger, finding)
    return f" between {origin} and {station}, arrived" if origin else f" before {station}, arrived"


def _judged(judged: Judged, *, newest: bool) -> list[str]:
    """Return a requirement's verdict, and the next step if it is open (an older revision is not recorded again)."""
    r, v = judged.requirement, judged.verdict
    kind = "must" if r.strict else "should"
    place = f" at {r.station}" if r.station else ""
    found = "not measured"
    if math.isfinite(v.value):
        found = brief(v.value)
        if math.isfinite(v.low) and math.isfinite(v.high):
            found += f" (one-sided {100 * v.confidence:.3g} % bounds {brief(v.low)}, {brief(v.high)})"
    odds = f", odds {either_way(v.odds)}" if math.isfinite(v.odds) else ""
    note = f" [{judged.note}]" if judged.note else ""
    lines = [f"  {r.id} ({kind}) {v.verdict}: {r.measure}{place} {found} against {r.sense} {r.limit:,g}{odds}{note}"]
    if newest and v.verdict == "not yet shown" and v.next_step:
        lines.append(f"    next: {v.next_step}")
    return lines


def tell_trend(trend: Trend) -> list[str]:
    """Return the lines ``noisecheck trend`` prints."""
    lines = []
    for revision in trend.revisions:
        what = f" ({', '.join(revision.treatments)})" if revision.treatments else ""
        levels = []
        for name, figures in revision.levels.items():
            figure = figures.get("lae_db")
            if figure is not None:
                levels.append(
                    f"{name or 'all stations'} {figure.value:.1f} dB {interval(figure.low, figure.high)}".rstrip()
                )
        asked = f", strict requirements {revision.card.verdict}" if revision.card.judged else ""
        lines.append(f"revision {revision.revision}{what}: {many(revision.runs, 'run')}{asked}")
        said = (
            f"with two-sided {100 * trend.confidence:.3g} % intervals: {', '.join(levels)}"
            if levels
            else "not measurable"
        )
        lines.append(f"  L_AE {said}; {_flow(revision.flow)}")
        for judged in revision.card.judged:
            lines += _judged(judged, newest=revision is trend.newest)
    lines += [change.sentence for change in trend.changes]
    for change in trend.changes:
        if change.joint is not None:
            lines.append(f"{change.after} against {change.before}, all stations: {change.joint.sentence}")
    points = trend.tradeoff.of("revision")
    if len(points) > 1:
        lines += [f"{p.value}, noise against flow: {p.against or 'beaten by none'}" for p in points]
    cards = [j for r in trend.revisions for j in r.card.judged]
    rules = dict.fromkeys(j.verdict.rule for j in cards)
    lines += [f"rule: {rule}" for rule in rules]
    met, of = trend.newest.card.score
    wished = f"; {met} of {of} negotiable ones met" if of else ""
    if not cards:
        lines.append("rig.toml has no [[requirement]]: nothing is asked, so nothing is failed")
    else:
        lines.append(f"newest revision {trend.newest.revision}: strict requirements {trend.verdict}{wished}")
    return lines + [f"note: {text}" for text in fold_alike(_folded(trend.notes))]


def tell_plan(plan: Plan) -> list[str]:
    """Return the lines ``noisecheck plan`` prints."""
    where = f" at {plan.station}" if plan.station else ""
    lines = []
    spread = plan.spread
    if spread is not None and math.isfinite(spread.run_mean_db):
        lines.append(
            f"L_AE by {plan.by}{where}: run means spread by {spread.run_mean_db:.2f} dB, of which re-placing "
            f"{spread.between_run_db:.2f} dB; impacts inside a run by {spread.within_run_db:.2f} dB"
        )
    for effect in plan.effects:
        lines.append(effect.sentence)
        for row in effect.needed:
            if row["80%"] and math.isfinite(plan.impacts_a_run):
                hours = 2 * row["80%"] * plan.pace.run_s / 3600
                time = f", {say_time(hours)} of recording" if math.isfinite(hours) else ""
                drops = row["80%"] * plan.impacts_a_run
                lines.append(f"  {row['difference_db']:g} dB: {row['80%']} runs and {drops:,.0f} drops a side{time}")
    for verdict in plan.flow:
        if verdict.flow.more_balls is not None:
            more = many(verdict.flow.more_balls, "more ball")
            lines.append(f"{verdict.value}, flow not yet shown: {more} a side without trouble")
    for judged in plan.requirements:
        kind = "must" if judged.requirement.strict else "should"
        lines.append(f"{judged.requirement.id} ({kind}), revision {judged.revision}: {judged.verdict.next_step}")
    if not lines and not plan.notes:
        lines.append("nothing is open")
    return lines + [f"note: {text}" for text in plan.notes]


def tell_changed(changed: Changed) -> list[str]:
    """Return the lines ``noisecheck trend --between A B`` prints."""
    lines = [f"from revision {changed.before} to {changed.after}"]
    for name, difference in changed.stations.items():
        lines.append(f"  {name}: {_change(difference)}")
        if difference.why is not None and difference.why.kind != "nothing shown":
            lines.append(f"    why: {difference.why.sentence}")
    if changed.joint is not None:
        lines.append(f"  noise and flow: {changed.joint.sentence}")
    for r in changed.requirements:
        before, after = r.before.verdict.verdict, r.after.verdict.verdict
        lines.append(f"  {r.after.requirement.id}: {after}" + (f", was {before}" if r.changed else ", as before"))
    for odd in changed.odd:
        where = f" at {odd.station}" if odd.station else ""
        first = odd.examples[0]
        lines.append(
            f"  {KIND_WORDS[odd.kind]}{where}: {odd.word}, {odd.before} before, {odd.after} after "
            f"(as in run {first.run}, {first.time_s:.2f} s)"
        )
    return lines
