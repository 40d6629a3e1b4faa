"""The command line: its arguments, and what becomes of errors (:mod:`noisecheck.commands` holds the calls)."""

from __future__ import annotations

import argparse
import atexit
import gc
import io
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from noisecheck import __version__, commands
from noisecheck.completion import SHELLS, PrintCompletion
from noisecheck.core.errors import InputError, NoisecheckError, one_line
from noisecheck.live import command as live

__all__ = ["main", "make_parser"]

CAUTION = (
    "A computer and a microphone are not a sound level meter: absolute levels need a calibrator, and these "
    "figures are never for judging people's exposure. Watching by sound is an aid, not a safety stop."
)
_FILE = "recording (WAV, FLAC, AIFF, CAF, OGG, MP3; m4a, mp4 and mov with the extra phone)"
_CAMPAIGN = "folder with runs.csv, the recordings and, if you like, rig.toml"
_STATION = "only impacts at this station (default: all stations, alike)"


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> Any:
        raise InputError(f"{message} (see: {self.prog} --help)")


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line, from which completion and the manual are made too."""
    parser = _Parser(prog="noisecheck", description="Measure, compare and account for every ball drop in recordings.")
    parser.epilog = CAUTION
    parser.add_argument("--version", action="version", version=f"noisecheck {__version__}")
    parser.add_argument(
        "--completion", choices=SHELLS, action=PrintCompletion, help="print a script that completes on TAB, and end"
    )
    names = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)

    def command(
        name: str, text: str, run: Callable[[argparse.Namespace], int], example: str
    ) -> argparse.ArgumentParser:
        sub = names.add_parser(
            name,
            help=text,
            description=text[0].upper() + text[1:] + ".",
            epilog=f"example: {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.set_defaults(run=run)
        printed = "events as one JSON document a line" if name == "watch" else "the result as one JSON document"
        sub.add_argument("--json", action="store_true", help=f"print {printed}, nothing else")
        return sub

    init = command("init", "write a campaign folder to fill in", commands.init, "noisecheck init foyer")
    init.add_argument("folder", metavar="DIR", type=Path, help="a new folder, or one without rig.toml and runs.csv")

    health = command(
        "health",
        "what a recording is good for: levels, counts, times, bands",
        commands.health,
        "noisecheck health take1.wav take2.m4a",
    )
    health.add_argument("files", metavar="FILE", type=Path, nargs="+", help=_FILE)

    measure = command(
        "measure", "find and measure every impact", commands.measure, "noisecheck measure take1.wav -o impacts.csv"
    )
    measure.add_argument("files", metavar="FILE", type=Path, nargs="+", help=_FILE)
    measure.add_argument(
        "--rig", metavar="rig.toml", type=Path, help="rig file: microphones, stations, calibration (default: none)"
    )
    measure.add_argument(
        "-o", "--output", metavar="impacts.csv", type=Path, help="write the table here (default: nowhere)"
    )
    _listening(measure)

    comparing = command(
        "compare",
        "differences between groups of runs, with intervals",
        commands.compare,
        "noisecheck compare recordings --by treatment --station landing",
    )
    comparing.add_argument("campaign", metavar="CAMPAIGN", type=Path, help=_CAMPAIGN)
    comparing.add_argument(
        "--by", required=True, metavar="COLUMN", help="treatment, revision, drop_height_mm, or any column of runs.csv"
    )
    comparing.add_argument("--station", metavar="S", help=_STATION)
    comparing.add_argument(
        "--baseline", metavar="VALUE", help="compare with this value (default: the first that runs.csv shows)"
    )
    _listening(comparing)

    ledger = command(
        "ledger",
        "every ball accounted for: held up, stuck, stray, unheard; failure-rate bound",
        commands.ledger,
        "noisecheck ledger recordings",
    )
    ledger.add_argument(
        "campaign", metavar="CAMPAIGN|FILE", type=Path, help=f"{_CAMPAIGN}; or one recording, with --rig"
    )
    ledger.add_argument(
        "--rig", metavar="rig.toml", type=Path, help="of a bare recording (default: the campaign's own)"
    )
    ledger.add_argument("--revision", metavar="R", help="only runs of this revision (default: all)")
    ledger.add_argument(
        "--challenge",
        action="store_true",
        help="take balls away from the run and add strays, and count how many are named (slow)",
    )
    _listening(ledger)

    trending = command(
        "trend",
        "levels, flow and requirement verdicts by revision",
        commands.trend,
        "noisecheck trend recordings\n\n"
        "exit code, for the newest revision with runs: 0 every strict requirement is met,\n"
        "1 one is not met, 3 none is failed but one is not yet shown (2: bad input)",
    )
    trending.add_argument("campaign", metavar="CAMPAIGN", type=Path, help=_CAMPAIGN)
    trending.add_argument(
        "--between",
        nargs=2,
        metavar=("A", "B"),
        help="only what changed from revision A to B (default: all; with --json: added)",
    )
    _listening(trending)

    planning = command(
        "plan",
        "how many more runs, re-placements or balls would settle what is not yet shown",
        commands.plan,
        "noisecheck plan recordings --by treatment --station landing --wanted-db 2",
    )
    planning.add_argument("campaign", metavar="CAMPAIGN", type=Path, help=_CAMPAIGN)
    planning.add_argument("--by", metavar="COLUMN", help="treatment, revision, ... (default: what the runs differ in)")
    planning.add_argument("--station", metavar="S", help=_STATION)
    planning.add_argument(
        "--wanted-db",
        metavar="X",
        type=float,
        action="append",
        help="difference to be shown, in dB; may be given again for another (default: 1 and 3)",
    )
    _listening(planning)

    report = command(
        "report", "all of it as one offline page", commands.report, "noisecheck report recordings -o reports"
    )
    report.add_argument("campaign", metavar="CAMPAIGN", type=Path, help=_CAMPAIGN)
    report.add_argument(
        "-o", "--output", metavar="DIR", type=Path, default=Path("reports"), help="write it here (default: reports)"
    )
    report.add_argument("--figures", action="store_true", help="write every figure as SVG and PNG too")
    _listening(report)

    watching = command(
        "watch", "the same, live: say at once when a ball is stuck or stray", commands.watch, live.EXAMPLE
    )
    live.add_arguments(watching)
    _listening(watching, workers=False)

    simulate = command(
        "simulate",
        "make recordings with exactly known truth from a scene file",
        commands.simulate,
        "noisecheck simulate recordings/scene.toml -o demo",
    )
    simulate.add_argument("scene", metavar="SCENE.toml", type=Path, help="scene file, such as recordings/scene.toml")
    simulate.add_argument("-o", "--output", metavar="DIR", type=Path, required=True, help="campaign folder to write")
    return parser


def _listening(parser: argparse.ArgumentParser, *, workers: bool = True) -> None:
    parser.add_argument(
        "--sensitivity",
        metavar="N",
        type=float,
        default=0.1,
        help="false impacts an hour accepted in steady noise when nothing else sounds (default 0.1)",
    )
    if workers:
        parser.add_argument(
            "--workers",
            metavar="N",
            type=int,
            default=1,
            help="processes that share the work; -1: one a core (default 1)",
        )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code (0 done, 1 a verdict went against the user, 2 bad input)."""
    for stream in (sys.stdout, sys.stderr):
        # What a terminal of another alphabet cannot show is spelt out.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    # What a command loads is there to stay until the system takes back all: looking for garbage among it, again and
    # again and once more at the end, takes a tenth of a short command.
    gc.set_threshold(50_000)
    atexit.register(gc.freeze)
    try:
        parsed = make_parser().parse_args(arguments)
        return int(parsed.run(parsed))
    except NoisecheckError as error:
        print(f"noisecheck: {one_line(error)}", file=sys.stderr)
        return commands.BAD_INPUT
    except KeyboardInterrupt:
        print("noisecheck: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output went away (for instance `| head`): nothing more to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return commands.DONE
    except OSError as error:
        where = f"{one_line(error.filename)}: " if error.filename else ""
        print(f"noisecheck: {where}{error.strerror or error}", file=sys.stderr)
        return commands.BAD_INPUT


if __name__ == "__main__":
    sys.exit(main())
