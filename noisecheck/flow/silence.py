"""Stations that fall silent while balls are heard elsewhere: a microphone that died, or a way that is blocked."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.units import many
from noisecheck.flow.route import Route

__all__ = ["BALLS", "Silence", "never_heard", "silences"]

BALLS: Final = 12
"""Balls heard elsewhere, and nothing here, from which a station is silent: at 5 % missed once in 10^15 spans."""
_APART: Final = 0.5
"""Balls of a feed come at least this part of its usual wait after one another; those a jam lets go at once are one."""
_FOREIGN: Final = 2
"""Sounds that may be heard amid a silence, no balls'."""
_SIGNS: Final = 3
_AS_BEFORE: Final = 0.25
"""A microphone lives that hears so many sounds from elsewhere meanwhile, and this part of their share before."""
_UNTOLD: Final = 0.1
"""How likely contacts go unheard where the microphone lives, over a blocked way (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Silence:
    """A span in which nothing was heard at a station. Times in s."""

    station: int
    from_s: float
    to_s: float
    balls: int
    """Balls heard at the station named beside it in that time."""
    beside: int
    blocked: bool
    """Whether they may have been held there: nothing behind the station was heard either."""
    deaf_from_s: float
    """From when on the station counts as not listened to where that is not known to live: all the time, or after the
    first ball that did not come where it lasts to the end."""
    lasts: bool = False
    """Whether it lasts to the end."""
    lives: bool = False
    """Whether the microphone that hears the station hears other sounds meanwhile."""

    def deafens(self, *, goes_on: bool) -> bool:
        """Return whether the station counts as not listened to; ``goes_on``: more is to come, which may tell.

        Where the way may be blocked for good the balls are asked for, and not left out of the account.
        """
        return not (self.blocked and self.lasts and (self.lives or not goes_on))

    def may_have_stopped(self, station: int, due_s: float) -> bool:
        """Return whether a ball due at a station then may have been held before it."""
        return self.blocked and self.lasts and station == self.station and due_s > self.from_s

    @property
    def doubt(self) -> float:
        """How likely it is that balls are not heard there, over a blocked way."""
        return _UNTOLD if self.lives else 1.0

    def now(self, names: tuple[str, ...], since: str) -> str:
        """Return the sentence that says so while it lasts; ``since`` is when it began, in words."""
        here, there = names[self.station], names[self.beside]
        begun = f"nothing has been heard at {here} since {since} though {self.balls} balls came to {there}"
        if self.blocked and self.lives:
            return f"{begun}, and its microphone hears other sounds: is the way blocked?"
        if self.blocked:
            return (
                f"{begun}: is the way blocked, or the microphone dead? What becomes of balls there after the first is "
                "not known until it is heard again"
            )
        return f"{begun} behind it: is the microphone dead? That counts as not listened to until it is heard again"

    def sentence(self, names: tuple[str, ...]) -> str:
        """Return the sentence that says so."""
        here, there = names[self.station], names[self.beside]
        span = (
            f"nothing was heard at {here} from {self.from_s:.1f} to {self.to_s:.1f} s though {many(self.balls, 'ball')}"
        )
        if self.blocked:
            if not self.lasts:
                asked = "was the way blocked, or the microphone dead? What became of them is not known"
                return f"{span} came to {there}: {asked}"
            if self.lives:
                return f"{span} came to {there}, and its microphone heard other sounds: the way was blocked, it seems"
            return (
                f"{span} came to {there}: is the way blocked, or the microphone dead? Every one of them may be stuck, "
                "and is left undecided where no more is heard of it"
            )
        return f"{span} came to {there} behind it: was the microphone dead? That counts as not listened to there"


def silences(
    time_s: NDArray[np.float64],
    code: NDArray[np.int64],
    route: Route,
    *,
    start_s: float,
    end_s: float,
    alive_s: Sequence[NDArray[np.float64] | None] = (),
) -> list[Silence]:
    """Return where a station fell silent for a dozen balls and more.

    Args:
        time_s, code: (n,) first contacts in order of time: s, station index on the route or -1.
        route: the balls' way.
        start_s, end_s: span listened to.
        alive_s: for each station when its own microphone heard sounds from elsewhere, in order; None: it is heard by
            one that hears other stations. Nothing is known of those left out.
    """
    found = []
    at = [time_s[code == q] for q in range(len(route.stations))]
    usual_s = _usual_wait(at)
    for q, own in enumerate(at):
        edges = np.concatenate(([start_s], own, [end_s]))
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            inside = [times[times.searchsorted(a, "right") : times.searchsorted(b, "left")] for times in at]
            behind = max(range(q + 1, len(at)), key=lambda r: len(inside[r]), default=None)
            if behind is not None and _fed_apart(inside[behind], _APART * usual_s) >= BALLS:
                found.append(Silence(q, a, b, len(inside[behind]), behind, False, a))
            elif q and _fed_apart(inside[q - 1], _APART * usual_s) >= BALLS:
                if _at_once(own[own >= b], _APART * usual_s) > len(inside[q - 1]) // 2:
                    continue  # they were held there, and are let go
                window = route.transit_s[q - 1]
                first, second = inside[q - 1][:2].tolist()
                due = first + (0.5 * (window[0] + window[1]) if window else 0.0)
                # Where balls come again as before, the way was not blocked, or it was cleared: of the first, too,
                # nothing is known.
                lasts = b >= end_s
                from_s = due + 0.5 * (second - first) if lasts else a
                lives = q < len(alive_s) and _lives(alive_s[q], at[q], at[q - 1], a, b)
                found.append(Silence(q, a, b, len(inside[q - 1]), q - 1, True, from_s, lasts, lives))
    return found


def never_heard(
    code: NDArray[np.int64], route: Route, names: Collection[str], *, start_s: float, end_s: float
) -> list[Silence]:
    """Return stations at which, and behind which, nothing was heard at all as silent ones, but for the first station.

    Args:
        names: of those stations; the rest as of :func:`silences`.
    """
    places = (route.stations.index(n) for n in names)
    return [
        Silence(q, start_s, end_s, int(np.sum(code == q - 1)), q - 1, True, start_s, lasts=True) for q in places if q
    ]


def _lives(
    alive_s: NDArray[np.float64] | None,
    own: NDArray[np.float64],
    beside: NDArray[np.float64],
    from_s: float,
    to_s: float,
) -> bool:
    """Return whether what hears a station does so amid its silence; it must have heard most balls before.

    Args:
        alive_s: as of :func:`silences`.
        own, beside: contacts at the station and at the one before it, s.
        from_s, to_s: when it was silent.
    """
    came, before = int(np.sum(own <= from_s)), int(np.sum(beside <= from_s))
    if came < max(BALLS, 0.5 * before):
        return False
    if alive_s is None:
        return True
    signs, signs_before = int(np.sum((alive_s > from_s) & (alive_s < to_s))), int(np.sum(alive_s <= from_s))
    during = int(np.sum((beside > from_s) & (beside < to_s)))
    return signs >= _SIGNS and signs * before >= _AS_BEFORE * signs_before * during


def _fed_apart(time_s: NDArray[np.float64], least_s: float) -> int:
    """Return how many of the balls heard at these times came at least so long after the one before."""
    if len(time_s) < BALLS:
        return len(time_s)  # too few whatever comes of it
    return int(np.sum(np.diff(time_s, prepend=-np.inf) >= least_s))


def _usual_wait(at: Sequence[NDArray[np.float64]]) -> float:
    """Return how long balls of the feed are apart, of when they came to each station.

    What a jam lets go comes faster; that is as many balls at the stations behind it as at the one they are fed to.
    """
    most = max((len(own) for own in at), default=0)
    return max((float(np.median(np.diff(own))) for own in at if len(own) > max(0.5 * most, 1)), default=0.0)


def _at_once(time_s: NDArray[np.float64], apart_s: float) -> int:
    """Return how many balls come sooner after one another than a feed's do, about the first of these times.

    A foreign sound or two may come before them.
    """
    soon = np.diff(time_s) < apart_s
    slow = np.flatnonzero(~soon)
    starts = [0, *(slow[:_FOREIGN] + 1).tolist()]
    ends = [*slow.tolist(), len(soon)]
    return max((end - start + 1 for start, end in zip(starts, ends, strict=False)), default=0)
