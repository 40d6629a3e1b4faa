"""Coverage of failure bounds over simulated campaigns, and false early warnings over simulated healthy runs.

Run: ``python tests/benchmarks/bounds.py [campaigns] [runs] [challenged runs]``. A bound covers where the true share
of failures lies at or below it (one-sided), or within it (two-sided). A healthy run is one of
``tests/flow/flowmaker.py`` in which nothing changes: hold-ups come at a constant rate and hold the balls behind them
too.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "flow"))

from flowmaker import DEGRADED, make_run

from noisecheck.flow.challenge import challenge
from noisecheck.flow.failures import HeardShare, failure_rate
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.ledger import follow_balls
from noisecheck.flow.route import LedgerSettings
from noisecheck.flow.warning import link_flows


def ledger(balls: int, stuck: int, undecided: int) -> Ledger:
    findings = tuple(Finding("stuck", float(i), "landing", 50.0, "", i) for i in range(stuck))
    return Ledger("r", balls, balls - stuck - undecided, findings, undecided=undecided)


def coverage(campaigns: int) -> None:
    rng = np.random.default_rng(20)
    print("coverage of 95 % bounds; heard share tested with so many known failures")
    for balls in (200, 5_000, 41_200):
        for share in (1e-4, 1e-3, 1e-2):
            for heard, tried in ((1.0, 0), (0.9, 100), (0.9, 30), (0.6, 100)):
                one = two = 0
                for _ in range(campaigns):
                    failed = rng.binomial(balls, share)
                    said = rng.binomial(failed, heard)
                    test = HeardShare.from_test(rng.binomial(tried, heard), tried) if tried else HeardShare(1, 1, "all")
                    rate = failure_rate([ledger(balls, said, 0)], heard=test)
                    one += rate.upper >= share
                    two += rate.lower <= share * heard <= rate.upper_two_sided
                print(
                    f"   {balls:6} balls, {share:g} fail, {heard:g} heard ({tried} tried): "
                    f"upper {one / campaigns:.3f}, two-sided {two / campaigns:.3f}",
                    flush=True,
                )


def challenged(runs: int) -> None:
    """Print how often the bound covers where the heard share is that of a challenge of the run itself."""
    print("coverage of the 95 % bound with the share that a challenge of the run itself finds")
    for name, options in {
        "12 dB, one microphone": {},
        "degraded, one microphone": DEGRADED,
        "degraded, one a station": {**DEGRADED, "one_microphone": False},
    }.items():
        covered, tried, caught, stray_tried, stray_caught = 0, 0, 0, 0, 0
        for seed in range(800, 800 + runs):
            run = make_run(seed, seconds=900.0, kind="cranked", stuck=0.02, kicked=0.0, **options)
            settings = LedgerSettings(shared_microphone=run.one_microphone)
            known = {"end_s": 900.0, "settings": settings}
            test = challenge(run.impacts, run.route, stuck=60, strays=30, seed=seed, **known)
            rate = failure_rate([follow_balls(run.impacts, run.route, **known)], heard=test.heard)
            covered += rate.upper >= 0.02
            tried, caught = tried + test.stuck_tried, caught + test.stuck_caught
            stray_tried, stray_caught = stray_tried + test.stray_tried, stray_caught + test.stray_caught
        print(
            f"   {name}: covers in {covered} of {runs}; stuck named {caught} of {tried}, "
            f"strays {stray_caught} of {stray_tried}",
            flush=True,
        )


def healthy(runs: int) -> None:
    print("early warnings in healthy runs")
    for seconds in (900.0, 3600.0):
        for kind in ("steady", "cranked"):
            for held_up in (0.004, 0.03):
                warned: list[str] = []
                for seed in range(500, 500 + runs):
                    run = make_run(seed, seconds=seconds, kind=kind, held_up=held_up)
                    flows = link_flows(follow_balls(run.impacts, run.route, end_s=seconds))
                    said = [f.warning for f in flows if f.warning]
                    warned += said[:1]
                print(f"   {seconds / 60:g} min, {kind}, {held_up:g} held up: {len(warned)} of {runs}", flush=True)
                for text in warned[:3]:
                    print(f"      {text}")


if __name__ == "__main__":
    coverage(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
    challenged(int(sys.argv[3]) if len(sys.argv) > 3 else 20)
    healthy(int(sys.argv[2]) if len(sys.argv) > 2 else 40)
