"""The arguments of ``noisecheck watch``, and what they set up. Nothing heavy is imported before it runs."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from noisecheck.core.errors import InputError, one_line
from noisecheck.live import PIPE_FORMATS

if TYPE_CHECKING:
    from noisecheck.live.clock import Clock
    from noisecheck.live.events import Event
    from noisecheck.live.sources import Source
    from noisecheck.pipeline.listen import ListenSettings

__all__ = ["EXAMPLE", "add_arguments", "watch"]

EXAMPLE = (
    "noisecheck watch --rig foyer/rig.toml --on-alarm 'python3 ring_bell.py'\n"
    "         arecord -q -f S16_LE -r 48000 -c 2 -t raw | noisecheck watch --rig foyer/rig.toml --source - "
    "--rate-hz 48000 --channels 2\n\n"
    "exit code, at the end or when stopped: 0 nothing stuck or stray, 1 a ball was, 2 bad input\n\n"
    "Watching by sound is an aid, not a safety stop: guards, interlocks and emergency stops stay as they are."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of the command to its parser."""
    parser.add_argument("--rig", metavar="rig.toml", type=Path, required=True, help="rig file: stations, microphones")
    parser.add_argument(
        "--source",
        metavar="DEVICE|FILE|-",
        help="audio device (number or part of its name), a recording (also one that grows), or - for raw samples "
        "on stdin (default: the computer's own input)",
    )
    parser.add_argument(
        "--rate-hz",
        metavar="N",
        type=int,
        help="frames a second, Hz: needed for raw samples (default: the device's own)",
    )
    parser.add_argument(
        "--channels", metavar="N", type=int, help="channels: needed for raw samples (default: the device's, at most 2)"
    )
    parser.add_argument(
        "--format", metavar="F", default="s16le", help=f"of raw samples: {', '.join(PIPE_FORMATS)} (default s16le)"
    )
    parser.add_argument(
        "--on-alarm",
        metavar="COMMAND",
        help="run this for each alarm: a ball stuck or stray, a microphone dead or lost (no shell; the event comes "
        "as JSON on stdin; default: nothing)",
    )
    parser.add_argument("--impacts", action="store_true", help="also say each impact")
    parser.add_argument("--revision", metavar="R", default="", help="written into the run sheet (default: empty)")
    parser.add_argument("--treatment", metavar="T", default="", help="written into the run sheet (default: empty)")
    keeping = parser.add_mutually_exclusive_group()
    keeping.add_argument(
        "-o", "--output", metavar="DIR", type=Path, help="campaign that gets the run (default: the rig file's folder)"
    )
    keeping.add_argument("--keep-nothing", action="store_true", help="write no run, no alarm sounds and no events")


def watch(arguments: argparse.Namespace, settings: ListenSettings, *, clock: Clock | None = None) -> bool:
    """Watch until the source ends or the user stops it; return whether a ball was stuck or stray.

    Raises:
        InputError: the rig file, the source, the command or the folder cannot be used.
    """
    import numpy as np

    from noisecheck.bench.campaign import Campaign
    from noisecheck.bench.rig_file import load_rig
    from noisecheck.live.alarm import AlarmCommand
    from noisecheck.live.clock import SystemClock
    from noisecheck.live.follow import Follower
    from noisecheck.live.keep import AlarmSounds, RunKeeper, claimed
    from noisecheck.live.placing import RUN, Placer
    from noisecheck.live.watch import Watch
    from noisecheck.pipeline.files import campaign_beside, of_recording, teaching_runs
    from noisecheck.pipeline.machine import own_ticks
    from noisecheck.pipeline.placing import taught_by
    from noisecheck.pipeline.run import calibration_of, need_channels, spread_of

    if not arguments.rig.exists():
        raise InputError(f"{one_line(arguments.rig)}: no such rig file")
    clock = clock or SystemClock()
    command = None if arguments.on_alarm is None else AlarmCommand(arguments.on_alarm)
    rig = load_rig(arguments.rig)
    settings = settings.across(spread_of(rig))
    beside = campaign_beside(arguments.rig)
    teaching = teaching_runs(beside, settings)
    taught = taught_by([(t.run, t.impacts) for t in teaching], rig)
    ticks = own_ticks(teaching, taught)
    source = _source(arguments, clock)
    try:
        need_channels(source.name, source.channels, rig)
    except InputError:
        source.close()
        raise
    known = None if source.live else of_recording(beside, Path(arguments.source), rig)
    run = known.runs[0] if known is not None and known.runs[0].role == "test" else RUN
    calibration = calibration_of(Campaign(arguments.rig.parent, rig, ()), source.channels)
    follower = Follower(
        rig,
        source.rate,
        source.channels,
        settings=settings,
        offset_db=np.array(calibration.offset_db) if calibration.known else None,
        placer=Placer(rig, source.rate, taught, run, ticks),
        by_sound=taught is not None,
        impacts=arguments.impacts,
        coded=source.coded,
    )
    folder = arguments.output or arguments.rig.parent
    keeper = sounds = log = None
    if not arguments.keep_nothing:
        log = claimed(folder / "alarms", f"watch-{clock.now():%Y%m%d-%H%M%S}")
        name = log.stem
        sounds = AlarmSounds(log.parent, name, source.rate, source.channels, subtype=source.subtype, clock=clock)
        if source.live:  # else it is kept already
            _same_rig(arguments.rig, folder)
            keeper = RunKeeper(
                folder,
                name,
                source.rate,
                source.channels,
                subtype=source.subtype,
                clock=clock,
                revision=arguments.revision,
                treatment=arguments.treatment,
            )

    teller = _Printer(as_json=arguments.json, needed=command is None)
    watching = Watch(source, follower, teller, keeper, sounds, command, log)
    numbers = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    # One that is ignored stays so, as with nohup.
    before = [(n, signal.signal(n, watching.stop)) for n in numbers if signal.getsignal(n) is not signal.SIG_IGN]
    try:
        watching.run()
    except BrokenPipeError:
        pass  # said by the printer
    finally:
        for number, handler in before:
            signal.signal(number, handler)
    ledger = follower.ledger
    return ledger is not None and any(ledger.count(kind) for kind in ("stuck", "stray"))


class _Printer:
    """Prints events; a watch that others depend on goes on where nobody reads them any longer.

    Args:
        as_json: a JSON document on each line.
        needed: it is the only way an alarm is heard of.
    """

    def __init__(self, *, as_json: bool, needed: bool) -> None:
        self._as_json, self._needed, self._failed = as_json, needed, False

    def __call__(self, event: Event) -> None:
        try:
            print(event.line(as_json=self._as_json), flush=True)
        except OSError as error:
            gone = isinstance(error, BrokenPipeError)
            stops = gone and self._needed
            if not self._failed:
                self._failed = True
                then = "the watch is stopped" if stops else "the watch goes on"
                why = "nobody reads it" if gone else error.strerror or error
                with suppress(OSError):
                    print(f"noisecheck: what the watch says cannot be written ({why}): {then}", file=sys.stderr)
            if gone:  # else the interpreter stumbles over it at its end
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            if stops:
                raise


def _source(arguments: argparse.Namespace, clock: Clock) -> Source:
    from noisecheck.bench.campaign import RECORDING_SUFFIXES
    from noisecheck.live.device import DeviceSource
    from noisecheck.live.pipe import PipeSource
    from noisecheck.live.sources import FileSource

    name = arguments.source
    if name == "":
        raise InputError("--source '': names no audio device and no file (leave it out for the computer's own input)")
    if name == "-":
        return PipeSource(
            sys.stdin.buffer,
            rate_hz=arguments.rate_hz,
            channels=arguments.channels,
            form=arguments.format,
            name="stdin",
            clock=clock,
        )
    if name is not None and (Path(name).exists() or Path(name).suffix.casefold() in RECORDING_SUFFIXES):
        return FileSource(name, clock=clock)
    return DeviceSource(name, rate_hz=arguments.rate_hz, channels=arguments.channels, clock=clock)


def _same_rig(rig_path: Path, folder: Path) -> None:
    """Give a campaign elsewhere its rig file, or make sure that it has the same."""
    from noisecheck.core.files import replaced

    target = folder / "rig.toml"
    if rig_path.resolve() == target.resolve():
        return
    content = rig_path.read_bytes()
    if target.exists():
        if target.read_bytes() != content:
            raise InputError(f"{one_line(target)}: differs from {one_line(rig_path)}: give -o another folder")
        return
    with replaced(target) as file:
        file.write(content)
