"""The simulation studies behind the claims of ``compare``: small in the tests, large in tests/benchmarks."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import levels_of, simulated, summary_of

from noisecheck.bench.runsheet import Run
from noisecheck.compare.effects import compare
from noisecheck.compare.requirements import judge_mean, judge_rate
from noisecheck.compare.summary import RunSummary
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


def coverage_by_design(campaigns: int, *, seed: int) -> dict[str, tuple[int, int]]:
    """Return how often the interval held the truth in blocked, tied and nested campaigns, and how many there were."""
    rng = np.random.default_rng(seed)
    designs: dict[str, tuple[Callable[[np.random.Generator], list[RunSummary]], float]] = {
        "two heights, another slope for felt": (_two_heights, -4.0),
        "sessions tied by reference drops": (_tied, -3.0),
        "three sessions for each side alone": (_nested, -3.0),
    }
    found = {}
    for name, (make, truth) in designs.items():
        held = 0
        for _ in range(campaigns):
            difference = compare(make(rng), by="treatment").of("felt")
            held += difference.ci_db[0] <= truth <= difference.ci_db[1]
        found[name] = (held, campaigns)
    return found


def _row(rng: np.random.Generator, level: float, shift: float = 0.0, **run: Any) -> RunSummary:
    n = int(rng.integers(5, 60))
    mean = level + shift + rng.normal(0, 1.0) + rng.normal(0, 2.0 / np.sqrt(n))
    return summary_of(Run(name=f"{run}{rng.integers(10**9)}", files=(), **run), levels_of(mean), n=n)


def _two_heights(rng: np.random.Generator) -> list[RunSummary]:
    """Felt is 3 dB quieter at 60 mm and 5 dB quieter at 120 mm: 4 dB in the mean of both."""
    rows = []
    for value, height, level, runs in (
        ("bare", 60.0, 60.0, 3), ("bare", 120.0, 63.5, 4), ("felt", 60.0, 57.0, 4), ("felt", 120.0, 58.5, 2),
    ):  # fmt: skip
        rows += [_row(rng, level, treatment=value, drop_height_mm=height, session="s") for _ in range(runs)]
    return rows


def _tied(rng: np.random.Generator) -> list[RunSummary]:
    rows = []
    for value, session, level in (("bare", "a", 60.0), ("felt", "b", 57.0)):
        shift = rng.normal(0, 6.0)
        rows += [_row(rng, level, shift, treatment=value, session=session) for _ in range(4)]
        rows += [_row(rng, 50.0, shift, role="reference", session=session) for _ in range(3)]
    return rows


def _nested(rng: np.random.Generator) -> list[RunSummary]:
    rows = []
    for i in range(6):
        value, level = ("bare", 60.0) if i < 3 else ("felt", 57.0)
        shift = rng.normal(0, 1.5)
        rows += [_row(rng, level, shift, treatment=value, session=f"s{i}") for _ in range(int(rng.integers(1, 4)))]
    return rows


def requirement_errors(campaigns: int, *, seed: int) -> dict[str, tuple[int, int]]:
    """Return how often "met" was said of a value that lies just beyond its limit, by kind of requirement."""
    rng = np.random.default_rng(seed)
    wrong = dict.fromkeys(("level of 3 runs", "level of 6 runs", "at least", "rate", "rate, half unheard"), 0)
    for _ in range(campaigns):
        for runs in (3, 6):
            values = rng.normal(60.001, 1.2, runs)
            wrong[f"level of {runs} runs"] += judge_mean(values, 60.0).verdict == "met"
        wrong["at least"] += judge_mean(rng.normal(0.5999, 0.02, 4), 0.6, sense="at least").verdict == "met"
        balls = int(rng.integers(2000, 20_000))
        wrong["rate"] += judge_rate(int(rng.binomial(balls, 1.0001e-3)), balls, 1.0, scale=1e3).verdict == "met"
        heard = int(rng.binomial(balls, 1.0001e-3 * 0.5))
        wrong["rate, half unheard"] += judge_rate(heard, balls, 1.0, scale=1e3, heard_fraction=0.5).verdict == "met"
    return {kind: (count, campaigns) for kind, count in wrong.items()}


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
