"""Coverage of failure bounds over simulated campaigns, and false early warnings over simulated healthy runs.

Run: ``python tests/benchmarks/bounds.py [campaigns] [runs]``. A bound covers where the true share of failures lies at
or below it (one-sided), or within it (two-sided). A healthy run is one of ``tests/flow/flowmaker.py`` in which nothing
changes: hold-ups come at a constant rate and hold the balls behind them too.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "flow"))

from flowmaker import make_run

from noisecheck.flow.failures import HeardShare, failure_rate
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.flow.ledger import follow_balls
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
    healthy(int(sys.argv[2]) if len(sys.argv) > 2 else 40)
