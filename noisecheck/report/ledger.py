"""Every ball accounted for: what arrived, what did not, how sure, how often it fails, and what warns early."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from noisecheck.core.errors import one_line
from noisecheck.flow.failures import FailureRate
from noisecheck.flow.findings import KIND_WORDS, Finding, Ledger, say_odds
from noisecheck.pipeline.account import Account
from noisecheck.report.answers import value_word
from noisecheck.report.clips import Moment
from noisecheck.report.context import Context, Place, Said, Section, newest_first
from noisecheck.report.figures.svg import inline_svg
from noisecheck.report.figures.time import Passages, transits
from noisecheck.report.found import claimed_late, pooled_sentence, way_of, why_of
from noisecheck.report.words import capital, fold_alike

__all__ = ["flow_section"]

_MOST_FINDINGS: Final = 400
_MOST_NAMED: Final = 3
_MOST_LINKS: Final = 8


def flow_section(context: Context) -> Section | None:
    """Return the ledger; None where no ball was followed to its end."""
    account = context.account
    if account is None:
        return None
    kinds = list(KIND_WORDS)
    found = [(ledger, f) for ledger in account.ledgers for f in ledger.findings]
    place = {id(f): number for number, (_, f) in enumerate(found)}
    ranked = sorted(found, key=lambda p: (kinds.index(p[1].kind), place[id(p[1])]))
    shown = sorted(ranked[:_MOST_FINDINGS], key=lambda p: (p[1].kind not in ("stuck",), place[id(p[1])]))
    treatments = {r.run.name: r.run for r in context.result.runs}
    order = newest_first(account.rates, context.result.campaign.rig.revisions.order)
    data = {
        "kinds": list(KIND_WORDS.values()),
        "runs": [_run(ledger, treatments[ledger.run].revision) for ledger in account.ledgers],
        "revisions": any(name for name in account.rates),
        "not_followed": any(ledger.not_followed for ledger in account.ledgers),
        "findings": [_finding(context, ledger, f) for ledger, f in shown],
        "left": len(found) - len(shown),
        "rates": [_rate(name, account.rates[name]) for name in order],
        "pooled": capital(pooled_sentence(account.overall, order)) if len(order) > 1 else "",
        "open": [
            {"run": one_line(g.run), "said": one_line(ball.sentence)} for g in account.ledgers for ball in g.open_balls
        ],
        "warnings": [one_line(w) for w in account.warnings],
        "notes": [one_line(n) for n in fold_alike(account.notes)],
        "links": _links(account),
        "total": {kind: sum(g.count(kind) for g in account.ledgers) for kind in kinds},
    }
    return Section(
        "flow", "Every ball accounted for", Place.FLOW, "flow.html", data, _said(account, order), account.to_dict()
    )


def _rate(name: str, rate: FailureRate) -> dict[str, str]:
    return {"name": capital(value_word("revision", name)) if name else "", "text": rate.sentence}


def _run(ledger: Ledger, revision: str) -> dict[str, Any]:
    return {
        "run": one_line(ledger.run),
        "revision": one_line(revision),
        "fed": ledger.fed,
        "arrived": ledger.arrived,
        "counts": [ledger.count(kind) for kind in KIND_WORDS],
        "undecided": ledger.undecided,
        "under_way": ledger.under_way,
        "not_followed": ledger.not_followed,
        "surplus": max(ledger.accounted - ledger.fed, 0),
        "odd": bool(ledger.count("stuck") or ledger.count("stray") or ledger.undecided),
    }


def _finding(context: Context, ledger: Ledger, finding: Finding) -> dict[str, Any]:
    clip = context.moments.get(Moment(ledger.run, finding.time_s)) if finding.kind != "unheard" else None
    return {
        "run": one_line(ledger.run),
        "kind": KIND_WORDS[finding.kind],
        "time": round(finding.time_s, 3),
        "station": _station(ledger, finding),
        "odds": say_odds(finding.odds),
        "exact": float(f"{finding.odds:.3g}"),
        "why": why_of(finding),
        "clip": clip,
    }


def _station(ledger: Ledger, finding: Finding) -> str:
    if finding.kind == "held_up":
        return " to ".join(one_line(n) for n in way_of(ledger, finding) if n)
    return one_line(finding.station)


def _links(account: Account) -> list[dict[str, Any]]:
    """Return a figure for each pair of neighbouring stations, runs joined end to end in their order."""
    names: dict[tuple[str, str], None] = {}
    for ledger in account.ledgers:
        order = list(ledger.transit_s)
        for p in ledger.passages:
            at = order.index(p.origin) if p.origin in order else -1
            if at >= 0 and (at + 1 == len(order) or order[at + 1] == p.station):
                names.setdefault((p.origin, p.station))
    figures = []
    for number, (origin, station) in enumerate(list(names)[:_MOST_LINKS]):
        begin, bounds, rows = 0.0, [], []
        for ledger in account.ledgers:
            end = begin + ledger.listened_s
            bounds.append((begin, end, *ledger.transit_s.get(origin, (np.nan, np.nan))))
            rows += [
                (begin + p.time_s, p.took_s, claimed_late(ledger, p), p.late)
                for p in ledger.passages
                if (p.origin, p.station) == (origin, station)
            ]
            begin = end
        times = np.array([(t, took) for t, took, *_ in rows], np.float64).reshape(-1, 2)
        late = np.array([x for *_, x, _ in rows], bool)
        doubtful = np.array([x for *_, x in rows], bool) & ~late
        link = f"{one_line(origin)} to {one_line(station)}"
        figure = transits(Passages(times[:, 0], times[:, 1], late, doubtful, tuple(bounds)), label="transit time, s")
        text = f"Transit times from {link}, runs one after the other; {int(late.sum())} of {len(late)} held up"
        median = float(np.median(times[:, 1])) if len(times) else np.nan
        figures.append(
            {
                "name": link,
                "balls": len(late),
                "late": int(late.sum()),
                "doubtful": int(doubtful.sum()),
                "median": round(median, 3) if np.isfinite(median) else None,
                "chart": inline_svg(figure, key=f"t{number}", label=text),
            }
        )
    return figures


def _said(account: Account, order: Sequence[str]) -> tuple[Said, ...]:
    said: list[Said] = []
    stuck = [(g, f) for g in account.ledgers for f in g.findings if f.kind == "stuck"]
    stray = [(g, f) for g in account.ledgers for f in g.findings if f.kind == "stray"]
    if stuck:
        named = "; ".join(_where(g, f, "last heard") for g, f in stuck[:_MOST_NAMED])
        more = f"; and {len(stuck) - _MOST_NAMED} more" if len(stuck) > _MOST_NAMED else ""
        balls = "1 ball stuck" if len(stuck) == 1 else f"{len(stuck)} balls stuck"
        step = "Stop the machine and look there before it runs on." if len(stuck) == 1 else "Look there first."
        said.append(Said("stuck", f"{balls}: {named}{more}.", step))
    if stray:
        surest = max(stray, key=lambda p: p[1].odds)
        count = "1 stray impact" if len(stray) == 1 else f"{len(stray)} stray impacts"
        which = "" if len(stray) == 1 else ", the surest"
        said.append(
            Said(
                "warning",
                f"{count} that no ball accounts for{which} {_where(*surest, 'at')}. Listen to the clips below.",
            )
        )
    for warning in account.warnings[:_MOST_NAMED]:
        said.append(Said("warning", f"Early warning: {one_line(warning)}."))
    newest = _rate(order[0], account.rates[order[0]])
    said.append(Said("bound only", f"{newest['name'] or 'Every ball'}: {newest['text']}"))
    return tuple(said)


def _where(ledger: Ledger, finding: Finding, verb: str) -> str:
    station = f" at {one_line(finding.station)}" if finding.station and verb != "at" else ""
    moment = f"{finding.time_s:.1f} s" if verb == "at" else f"{verb}{station}, {finding.time_s:.1f} s"
    return f"in run {one_line(ledger.run)} {'at ' if verb == 'at' else ''}{moment} (odds {say_odds(finding.odds)})"
