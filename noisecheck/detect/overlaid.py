"""Impacts on what has only just been struck: its ring is predicted from those few milliseconds, and what is new shows.

The predictor that looks for onsets elsewhere is fitted to what sounded before, which of so young a ring knows nothing.
Here it is fitted between the two impacts by least squares (the covariance method: no window smears a ring that short).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.windows import windows
from noisecheck.detect.prediction import changes, errors_by, filtered, fitted_closely
from noisecheck.detect.refine import Refined, spans, weigh_error

__all__ = ["ORDER", "ORDER_LOW", "SINCE_S", "comes_anyway", "overlaid_onsets"]

Floats = NDArray[np.float32]

ORDER: Final = 32
"""Samples that a predictor in the full band is made of: 0.7 ms at 48 kHz..."""
ORDER_LOW: Final = 12
"""... and in the low band, 2 ms: the low notes that a soft pad leaves differ by less than a shorter one can tell."""
_BEGUN_S: Final = 0.0015
"""So long after an impact its contact is over, and its ring free."""
_FITTED_S: Final = (0.032, 0.020, 0.012, 0.008)
"""Spans of a ring that a predictor is fitted to: the longest that lies between..."""
_END_S: Final = 0.004
"""... and ends so long before a peak, since the onset may come before it."""
_SEARCH_S: Final = (0.004, 0.002)
_WHITE: Final = 4.0
"""The error of a predictor fitted so closely is white: evidence counts in full (elsewhere a quarter of it)."""
_CAUTION: Final = 2.0
"""Standard errors by which the error before is taken higher than measured."""
_ROUND_S: Final = 0.022
"""Buzz of the mains, and all that turns faster, comes again within so long..."""
_BLOW_S: Final = 0.001
_LOUDER: Final = 4.0
_EVEN: Final = 2.0
_ROUNDS: Final = 4
"""... and each time about as loud: within 6 dB now, within 3 dB in so many spans before. What was struck dies away."""

SINCE_S: Final = (_BEGUN_S + _FITTED_S[-1] + _END_S, 0.080)
"""Seconds from an impact to the peak of another at which its ring is asked."""


def overlaid_onsets(
    samples: Floats, rate: int, peaks: NDArray[np.int64], since: NDArray[np.int64], order: int
) -> Refined:
    """Return what is new to the ring of an earlier impact: evidence 0 where a peak comes too soon to be asked.

    Args:
        samples: one channel, (n,).
        rate: frames a second.
        peaks: samples where the evidence for another impact peaks, (m,).
        since: samples from the earlier impact's onset to each peak, (m,).
        order: samples that the predictor is made of.
    """
    _, before, after = spans(rate)
    told = Refined.nothing(len(peaks))
    for length, now in _by_length(since, rate, order):
        error, quiet = _error(samples, peaks[now], length, int(_END_S * rate), before, after, order)
        told.put(now, weigh_error(error, quiet, rate, _SEARCH_S))
    told.evidence[:] = np.maximum(told.evidence * _WHITE, 0.0)
    # (What begins where the predictor was fitted is no news to it.)
    told.evidence[told.onset < -int(_END_S * rate)] = 0.0
    return told


def comes_anyway(
    samples: Floats, rate: int, peaks: NDArray[np.int64], since: NDArray[np.int64], onset: NDArray[np.int64], order: int
) -> NDArray[np.bool_]:
    """Return what is new to the ring of an earlier impact, but as loud as what came time and again before that.

    Args:
        samples, rate, peaks, since, order: as in :func:`overlaid_onsets`.
        onset: samples where what is new begins, (m,).
    """
    out = np.zeros(len(peaks), bool)
    round_, blow = int(_ROUND_S * rate), int(_BLOW_S * rate)
    for length, now in _by_length(since, rate, order):
        wave = changes(samples, peaks[now], -int(_END_S * rate) - length - order, 0).astype(np.float64)
        filters = fitted_closely(wave, length, order)[0]

        def loudest(at: NDArray[np.int64], start: int, stop: int, by: NDArray[np.float64] = filters) -> Floats:
            error = errors_by(by, samples, at, start, stop)
            return np.asarray(windows(error**2, blow).mean(axis=-1).max(axis=-1), np.float32)

        struck = peaks[now] - since[now]
        rounds = np.array([loudest(struck, -n * round_, (1 - n) * round_ - 2 * blow) for n in range(_ROUNDS, 0, -1)])
        least, most = rounds.min(axis=0), rounds.max(axis=0)
        out[now] = (loudest(onset[now], -blow, 2 * blow) < _LOUDER * least) & (most < _EVEN * least)
    return out


def _by_length(since: NDArray[np.int64], rate: int, order: int) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """Yield the samples a predictor is fitted to, and the rows in which the ring so long after an impact is free."""
    free = since - int((_BEGUN_S + _END_S) * rate)
    left = np.ones(len(since), bool)
    for seconds in _FITTED_S:
        length = int(seconds * rate)
        if length < 3 * order:
            return
        now = np.flatnonzero(left & (free >= length))
        left[now] = False
        if len(now):
            yield length, now


def _error(
    samples: Floats, at: NDArray[np.int64], length: int, end: int, before: int, after: int, order: int
) -> tuple[Floats, Floats]:
    """Return each row's prediction error, (rows, before + after), and its mean square where the predictor was fitted.

    What lies before the fitted span is as loud as that mean: nothing is known of it.
    """
    wave = changes(samples, at, -end - length - order, after).astype(np.float64)
    known = filtered(wave, fitted_closely(wave, length, order)[0]).astype(np.float32)
    # A fitted predictor errs less where it was fitted than it does from there on.
    mean = (known[:, :length] ** 2).mean(axis=1) * np.float32((length + order) / (length - order))
    quiet = (mean * np.float32(1.0 + _CAUTION * np.sqrt(2.0 / length)) + np.float32(1e-16)).astype(np.float32)
    error = np.repeat(np.sqrt(quiet)[:, None], before + after, axis=1)
    keep = min(known.shape[1], before + after)
    error[:, -keep:] = known[:, -keep:]
    return error, quiet
