"""From impacts to what is to say: every ball followed, as the sound comes. No files, no clock, no output."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.core.units import many
from noisecheck.flow.contacts import faintness, first_contacts, followed_impacts, labels_of, levels_of
from noisecheck.flow.findings import Ledger
from noisecheck.flow.route import LedgerSettings, Route
from noisecheck.flow.silence import Silence
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.windows import Contradiction, WindowCheck
from noisecheck.live.account import Account, Accounted, with_spans
from noisecheck.live.arriving import stations_in_reach
from noisecheck.live.clock import clock_words
from noisecheck.live.drops import LiveDrops
from noisecheck.live.events import Event, clock_text
from noisecheck.live.hearing import Heard, Hearing
from noisecheck.live.microphones import Signal, SilenceCheck, StillnessCheck
from noisecheck.live.placing import Placer
from noisecheck.live.readiness import Readiness
from noisecheck.live.teller import Teller, standing
from noisecheck.pipeline import flowing
from noisecheck.pipeline.credible import credible
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.pipeline.lost import lost_notes
from noisecheck.pipeline.placing import needs_arrivals
from noisecheck.place.evidence import Evidence

__all__ = ["Follower", "route_of", "stations_of"]

_AGAIN_S: Final = (12.0, 16.0, 20.0, 24.0, 32.0, 40.0, 48.0, 64.0, 96.0, 192.0, 384.0)
"""When the account is made again, in s listened to."""
_SPEAK_S: Final = (24.0, 48.0)
"""Nothing is said of balls before it is known how they rebound at every station; from the first of these times on it
is enough that hardly anything is odd about what was heard, from the second on nothing is waited for."""
_ODD: Final = 2
_HABITS_S: Final = 10.0


def route_of(rig: Rig) -> Route | None:
    """Return the balls' way as the rig file has it; None where it names no stations."""
    if rig.route:
        return flowing.route_of(rig)
    return Route(rig.station_names[:1]) if rig.station_names else None


def stations_of(rig: Rig, channels: int) -> dict[int, str]:
    """Return the station each channel stands for, where microphones alone tell stations apart (else empty)."""
    known = {m.channel: m.station for m in rig.microphones if m.station and m.channel < channels}
    if len(set(known.values())) > 1:
        return known
    route = route_of(rig)
    if route is not None and len(route.stations) == 1:
        return dict.fromkeys(range(channels), route.stations[0])
    return {}


class Follower:
    """Listen to a machine and say what happens.

    Args:
        rig: from the rig file.
        rate: frames a second.
        channels: of each frame.
        settings: detection and measurement.
        offset_db: dB to add for dB re 20 uPa, one a channel; None leaves dB re full scale.
        placer: tells the station of impacts, where microphones or sound can.
        by_sound: the placer can tell stations apart that have no microphone of their own.
        impacts: also say each impact.
        coded: the sound went through a lossy codec.
    """

    def __init__(
        self,
        rig: Rig,
        rate: int,
        channels: int,
        *,
        settings: ListenSettings | None = None,
        offset_db: NDArray[np.float64] | None = None,
        placer: Placer,
        by_sound: bool = False,
        impacts: bool = False,
        coded: bool = False,
    ) -> None:
        self.rate, self.channels = rate, channels
        self._own = stations_of(rig, channels)
        timed = stations_in_reach(rig, channels) if needs_arrivals(rig) else set()
        self._placed = bool(self._own) or by_sound or bool(timed)
        self.hearing = Hearing(
            rate,
            channels,
            settings=settings or ListenSettings(),
            offset_db=offset_db,
            placer=placer if self._placed else None,
            coded=coded,
        )
        self.room, self.listened = self.hearing.room, self.hearing.listened
        self.count = 0
        """Impacts heard."""
        self._ticks = 0
        """Those of them that the machine makes without balls."""
        self.left_out: tuple[str, ...] = ()
        """Stations on the balls' way that no microphone here hears."""
        self.ledger: Ledger | None = None
        self._impacts = impacts
        self._drops = LiveDrops(self._places, placed=self._placed)
        self._teller = Teller()
        self._habits: list[Impacts] = []
        self._silent: dict[str, Silence] = {}
        """Stations told to be silent."""
        self._deaf: dict[str, list[tuple[float, float]]] = {}
        self._windows_told: set[str] = set()
        self._solver: LedgerSolver | None = None
        self._account: Account | None = None
        self._readiness, self._stillness = Readiness(), StillnessCheck()
        self._known_s = -math.inf
        """Up to when balls are followed, where no impact came since."""
        self._due = iter(_AGAIN_S)
        self._next_s = next(self._due)
        route = route_of(rig)
        if route is not None and self._placed:
            heard = {*self._own.values(), *timed}
            silent = [] if by_sound else [n for n in route.stations if n not in heard]
            self._route = route
            self._account = Account(rig, route, silent, channels, rate, placer, calibrated=offset_db is not None)
            self.left_out = tuple(n for n in route.stations if n not in route.heard_only(silent).stations)

    @property
    def follows(self) -> bool:
        """Whether balls are followed."""
        return self._account is not None

    @property
    def seconds(self) -> float:
        """Seconds of the watch so far, gaps included."""
        return self.hearing.seconds

    @property
    def _heard(self) -> str:
        ticks = f", {self._ticks} of them no louder than the machine itself" if self._ticks else ""
        return f"{many(self.count, 'impact')} heard{ticks}"

    @property
    def _listened_s(self) -> float:
        return self.listened.heard / self.rate

    def _places(self, table: Impacts) -> list[str]:
        """Return for each impact where it may be a rebound: its station, else that of the microphone nearest to it."""
        return [str(s) or self._own.get(int(c), "") for s, c in zip(table["station"], table["channel"], strict=True)]

    # -- in ---------------------------------------------------------------------------------------------------------
    def take(self, samples: NDArray[np.float32]) -> list[Event]:
        """Take the next samples, (frames, channels), and return what is to say."""
        return self._follow_all(self.hearing.take(samples))

    def gap(self, frames: int, why: str) -> list[Event]:
        """Say that ``frames`` were not listened to, and begin to listen anew behind them."""
        events = self._follow_all(self.hearing.flush())
        start = self.seconds
        self.hearing.gap(frames)
        self._stillness.restart(self.seconds)
        text = f"{frames / self.rate:.3g} s were not listened to ({why})"
        more = {"from_s": round(start, 6), "to_s": round(self.seconds, 6)}
        events.append(Event("not_listened", start, self.seconds, text, more=more))
        if self._account is not None:
            self._account.gaps_s.append((start, self.seconds))
        if self._solver is not None:
            news = self._solver.update([], [], now_s=self.seconds, gaps_s=[(start, self.seconds)])
            events += self._teller.tell(news, self.seconds, solver=self._solver)
        return events

    def finish(self) -> list[Event]:
        """Return what is left to say; :attr:`ledger` is then complete."""
        events = self._follow_all(self.hearing.flush())
        if self._account is None:
            return events
        events += [Event("note", self.seconds, self.seconds, text) for text in lost_notes(self._account.lost_s)]
        if self._account.whole or self._solver is None:
            followed = self._account.again(self.seconds, deaf_s=self._deaf, ended=True).followed
            self.ledger = credible(followed.finish(self.seconds))
            found, undecided = list(self.ledger.findings), self.ledger.open_balls
            return events + self._teller.tell_over(found, self.seconds, undecided=undecided)
        self.ledger = self._solver.finish(self.seconds)
        return events + self._teller.tell(list(self.ledger.findings), self.seconds)

    # -- impacts ----------------------------------------------------------------------------------------------------
    def _follow_all(self, found: Iterable[Heard]) -> list[Event]:
        return [event for heard in found for event in self._follow(heard)]

    def _follow(self, heard: Heard) -> list[Event]:
        """Follow impacts newly decided, now that all up to some time are."""
        events: list[Event] = []
        self.count += len(heard.onsets)
        dead = [e for s in heard.signals for e in self._signal(s)]
        if self._account is not None:
            self._account.add(heard)
        if len(heard.onsets):
            heard = heard._replace(impacts=self._drops.told(heard.impacts))
            events += self._said(heard) if self._impacts else []
        events += dead
        events += self._still(heard)
        if self._account is None:
            return events
        if heard.lost and self._solver is not None and self._account.lost_s:
            self._solver.beliefs.gaps = with_spans(self._solver.beliefs.gaps, heard.lost)
        died = any(e.alarm for e in dead)
        due = self._listened_s >= self._next_s
        if due:
            self._next_s = next(self._due, math.inf)
        if self._account.quick and (due or (died and self._solver is not None)):
            events += self._again(self._account, heard.known_s)
        elif self._solver is not None:
            events += self._step(self._solver, self._account, heard)
        if self._solver is not None and not self._solver.learning:
            events += self._readiness.ready(self.seconds)
        return events

    def _again(self, account: Account, now_s: float) -> list[Event]:
        """Account for everything so far again, and go on from there."""
        done = account.again(now_s, deaf_s=self._deaf)
        followed = done.followed
        if self._solver is None and not self._learnt(done):
            return self._readiness.waits(followed.solver, self._heard, self.seconds, until_s=_SPEAK_S[1])
        self._solver, route = followed.solver, followed.route
        self._translate = np.array(
            [route.stations.index(n) if n in route.stations else -1 for n in self._route.stations] + [-1]
        )
        self._check = WindowCheck(route, longest_s=LedgerSettings().longest_transit_s)
        self._drops.begin(done.impacts)
        self._habits = []
        events = self._contradicted(followed.wrong, now_s)
        if self._solver.learning:
            events += self._readiness.waits(self._solver, self._heard, self.seconds)
        rows, codes = first_contacts(done.impacts, self._route)
        shared = self._solver.settings.shared_microphone
        self._silence = SilenceCheck(route, self._own.values() if shared else route.stations)
        self._silence.take(done.impacts["time_s"][rows], self._translate[codes])
        told, now = self._silent, {route.stations[q]: s for q, s in self._silence.silent.items()}
        new = [s for name, s in now.items() if name not in told]
        events += self._silences(self._solver, new, [s for name, s in told.items() if name not in now], now_s)
        # What the whole says of strays counts, not what was known of them on the way.
        left = [f for f in standing(followed.news) if f.kind != "stray" or f.state != "settled"]
        left += self._solver.book.strays()
        settled_s = self._solver.beliefs.settled_s
        return events + self._teller.tell_over(left, self.seconds, from_s=settled_s, solver=self._solver)

    def _learnt(self, done: Accounted) -> bool:
        """Return whether enough has been heard to tell rebounds from balls."""
        if self._listened_s >= _SPEAK_S[1] or all(law.known for law in done.followed.solver.beliefs.laws):
            return True
        return self._listened_s >= _SPEAK_S[0] and len(standing(done.followed.news)) <= _ODD

    def _step(self, solver: LedgerSolver, account: Account, heard: Heard) -> list[Event]:
        """Follow the balls by impacts that are new."""
        table, now_s = heard.impacts, heard.known_s
        if not len(table):
            if now_s <= self._known_s:  # most slices bring nothing to light
                return []
            self._known_s = now_s
            return self._teller.tell(solver.update([], [], now_s=now_s), self.seconds, solver=solver)
        self._habits.append(table)
        if now_s > float(self._habits[0]["time_s"].min()) + _HABITS_S:
            solver.learn_habits(Impacts.concat(self._habits))
            self._habits = []
        rows, codes = account.contacts(table)
        codes = self._translate[codes]
        first = table["rebound"][rows] <= 0
        wrong = self._check.take(table["time_s"][rows[first]], codes[first], now_s)
        events = self._contradicted(wrong, now_s)
        if wrong:
            solver.take_windows(self._check.route)
        fell, again = self._silence.take(table["time_s"][rows[first]], codes[first])
        if fell and account.quick:
            return events + self._again(account, now_s)
        events += self._silences(solver, fell, again, now_s)
        odds: Evidence | None = heard.odds
        level_db, at_most = levels_of(table)
        news = solver.update(
            table["time_s"][rows],
            codes,
            now_s=now_s,
            confidence=table["station_confidence"][rows],
            odds=table["odds"][rows],
            level_db=level_db[rows],
            at_most=at_most[rows],
            followed=followed_impacts(table)[rows],
            drop=table["drop"][rows],
            rebound=table["rebound"][rows],
            channel=table["channel"][rows],
            faint=faintness(table)[rows],
            labels=None if odds is None else labels_of(odds.where(rows), solver.route),
        )
        return events + self._teller.tell(news, self.seconds, solver=solver)

    # -- microphones ------------------------------------------------------------------------------------------------
    def _silences(
        self, solver: LedgerSolver, fell: Iterable[Silence], again: Iterable[Silence], now_s: float
    ) -> list[Event]:
        """Say which stations fell silent or are heard again; what was not listened to is not held against balls."""
        events = []
        names, deaf = solver.route.stations, solver.beliefs.deaf
        for s in fell:
            name = names[s.station]
            if _goes_on(self._deaf.get(name, [])):
                continue  # said already, by its signal
            self._silent[name] = s
            solver.book.silences.append(s)
            if s.deafens(goes_on=True) and not _goes_on(deaf[s.station]):
                deaf[s.station].append((s.deaf_from_s, math.inf))
            text = s.now(names, clock_text(s.from_s))
            kind = "not_listening" if s.deafens(goes_on=True) else "note"
            events.append(Event(kind, now_s, self.seconds, text, name, more={"from_s": round(s.from_s, 6)}))
        for s in again:
            name = names[s.station]
            if self._silent.pop(name, None) is None:
                continue
            solver.book.silences = [known for known in solver.book.silences if known.station != s.station]
            deaf[s.station] = [(a, min(b, now_s)) for a, b in deaf[s.station]]
            text = f"{name} is heard again, after {clock_words(now_s - s.from_s)}"
            events.append(Event("note", now_s, self.seconds, text, name))
        return events

    def _signal(self, signal: Signal) -> list[Event]:
        """Say that a channel is dead, or gives sound again; its stations are not listened to meanwhile."""
        own = self._own.get(signal.channel)
        one = not self._own and self.channels == 1
        stations = [own] if own else list(self._route.stations) if one and self._account is not None else []
        since_s, now_s = signal.from_frame / self.rate, self.seconds
        where = f"channel {signal.channel}" + (f" ({', '.join(stations)})" if stations else "")
        for name in stations:
            if signal.state:
                self._deaf.setdefault(name, []).append((since_s, math.inf))
            else:
                self._deaf[name] = [(a, min(b, since_s)) for a, b in self._deaf.get(name, [])]
            if self._solver is not None and name in self._solver.route.stations:
                q = self._solver.route.stations.index(name)
                self._solver.beliefs.deaf[q] = list(self._deaf[name])
        if not signal.state:
            text = f"the microphone on {where} gives sound again"
            return [Event("note", since_s, now_s, text, own or "", more={"channel": signal.channel})]
        what = "its samples are all the same" if signal.state == "same" else "its sound is cut off all the time"
        check = "is it connected and switched on?" if signal.state == "same" else "is the gain far too high?"
        text = f"the microphone on {where} is dead since {clock_text(since_s)}: {what}; {check}"
        return [Event("not_listening", since_s, now_s, text, own or "", more={"channel": signal.channel})]

    def _still(self, heard: Heard) -> list[Event]:
        """Say, once, that nothing has been heard for long."""
        own = heard.impacts.flagged(Flag.MACHINE)
        self._ticks += int(own.sum())
        still_s = self._stillness.take(heard.impacts["time_s"][~own], heard.known_s)
        dead = any(map(_goes_on, self._deaf.values()))
        if not still_s or dead:
            return []
        nothing = "nothing louder than the machine itself" if self._ticks else "nothing"
        text = f"{nothing} has been heard for {still_s:.0f} s: was the machine stopped, or does a ball block its way?"
        return [Event("note", self.seconds, self.seconds, text, more={"from_s": round(heard.known_s - still_s, 6)})]

    # -- words ------------------------------------------------------------------------------------------------------
    def _contradicted(self, wrong: Iterable[Contradiction], now_s: float) -> list[Event]:
        new = [c for c in wrong if c.origin not in self._windows_told]
        self._windows_told.update(c.origin for c in new)
        return [Event("note", now_s, self.seconds, c.sentence, c.origin, more=_windows(c)) for c in new]

    def _said(self, heard: Heard) -> list[Event]:
        events = []
        for row in heard.impacts.rows():
            more: dict[str, Any] = {
                k: row[k] for k in ("channel", "lae_db", "lzpeak_db", "margin_db", "db_re", "rebound")
            }
            level = "L_AE not measurable" if row["lae_db"] is None else f"L_AE {row['lae_db']:.1f} dB re {row['db_re']}"
            margin = "" if row["margin_db"] is None else f", margin {row['margin_db']:.0f} dB"
            what = f"rebound {row['rebound']}, " if row["rebound"] else ""
            place = row["station"] or ("unplaced" if self._placed else "")
            events.append(
                Event("impact", row["time_s"], self.seconds, f"{what}{level}{margin}", place, row["odds"], more=more)
            )
        return events


def _goes_on(spans: Iterable[tuple[float, float]]) -> bool:
    """Return whether one of the spans has not ended yet."""
    return any(math.isinf(to) for _, to in spans)


def _windows(wrong: Contradiction) -> dict[str, list[float]]:
    """Return what JSON says of a stated transit time that is not what is heard."""
    return {"stated_s": list(wrong.stated), "heard_s": [round(t, 3) for t in wrong.heard]}
