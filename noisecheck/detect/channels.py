"""One impact, however many microphones heard it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import distinct
from noisecheck.core.records import record
from noisecheck.core.rows import Rows
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.habits import WEAK, Arrival, Habits

__all__ = ["MOST_SPREAD_S", "Onsets", "apart_s", "merge_channels", "moments", "no_onsets"]

MOST_SPREAD_S = 0.010
"""Arrivals within this belong together where microphone positions do not say better (3.4 m of air)."""
_LATE_S: Final = 0.002
"""A louder sound so much later is no longer the same impact's (its contact before its ring)."""
_SHARP: Final = 80.0
_SHARP_ABRUPT: Final = 30.0
"""Where the prediction error rose as far as it can and so abruptly, an onset is not mistaken by milliseconds."""


@record
class Onsets(Rows):
    """Impacts found, in order of first arrival."""

    frame: NDArray[np.int64]
    """First arrival over all channels, frame of the recording, (n,)."""
    channel: NDArray[np.int64]
    """Channel that heard it loudest, (n,)."""
    odds: NDArray[np.float64]
    """Odds that it is real, of the channel surest of it, (n,)."""
    arrival: NDArray[np.int64]
    """Onset on each channel, -1 where not heard, (n, channels)."""
    level_db: NDArray[np.float64]
    """Level of the new sound on each channel, for comparing channels; NaN where not heard, (n, channels)."""

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def own_arrival(self) -> NDArray[np.int64]:
        """Return the onset on the channel that heard it loudest, (n,)."""
        return self.arrival[np.arange(len(self)), self.channel]


def no_onsets(channels: int) -> Onsets:
    """Return no impacts of so many channels."""
    none = np.empty(0, np.int64)
    return Onsets(none, none, np.empty(0), np.empty((0, channels), np.int64), np.empty((0, channels)))


def apart_s(spread_s: float) -> float:
    """Return how far apart candidates must be to have nothing to do with one another.

    Args:
        spread_s: longest time a sound takes from the first microphone to the last.
    """
    return max(spread_s, MOST_SPREAD_S)


def moments(found: Sequence[Candidates], before: int) -> NDArray[np.int64]:
    """Return the sorted onsets of the candidates of all channels, and of the louder sounds upon them.

    What lies more than :func:`apart_s` from all of them has nothing to do with any.

    Args:
        found: candidates of each channel.
        before: what is upon an earlier onset but comes only from this frame on is given as the frame before it.
    """
    parts = [np.empty(0, np.int64)]
    for c in found:
        parts.append(c.onset)
        more = np.flatnonzero((c.louder > 0) & (c.onset < before))
        # Moments between the two leave no gap of 2 ms within one candidate.
        upon = c.onset[more, None] + c.louder[more, None] * np.arange(1, 7) // 6
        parts.append(np.minimum(upon, before - 1).ravel())
    return np.sort(np.concatenate(parts))


def merge_channels(
    found: Sequence[Candidates],
    odds: Sequence[NDArray[np.float64]],
    rate: int,
    *,
    spread_s: float = MOST_SPREAD_S,
    habits: Habits | None = None,
) -> Onsets:
    """Return impacts from the candidates of each channel and their odds.

    Arrivals closer than ``spread_s``, at most one a channel, are one impact if any of them is more likely real
    than chance; the others then tell when and how loud it was heard there. They are two or more impacts where
    the run's habits say that no one source can be heard so, and none where the habits explain them otherwise
    (:func:`_believed`).

    Args:
        found, odds: candidates of each channel, in order of onset, and their odds (:mod:`noisecheck.detect.decide`).
        rate: frames a second.
        spread_s: longest time a sound takes from the first microphone to the last.
        habits: what the run showed so far of how microphones hear one another; it learns from these impacts too
            (None: nothing is known).
    """
    count = len(found)
    if count == 0:
        return no_onsets(0)
    habits = habits or Habits(rate, count)
    pool = _Pool.of(found, odds)
    if count == 1:
        sure = pool.where(pool.odds > 1.0)
        return Onsets(sure.frame, sure.channel, sure.odds, sure.frame[:, None], sure.level_db[:, None])
    spread, apart, late = (int(s * rate) for s in (spread_s, apart_s(spread_s), _LATE_S))
    groups = [pool.where(g) for g in _groups(pool.frame, pool.channel, pool.odds, spread)]
    groups.sort(key=lambda g: int(g.frame.min()))
    tops = [(_loudest(g.arrivals()), set(g.channel.tolist())) for g in groups]
    # What lies further apart has nothing to do with one another, and comes by itself where a stream is cut there.
    at = moments(found, np.iinfo(np.int64).max)
    chain = np.searchsorted(at[1:][np.diff(at) > apart], [g.frame.min() for g in groups], "right").tolist()
    made: list[list[_Source]] = [[] for _ in range(len(at))]
    steps: list[tuple[Arrival, Arrival]] = []
    for number, group in enumerate(groups):
        near = [tops[n] for n in (number - 1, number + 1) if 0 <= n < len(groups) and chain[n] == chain[number]]
        steps = steps if number and chain[number] == chain[number - 1] else []
        came = group.arrivals()
        first = _believed(came, group.score, near, habits, apart)
        if first:
            upon = group.louder_sounds()
            _tell(made[chain[number]], steps, first, upon, [a for a, _ in near], habits, spread)
            steps = [(softer, louder) for softer, louder in upon if louder.frame - softer.frame > late]
        # What is learnt is what came, whatever was made of it: it depends on the last two minutes alone.
        if not (group.late > late).any():
            habits.learn(*_row(came, count))
        for a, score in zip(came, group.score.tolist(), strict=True):
            if WEAK[0] < score <= WEAK[1]:
                habits.learn_weak(a.channel, a.frame, alone=len(came) == 1)
    sources = [s for some in made for s in some]
    return _onsets(sources, count) if sources else no_onsets(count)


@record
class _Pool(Rows):
    """Candidates of all channels, equally long arrays."""

    channel: NDArray[np.int64]
    frame: NDArray[np.int64]
    level_db: NDArray[np.float64]
    odds: NDArray[np.float64]
    sharp: NDArray[np.bool_]
    late: NDArray[np.int64]
    """Frames after which a louder sound comes upon it, 0 for none..."""
    louder_db: NDArray[np.float64]
    """... and by how much it is louder."""
    score: NDArray[np.float64]

    @staticmethod
    def of(found: Sequence[Candidates], odds: Sequence[NDArray[np.float64]]) -> _Pool:
        """Return the candidates of all channels, at least one, and their odds."""
        each = (
            _Pool(np.full(len(c), n), c.onset, c.new_db, o, _sharp(c), c.louder, c.louder_db, c.score)
            for n, (c, o) in enumerate(zip(found, odds, strict=True))
        )
        return _Pool.concat(list(each))

    def arrivals(self) -> list[Arrival]:
        columns = self.channel, self.frame, self.level_db, self.odds, self.sharp
        return [Arrival(*values) for values in zip(*(c.tolist() for c in columns), strict=True)]

    def louder_sounds(self) -> list[tuple[Arrival, Arrival]]:
        """Return the arrivals upon which a louder sound comes, as soft as they are without it, and these sounds."""
        again = self.where(self.late > 0)
        softer = replace(again, level_db=again.level_db - np.maximum(again.louder_db, 0.0))
        louder = replace(again, frame=again.frame + again.late)
        return list(zip(softer.arrivals(), louder.arrivals(), strict=True))


def _tell(
    made: list[_Source],
    steps: list[tuple[Arrival, Arrival]],
    first: list[Arrival],
    upon: list[tuple[Arrival, Arrival]],
    beside: list[Arrival],
    habits: Habits,
    spread: int,
) -> None:
    """Add to the sources what a detection adds: one or more, or only arrivals of those before it.

    Args:
        made: sources so far, changed in place.
        steps: arrivals of the detection before upon which a louder sound came late, and these sounds.
        first, upon: arrivals, and those of them upon which a louder sound comes, with these sounds.
        beside: the loudest arrivals of the detections just before and after.
        habits, spread: what the run showed so far; frames a sound takes from the first microphone to the last, at most.
    """
    before = {softer.channel: softer for softer, _ in upon}
    heard = [*(before.get(a.channel, a) for a in first), *(louder for _, louder in upon)]
    parted = _parted(heard, before, beside, habits)
    # What the sources just told apart sent elsewhere may have come as a detection of its own.
    if parted is None and made and made[-1].parted and _absorbed(first, made[-2:], habits):
        return
    whole = _heard_of_one(first, habits)
    if parted is None and made and not made[-1].parted and steps:
        made[-1], whole = _handed_on(made[-1], steps, first, spread)
    made += parted or [_Source(_loudest(whole), whole, parted=False)]


def _onsets(made: list[_Source], count: int) -> Onsets:
    """Return the impacts that sources, at least one, are, by ``count`` channels."""
    arrival, heard_db = (np.array(x) for x in zip(*(_row(s.heard, count) for s in made), strict=True))
    begin = np.where(arrival >= 0, arrival, np.iinfo(np.int64).max).min(axis=1)
    channel = np.array([s.own.channel for s in made], np.int64)
    surest = np.array([s.own.odds if s.parted else max(a.odds for a in s.heard) for s in made])
    return Onsets(begin, channel, surest, arrival, heard_db).where(np.argsort(begin, kind="stable"))


@record
class _Source:
    """One impact: the arrival beside which it is, and all of them."""

    own: Arrival
    heard: list[Arrival]
    parted: bool = True
    """Whether it was told apart from another one."""


def _sharp(found: Candidates) -> NDArray[np.bool_]:
    """Return whose onset cannot be mistaken by milliseconds: it comes so suddenly."""
    return (found.error >= _SHARP) & (found.abrupt > _SHARP_ABRUPT)


def _row(heard: Iterable[Arrival], count: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return arrivals and levels on each of ``count`` channels."""
    arrival, level = np.full(count, -1, np.int64), np.full(count, np.nan)
    for a in heard:
        arrival[a.channel], level[a.channel] = a.frame, a.level_db
    return arrival, level


def _loudest(heard: Iterable[Arrival]) -> Arrival:
    return max(heard, key=lambda a: a.level_db)


def _handed_on(
    source: _Source, steps: list[tuple[Arrival, Arrival]], then: list[Arrival], spread: int
) -> tuple[_Source, list[Arrival]]:
    """Give the louder sounds upon an impact's arrivals to the next one, where that was not noticed otherwise.

    Both were noticed, so a louder sound at a microphone that knows the first, as near to the second's arrivals as its
    own must be, is the second's.

    Args:
        source: the first impact.
        steps: its arrivals upon which a louder sound came, and these.
        then: arrivals of the next impact.
        spread: longest time a sound takes from the first microphone to the last, frames.
    """
    heard = list(source.heard)
    for softer, louder in steps:
        mine = [a for a in heard if a.channel == louder.channel]
        if mine and all(abs(a.frame - louder.frame) <= spread for a in then):
            heard[heard.index(mine[0])] = softer
            if all(a.channel != louder.channel for a in then):
                then = [*then, louder]
    return _Source(_loudest(heard), heard, parted=False), then


def _absorbed(heard: list[Arrival], sources: list[_Source], habits: Habits) -> bool:
    """Give all arrivals to the sources that explain them; return whether these explain every one."""
    if not all(any(habits.explains(s.own, a) for s in sources) for a in heard):
        return False
    for a in heard:
        _given(a, sources, habits)
    return True


def _parted(
    heard: list[Arrival], before: dict[int, Arrival], beside: list[Arrival], habits: Habits
) -> list[_Source] | None:
    """Return the sources of which arrivals near one another come; None: it may be one.

    Sources are the arrivals as loud as impacts beside their microphones that no other source explains, and further
    apart than any one source can make them, or upon what another one sent there. What is left goes to the source that
    explains it, or nearest in time.

    Args:
        heard: first arrivals, and the louder ones upon them.
        before: of the channels with such louder ones, the first arrival.
        beside: the loudest arrivals of the detections just before and after.
        habits: what the run showed so far.
    """
    sources: list[Arrival] = []
    for a in sorted(heard, key=lambda a: -a.level_db):
        others = (_another(s, a, before.get(a.channel), habits) for s in sources)
        sent = any(o.channel != a.channel and habits.explains(o, a) for o in beside)
        if a.odds > 1.0 and habits.beside(a) and not sent and all(others):
            sources.append(a)
    if len(sources) < 2:
        return None
    parts = [_Source(s, [s]) for s in sources]
    for a in heard:
        if a not in sources:
            _given(a, parts, habits)
    # What one of them alone would be at its microphone, but for the time, is that with a mistaken onset.
    return [p for p in parts if not any(q is not p and all(_sends(q, a, habits) for a in p.heard) for q in parts)]


def _sends(source: _Source, a: Arrival, habits: Habits) -> bool:
    """Return whether an arrival is no louder than what a source, not heard there otherwise, sends to its microphone."""
    return not a.sharp and all(b.channel != a.channel for b in source.heard) and habits.as_loud(source.own, a)


def _beside(a: Arrival, louder: Arrival, channels: set[int], within: int) -> bool:
    """Return whether a louder detection, not heard by the arrival's channel, lies within some frames of it."""
    return a.channel not in channels and a.level_db < louder.level_db and abs(louder.frame - a.frame) <= within


def _believed(
    heard: list[Arrival], score: NDArray[np.float64], near: list[tuple[Arrival, set[int]]], habits: Habits, within: int
) -> list[Arrival]:
    """Return the arrivals of a detection with odds that mind who heard them; none where it is no impact after all.

    A weak arrival that came alone is as likely real as weak ones are that come so. One no louder than what an impact
    next to it sends there, which was not heard there otherwise, is that with a mistaken onset.

    Args:
        heard: the arrivals.
        score: their scores.
        near: the loudest arrivals of the detections just before and after, and the channels that heard these.
        habits: what the run showed so far.
        within: frames by which an onset may be mistaken.
    """

    def mistaken(a: Arrival) -> bool:
        others = (o for o, channels in near if _beside(a, o, channels, within))
        return not a.sharp and any(habits.as_loud(o, a) for o in others)

    if all(mistaken(a) for a in heard):
        return []
    surest = max(heard, key=lambda a: a.odds)
    if score.max() > WEAK[1] or habits.in_company(surest, heard):
        return heard
    alone = replace(surest, odds=surest.odds * habits.alone(surest.channel, surest.frame))
    return [alone if a is surest else a for a in heard] if alone.odds > 1.0 else []


def _heard_of_one(heard: list[Arrival], habits: Habits) -> list[Arrival]:
    """Return the arrivals of one impact without those that are rather chance and that its source cannot have sent."""
    own = _loudest(heard)
    return [a for a in heard if a is own or a.odds > 1.0 or habits.explains(own, a) is not False]


def _another(source: Arrival, a: Arrival, first: Arrival | None, habits: Habits) -> bool:
    """Return whether an arrival is of another source than a louder one."""
    if a.channel == source.channel or habits.explains(source, a) is not False:
        return False
    upon = first is not None and first is not a and habits.explains(source, first) is True
    return upon or habits.apart(source, a)


def _given(a: Arrival, sources: Iterable[_Source], habits: Habits) -> bool:
    """Give an arrival to the source that explains it, the nearest in time of several; return whether there is one."""
    free = [s for s in sources if habits.explains(s.own, a) and all(b.channel != a.channel for b in s.heard)]
    if free:
        min(free, key=lambda s: abs(s.own.frame - a.frame)).heard.append(a)
    return bool(free)


def _groups(
    at: NDArray[np.int64], of: NDArray[np.int64], sure: NDArray[np.float64], spread: int
) -> list[NDArray[np.int64]]:
    """Return index groups of arrivals that are one impact: seeded by the surest, at most one a channel."""
    order = np.argsort(at, kind="stable")
    sorted_at = at[order]
    taken = np.zeros(len(at), bool)
    groups = []
    for seed in np.argsort(-sure, kind="stable"):
        if sure[seed] <= 1.0:
            break
        if taken[seed]:
            continue
        lo, hi = np.searchsorted(sorted_at, [at[seed] - spread, at[seed] + spread + 1])
        near = order[lo:hi]
        near = near[~taken[near]]
        members = [seed]
        for channel in distinct(of[near]):
            if channel != of[seed]:
                own = near[of[near] == channel]
                # A chance candidate in between must not stand in for the arrival that surely is one.
                members.append(own[np.lexsort((np.abs(at[own] - at[seed]), sure[own] <= 1.0))[0]])
        group = np.array(members, np.int64)
        # Members must also fit with one another, not only with the seed.
        while at[group].max() - at[group].min() > spread:
            group = group[np.abs(at[group] - at[seed]) < np.abs(at[group] - at[seed]).max()]
        taken[group] = True
        groups.append(group)
    return groups
