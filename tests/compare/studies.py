"""The simulation studies behind the claims of ``compare``: small in the tests, large in tests/benchmarks."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import impacts_of, levels_of, simulated, summary_of

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.effects import compare
from noisecheck.compare.flowing import GroupFlow, RunFlow, count_rate, group_flow
from noisecheck.compare.joint import flow_change
from noisecheck.compare.requirements import judge_mean, judge_rate
from noisecheck.compare.summary import RunSummary, index_of, summarise
from noisecheck.compare.trend import trend
from noisecheck.compare.why import contact_level_db
from noisecheck.core.bands import third_octave_midbands
from noisecheck.core.table import Impacts
from noisecheck.flow.failures import binomial_bounds

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
        "no drop height shared, own slopes": (_no_height_shared, -4.0),
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


def coverage_amid_doubt(campaigns: int, *, seed: int, change_db: float) -> tuple[int, int, int, float]:
    """Return how many intervals held, said quieter, how many there were, and the mean error (dB), amid doubtful places.

    Impact tables of 3 to 6 runs a side. The softer an impact, the likelier its place is in doubt (half are, 6 dB below
    the bare mean; scatter 2 dB), and a third of those in doubt belong to another station, 8 dB softer.
    """
    rng = np.random.default_rng(seed)
    held = quieter = 0
    off = []
    for _ in range(campaigns):
        tables, sheet = [], []
        for value, level in (("bare", 60.0), ("felt", 60.0 + change_db)):
            for i in range(int(rng.integers(3, 7))):
                name = f"{value}{i}"
                table = impacts_of(rng, name, int(rng.integers(15, 60)), level + rng.normal(0, 1))
                lae = table["lae_db"]
                doubt = rng.random(len(table)) < 1 / (1 + np.exp(lae - 54.0))
                foreign = doubt & (rng.random(len(table)) < 1 / 3)
                sure = np.where(doubt, rng.uniform(0.5, 0.9, len(table)), 1.0)
                tables.append(table.with_columns(lae_db=lae - 8.0 * foreign, station_confidence=sure))
                sheet.append(Run(name=name, files=(), treatment=value))
        found = compare(summarise(Impacts.concat(tables), sheet), by="treatment").of("felt")
        held += found.ci_db[0] <= change_db <= found.ci_db[1]
        quieter += found.verdict == "quieter"
        off.append(found.difference_db - change_db)
    return held, quieter, campaigns, float(np.mean(off))


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


def _no_height_shared(rng: np.random.Generator) -> list[RunSummary]:
    """Felt is 4 dB quieter at 98 mm, the middle of what both sides cover, and rises less with height."""
    rows = []
    for value, heights, level, slope in (("bare", (60.0, 120.0), 60.0, 1.3), ("felt", (80.0, 160.0), 56.0, 0.9)):
        for height in heights:
            rise = slope * 10 * np.log10(height / np.sqrt(80.0 * 120.0))
            rows += [_row(rng, level + rise, treatment=value, drop_height_mm=height, session="s") for _ in range(3)]
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


def dispersed_counts(campaigns: int, *, seed: int, share: float = 0.08, alike: float = 0.08) -> tuple[int, int, int]:
    """Return how often bounds held a rate whose runs differ, with and without regard to it, and out of how many.

    Six runs of 60 balls; each run has its own share, beta distributed with intraclass correlation ``alike``.
    """
    rng = np.random.default_rng(seed)
    a = share * (1 / alike - 1)
    b = (1 - share) * (1 / alike - 1)
    held = plain = 0
    for _ in range(campaigns):
        counts = [(int(rng.binomial(60, rng.beta(a, b))), 60) for _ in range(6)]
        rate = count_rate(counts, per=1.0)
        held += rate.low <= share <= rate.high
        low, high = binomial_bounds(sum(x for x, _ in counts), 360)
        plain += low <= share <= high
    return held, plain, campaigns


def flow_errors(campaigns: int, *, seed: int) -> dict[str, tuple[int, int]]:
    """Return how often the flow's verdict was wrong, by kind of error, and out of how many."""
    rng = np.random.default_rng(seed)
    wrong = dict.fromkeys(("worse though alike", "bound on more too low", "no worse though beyond the margin"), 0)
    for _ in range(campaigns):
        n0, n1 = (int(v) for v in rng.integers(40, 600, 2))
        share = float(rng.uniform(0.0, 0.15))
        beyond = share + 0.0501
        a, same, more = (_counted(rng, n, p) for n, p in ((n0, share), (n1, share), (n1, beyond)))
        alike, worse = flow_change(a, same), flow_change(a, more)
        wrong["worse though alike"] += alike.verdict == "worse"
        wrong["bound on more too low"] += alike.at_most_more < 0
        wrong["no worse though beyond the margin"] += worse.verdict in ("no worse", "better")
    return {kind: (count, campaigns) for kind, count in wrong.items()}


def _counted(rng: np.random.Generator, balls: int, share: float) -> GroupFlow:
    held = int(rng.binomial(balls, share))
    return group_flow("", [RunFlow(Run("r", ()), balls=balls, arrived=balls, held_up=held, troubled=held)])


LIMITS: dict[str, tuple[str, float, str]] = {
    "level": ("lae_db", 60.0, "at most"),
    "band": ("le_4000hz", 50.0, "at most"),
    "total": ("total_lae_db", 60.0, "at most"),
    "decay": ("decay_ms", 80.0, "at most"),
    "restitution": ("restitution", 0.6, "at least"),
    "held up": ("held_up_per_thousand", 20.0, "at most"),
    "failures": ("failures_per_million", 5000.0, "at most"),
}
"""Kinds of requirements for :func:`verdict_errors`: measure, limit, sense."""


def verdict_errors(
    campaigns: int, *, seed: int, db_re: str = "full scale", reference: bool = True
) -> dict[str, dict[str, int]]:
    """Return how often each verdict was given where the truth lies a hair beyond the limit, by kind.

    Campaigns of one revision: two drop heights, three sessions with shifts, one or two runs in each (microphones put
    back), and reference drops; calibrated ones have sessions that differ by 0.5 dB, uncalibrated ones by 2 dB.
    """
    rng = np.random.default_rng(seed)
    requirements = [
        {
            "id": kind,
            "measure": m,
            "limit": limit,
            "sense": sense,
            **({} if m == "total_lae_db" else {"station": "landing"}),
        }
        for kind, (m, limit, sense) in LIMITS.items()
    ]
    for r in requirements:
        if r["measure"] in ("held_up_per_thousand", "failures_per_million"):
            del r["station"]
    rig = Rig.model_validate({"station": [{"name": "landing"}], "requirement": requirements})
    counts: dict[str, dict[str, int]] = {kind: {} for kind in LIMITS}
    for _ in range(campaigns):
        summaries, flows = _revision_at_its_limits(rng, db_re, reference)
        for judged in trend(summaries, flows, rig=rig).newest.card.judged:
            of = counts[judged.requirement.id]
            of[judged.verdict.verdict] = of.get(judged.verdict.verdict, 0) + 1
    return counts


def _revision_at_its_limits(
    rng: np.random.Generator, db_re: str, reference: bool
) -> tuple[list[RunSummary], list[RunFlow]]:
    """Return a revision whose every figure lies just beyond the limits of :data:`LIMITS`."""
    summaries: list[RunSummary] = []
    flows: list[RunFlow] = []
    shifts = [0.0, *rng.normal(0, 2.0, 2)] if db_re == "full scale" else list(rng.normal(0, 0.5, 3))
    balls = int(rng.integers(40, 400))
    band, decay, total = index_of("le_4000hz"), index_of("decay_ms"), 60.0 - 10 * np.log10(1.0)
    each = int(rng.integers(1, 3))
    for session, shift in enumerate(shifts):
        for height, rise in ((60.0, -2.0), (120.0, 2.0)):
            for k in range(each):
                run = Run(f"{session}-{height}-{k}", (), revision="A", drop_height_mm=height, session=f"s{session}")
                noise = shift + rng.normal(0, 0.8)
                levels = levels_of(total + 0.001 + rise + noise)
                levels[band] = 50.001 + rise + noise + rng.normal(0, 0.3)
                levels[decay] = np.log(80.01) + rise / 20 + rng.normal(0, 0.08)
                found = summary_of(run, levels, n=30, sd=0.0, db_re=db_re)
                summaries.append(replace(found, station="landing"))
                held, stuck = int(rng.binomial(balls, 0.02001)), int(rng.binomial(balls, 0.005001))
                e = {"landing": 0.5999 + rng.normal(0, 0.01)}
                flows.append(
                    RunFlow(run, balls=balls, arrived=balls - stuck, held_up=held, stuck=stuck,
                            troubled=min(held + stuck, balls), seconds=balls * 0.9, restitution=e)
                )  # fmt: skip
        if reference:
            run = Run(f"ref-{session}", (), role="reference", session=f"s{session}", drop_height_mm=60.0)
            found = summary_of(run, levels_of(50.0 + shift + rng.normal(0, 0.4)), n=6, sd=0.3, db_re=db_re)
            summaries.append(replace(found, station="reference"))
    return summaries, flows
