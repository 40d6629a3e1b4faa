"""How reference drops sound: sessions are tied only by those of one shape.

Where the shape changed by more than 3 dB (RMS over bands), one number cannot tie two sessions, and they are said not to
be comparable.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.summary import BANDS, RunSummary

__all__ = ["Shapes", "shapes_apart", "unlike"]

Floats = NDArray[np.float64]
_UNLIKE_DB: Final = 3.0
_CHANCE: Final = 0.01  # of any change of shape in a campaign as large as that by what drops scatter by
_ALONE: Final = 0.5  # neighbouring bands share their sound: they count for half
_LEAST_BANDS: Final = 6
_DROPS_SCATTER_DB: Final = 1.5  # of one band from drop to drop, where single drops cannot show it
_LOUD_BANDS_DB: Final = 30.0


def unlike(session: str, first: str, shape_db: float) -> str:
    """Return the sentence that refuses to tie two sessions."""
    return (
        f"the reference drops of session {session or '(none)'} sound unlike those of session {first or '(none)'} "
        f"({shape_db:.1f} dB by band): another place, device or ball, so they tie nothing"
    )


class Shapes:
    """Band shapes of reference rows, over the bands all of them have, and how much drops scatter in them."""

    def __init__(self, rows: Sequence[RunSummary]) -> None:
        """Take one summary a row."""
        count = len(rows)
        self.bands, self.of_mean, self.least = np.empty((count, 0)), np.zeros(count), 1.0
        self.enough = False
        if not count:
            return
        bands = np.array([r.mean[BANDS] for r in rows])
        known = np.isfinite(bands).all(axis=0)
        middle = np.where(known, np.where(known, bands, 0.0).mean(axis=0), -np.inf)
        keep = known & (middle > middle.max() - _LOUD_BANDS_DB)
        if keep.sum() < _LEAST_BANDS:
            return
        self.enough, self.bands = True, bands[:, keep]
        variance = np.array([np.nan_to_num(r.sd[BANDS][keep]) ** 2 for r in rows])
        n = np.array([np.maximum(r.n[BANDS][keep], 1) for r in rows])
        free = n - 1
        pooled = float((variance * free).sum() / free.sum()) if free.sum() else _DROPS_SCATTER_DB**2
        self.of_mean = pooled / n.mean(axis=1)
        self.least = _least_ratio((variance * free).sum(axis=0), float(free.sum(axis=0).mean()), len(rows) / 2)

    def change(self, a: Sequence[int], b: Sequence[int]) -> float:
        """Return the change of shape between the means of some rows, dB RMS, beyond the scatter of drops."""
        if not self.enough:
            return 0.0
        apart = float(np.std(self.bands[list(a)].mean(axis=0) - self.bands[list(b)].mean(axis=0))) ** 2
        noise = sum(float(self.of_mean[list(rows)].sum()) / len(rows) ** 2 for rows in (a, b))
        return math.sqrt(max(apart - noise, 0.0)) if apart > self.least * noise else 0.0


def _least_ratio(square: Floats, free: float, comparisons: float) -> float:
    """Return how many times the scatter of drops a change of shape must be in mean square, not to be chance (F).

    Few bands that scatter much make a mean over bands of few independent parts, which is large by chance more often.
    """
    from scipy.special import fdtri

    if free <= 0 or not square.any():
        return 3.0
    parts = max(_ALONE * float(square.sum() ** 2 / (square**2).sum()), 1.0)
    return float(fdtri(parts, free * parts, 1.0 - _CHANCE / max(comparisons, 1.0)))


def shapes_apart(rows: Sequence[RunSummary]) -> tuple[dict[str, int], dict[str, str]]:
    """Return which sessions' reference drops sound alike, and why others do not.

    The first maps each session to the number of its kind: sessions of one kind can be tied. The second holds, for each
    session of another kind than the first one's, the sentence that says so.
    """
    used = [r for r in rows if r.used]
    shapes = Shapes(used)
    members: dict[str, list[int]] = {}
    for i, row in enumerate(used):
        members.setdefault(row.run.session, []).append(i)
    kinds: list[str] = []
    found: dict[str, int] = {}
    said: dict[str, str] = {}
    for session, own in members.items():
        change = [shapes.change(members[first], own) for first in kinds]
        near = [k for k, c in enumerate(change) if c <= _UNLIKE_DB]
        found[session] = near[0] if near else len(kinds)
        if not near:
            kinds.append(session)
        if found[session]:
            said[session] = unlike(session, kinds[0], shapes.change(members[kinds[0]], own))
    return found, said
