"""What each command does: arguments to one call, and what is printed. Everything heavy is imported when it runs."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Callable, Iterable
from typing import Any

from noisecheck.core.errors import InputError, one_line
from noisecheck.live import command as live
from noisecheck.terminal import Bar, print_json, say

__all__ = [
    "AGAINST",
    "BAD_INPUT",
    "DONE",
    "NOT_SHOWN",
    "compare",
    "health",
    "init",
    "ledger",
    "measure",
    "plan",
    "report",
    "simulate",
    "trend",
    "watch",
]

DONE, AGAINST, BAD_INPUT, NOT_SHOWN = 0, 1, 2, 3
"""Exit codes."""


def _settings(arguments: argparse.Namespace) -> Any:
    from noisecheck.detect.decide import DetectSettings
    from noisecheck.pipeline.listen import ListenSettings

    if not 0 < arguments.sensitivity <= 1e4:
        raise InputError(f"--sensitivity {arguments.sensitivity:g}: must be above 0 and at most 10000 an hour")
    workers = getattr(arguments, "workers", 1)
    if workers == 0 or workers < -1:
        raise InputError(f"--workers {workers}: must be 1 or more (-1: all cores)")
    if workers > 1:  # more processes than cores only wait for one another
        arguments.workers = min(workers, max(os.cpu_count() or 1, 2))
    return ListenSettings(detect=DetectSettings(false_per_hour=arguments.sensitivity))


def _told(arguments: argparse.Namespace, document: Callable[[], Any], lines: Callable[[], Iterable[str]]) -> int:
    """Print a result, as JSON where that is asked for."""
    if arguments.json:
        print_json(document())
    else:
        say(lines())
    return DONE


def init(arguments: argparse.Namespace) -> int:
    """Write a campaign folder to fill in."""
    from noisecheck.bench.campaign import find_recordings
    from noisecheck.bench.template import write_campaign_template

    folder = str(arguments.folder)
    written = [str(p) for p in write_campaign_template(arguments.folder)]
    there = len(find_recordings(arguments.folder))
    begin = "Put recordings beside them, fill in runs.csv"
    if there:
        rows = "the recording" if there == 1 else f"each of the {there} recordings"
        begin = f"runs.csv has a row for {rows} found there: fill in what changed"
    lines = (f"Wrote {', '.join(written)}.", f"{begin}, then: noisecheck report {shlex.quote(folder)}")
    return _told(arguments, lambda: {"folder": folder, "written": written}, lambda: lines)


def health(arguments: argparse.Namespace) -> int:
    """Say what recordings are good for."""
    from noisecheck.pipeline.examine import examine

    with Bar() as bar:
        examined = examine(arguments.files, told=bar)
    return _told(arguments, examined.to_dict, examined.sentences)


def ledger(arguments: argparse.Namespace) -> int:
    """Account for every ball."""
    from noisecheck.pipeline.account import account_for
    from noisecheck.pipeline.files import campaign_at
    from noisecheck.pipeline.flowing import route_of
    from noisecheck.report.tell import tell_account

    campaign = campaign_at(arguments.campaign, arguments.rig)
    if arguments.rig is None and arguments.campaign.is_dir() and not (arguments.campaign / "rig.toml").exists():
        raise InputError(f"{arguments.campaign}: no rig.toml says the order in which a ball meets the stations")
    route_of(campaign.rig)  # before anything is measured
    result = _measured(campaign, arguments)
    if arguments.revision is not None:
        result = result.only(arguments.revision)
    with Bar() as bar:
        account = account_for(result, challenged=arguments.challenge, told=bar)
    return _told(arguments, account.to_dict, lambda: tell_account(account))


def measure(arguments: argparse.Namespace) -> int:
    """Find and measure every impact of recordings."""
    from noisecheck.pipeline.files import measure_files
    from noisecheck.report.exports import write_impacts_csv

    with Bar() as bar:
        measured = measure_files(
            arguments.files,
            rig_path=arguments.rig,
            settings=_settings(arguments),
            workers=arguments.workers,
            try_limit=arguments.json,
            told=bar,
        )
    if arguments.output is not None:
        write_impacts_csv(measured.impacts, arguments.output)
    wrote = [] if arguments.output is None else [f"Wrote {arguments.output}."]
    wrote += ["Whether a recording is fit to measure (gain riding, dropouts), noisecheck health says."]
    return _told(arguments, measured.document, lambda: [*measured.sentences(), *wrote])


def _measured_campaign(arguments: argparse.Namespace, *, needed: str = "run") -> Any:
    """Return the campaign measured; without measuring it, refuse one that cannot say the column that is needed."""
    from noisecheck.bench.campaign import load_campaign

    campaign = load_campaign(arguments.campaign)
    campaign.need(needed)
    return _measured(campaign, arguments)


def _measured(campaign: Any, arguments: argparse.Namespace) -> Any:
    from noisecheck.pipeline.campaign import measure_campaign
    from noisecheck.pipeline.run import spread_of

    with Bar() as bar:
        settings = _settings(arguments).across(spread_of(campaign.rig))
        result = measure_campaign(campaign, settings=settings, workers=arguments.workers, told=bar)
    unkept = [r.unkept for r in result.runs if r.unkept]
    if unkept:  # beside the result, which is right all the same, but takes as long each time
        which = "1 run is" if len(unkept) == 1 else f"{len(unkept)} runs are"
        place = one_line(campaign.folder / "results")
        print(f"noisecheck: {place}: cannot be written ({unkept[0]}): {which} measured each time", file=sys.stderr)
    return result


def compare(arguments: argparse.Namespace) -> int:
    """Compare groups of runs."""
    from noisecheck.pipeline.campaign import compare_campaign
    from noisecheck.pipeline.revisions import together
    from noisecheck.report.tell import tell_comparison

    result = _measured_campaign(arguments, needed=arguments.by)
    comparison = compare_campaign(result, by=arguments.by, baseline=arguments.baseline, station=arguments.station)
    both = together(result, comparison)
    return _told(arguments, both.to_dict, lambda: tell_comparison(comparison, both.groups, both.verdicts, both.heights))


def trend(arguments: argparse.Namespace) -> int:
    """Tell how revisions stand, by levels, flow and requirements."""
    from noisecheck.pipeline.revisions import changed_campaign, trend_campaign
    from noisecheck.report.tell import tell_changed, tell_trend

    result = _measured_campaign(arguments, needed="revision")
    found = trend_campaign(result)
    if arguments.between:
        before, after = arguments.between
        between = changed_campaign(result, found, before=before, after=after)
        _told(arguments, lambda: {**found.to_dict(), "between": between.to_dict()}, lambda: tell_changed(between))
    else:
        _told(arguments, found.to_dict, lambda: tell_trend(found))
    return {"met": DONE, "not met": AGAINST, "not yet shown": NOT_SHOWN}[found.verdict]


def plan(arguments: argparse.Namespace) -> int:
    """Say what would settle what is not yet shown."""
    from noisecheck.pipeline.revisions import plan_campaign
    from noisecheck.report.tell import tell_plan

    wanted = arguments.wanted_db or (1.0, 3.0)
    result = _measured_campaign(arguments)
    planned = plan_campaign(result, by=arguments.by, station=arguments.station, wanted_db=wanted)
    return _told(arguments, planned.to_dict, lambda: tell_plan(planned))


def report(arguments: argparse.Namespace) -> int:
    """Write all of it as one page."""
    from noisecheck.report.page import write_report

    result = _measured_campaign(arguments)
    written = write_report(result, arguments.output, figures=arguments.figures)
    pictures = [p for p in written if p.parent.name == "figures"]
    lines = [f"Wrote {p}." for p in written if p not in pictures]
    lines += [f"Wrote {len(pictures)} pictures into {pictures[0].parent}."] if pictures else []
    return _told(arguments, lambda: {"written": [str(p) for p in written]}, lambda: lines)


def watch(arguments: argparse.Namespace) -> int:
    """Listen live."""
    return AGAINST if live.watch(arguments, _settings(arguments)) else DONE


def simulate(arguments: argparse.Namespace) -> int:
    """Make recordings with exactly known truth."""
    from noisecheck.simulate import simulate_file

    with Bar() as bar:
        written = simulate_file(
            arguments.scene, arguments.output, progress=lambda done, total, run: bar(done / max(total, 1), run)
        )
    line = f"Wrote {len(written)} files to {arguments.output}."
    return _told(arguments, lambda: {"written": [str(p) for p in written]}, lambda: [line])
