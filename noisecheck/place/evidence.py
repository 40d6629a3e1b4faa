"""The common currency of every way of placing: log likelihoods over the stations and "unplaced".

Each way gives one :class:`Evidence`; evidence of independent ways is added. No way is believed without limit:
its model may be wrong, so the odds it can give are capped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.errors import InputError
from noisecheck.core.records import record

__all__ = ["LEAST_CONFIDENCE", "PRIOR_UNPLACED", "SETTLED", "UNKNOWN", "Evidence", "decided"]

PRIOR_UNPLACED: Final = 0.05
"""Share of impacts taken to come from no station before anything is known (speech, doors, strays)."""
UNKNOWN: Final = -2.0
"""Log likelihood, re "unplaced", of a station a way of placing knows nothing of: not named by elimination alone."""
LEAST_CONFIDENCE: Final = 0.5
"""A station less likely than this is not named."""
SETTLED: Final = 12.0
"""Log odds of what the user said of an impact: as much as any way of placing is believed."""


@record
class Evidence:
    """What one way of placing says of ``n`` impacts. Rows it cannot judge are zero throughout."""

    stations: tuple[str, ...]
    log_likelihood: NDArray[np.float64]
    """Natural logarithm of the likelihood of each station, (n, stations), up to a constant a row."""
    unplaced: NDArray[np.float64]
    """The same for "none of these", (n,)."""
    notes: tuple[str, ...] = ()
    """Sentences the user should see."""

    def __post_init__(self) -> None:
        n = len(self.unplaced)
        if self.log_likelihood.shape != (n, len(self.stations)):
            raise InputError(
                f"evidence of shape {self.log_likelihood.shape} for {n} impacts and {len(self.stations)} stations"
            )

    @classmethod
    def none(cls, stations: Sequence[str], rows: int, *, notes: Iterable[str] = ()) -> Evidence:
        """Return evidence that says nothing of ``rows`` impacts."""
        return cls(tuple(stations), np.zeros((rows, len(stations))), np.zeros(rows), tuple(notes))

    def __len__(self) -> int:
        return len(self.unplaced)

    def __add__(self, other: Evidence) -> Evidence:
        """Return both together, as independent ways; raises ``InputError`` for other stations or other impacts."""
        if self.stations != other.stations or len(self) != len(other):
            raise InputError("evidence can only be added for the same stations and the same impacts")
        notes = (*self.notes, *(n for n in other.notes if n not in self.notes))
        return Evidence(
            self.stations, self.log_likelihood + other.log_likelihood, self.unplaced + other.unplaced, notes
        )

    def capped(self, *, stations: float, unplaced: float) -> Evidence:
        """Return the evidence with its log odds limited.

        Args:
            stations: most by which one station may lead another.
            unplaced: most by which "unplaced" may lead, or be behind, the best station.
        """
        if not self.stations or not len(self):
            return self
        best = self.log_likelihood.max(axis=1)
        kept = np.maximum(self.log_likelihood, best[:, None] - stations)
        return Evidence(
            self.stations, kept - best[:, None], np.clip(self.unplaced - best, -unplaced, unplaced), self.notes
        )

    def where(self, keep: NDArray[np.bool_] | NDArray[np.int64]) -> Evidence:
        """Return the rows picked by mask or index."""
        return Evidence(self.stations, self.log_likelihood[keep], self.unplaced[keep], self.notes)

    def settled(self, rows: NDArray[np.bool_], station: Sequence[str]) -> Evidence:
        """Return the evidence with what is known otherwise of some impacts: :data:`SETTLED` for that one answer.

        Args:
            rows: impacts concerned, (n,).
            station: where each impact was (empty: at none), (n,); a station not among these says nothing.
        """
        if not rows.any():
            return self
        likelihood, unplaced = self.log_likelihood.copy(), self.unplaced.copy()
        likelihood[rows], unplaced[rows] = 0.0, 0.0
        for row in np.flatnonzero(rows).tolist():
            if not station[row]:
                unplaced[row] = SETTLED
            elif station[row] in self.stations:
                likelihood[row, self.stations.index(station[row])] = SETTLED
        return Evidence(self.stations, likelihood, unplaced, self.notes)

    def posterior(self, *, prior_unplaced: float = PRIOR_UNPLACED) -> NDArray[np.float64]:
        """Return probabilities, (n, stations + 1); the last column is "unplaced". Stations are equal beforehand."""
        share = (1.0 - prior_unplaced) / max(len(self.stations), 1)
        logs = np.column_stack([self.log_likelihood + np.log(share), self.unplaced + np.log(prior_unplaced)])
        logs -= logs.max(axis=1, keepdims=True) if len(logs) else 0.0
        weight = np.exp(logs)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True), np.float64)


def decided(posterior: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return (index of the station or -1 for unplaced, probability that this answer is right), each (n,).

    ``posterior`` is (n, stations + 1), the last column "unplaced"; a station less likely than 0.5 is not named.
    """
    p = np.asarray(posterior, np.float64)
    if not len(p) or p.shape[1] < 2:
        return np.full(len(p), -1, np.int64), np.ones(len(p))
    best = p[:, :-1].argmax(axis=1)
    top = p[np.arange(len(p)), best]
    named = (top >= LEAST_CONFIDENCE) & (top > p[:, -1])
    return np.where(named, best, -1).astype(np.int64), np.where(named, top, p[:, -1])
