"""Whether a change damps, octave by octave: decay times of runs set against each other."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.linear import FALSE_DISCOVERY, benjamini_hochberg, estimate
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.records import record
from noisecheck.core.units import rounded, rounded_pair

__all__ = ["OCTAVES_HZ", "OctaveDecay", "damping_db", "decay_changes"]

Floats = NDArray[np.float64]
OCTAVES_HZ: Final = tuple(map(float, NOMINAL_THIRD_HZ[1::3]))
"""Nominal midbands of octaves (IEC 61260-1)."""


@record
class OctaveDecay:
    """Decay time (to 60 dB) in one octave before and after, geometric means over runs; NaN where not known."""

    octave_hz: float
    before_ms: float
    after_ms: float
    runs: tuple[int, int]
    ratio: float
    ratio_ci: tuple[float, float]
    shown: bool
    """Whether the ratio is shown to differ from 1, with the false-discovery rate over octaves held at 5 %."""

    def to_dict(self) -> dict[str, Any]:
        """Return the octave as plain values."""
        return {
            "octave_hz": self.octave_hz,
            "before_ms": rounded(self.before_ms, 1),
            "after_ms": rounded(self.after_ms, 1),
            "runs": list(self.runs),
            "ratio": rounded(self.ratio, 3),
            "ratio_ci": rounded_pair(*self.ratio_ci),
            "shown": self.shown,
        }


def decay_changes(
    logs: Mapping[str, Floats], base: Sequence[str], value: Sequence[str], *, confidence: float = 0.95
) -> tuple[OctaveDecay, ...]:
    """Return the decay times of two groups of runs in the octaves that either shows, low ones first.

    ``logs`` holds ln of the decay time in ms, (10,), by run. Runs are the unit; the interval is Welch's on logarithms.
    A decay does not depend on gain or microphone placement as a level does, so sessions need not be held equal.
    """
    rows = [(0, logs[name]) for name in base if name in logs] + [(1, logs[name]) for name in value if name in logs]
    groups = np.array([g for g, _ in rows], np.int64)
    if len(set(groups.tolist())) < 2:
        return ()
    y = np.array([r for _, r in rows])
    design = (groups[:, None] == np.arange(2)).astype(np.float64)
    fit = estimate(y, design, np.array([-1.0, 1.0]), groups, confidence=confidence)
    shown = benjamini_hochberg(fit.p) <= FALSE_DISCOVERY
    known = np.isfinite(y)
    found = []
    for k, octave in enumerate(OCTAVES_HZ):
        counts = tuple(int(known[groups == g, k].sum()) for g in (0, 1))
        if not any(counts):
            continue
        before, after = (
            math.exp(float(np.mean(y[(groups == g) & known[:, k], k]))) if counts[g] else math.nan for g in (0, 1)
        )
        ends = float(np.exp(fit.low[k])), float(np.exp(fit.high[k]))
        found.append(
            OctaveDecay(
                octave, before, after, (counts[0], counts[1]), float(np.exp(fit.value[k])), ends, bool(shown[k])
            )
        )
    return tuple(found)


def damping_db(octaves: Sequence[OctaveDecay]) -> Floats | None:
    """Return the most a change of decay times does to one-third-octave exposures, (30,) dB; None if none is shown.

    Exposure of ringing goes with decay time. At least half of the octaves known on both sides, and two, must be shown
    to have changed in one sense. Above the octaves known their median holds; below them nothing is known to ring.
    """
    known = [o for o in octaves if math.isfinite(o.ratio)]
    for sense in (-1.0, 1.0):
        shown = [o for o in known if o.shown and sense * math.log(o.ratio) > 0]
        if len(shown) >= max(2, 0.5 * len(known)):
            change = np.zeros(len(OCTAVES_HZ))
            first = OCTAVES_HZ.index(known[0].octave_hz)
            change[first:] = 10 * math.log10(float(np.median([o.ratio for o in known])))
            for o in known:
                change[OCTAVES_HZ.index(o.octave_hz)] = 10 * math.log10(o.ratio)
            return np.repeat(change, 3)
    return None
