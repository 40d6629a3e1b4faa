"""The simulation studies behind the claims of ``compare``: small in the tests, large in tests/benchmarks."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import simulated, true_difference

from noisecheck.compare.effects import compare
from noisecheck.compare.why import contact_level_db
from noisecheck.core.bands import third_octave_midbands

CASES: dict[str, dict[str, Any]] = {
    "3 against 3, two sessions": {"runs": (3, 3)},
    "4 against 4, two sessions": {"runs": (4, 4)},
    "6 against 6, two sessions": {"runs": (6, 6)},
    "3 against 6, two sessions": {"runs": (3, 6)},
    "3 to 6 runs a side, two sessions": {"runs": None},
    "3 against 3, one session": {"runs": (3, 3), "sessions": 1},
    "3 to 6 runs, one session": {"runs": None, "sessions": 1},
    "3 against 3, three sessions (paired)": {"runs": (3, 3), "sessions": 3},
    "3 to 6 runs, few impacts (1 to 10)": {"runs": None, "impacts": (1, 11)},
    "3 to 6 runs, one side scatters threefold": {"runs": None, "unequal": 3.0},
}


def coverage(
    campaigns: int, *, seed: int, runs: tuple[int, int] | None, unequal: float = 1.0, **options: Any
) -> tuple[int, int, int, int]:
    """Return how many intervals held, said quieter, said louder of equal treatments; and how many there were."""
    rng = np.random.default_rng(seed)
    held = quieter = louder = count = 0
    for _ in range(campaigns):
        a, b = runs or (int(rng.integers(3, 7)), int(rng.integers(3, 7)))
        summaries = simulated(rng, [("bare", a)], **options)
        if unequal == 1.0:
            summaries = simulated(rng, [("bare", a), ("felt", b)], **options)
        else:
            summaries = simulated(rng, [("bare", a)], session_sd=0.0, sessions=1)
            summaries += simulated(rng, [("felt", b)], session_sd=0.0, sessions=1, between_sd=unequal)
        found = compare(summaries, by="treatment").of("felt")
        if not np.isfinite(found.ci_db[0]):
            continue
        count += 1
        held += found.ci_db[0] <= 0 <= found.ci_db[1]
        quieter += found.verdict == "quieter"
        louder += found.verdict == "louder"
    return held, quieter, louder, count


def pure_cases(rng: np.random.Generator) -> dict[str, tuple[np.ndarray, float]]:
    """Band change and decay ratio of one pure case of each kind, of random size."""
    f = third_octave_midbands()
    before, after = rng.uniform(6000, 16000), rng.uniform(900, 3000)
    ratio = rng.uniform(0.15, 0.45)
    low = rng.uniform(2.5, 5.0)
    return {
        "less energy": (np.full(30, -rng.uniform(4, 10)), 1.0),
        "softer contact": (contact_level_db(f, after) - contact_level_db(f, before), 1.0),
        "more damping": (np.full(30, 10 * np.log10(ratio)), ratio),
        "moved energy": (contact_level_db(f, after) - contact_level_db(f, before) + low, 1.0),
        "nothing shown": (np.zeros(30), 1.0),
    }


def reasons(campaigns: int, *, seed: int) -> dict[str, tuple[int, int]]:
    """Return for each pure case how often ``why`` named it, and how many campaigns were simulated."""
    rng = np.random.default_rng(seed)
    right: dict[str, int] = {}
    for _ in range(campaigns):
        for kind, (change, ratio) in pure_cases(rng).items():
            groups = [("bare", int(rng.integers(3, 7))), ("felt", int(rng.integers(3, 7)))]
            summaries = simulated(rng, groups, band_change={"felt": change}, decay_ratio={"felt": ratio})
            reason = compare(summaries, by="treatment").of("felt").why
            right[kind] = right.get(kind, 0) + (reason is not None and reason.kind == kind)
    return {kind: (count, campaigns) for kind, count in right.items()}


__all__ = ["CASES", "coverage", "pure_cases", "reasons", "true_difference"]
