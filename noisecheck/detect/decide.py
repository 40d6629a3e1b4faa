"""Which candidates are impacts, and at what odds, from the past alone.

A candidate is accepted when it is more likely an impact than chance. The density of real impacts at its score is
learnt from the impacts of the last minute. That of false ones falls exponentially with the score (calibrated on steady
noise, see DEVELOPERS.md; scaled to the faint candidates of the last minute). A doubtful candidate that sounds like a
clear impact before it is rarer by chance, by how well it fits (:mod:`noisecheck.detect.known`). With nothing clear in
the last minute the dial alone decides: ``false_per_hour`` false impacts an hour in steady noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.beats import Beats
from noisecheck.detect.beside import Lately, loudest_near
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.chance import CLEAR, FIRST_S, MEMORY_S, TENFOLD, Chance
from noisecheck.detect.echoes import FAINT_ECHO_S, explained_by_echo, recurring
from noisecheck.detect.known import known_evidence

__all__ = ["FIRST_S", "HISTORY_S", "MEMORY_S", "DetectSettings", "Judge", "decide"]

_SCORES = 200.0
"""Impacts' scores are spread evenly over so many units (both evidences are capped): clear ones tell how many weak..."""
_WEAK = (30.0, 80.0)
"""... unless impacts of such scores tell it better: where all are loud, a weak one is rather chance..."""
_BELIEF = 15.0
_BELIEF_IMPACTS = 2.0
"""... than what is expected, which counts as much as so many units of score, or impacts where those are fewer."""
_WEAKEST = (24.0, 40.0)
"""Impacts of such scores, next to the doubtful ones, tell how many of these there are; what is expected from the
stronger ones counts as much as ``_BELIEF_IMPACTS``."""
_BEYOND = (120.0, 100.0, 80.0, 60.0, 40.0)
"""Amid noise that is made of pulses those are clear that are beyond the least of these above which it has none."""
_NONE = 1e-12
_SPREAD = 60.0
"""Abruptness of impacts is spread evenly over so many units."""
_SWELLING = 6.0
"""Evidence of abruptness below which a sound that surely is new is a swell (speech, a motor hunting)..."""
_DULL = 0.1
"""... or, so many times more rarely than what is more abrupt, was struck (gongs, cymbals that bloom): the run tells."""
_DULL_TO = 22.0
"""Clear sounds of such abruptness were struck, as far as they outnumber swells: thuds in noise are no more abrupt."""
_STRONG = 25.0
_SWELL_TAIL = 8.0
"""Swells that pass for more abrupt thin out by a factor e every so many units..."""
_PASSING = 0.25
_OUTLIERS = 4e-4
"""... but for so many a unit that begin out of silence, at any abruptness."""
_SHARP = 60.0
_SHARP_DB = (0.0, 6.0)
_SHARP_SWELLS = 0.05
"""More abrupt sounds that swell so little are no swells, but for so many of what begins, and for bursts that come with
swells."""
_SWELLS_DB = (6.0, 12.0)
"""What is struck rarely swells by so much; half of all swells do by more than the middle of these."""
_ALIKE_DB = 3.3
_ALIKE = (0.05, 20.0)
"""A swell is by a factor e likelier to swell so much more, within these bounds."""
_PARTS = 16
"""Sounds that may be swells count in whole parts, so that sums are exact however a run is cut."""
_ONE_SOUND_S = 0.050
"""Candidates this close on another are the same sound going on: how it began counts."""
_PRIOR_SWELLS = 0.1
_PRIOR_ABRUPT = 0.3
_AMID_S = (1.0, 0.2)
"""What a voice adds to its swells (plosives, breath, creak) is softer than one of these so long before or after it: of
what begins in speech 19 in 20 are. What is struck comes when it comes..."""
_VOICED = 30.0
"""(what swells and is more abrupt may be a soft bell's stroke)"""
_FREE = (0.1, 0.3)
"""... so of what begins so small a share is free of swells at most where nothing is struck, and so large a share at
least where all is (the smallest seen amid two talkers as loud as what is struck: 0.29)..."""
_FREE_DULL = (0.3, 0.6)
"""... and the same of all that is no swell: creak, and breath in a room, come further from the swells."""
_EXPECTED = (3, 2.0)
"""With each swell one burst is expected, up to so many, believed as if so many sharp sounds had been heard."""
_BURSTS = 1000.0
"""Other abrupt sounds are spread evenly over so many units (speech 200, but how many there are is known roughly)."""
_OVER_DB = 3.0
"""What belongs to a swell is softer than the loudest of the second before (and in the first second after it, too) by so
much, and louder ones thin out..."""
_OVER_FALL_DB = 4.0
_OVER = (0.2, 5.0)
"""... by a factor e every so many dB, within these bounds."""
HISTORY_S = 2.0 * (MEMORY_S + _AMID_S[0]) + 20.0
"""Candidates so long before others can change their odds: what counts as an impact in the last minute hangs on the
minute before that, and on the beats of 10 s before those of 10 s."""
_ASKED = (0.005, 10.0)
"""At such odds it matters whether something sounds like a clear impact before it."""
_KNOWN_ABRUPT = 20.0
"""Abruptness of an impact that is remembered."""
_CHANGING_S = 0.050
"""What was struck so shortly before still changes by itself: its notes beat and bloom, and may sound like anything."""
_KNOWN_FROM = 5.6
"""Where impacts fit a known sound as often as chance does; of chance candidates fewer fit better, by a factor e..."""
_KNOWN_TAIL = 1.9
"""... every so many units (amid a chain; 1.05 in pink and white noise)."""


@dataclass(frozen=True, kw_only=True)
class DetectSettings:
    """How eager detection is."""

    false_per_hour: float = 0.1
    """False impacts an hour accepted in steady noise when nothing else sounds (the dial ``--sensitivity``)."""

    def shared_by(self, channels: int) -> DetectSettings:
        """Return the settings of one of so many channels: each is decided alone, and each may be wrong."""
        return replace(self, false_per_hour=self.false_per_hour / channels)


def _in_parts(share: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return shares in whole parts."""
    return np.round(_PARTS * np.clip(share, 0.0, 1.0)).astype(np.int64)


def _struck(
    lately: Lately, some: NDArray[np.int64], free: NDArray[np.bool_], share: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how many of some sounds of the last minute, in parts, were struck and how many came with swells.

    Whether one is free of swells is known ``_AMID_S[1]`` after it. Of those that came with swells the first ``share``
    of all is free at most, of those struck the second at least.
    """
    every, alone = (lately.count(n, ago_s=_AMID_S[1]) / _PARTS for n in (some, some * free))
    struck = np.clip((alone - share[0] * every) / (share[1] - share[0]), 0.0, every)
    return struck, every - struck


def _sudden(found: Candidates, lately: Lately) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the odds (impact : swell) of each candidate by its abruptness and by how it swells, from the last minute.

    And which are 0 because they are one beat of a machine more.

    Swells are those that are surely new but not abrupt, and in part those that swell; some pass for more abrupt, ever
    fewer the more abrupt, and bursts come with them, as plosives do. Impacts are the abrupt ones that swells do not
    explain and beside which none is louder, spread evenly: of sounds by how they begin, since a swell that goes on
    looks more and more abrupt. How much a sound swells, and by how much it is louder than the swells before it, weighs
    as much as there were swells: where none was heard it tells nothing. At the start of a run bursts are expected as
    soon as there are swells. Where a machine beats, its beats are none, and what stands out of its swells as few of
    them do is no swell.
    """
    times = lately.times
    strong, swell = found.score > _STRONG, found.abrupt <= _SWELLING
    begins = strong.copy()
    begins[strong] = np.diff(times[strong], prepend=-_ONE_SOUND_S) >= _ONE_SOUND_S
    (low, high), (least, most) = _SWELLS_DB, _SHARP_DB
    like = _in_parts((found.swell_db - low) / (high - low))
    like[swell] = _PARTS
    sharp = _in_parts((most - found.swell_db) / (most - least)) * (begins & (found.abrupt > _SHARP))
    begun, swells, dull = (
        lately.count(some) / _PARTS
        for some in (
            _PARTS * begins,
            like * (strong & (swell | begins)),
            (_PARTS - like) * (begins & (found.abrupt <= _DULL_TO) & (found.score > CLEAR)),
        )
    )
    level = found.new_db.astype(np.float64)
    swelling = np.where(strong & (2 * like >= _PARTS) & (found.abrupt < _VOICED), level, -np.inf)
    free = level > loudest_near(times, swelling, *_AMID_S)
    abrupt, _ = _struck(lately, (_PARTS - like) * begins, free, _FREE_DULL)
    surely, bursts = _struck(lately, sharp, free, _FREE)
    voiced = lately.count(swelling > -np.inf)
    bursts += np.minimum(voiced, _EXPECTED[0]) * _EXPECTED[1] / (_EXPECTED[1] + surely + bursts)
    impacts = np.maximum(np.maximum(abrupt - _PASSING * begun, surely - _SHARP_SWELLS * begun), 0.0) + _PRIOR_ABRUPT
    beyond = np.maximum(found.abrupt - _SWELLING, 0.0)
    density = _PASSING / _SWELL_TAIL * np.exp(-beyond / _SWELL_TAIL) + _OUTLIERS
    alike = np.clip(np.exp((found.swell_db - 0.5 * (low + high)) / _ALIKE_DB), *_ALIKE)
    beside = loudest_near(times, swelling, _AMID_S[0], 0.0)
    first = slice(0, int(np.searchsorted(times, FIRST_S)))
    beside[first] = loudest_near(times[first], swelling[first], FIRST_S, FIRST_S)
    over = level - beside
    theirs = np.where(np.isfinite(over), np.clip(np.exp(-(over - _OVER_DB) / _OVER_FALL_DB), *_OVER), 1.0)
    beats = Beats.of(found, times, FIRST_S)
    alike_so = beats.alike(strong, swelling > -np.inf, _AMID_S[0], MEMORY_S)
    theirs = np.where(theirs > 1.0, theirs * alike_so, np.minimum(theirs, alike_so))
    real = impacts / _SPREAD * np.where(swell, _DULL, 1.0)
    real += np.where(found.abrupt <= _DULL_TO, np.maximum(dull - swells, 0.0) / _DULL_TO, 0.0)
    odds = real / ((density * (swells * alike + _PRIOR_SWELLS) + bursts / _BURSTS) * theirs)
    # What swells soon after something began is its bloom.
    odds[(found.abrupt <= 0.0) | (swell & ~begins)] = 0.0
    hidden = np.zeros(len(odds), bool)
    hidden[beats.one_more(odds > 1.0)] = True
    odds[hidden] = 0.0
    return odds, hidden


def _like_known(
    found: Candidates, rate: int, asked: NDArray[np.int64], clear: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return how many times rarer chance is so like a clear impact of the last minute as each of those asked about."""
    begin, end = (
        np.searchsorted(found.onset[clear], found.onset[asked] - int(seconds * rate))
        for seconds in (MEMORY_S, FAINT_ECHO_S)
    )
    fit = known_evidence(found.sound, rate, asked, begin, end, clear)
    return np.exp(np.maximum(fit - _KNOWN_FROM, 0.0) / _KNOWN_TAIL)


def _real_density(
    lately: Lately,
    score: NDArray[np.float64],
    sudden: NDArray[np.bool_],
    window: NDArray[np.float64],
    chance: Chance,
) -> NDArray[np.float64]:
    """Return impacts per second and unit of score at doubtful scores, from the last minute.

    In two steps down: the clear ones tell what weak ones to expect, these and what is expected the weakest. Counts are
    Poisson and what is expected is the mean of a gamma distribution, so a run of loud impacts whose weak ones fall off
    is believed to have as good as none among chance.

    Args:
        lately: counts what came before each.
        score: total log-likelihood ratio, (n,).
        sudden: whether it may be an impact at all, (n,).
        window: seconds looked back on, (n,).
        chance: false candidates.
    """
    clear = lately.count(sudden & (score > CLEAR))
    expected = np.maximum(clear / _SCORES, _NONE)
    belief = np.minimum(_BELIEF * expected, _BELIEF_IMPACTS)
    for (low, high), known in ((_WEAK, belief), (_WEAKEST, _BELIEF_IMPACTS)):
        count = lately.count(sudden & (score > low) & (score <= high))
        count = np.maximum(count - window * chance.between(low, high), 0.0)
        expected = (count + known) / (high - low + known / expected)
    # Amid noise that is made of pulses its own may be so strong: only what is beyond it tells how many were struck.
    beyond = np.full(len(score), _NONE)
    for least in _BEYOND:
        count = lately.count(sudden & (score > least))
        beyond = np.where(window * chance.between(least, math.inf) < 1.0, count / (_SCORES - least), beyond)
    return np.where(chance.height > 0.0, np.clip(beyond, _NONE, expected), expected) / window


def decide(found: Candidates, rate: int, settings: DetectSettings, *, past: int = 0) -> NDArray[np.float64]:
    """Return the odds (real : chance) of each candidate, 0 where an echo, a swell or a restless background explains it.

    Args:
        found: candidates of one channel of the whole run, in order of onset.
        rate: frames a second.
        settings: the dial.
        past: so many of the first candidates are there to be remembered only; their odds are not worked out to the end.
    """
    if not len(found):
        return np.empty(0)
    times = found.onset / rate
    lately, score = Lately(times, MEMORY_S, FIRST_S), found.score
    abrupt, hidden = _sudden(found, lately)
    sudden = (abrupt > 1.0) & ~explained_by_echo(times, found.new_db, found.sound)
    clear = sudden & (score > CLEAR)
    window = np.minimum(np.maximum(times, 5.0), MEMORY_S)
    chance = Chance.of(lately, score, sudden | hidden, window)  # a machine's beats tell how clear its chance may be
    real = _real_density(lately, score, sudden, window, chance)
    dial = settings.false_per_hour / 3600.0 * math.log(10.0) / TENFOLD
    odds = (real + dial) / chance.density(score)
    doubtful = sudden & (odds > _ASKED[0]) & (odds < _ASKED[1])
    doubtful &= lately.count(clear, _CHANGING_S) == 0
    asked = past + np.flatnonzero(doubtful[past:])
    odds[asked] *= _like_known(found, rate, asked, np.flatnonzero(clear & (found.abrupt > _KNOWN_ABRUPT)))
    # What recurs is told by the last minute itself, so what others make of it cannot hang on that: two would be needed.
    own = sudden & ~recurring(times, found.delay, found.delayed_db, memory_s=MEMORY_S, past=past)
    # Chance and a swell are two ways to be wrong.
    return np.where(own, np.minimum(1.0 / (1.0 / odds + 1.0 / np.maximum(abrupt, 1.0)), 1e9), 0.0)


class Judge:
    """Decides the candidates of one channel as they come, and keeps what later decisions look back on.

    Args:
        rate: frames a second.
        settings: the dial.
        first: the first candidate ever, if what comes first is later; None: it is still to come.
    """

    def __init__(self, rate: int, settings: DetectSettings, first: Candidates | None = None) -> None:
        self._rate, self._settings, self._past = rate, settings, Candidates.concat([])
        self.first = Candidates.concat([]) if first is None else first.without_waves()
        """The first candidate ever (where there was one)."""

    def odds(self, fresh: Candidates) -> NDArray[np.float64]:
        """Return the odds of the next candidates, in order of onset, which begin after all those before."""
        if not len(fresh):
            return np.empty(0)
        fresh, past = fresh.without_waves(), self._past
        if not len(self.first):
            self.first = fresh.where(slice(0, 1))
        # Decisions look back HISTORY_S, and at when the first candidate of all came.
        if (past if len(past) else fresh).onset[0] > self.first.onset[0]:
            past = Candidates.concat([self.first, past])
        known = Candidates.concat([past, fresh])
        self._past = known.where(known.onset >= known.onset[-1] - int(HISTORY_S * self._rate))
        return decide(known, self._rate, self._settings, past=len(past))[len(past) :]
