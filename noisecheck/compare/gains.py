"""Whether a recorder's gain was another for one side of a comparison, told by the background it was recorded with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from noisecheck.compare.linear import mean_known

if TYPE_CHECKING:
    from noisecheck.compare.summary import RunSummary

__all__ = ["gain_apart_db"]

_LEAST_DB: Final = 3.0
_LEAST_OCTAVES: Final = 4
_ALIKE: Final = (2.0, 0.25)  # dB, and share of the step, that its octaves may differ by: gain moves all alike
_SCATTER: Final = 1 / 3  # of the step, by which a run's background may lie off that of its own side


def gain_apart_db(a: Sequence[RunSummary], b: Sequence[RunSummary]) -> float:
    """Return by how many dB the second side was recorded with more gain; 0 where nothing shows it.

    A recorder that sets its gain by itself gives the softer side more, and its background with it, in all octaves
    alike, at every microphone (which of them hears a ball best goes with where it lands, and their backgrounds
    differ). Rings that lie over one another raise the background of the *louder* side, so a step that goes with the
    level tells nothing. Asked inside each session: between sessions gains may differ.
    """
    found = []
    for session in {s.run.session for s in a} & {s.run.session for s in b}:
        sides = [[s for s in rows if s.run.session == session and s.floor_db] for rows in (a, b)]
        if not all(sides) or len({len(s.floor_db) for rows in sides for s in rows}) > 1:
            continue
        floors = [np.array([s.floor_db for s in rows]) for rows in sides]
        known = np.isfinite(np.concatenate(floors)).all(axis=0)
        if known.sum() < _LEAST_OCTAVES:
            continue
        usual = [np.median(f[:, known], axis=0) for f in floors]
        step = float(np.median(usual[1] - usual[0]))
        scatter = max(
            float(np.abs(np.median(f[:, known] - u, axis=1)).max()) for f, u in zip(floors, usual, strict=True)
        )
        levels = [mean_known(np.array([[s.value("lae_db")] for s in rows]))[0] for rows in sides]
        with_level = (levels[1] - levels[0]) * np.sign(step)
        if (
            abs(step) >= _LEAST_DB
            and np.ptp(usual[1] - usual[0]) <= max(_ALIKE[0], _ALIKE[1] * abs(step))
            and scatter <= _SCATTER * abs(step)
            and not with_level >= abs(step) / 2
        ):
            found.append(step)
    return float(np.median(found)) if found else 0.0
