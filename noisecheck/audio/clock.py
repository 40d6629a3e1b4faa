"""How fast one recorder's clock runs against another's, from impacts both have heard.

A recording alone cannot tell its clock error: quartz clocks are within some 50 parts per million (common practice, no
source), 180 ms an hour. Two devices that recorded the same run can be set against each other.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.records import record

__all__ = ["ClockPair", "clock_between"]

_PIECE_S: Final = 60.0
_BIN_S: Final = 0.02
_NEAR_S: Final = 0.012  # a microphone 4 m further away hears 12 ms later
_LEAST: Final = 20
_SHARE: Final = 0.5
_BETTER: Final = 1.5  # an even feed nearly matches itself one ball later


@record
class ClockPair:
    """Second clock against the first: ``t2 = offset_s + (1 + ppm / 1e6) t1``."""

    ppm: float
    """Above 0: the second clock runs fast."""
    error_ppm: float
    """Standard uncertainty."""
    offset_s: float
    matched: int
    """Impacts heard by both."""

    def sentence(self, first: str, second: str) -> str:
        """Return it in words, with a 95 % interval."""
        low, high = self.ppm - 2 * self.error_ppm, self.ppm + 2 * self.error_ppm
        if low <= 0 <= high:
            return (
                f"clocks of {first} and {second}: no difference shown ({low:+.1f} to {high:+.1f} parts per million, "
                f"{self.matched:,} impacts heard by both)"
            )
        word, size = ("fast", self.ppm) if self.ppm > 0 else ("slow", -self.ppm)
        return (
            f"clock of {second} runs {size:.0f} parts per million {word} against {first} ({low:+.1f} to {high:+.1f}, "
            f"{self.matched:,} impacts heard by both): {size * 3.6:.0f} ms an hour"
        )


def clock_between(first_s: ArrayLike, second_s: ArrayLike) -> ClockPair | None:
    """Return how the second clock runs against the first; None where the two did not hear the same run.

    Args:
        first_s: (n,) ascending times of impacts by the first clock.
        second_s: (m,) the same by the second, started at another time.

    A minute from the middle is laid over the second; from there the match grows to both ends. Fewer than 20 impacts in
    common, or fewer than half of the smaller set, are no match.
    """
    a, b = np.asarray(first_s, np.float64), np.asarray(second_s, np.float64)
    if min(len(a), len(b)) < _LEAST:
        return None
    middle = float(np.median(a))
    half = _PIECE_S / 2
    while np.sum(np.abs(a - middle) < half) < min(_LEAST, len(a)):
        half *= 2
    lag = _lag(a[np.abs(a - middle) < half][:200], b)
    if lag is None:
        return None
    slope, offset = 0.0, lag
    while True:
        rows = np.flatnonzero(np.abs(a - middle) < half)
        x, y = _matched(a[rows], b, slope, offset, middle)
        if len(x) < _LEAST / 2:
            return None
        slope, offset, error = _line(x - middle, y - x)
        if len(rows) == len(a):
            break
        half *= 2
    x, y = _matched(a, b, slope, offset, middle)
    if len(x) < max(_LEAST, _SHARE * min(len(a), len(b))):
        return None
    slope, offset, error = _line(x - middle, y - x)
    return ClockPair(1e6 * slope, 1e6 * error, offset - slope * middle, len(x))


def _lag(piece: NDArray[np.float64], b: NDArray[np.float64]) -> float | None:
    """Return the time by which most of a piece is found again in the other, if no other time does nearly as well."""
    apart = np.sort((b[None, :] - piece[:, None]).ravel())
    count = np.searchsorted(apart, apart + _BIN_S) - np.arange(len(apart))
    best = int(np.argmax(count))
    lag = float(np.median(apart[best : best + count[best]]))
    others = count[np.abs(apart - lag) > 5 * _BIN_S]
    if count[best] < _SHARE * len(piece) or count[best] < _BETTER * others.max(initial=0):
        return None
    return lag


def _matched(
    a: NDArray[np.float64], b: NDArray[np.float64], slope: float, offset: float, middle: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return pairs of times, each the other's nearest."""
    due = a + offset + slope * (a - middle)
    at = np.clip(np.searchsorted(b, due), 1, len(b) - 1)
    at = np.where(np.abs(b[at - 1] - due) < np.abs(b[at] - due), at - 1, at)
    good = np.abs(b[at] - due) < _NEAR_S
    _, first = np.unique(at[good], return_index=True)
    return a[good][first], b[at[good][first]]


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return slope, value at 0 and the slope's standard error, by least squares without the worst pairs."""
    keep = np.ones(len(x), bool)
    slope = offset = error = 0.0
    for _ in range(3):
        slope, offset = (float(v) for v in np.polynomial.polynomial.polyfit(x[keep], y[keep], 1)[::-1])
        rest = y - offset - slope * x
        sd = float(np.sqrt(np.sum(rest[keep] ** 2) / max(int(keep.sum()) - 2, 1)))
        error = sd / float(np.sqrt(np.sum((x[keep] - x[keep].mean()) ** 2)))
        keep = np.abs(rest) <= max(3.0 * sd, 1e-5)
    return slope, offset, error
