"""What the machine makes without balls: impacts no louder than that, as its microphones hear them, are no drops."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import Run
from noisecheck.core.flags import Flag
from noisecheck.core.order import median
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets

if TYPE_CHECKING:
    from noisecheck.pipeline.run import RunResult
    from noisecheck.place.taught import TaughtSounds

__all__ = ["OwnTicks", "own_ticks"]

Floats = NDArray[np.float64]

_LEAST: Final = 10
_LEAST_A_MINUTE: Final = 5.0
_SECOND: Final = 2  # the loudest alone may be a door, or a step
_COMMON_PERCENT, _RARE_DB = 95.0, 10.0
"""Few and far louder than nearly all, they are speech or a door, and not the machine's."""
_LOUDER_DB: Final = 1.0
_NONE_OF: Final = 100  # ticks come tens of times as often as balls
_SCATTER_DB: Final = 3.0  # one microphone reads amid noise, and what else rings just then


@record
class Loudest:
    """How loud the machine's own impacts are where it was recorded without balls."""

    run: str
    lae_db: float
    """Highest L_AE."""
    level_db: Floats
    """Highest level at each microphone, (channels,)."""
    more_db: Floats
    """Most by which one microphone heard one louder than another did, (channels, channels)."""
    softest_db: Floats
    """Softest that each microphone heard of them; minus infinity where it hears nearly all, (channels,)."""
    rings_db: float
    """How far L_AE lies above the level where it was heard first, as usual."""
    unlike: frozenset[str] = frozenset()
    """Stations whose taught sounds none of many of them has."""

    def covers(self, onsets: Onsets, impacts: Impacts, rate: float) -> NDArray[np.bool_]:
        """Return which impacts are no louder than the machine's own at any microphone, and in its proportions, (n,).

        A level is that of the moment at which an impact was found. A drop amid ticks may be found at one of them, and
        is longer than they are: its L_AE has to be no more than theirs, too, unless that takes in a louder one's ring.
        What a microphone did not hear is no louder there than what it hears at all, unless something else hid it.
        """
        from noisecheck.flow.contacts import under_louder
        from noisecheck.place.crosstalk import heard_by

        level = np.where(np.isfinite(onsets.level_db), onsets.level_db, np.nan)
        if level.shape[1] != len(self.level_db):
            return np.zeros(len(onsets), bool)
        with np.errstate(invalid="ignore"):
            above = (level > self.level_db).any(axis=1)
            heard = heard_by(onsets, tuple(range(level.shape[1])), rate)
            least = np.where(np.isnan(heard.arrival_s), np.maximum(self.softest_db, heard.masked_db), np.nan)
            other = np.where(np.isnan(level), least, level)
            unlike = np.zeros(len(level), bool)
            for one, more in zip(level.T, self.more_db, strict=True):
                unlike |= (one[:, None] - other > more).any(axis=1)
            short = impacts["lae_db"] - self.rings_db <= self.level_db[onsets.channel]
        short |= impacts.flagged(Flag.BOUND) | under_louder(impacts["time_s"], impacts["lae_db"])
        return np.asarray(np.isfinite(level).any(axis=1) & short & ~above & ~unlike)


@record
class OwnTicks:
    """The machine's own impacts by session; nothing where it was not recorded alone, or is silent."""

    loudest: dict[str, Loudest]
    recorded: frozenset[str] = frozenset()
    """Sessions in which it was recorded alone."""

    def _of(self, run: Run) -> Loudest | None:
        """Return what is known of those in a run; None in one of no balls, or of another session."""
        return self.loudest.get(run.session) if run.role == "test" else None

    def among(self, onsets: Onsets, impacts: Impacts, run: Run, rate: float) -> NDArray[np.bool_]:
        """Return which impacts of a run its microphones hear as they hear the machine's own, (n,)."""
        known = self._of(run)
        return np.zeros(len(onsets), bool) if known is None else known.covers(onsets, impacts, rate)

    def told_by_sound(self, impacts: Impacts, run: Run) -> NDArray[np.bool_]:
        """Return which impacts, placed by their sound, are at stations that the machine's own never sound like, (n,).

        What hardly stands out sounds like what rings just then.
        """
        known = self._of(run)
        told = np.array([known is not None and n in known.unlike for n in impacts.names["station"]], bool)
        return told[impacts.data["station"]] & ~impacts.flagged(Flag.BOUND)

    def no_louder(self, impacts: Impacts, run: Run) -> NDArray[np.bool_]:
        """Return which impacts of a run are no louder than the machine's own, (n,)."""
        known = self._of(run)
        if known is None:
            return np.zeros(len(impacts), bool)
        with np.errstate(invalid="ignore"):
            return np.asarray(impacts["lae_db"] <= known.lae_db)

    def marked(self, impacts: Impacts, own: NDArray[np.bool_], run: Run) -> tuple[Impacts, tuple[str, ...]]:
        """Return a run's impacts with the machine's own flagged, and what there is to say of them."""
        if run.role == "test" and self.loudest and run.session not in self.recorded:
            session, known = next(iter(self.loudest.items()))
            return impacts, (
                f"what the machine makes without balls is not told from drops: run {known.run}, which shows it, is of "
                f"session '{session}', this one of '{run.session}'",
            )
        if not own.any():
            return impacts, ()
        flags = np.where(own, impacts["flags"] | np.uint32(Flag.MACHINE), impacts["flags"])
        known = self.loudest[run.session]
        note = (
            f"{own.sum()} of {len(own)} impacts are no louder than what the machine makes without balls (run "
            f"{known.run}: L_AE up to {known.lae_db:.1f} dB): they count as no drops"
        )
        return impacts.with_columns(flags=flags), (note,)


def own_ticks(results: Iterable[RunResult], taught: TaughtSounds | None = None) -> OwnTicks:
    """Return how loud the machine's own impacts are, from the runs of role ``background`` among these.

    Sessions stand apart, for gains may differ. A few odd sounds in such a run (a door, a voice) do not count.

    Args:
        results: runs measured.
        taught: sounds of the stations.
    """
    found: dict[str, Loudest] = {}
    alone = [r for r in results if r.run.role == "background"]
    for result in alone:
        run, impacts = result.run, result.impacts
        levels = impacts["lae_db"][np.isfinite(impacts["lae_db"])]
        if len(levels) < _LEAST:
            continue
        minutes = float(np.ptp(impacts["time_s"])) / 60.0
        if len(levels) < _LEAST_A_MINUTE * minutes:
            continue
        heard = _by_microphone(result.onsets, impacts["lae_db"])
        unlike = frozenset[str]() if taught is None else _unlike(impacts, run, taught)
        known = Loudest(run.name, _usual_most(levels), *heard, unlike)
        if run.session not in found or known.lae_db > found[run.session].lae_db:
            found[run.session] = known
    return OwnTicks(found, frozenset(r.run.session for r in alone))


def _unlike(impacts: Impacts, run: Run, taught: TaughtSounds) -> frozenset[str]:
    """Return the stations to whose sounds none of many impacts of the machine's own is put."""
    from noisecheck.place.evidence import decided

    at, _ = decided(taught.evidence(impacts, taught.stations, session=run.session).posterior())
    return frozenset(n for k, n in enumerate(taught.stations) if len(at) >= _NONE_OF and not np.any(at == k))


def _by_microphone(onsets: Onsets, lae_db: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Return what :class:`Loudest` says by channel: its levels, their differences, the softest, and L_AE above them."""
    level = np.where(np.isfinite(onsets.level_db), onsets.level_db, np.nan)
    heard = np.isfinite(level)
    softest = np.where(heard, level, math.inf).min(axis=0)
    softest[heard.sum(axis=0) < _LEAST] = math.inf
    more = [[_usual_most(a - b) for b in np.where(heard, level, softest).T] for a in level.T]
    softest[heard.mean(axis=0) >= _COMMON_PERCENT / 100.0] = -math.inf
    rings = lae_db - level[np.arange(len(level)), onsets.channel]
    most = np.array([_usual_most(a) for a in level.T])
    return most + _SCATTER_DB, np.array(more) + _SCATTER_DB, softest, median(rings[np.isfinite(rings)])


def _usual_most(levels_db: Floats) -> float:
    """Return the highest of levels but for a few odd ones, dB; minus infinity of too few."""
    levels = np.sort(levels_db[np.isfinite(levels_db)])[::-1]
    if len(levels) < _LEAST:
        return -math.inf
    usual = float(np.percentile(levels, _COMMON_PERCENT))
    return min(float(levels[_SECOND - 1]), usual + _RARE_DB) + _LOUDER_DB
