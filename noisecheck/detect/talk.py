"""How far a candidate may be part of a sound that goes on: a voice, a motor that starts, a gain that jumps.

A voice is a run of sounds that swell or go on, which blows do not, with some among them that are blows: lips and
tongue let go. How often it strikes so follows from how often it sounds, and it seldom strikes louder than it sounds.
So amid such sounds a blow is believed as far as impacts are frequent, as it is louder, and as it is sooner over.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.detect.candidates import Candidates

__all__ = ["lasting_sounds", "odds_of_a_blow"]

_STRONG: Final = 25.0
_SWELLING: Final = 6.0
"""Evidence of abruptness below which a sound swells..."""
_SWELL_FALLS: Final = 1.5
"""... unless it falls by more than so many times the least that a blow does: a soft thud."""
_GOES_ON: Final = (4.0, 0.67)
"""A sound goes on that falls by fewer dB than the first and leaves more than the second (after gain jumps of 12 dB 2.7
dB and 0.78 at the most, after impacts on machines at least 5.2 dB or at most 0.57)..."""
_FALL_POWER: Final = 8.0
"""... at odds of this power of how far beyond these it is."""
_VOICE_S: Final = 1.0
"""A voice sounds again within this."""
_STRIKES: Final = (0.3, 4.0, 1.0)
"""Blows a second of a voice, as if that had been seen for so many seconds, and at most."""
_RUN: Final = 3
"""So many sounds within a second surely are a voice."""
_ABRUPT: Final = 15.0
"""Evidence of abruptness from which they count."""
_LIKELIER: Final = (3.0, 0.18, -6.0)
"""Log-likelihood ratio of an impact to a blow of a voice, and what a dB above the loudest of its sounds and the share
left of it add (logistic regression over voices of three makes, and clicks and thuds amid them)."""
_LOUDER_DB: Final = (-30.0, 30.0)
_MINUTE_S: Final = 60.0
_PRIOR: Final = (0.25, 15.0)
"""Impacts expected, as if so many had been heard in so many seconds..."""
_PRIOR_AMID: Final = 2.0
"""... and amid a voice's sounds so many blows of its own to each."""


def lasting_sounds(found: Candidates) -> NDArray[np.bool_]:
    """Return which candidates surely are sounds, and do not begin or die away as a blow does."""
    return (found.score > _STRONG) & (_falls(found) < np.where(found.abrupt <= _SWELLING, _SWELL_FALLS, 1.0))


def odds_of_a_blow(
    found: Candidates, lasting: NDArray[np.bool_], echo: NDArray[np.bool_], rate: int
) -> NDArray[np.float64]:
    """Return the odds (impact : part of a sound that goes on) of each candidate, from the past and how far it falls.

    Args:
        found: candidates of one channel, in order of onset.
        lasting: those that :func:`lasting_sounds` names.
        echo: those that an earlier one explains.
        rate: frames a second.
    """
    falls = _falls(found) ** _FALL_POWER
    if not lasting.any():
        return falls
    at, level = found.onset[lasting], found.new_db[lasting]
    voice, minute = int(_VOICE_S * rate), int(_MINUTE_S * rate)
    first, behind = np.searchsorted(at, found.onset - voice), np.searchsorted(at, found.onset)
    amid = behind > first
    if not amid.any():
        return falls
    ends = np.column_stack((first, behind))[amid].ravel()
    loudest = found.new_db.copy()
    loudest[amid] = np.maximum.reduceat(np.append(level, -np.inf), ends)[::2]
    likelier = _likelier(found, loudest)
    blows = (found.score > _STRONG) & (found.abrupt > _ABRUPT) & ~lasting & ~echo
    # Whether a voice sounds around a blow is known a voice's time later, so that nothing to come matters.
    now, then = found.onset - voice, found.onset - minute
    near = np.searchsorted(at, found.onset + voice) > np.searchsorted(at, found.onset - voice)
    past = np.searchsorted(found.onset, then), np.searchsorted(found.onset, now)
    apart, within = _between(blows & ~near, *past), _between(blows & near, *past)
    # In whole thousandths, so that sums are the same wherever they begin.
    weight = np.where(blows & near, 1000.0 * likelier / (likelier + _PRIOR_AMID), 0.0).astype(np.int64)
    sure = _between(weight, *past) / 1000.0
    around = np.minimum(np.diff(at, append=at[-1] + 2 * voice), 2 * voice)
    talk = _between(around, np.searchsorted(at, then), np.searchsorted(at, now - voice)) / rate
    silent = np.maximum(np.minimum(found.onset / rate, _MINUTE_S) - talk, 0.0)
    impacts = (_PRIOR[0] + apart) / (_PRIOR[1] + silent)
    strikes = (np.maximum(within - impacts * talk, 0.0) + _STRIKES[0] * _STRIKES[1]) / (talk + _STRIKES[1])
    strikes = np.minimum(strikes, _STRIKES[2]) * np.minimum(behind - first, _RUN) / _RUN
    impacts = impacts + sure / _MINUTE_S
    return np.where(amid, impacts * likelier / np.maximum(strikes, 1e-6), falls)


def _between(
    counted: NDArray[np.bool_] | NDArray[np.int64], since: NDArray[np.int64], until: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the sums over those from ``since`` on and before ``until``."""
    total = np.concatenate(([0], np.cumsum(counted)))
    return np.asarray(total[until] - total[since])


def _falls(found: Candidates) -> NDArray[np.float64]:
    """Return how far each falls, in units of the least that a blow does."""
    return np.maximum(np.maximum(found.fall_db / _GOES_ON[0], (1.0 - found.left) / (1.0 - _GOES_ON[1])), 1e-3)


def _likelier(blow: Candidates, loudest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much likelier an impact sounds so than a blow of a voice, by its level and what is left of it."""
    louder = np.clip(blow.new_db - loudest, *_LOUDER_DB)
    return np.asarray(np.exp(_LIKELIER[0] + _LIKELIER[1] * louder + _LIKELIER[2] * np.clip(blow.left, 0.0, 1.0)))
