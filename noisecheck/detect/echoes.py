"""Reflections: what a room sends back of a louder sound is none of its own.

Most are told by their level alone. One off a hard wall may be as loud as a ball's next contact, but it comes at the
same delay each time: to some microseconds, while the intervals between a ball's contacts scatter from drop to drop (by
0.3 % and more in 95 of 100 of the sets in ``tests/references/bounce_intervals.csv``, 0.2 % at the least).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.fourier import irfft, next_fast_len, rfft
from noisecheck.detect.known import parted
from noisecheck.detect.prediction import errors_by, predictors_at

__all__ = ["ECHO_S", "FAINT_ECHO_S", "explained_by_echo", "followed", "recurring"]

Floats = NDArray[np.float32]

FAINT_ECHO_S: Final = 0.150
_LEVEL_DB: Final = -10.0
_FALL_DB_S: Final = 330.0
_MOST: Final = 50.0
"""No echo is so many times louder than its source in any band (a few of a real machine are 10 times louder)..."""
_CLEAR: Final = 10.0
"""... that stands out so many times from what sounded before."""
ECHO_S: Final = 0.100
"""Echoes that may be as loud as a contact come so late at most."""
_SOONEST_S: Final = 0.018
"""What comes sooner is not told from a second contact: the scatter of these is no more than an echo's."""
_SOFTER_DB: Final = 8.0
"""A ball's next contact is seldom so much softer; walls seldom send back more."""
_SOURCES: Final = 4
"""So many of the louder sounds before it are tried, the last ones first."""
_FITTED_S: Final = (-0.016, -0.003)
"""What still rings of the louder sound is fitted so long before another: its error is the blow alone, of both."""
_ORDER: Final = 32
"""Samples that the predictor is made of, 0.7 ms at 48 kHz..."""
_ORDER_SHARE: Final = 12
"""... but no more than this part of what it is fitted to."""
_SPAN_S: Final = (-0.003, 0.006)
_SEARCH_S: Final = 0.003
_COHERENT: Final = 0.3
"""Least correlation of the two blows: 98 in 100 echoes of real strokes have more, and the delays at which unlike blows
agree best are not the same ones."""
_TINY: Final = 1e-20
_SAME_S: Final = 40e-6
"""Delays of one echo differ by less: a centimetre of the source's place is 30 us of path at most..."""
_SAME_DB: Final = 4.0
"""... and its level, told from two blows of some milliseconds amid a ring, by no more."""
_ALIKE: Final = 0.05
"""Delays within this share of one another may be of the same kind; of these..."""
_LEAST: Final = 2
_SHARE: Final = 0.5
"""... so many and such a share must be the same."""


def followed(
    samples: Floats, rate: float, peaks: NDArray[np.int64], level: NDArray[np.float64], asked: NDArray[np.int64]
) -> tuple[NDArray[np.float64], Floats]:
    """Return how long after a louder sound each of some comes that is that sound once more, s (0: none), and its level.

    Args:
        samples: one channel, (n,).
        rate: samples a second.
        peaks: where sounds are, in order, (m,).
        level: energy of what is new there, (m,).
        asked: which of the peaks are asked about, (k,).

    Returns:
        Delay, (k,), and level against the louder sound, dB, (k,).
    """
    delay, coherence = np.zeros(len(asked)), np.full(len(asked), _COHERENT)
    delayed_db, tried = np.zeros(len(asked), np.float32), np.zeros(len(asked), np.int64)
    most = asked - np.searchsorted(peaks, peaks[asked] - int(ECHO_S * rate))
    for back in range(1, int(most.max(initial=0)) + 1):
        source = asked - back
        since = (peaks[asked] - peaks[source]) / rate
        some = (back <= most) & (since >= _SOONEST_S) & (level[source] > level[asked]) & (tried < _SOURCES)
        if some.any():
            tried += some
            later, alike, gain_db = _moved(samples, rate, peaks[source[some]], peaks[asked[some]])
            best = alike > coherence[some]
            mine = np.flatnonzero(some)[best]
            coherence[mine], delayed_db[mine] = alike[best], gain_db[best]
            delay[mine] = since[mine] + later[best]
    delay[delayed_db > -_SOFTER_DB] = 0.0
    return delay, delayed_db


def _moved(
    samples: Floats, rate: float, first: NDArray[np.int64], then: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return how much later about its position the second of two blows comes than the first, s, and what they share.

    Returns:
        Seconds, correlation (0 to 1) and level of the second that is the first's, dB, (rows,) each.
    """
    begin, end, start, stop, search = (round(s * rate) for s in (*_FITTED_S, *_SPAN_S, _SEARCH_S))
    filters = predictors_at(samples, then, begin, end, order=min(_ORDER, (end - begin) // _ORDER_SHARE))
    blows = [errors_by(filters, samples, at, start, stop) for at in (first, then)]
    energy = [np.einsum("ij,ij->i", blow, blow) + np.float32(_TINY) for blow in blows]
    count = next_fast_len(stop - start + search, real=True)
    spectra = [rfft(blow, count) for blow in blows]
    shared = irfft(spectra[1] * np.conj(spectra[0]), count)
    near = np.abs(np.concatenate((shared[:, -search:], shared[:, : search + 1]), axis=1)).astype(np.float64)
    row, at = np.arange(len(near)), 1 + near[:, 1:-1].argmax(axis=1)
    left, top, right = (near[row, at + k] for k in (-1, 0, 1))
    later = (at - search + 0.5 * (right - left) / np.maximum(2.0 * top - left - right, _TINY)) / rate
    return later, top / np.sqrt(energy[0] * energy[1]), 20.0 * np.log10(top / energy[0] + _TINY)


def recurring(
    onset: NDArray[np.float64], delay: NDArray[np.float64], level_db: Floats, *, memory_s: float, past: int = 0
) -> NDArray[np.bool_]:
    """Return which sounds come at the delay, and level, at which others before them came again and again.

    Args:
        onset: when each comes, seconds, in order, (n,).
        delay: from :func:`followed`, seconds, (n,).
        level_db: from :func:`followed`, (n,).
        memory_s: how far to look back.
        past: so many of the first are not asked about.
    """
    echo = np.zeros(len(onset), bool)
    rows = np.flatnonzero(delay > 0.0)
    at, late, level = onset[rows], delay[rows], level_db[rows]
    first = int(np.searchsorted(rows, past))
    for i, begin in enumerate(np.searchsorted(at, at[first:] - memory_s).tolist(), first):
        off = np.abs(late[begin:i] - late[i])
        kind = np.abs(level[begin:i] - level[i]) <= _SAME_DB
        same = int(((off <= _SAME_S) & kind).sum())
        alike = int(((off <= _ALIKE * late[i]) & kind).sum())
        echo[rows[i]] = same >= _LEAST and same >= _SHARE * alike
    return echo


def explained_by_echo(onset: NDArray[np.float64], new_db: NDArray[np.float64], sound: Floats) -> NDArray[np.bool_]:
    """Return which sounds a reflection or chatter of an earlier, louder one explains, in every band.

    Args:
        onset: when each comes, seconds, in order, (n,).
        new_db: level of what is new, (n,).
        sound: bands, see :func:`noisecheck.detect.known.sounds_of`.
    """
    echo = np.zeros(len(onset), bool)
    past, frames = parted(sound)
    heard = frames.max(axis=1)
    clear = heard > np.float32(_CLEAR) * past
    for back in range(1, 24):  # more than 24 candidates in 150 ms is noise anyway
        lag = onset[back:] - onset[:-back]
        if not (lag < FAINT_ECHO_S).any():
            break
        allowed = new_db[:-back] + _LEVEL_DB - _FALL_DB_S * (lag - 0.005)
        softer = np.flatnonzero((lag < FAINT_ECHO_S) & (new_db[back:] < allowed)) + back
        other = clear[softer] & (heard[softer] > np.float32(_MOST) * heard[softer - back])
        echo[softer] |= ~other.any(axis=1)
    return echo
