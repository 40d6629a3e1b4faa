"""From samples to what is to say: impacts found, measured, placed, and every ball followed, as the sound comes.

The same stages as for a file, one behind the other; only the measurement does not wait for a sound's end, but takes
what has been heard of it when it is decided (about 0.1 s). No files, no clock, no output.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.rig import Rig
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.core.units import to_seconds
from noisecheck.detect.channels import Onsets
from noisecheck.detect.stream import Stream
from noisecheck.flow.contacts import first_contacts, followed_impacts, labels_of
from noisecheck.flow.findings import Ledger
from noisecheck.flow.route import FeedPlan, LedgerSettings, Route
from noisecheck.flow.solver import LedgerSolver
from noisecheck.flow.trains import begun_where_placed, find_drops
from noisecheck.flow.windows import Contradiction, WindowCheck
from noisecheck.live.events import Event, Teller
from noisecheck.live.room import Room
from noisecheck.measure.events import measure_impacts
from noisecheck.pipeline import flowing
from noisecheck.pipeline.decisions import joined_onsets
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.place.evidence import Evidence

__all__ = ["Follower", "Placer", "route_of", "stations_of"]

Placer = Callable[[Onsets, Impacts], tuple[Impacts, Evidence | None]]
"""Fills ``station`` and ``station_confidence`` of measured impacts, whose onsets it is given too; and says how each
sounds at every station, where it can."""

_Heard = tuple[Impacts, Evidence | None]
KEEP_S: Final = 32.0
_SLICE_S: Final = 0.02
_LEARN_S: Final = 12.0
_HABITS_S: Final = 10.0
"""Sound heard before the first ball is judged: enough drops to tell rebounds from first contacts."""
_BEFORE_S: Final = 1.0
_HEARD_S: Final = 0.5
_QUIET_S: Final = (0.15, 0.006)
_REBOUND_ROWS: Final = 200
_CONTEXT_ROWS: Final = 200


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


@dataclass
class Listened:
    """Time listened to and not, in frames of the watch."""

    heard: int = 0
    missed: int = 0


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

    Positions are frames of the watch: gaps count, with what was lost in them.
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
        self.settings = settings or ListenSettings()
        self.room = Room(int(KEEP_S * rate), channels)
        self.listened = Listened()
        self.count = 0
        """Impacts heard."""
        self._offset, self._impacts, self._coded = offset_db, impacts, coded
        self._own = stations_of(rig, channels)
        self._placer = placer if self._own or by_sound else None
        self.left_out: tuple[str, ...] = ()
        """Stations on the balls' way that no microphone here hears."""
        self.solver = self._solver(rig, channels, by_sound=by_sound)
        self._teller = Teller()
        self._begin = 0
        self._stream = self._new_stream()
        self._pending: list[NDArray[np.float32]] = []
        self._learning: list[_Heard] = []
        self._learnt = False
        self._habits: list[Impacts] = []
        self._context = joined_onsets([], channels), Impacts.empty()
        self._recent = np.empty(0, np.int64)
        self._rows: dict[str, list[tuple[float, float, bool, bool, int]]] = {}
        self._drops = 0
        self.ledger: Ledger | None = None

    def _new_stream(self) -> Stream:
        s = self.settings
        return Stream(self.rate, self.channels, settings=s.detect, spread_s=s.spread_s, coded=self._coded)

    def _solver(self, rig: Rig, channels: int, *, by_sound: bool) -> LedgerSolver | None:
        route = route_of(rig)
        if route is None or self._placer is None:
            return None
        self._route = route
        silent = [] if by_sound else [n for n in route.stations if n not in self._own.values()]
        heard = route.heard_only(silent)
        self._translate = np.array(
            [heard.stations.index(n) if n in heard.stations else -1 for n in route.stations] + [-1]
        )
        self.left_out = tuple(n for n in route.stations if n not in heard.stations)
        self._check = WindowCheck(heard, longest_s=LedgerSettings().longest_transit_s)
        settings = LedgerSettings(shared_microphone=by_sound or len(set(self._own.values())) < 2)
        return LedgerSolver(
            heard,
            feed=FeedPlan(rig.feed.period_s, rig.feed.balls),
            settings=settings if channels > 1 else replace(settings, copied=0.0),
            run="watch",
        )

    @property
    def frames(self) -> int:
        """Frames of the watch so far, gaps included."""
        return self.listened.heard + self.listened.missed

    @property
    def seconds(self) -> float:
        """The same in s."""
        return self.frames / self.rate

    # -- in ---------------------------------------------------------------------------------------------------------
    def take(self, samples: NDArray[np.float32]) -> list[Event]:
        """Take the next samples, (frames, channels), and return what is to say.

        They are worked through in slices of a fixed length, so that results do not depend on how they come.
        """
        self._pending.append(samples)
        waiting = sum(map(len, self._pending))
        step = max(1, int(_SLICE_S * self.rate))
        if waiting < step:
            return []
        events: list[Event] = []
        whole = np.concatenate(self._pending)
        for at in range(0, waiting - step + 1, step):
            events += self._slice(whole[at : at + step])
        self._pending = [whole[waiting - waiting % step :].copy()]
        return events

    def _slice(self, part: NDArray[np.float32]) -> list[Event]:
        self.room.add(part)
        self.listened.heard += len(part)
        return self._heard(self._stream.push(part), self._begin + self._stream.known)

    def _flush(self) -> list[Event]:
        """Take what is left of a slice, and end the stream."""
        rest, self._pending = self._pending, []
        events = [e for part in rest if len(part) for e in self._slice(part)]
        return [*events, *self._heard(self._stream.finish(), self.frames)]

    def gap(self, frames: int, why: str) -> list[Event]:
        """Say that ``frames`` were not listened to, and begin to listen anew behind them."""
        events = self._flush()
        start = self.seconds
        self.listened.missed += frames
        self._begin = self.frames
        self._stream = self._new_stream()
        self.room.begin(self.frames)
        self._recent = np.empty(0, np.int64)
        text = f"{frames / self.rate:.3g} s were not listened to ({why})"
        more = {"from_s": round(start, 6), "to_s": round(self.seconds, 6)}
        events.append(Event("not_listened", start, self.seconds, text, more=more))
        if self.solver is not None:
            news = self.solver.update([], [], now_s=self.seconds, gaps_s=[(start, self.seconds)])
            events += self._teller.tell(news, self.seconds)
        return events

    def finish(self) -> list[Event]:
        """Return what is left to say; :attr:`ledger` is then complete."""
        events = self._flush()
        if self.solver is not None:
            events += self._follow(self._learning, self.seconds)
            self._learning = []
            self.ledger = self.solver.finish(self.seconds)
            events += self._teller.tell(list(self.ledger.findings), self.seconds)
        return events

    # -- impacts ----------------------------------------------------------------------------------------------------
    def _heard(self, onsets: Onsets, known: int) -> list[Event]:
        """Follow impacts newly decided (frames of the stream), now that all before ``known`` are."""
        events: list[Event] = []
        found: list[_Heard] = []
        if len(onsets):
            found = [self._table(_shifted(onsets, self._begin))]
            self.count += len(onsets)
            if self._impacts:
                events += self._said(found[0][0])
        if self.solver is None:
            return events
        now_s = max([known / self.rate, *(float(table["time_s"].max(initial=0.0)) for table, _ in found)])
        if not self._learnt:
            self._learning += found
            if self.seconds < _LEARN_S:
                return events
            found, self._learning, self._learnt = self._relabelled(self._learning), [], True
        return events + self._follow(found, now_s)

    def _follow(self, found: list[_Heard], now_s: float) -> list[Event]:
        """Follow the balls of impacts up to a time."""
        if self.solver is None:
            return []
        table, odds = _joined(found)
        if len(table):
            self._habits.append(table)
        if self._habits and now_s > float(self._habits[0]["time_s"].min()) + _HABITS_S:
            self.solver.learn_habits(Impacts.concat(self._habits))
            self._habits = []
        rows, codes = first_contacts(table, self._route, rebounds=True)
        codes = self._translate[codes]
        first = table["rebound"][rows] <= 0
        wrong = self._check.take(table["time_s"][rows[first]], codes[first], now_s)
        events = [Event("note", now_s, self.seconds, c.sentence, c.origin, more=_windows(c)) for c in wrong]
        if wrong:
            self.solver.take_windows(self._check.route)
        news = self.solver.update(
            table["time_s"][rows],
            codes,
            now_s=now_s,
            confidence=table["station_confidence"][rows],
            odds=table["odds"][rows],
            level_db=table["lae_db"][rows],
            followed=followed_impacts(table)[rows],
            drop=table["drop"][rows],
            rebound=table["rebound"][rows],
            labels=None if odds is None else labels_of(odds.where(rows), self.solver.route),
        )
        return events + self._teller.tell(news, self.seconds)

    def _relabelled(self, found: list[_Heard]) -> list[_Heard]:
        """Tell rebounds from first contacts over all that was heard while learning."""
        table, odds = _joined(found)
        codes = np.unique(self._places(table), return_inverse=True)[1].astype(np.int64)
        drop, rebound = find_drops(table["time_s"], table["lae_db"], codes, faint=table.flagged(Flag.BOUND))
        if self._placer is not None:
            drop, rebound = begun_where_placed(drop, rebound, table["station"] != "", table["lae_db"])
        # Numbered apart from the drops of later on.
        return [(table.with_columns(drop=drop + self._drops, rebound=rebound), odds)]

    def _places(self, table: Impacts) -> list[str]:
        """Return for each impact where it may be a rebound: its station, else that of the microphone nearest to it."""
        return [str(s) or self._own.get(int(c), "") for s, c in zip(table["station"], table["channel"], strict=True)]

    def _table(self, onsets: Onsets) -> _Heard:
        """Measure as much as has been heard, and place."""
        own = onsets.own_arrival
        order = np.argsort(own, kind="stable")
        self._recent = np.concatenate([self._recent[self._recent > own.min() - 3 * self.rate], np.sort(onsets.frame)])
        origin = max(self.room.start, int(own.min()) - int(_BEFORE_S * self.rate))
        samples = self.room.get(origin, min(self.room.stop, int(own.max()) + int(_HEARD_S * self.rate)))
        end = origin + len(samples)
        after = np.append(onsets.arrival[1:], np.full((1, self.channels), -1), axis=0)
        limits = after[np.arange(len(onsets)), onsets.channel]
        limits = np.where(limits > own, limits, end)
        columns = measure_impacts(
            samples,
            self.rate,
            origin=origin,
            onsets=own[order],
            channels=onsets.channel[order],
            limits=limits[order],
            quiet=self._quiet(origin, end),
            offset_db=self._offset,
            settings=self.settings.measure,
        )
        back = np.argsort(order, kind="stable")
        table = Impacts.of(
            len(onsets),
            run="watch",
            channel=onsets.channel,
            frame=onsets.frame,
            time_s=to_seconds(onsets.frame, self.rate),
            odds=onsets.odds,
            db_re="full scale" if self._offset is None else "20 uPa",
            **{name: values[back] for name, values in columns.items()},
        )
        odds = None
        if self._placer is not None:
            table, odds = self._placed(onsets, table, self._placer)
        return self._with_drops(table), odds

    def _placed(self, onsets: Onsets, table: Impacts, placer: Placer) -> _Heard:
        """Place impacts among those of late: how differently the microphones hear each station is learnt from them."""
        first = len(self._context[0])
        everything = joined_onsets([self._context[0], onsets], self.channels), Impacts.concat([self._context[1], table])
        last = slice(max(len(everything[0]) - _CONTEXT_ROWS, 0), None)
        self._context = everything[0].where(last), everything[1].where(np.arange(len(everything[1]))[last])
        placed, odds = placer(*everything)
        mine = np.arange(first, len(everything[1]))
        return placed.where(mine), None if odds is None else odds.where(mine)

    def _quiet(self, start: int, stop: int) -> NDArray[np.int64]:
        """Return spans without impacts, (m, 2)."""
        after, before = (int(s * self.rate) for s in _QUIET_S)
        starts = np.concatenate(([start], self._recent + after))
        stops = np.concatenate((self._recent - before, [stop]))
        starts = np.maximum(starts, start)
        keep = stops - starts > int(0.02 * self.rate)
        return np.column_stack((starts[keep], stops[keep])).astype(np.int64)

    def _with_drops(self, table: Impacts) -> Impacts:
        """Tell rebounds from first contacts, by what each station has shown of late."""
        drop, rebound = np.empty(len(table), np.int64), np.zeros(len(table), np.int64)
        times, levels, stations, faint = table["time_s"], table["lae_db"], table["station"], table.flagged(Flag.BOUND)
        for i, name in enumerate(self._places(table)):
            past = self._rows.setdefault(name, [])
            past.append((float(times[i]), float(levels[i]), bool(stations[i]), bool(faint[i]), self._drops))
            del past[:-_REBOUND_ROWS]
            drop[i] = self._drops
            if name:
                recent = np.array(past)
                found = find_drops(recent[:, 0], recent[:, 1], np.zeros(len(recent), int), faint=recent[:, 3] > 0)
                if self._placer is not None:
                    found = begun_where_placed(*found, recent[:, 2] > 0, recent[:, 1])
                rebound[i] = found[1][-1]
                if rebound[i]:
                    drop[i] = past[int(np.argmax((found[0] == found[0][-1]) & (found[1] == 0)))][4]
                    past[-1] = (*past[-1][:4], int(drop[i]))
            self._drops += int(rebound[i] == 0)
        return table.with_columns(drop=drop, rebound=rebound)

    def _said(self, table: Impacts) -> list[Event]:
        events = []
        for row in table.rows():
            heard = {k: row[k] for k in ("channel", "lae_db", "lzpeak_db", "margin_db", "db_re", "rebound")}
            level = "L_AE not measurable" if row["lae_db"] is None else f"L_AE {row['lae_db']:.1f} dB re {row['db_re']}"
            margin = "" if row["margin_db"] is None else f", margin {row['margin_db']:.0f} dB"
            what = f"rebound {row['rebound']}, " if row["rebound"] else ""
            place = row["station"] or ("unplaced" if self._placer else "")
            events.append(
                Event("impact", row["time_s"], self.seconds, f"{what}{level}{margin}", place, row["odds"], more=heard)
            )
        return events


def _joined(found: list[_Heard]) -> _Heard:
    """Return impacts in one table, with how they sound where that is known of all of them."""
    table = Impacts.concat([t for t, _ in found]) if found else Impacts.empty()
    odds = [o for t, o in found if o is not None and len(t)]
    if not odds or sum(map(len, odds)) < len(table):
        return table, None
    likelihood = np.concatenate([o.log_likelihood for o in odds])
    return table, Evidence(odds[0].stations, likelihood, np.concatenate([o.unplaced for o in odds]))


def _windows(wrong: Contradiction) -> dict[str, list[float]]:
    """Return what JSON says of a stated transit time that is not what is heard."""
    return {"stated_s": list(wrong.stated), "heard_s": [round(t, 3) for t in wrong.heard]}


def _shifted(onsets: Onsets, by: int) -> Onsets:
    """Return onsets counted from the start of the watch instead of the stream."""
    return replace(onsets, frame=onsets.frame + by, arrival=np.where(onsets.arrival >= 0, onsets.arrival + by, -1))
