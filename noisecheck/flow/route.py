"""What the ledger is told: the way of the balls, the feed, and how often listening and flow go wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from noisecheck.core.errors import InputError

__all__ = ["FeedPlan", "LedgerSettings", "Route"]


@dataclass(frozen=True, slots=True)
class Route:
    """Stations in the order a ball meets them.

    Args:
        stations: names, first one first; the last is where balls count as arrived.
        transit_s: for each link (one less than stations) the usual (shortest, longest) time in s, None = learnt.

    Raises:
        InputError: no station, a name twice, or windows that do not fit the stations.
    """

    stations: tuple[str, ...]
    transit_s: tuple[tuple[float, float] | None, ...] = ()

    def __post_init__(self) -> None:
        if not self.stations:
            raise InputError("the ledger needs at least one station on the balls' way")
        if len(set(self.stations)) < len(self.stations):
            raise InputError(f"a station is named twice on the balls' way: {', '.join(self.stations)}")
        links = len(self.stations) - 1
        if not self.transit_s and links:
            object.__setattr__(self, "transit_s", (None,) * links)
        if len(self.transit_s) != links:
            raise InputError(f"{len(self.transit_s)} transit times for {links} links between {links + 1} stations")
        for name, window in zip(self.stations, self.transit_s, strict=False):
            if window is not None and not (0 <= window[0] <= window[1] and math.isfinite(window[1])):
                raise InputError(f"station '{name}': transit_s = {list(window)} must be [shortest, longest] in seconds")

    def heard_only(self, silent: Sequence[str]) -> Route:
        """Return the way without the stations nobody listens to; the windows of joined links add up.

        If that leaves no station, the way is returned as it was.
        """
        keep = [i for i, name in enumerate(self.stations) if name not in set(silent)]
        if not keep or len(keep) == len(self.stations):
            return self
        windows: list[tuple[float, float] | None] = []
        for first, last in pairwise(keep):
            parts = self.transit_s[first:last]
            known = [p for p in parts if p is not None]
            whole = len(known) == len(parts)
            windows.append((sum(p[0] for p in known), sum(p[1] for p in known)) if whole else None)
        return Route(tuple(self.stations[i] for i in keep), tuple(windows))


@dataclass(frozen=True, slots=True)
class FeedPlan:
    """What is known of the feed: period in s (None: learnt, if any) and number of balls fed (None: counted)."""

    period_s: float | None = None
    balls: int | None = None

    def __post_init__(self) -> None:
        if self.period_s is not None and not (self.period_s > 0 and math.isfinite(self.period_s)):
            raise InputError(f"feed period_s = {self.period_s} must be a time above 0 s")
        if self.balls is not None and self.balls < 0:
            raise InputError(f"feed balls = {self.balls} cannot be negative")


@dataclass(frozen=True, slots=True)
class LedgerSettings:
    """Beliefs before anything is heard (all are corrected by what the run shows), and how sure a claim must be.

    Shares are per ball and station or link. They are starting points chosen here, common practice, no source.
    """

    claim_odds: float = 5.0
    """Findings with lower odds are not claimed; in proportion more is asked where over 1 % of impacts are missed."""
    claim_last_odds: float = 1.0
    """The same for a ball not heard at the last station, where no later one can settle whether it passed unheard:
    by the meaning of the words it did not arrive, so it is shown, with its low odds, where that beats a miss (of those
    said at 0.7 to 1 : 1, one in fourteen was stuck)."""
    claim_stuck_odds: float = 2.0
    """The same for a ball lost before the last link: a stuck ball passed over costs more than one looked for in vain,
    so less is asked than of other findings."""
    suspect_odds: float = 5.0
    """Live: what may still be settled otherwise is announced as suspected from these odds on."""
    miss: float = 3e-4
    """Share of impacts not heard although the place is listened to."""
    stuck: float = 1e-3
    kicked_off: float = 2e-4
    """Share of balls that leave the track and are heard to fall."""
    held_up: float = 2e-3
    overtaken: float = 0.05
    """Share of balls held up that others pass: most lie in the way."""
    held_up_s: float = 1.5
    """Typical delay; long delays fall off slowly (as 1 / delay^2)."""
    stray_per_hour: float = 1.0
    misplaced: float = 2e-3
    """Least share of impacts put to a wrong station, whatever their confidence says."""
    unplaced: float = 0.01
    """Share of contacts that sound like no station; of those mixed with others up to 20 times as many."""
    rebound: float = 1e-3
    """Share of first contacts after which a rebound was left in."""
    copied: float = 1e-3
    """Share of impacts of which a second microphone's sound is taken for another impact."""
    shared_microphone: bool = True
    """One microphone hears several stations, so that one impact may hide another within ``mask_s``."""
    mask_s: float = 0.01
    masked: float = 0.3
    """Share of impacts lost when another falls within ``mask_s``."""
    give_up_s: float = 60.0
    """A ball this late, with none behind it, is no longer waited for."""
    learn_s: float = 60.0
    """Length of the start of the run from which transit times are learnt where none are given."""
    longest_transit_s: float = 20.0
    """Longest transit looked for when none is given."""
    beam: int = 60
    """Histories kept side by side."""

    @property
    def unplaced_mixed(self) -> tuple[float, ...]:
        """Shares of contacts that sound like no station: alone, before others (soon, at once), with others in them."""
        return tuple(min(times * self.unplaced, 0.5) for times in (1.0, 5.0, 20.0, 20.0))

    def __post_init__(self) -> None:
        for name in (
            "miss",
            "stuck",
            "kicked_off",
            "held_up",
            "overtaken",
            "misplaced",
            "unplaced",
            "rebound",
            "masked",
        ):
            value = getattr(self, name)
            if not 0 < value < 1:
                raise InputError(f"{name} = {value:g} must be a share between 0 and 1 (did you give per cent?)")
        if not (self.claim_odds >= 1 and self.claim_last_odds > 0):
            raise InputError(f"claim_odds = {self.claim_odds:g} must be at least 1 (1 : 1), claim_last_odds above 0")
