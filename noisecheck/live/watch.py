"""The watch itself: sound in, events out, alarms raised, everything kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Final

from noisecheck.core.errors import InputError, one_line
from noisecheck.flow.findings import KIND_WORDS
from noisecheck.live.alarm import AlarmCommand
from noisecheck.live.clock import clock_words
from noisecheck.live.events import Event
from noisecheck.live.follow import Follower
from noisecheck.live.keep import AlarmSounds, RunKeeper
from noisecheck.live.sources import Chunk, Gap, Item, Source

__all__ = ["CAUTION", "Stop", "Watch"]

CAUTION: Final = (
    "watching by sound is an aid, not a safety stop: guards, interlocks and emergency stops stay as the local rules "
    "and a licensed practitioner say; keep hands and microphones clear of moving parts"
)

_WAIT_S: Final = 5.0


class Stop:
    """The handler of signals that stop a watch: at once where it waits for sound, else once a block is worked through.

    A block half worked through is neither heard nor unheard.
    """

    def __init__(self) -> None:
        self._held = self._asked = False

    def __call__(self, number: int, frame: object) -> None:
        """Take a signal.

        Raises:
            KeyboardInterrupt: the watch is to stop now.
        """
        if not self._held:
            raise KeyboardInterrupt
        self._asked = True

    @contextmanager
    def held(self) -> Iterator[None]:
        """Let a signal wait until what is done here is done, and stop then."""
        self._held = True
        try:
            yield
        finally:
            self._held = False
        if self._asked:
            self._asked = False
            raise KeyboardInterrupt


@dataclass
class Watch:
    """A watch over one machine.

    Args:
        source: of sound.
        follower: says what happens.
        told: called with each event, in order.
        keeper: of the run; None keeps none.
        sounds: keeper of the sound around alarms; None keeps none.
        command: run for each alarm; None runs none.
        log: a file to which each event is added as a JSON line; None writes none.
        stop: to be called by the signals that stop it.
    """

    source: Source
    follower: Follower
    told: Callable[[Event], None]
    keeper: RunKeeper | None = None
    sounds: AlarmSounds | None = None
    command: AlarmCommand | None = None
    log: Path | None = None
    stop: Stop = field(default_factory=Stop)

    def run(self) -> None:
        """Listen until the source ends or the user stops it (``KeyboardInterrupt``); always finish in good order.

        Raises:
            InputError: the source cannot be used, or not any longer: that is an alarm, too, where it was heard before.
        """
        failed: InputError | None = None
        with ExitStack() as ending:
            ending.callback(self._end_keeping)
            ending.callback(self.source.close)
            try:
                self._say([self._started()])
                for item in self.source.items():
                    with self.stop.held():
                        self._take(item)
            except KeyboardInterrupt:
                self._note("stopped by the user")
            except InputError as error:
                if not self.follower.seconds:
                    raise
                failed = error
                self._note(f"{error}; the watch ends", alarm=True)
            finally:
                self._say(self.follower.finish())
        if self.command is not None:
            self.command.wait(_WAIT_S)
            self._say_trouble()
        self._say([self._summary()])
        if failed is not None:
            raise failed

    def _end_keeping(self) -> None:
        self._write_sounds(ending=True)
        if self.keeper is not None:
            self._kept(self.keeper.close)

    def _take(self, item: Item) -> None:
        follower = self.follower
        if isinstance(item, Chunk):
            if self.keeper is not None:
                self._kept(partial(self.keeper.write, item.samples))
            self._say(follower.take(item.samples))
        elif isinstance(item, Gap):
            frames = round(item.seconds * follower.rate)
            self._write_sounds(ending=True)
            if self.keeper is not None:
                self._kept(partial(self.keeper.gap, frames))
            self._say(follower.gap(frames, item.why))
        else:
            self._note(item.text, alarm=item.alarm)
        self._write_sounds()
        self._say_trouble()

    def _note(self, text: str, *, alarm: bool = False) -> None:
        now_s = self.follower.seconds
        self._say([Event("not_listening" if alarm else "note", now_s, now_s, text)])

    def _say_trouble(self) -> None:
        if self.command is not None:
            for text in self.command.trouble():
                self._note(text)

    def _say(self, events: list[Event]) -> None:
        for event in events:
            if event.alarm and self.sounds is not None:
                event = replace(event, more={**event.more, "sound": str(self.sounds.alarm(event))})
            self.told(event)
            if self.log is not None:
                self._kept(partial(_append, self.log, event.line(as_json=True) + "\n"))
            if event.alarm and self.command is not None:
                self.command.run(event.to_dict())

    def _write_sounds(self, *, ending: bool = False) -> None:
        if self.sounds is not None:
            self._kept(partial(self.sounds.write_due, self.follower.room, ending=ending))

    def _kept(self, keep: Callable[[], object]) -> None:
        """Keep something; where that fails (a full disk) say so, once, and watch on without."""
        try:
            keep()
        except InputError as error:
            keeper, self.keeper, self.sounds, self.log = self.keeper, None, None, None
            if keeper is not None:
                with suppress(InputError):
                    keeper.close()
            self._note(f"nothing is kept any longer: {error}")

    def _started(self) -> Event:
        f, s = self.follower, self.source
        text = f"listening to {s.name}, {f.rate} Hz, {f.channels} channel{'s' if f.channels > 1 else ''}"
        if not f.follows:
            text += "; impacts only: the rig file does not let stations be told apart, so no ball is followed"
        elif f.left_out:
            text += f"; not heard, so not followed: {', '.join(f.left_out)}"
        return Event("started", 0.0, 0.0, f"{text}; {CAUTION}")

    def _summary(self) -> Event:
        f = self.follower
        heard, missed = f.listened.heard / f.rate, f.listened.missed / f.rate
        parts = [f"listened {clock_words(heard)}", f"{f.count} impacts"]
        more: dict[str, object] = {"listened_s": round(heard, 3), "not_listened_s": round(missed, 3)}
        more["impacts"] = f.count
        if missed:
            parts.insert(1, f"not listened {clock_words(missed)}")
        if f.ledger is not None:
            counts = {k: f.ledger.count(k) for k in KIND_WORDS}
            parts.append(f"{f.ledger.fed} balls fed, {f.ledger.arrived} arrived")
            parts += [f"{n} {KIND_WORDS[k]}" for k, n in counts.items()]
            if f.ledger.undecided:
                parts.append(f"{f.ledger.undecided} undecided")
            more.update(fed=f.ledger.fed, arrived=f.ledger.arrived, **counts, undecided=f.ledger.undecided)
            more["findings"] = f.ledger.to_dict()["findings"]
        return Event("summary", f.seconds, f.seconds, ", ".join(parts), more=more)


def _append(path: Path, text: str) -> None:
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise InputError(f"{one_line(path)}: cannot be written ({error.strerror or error})") from error
