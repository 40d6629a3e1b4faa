"""Coverage study of ``compare`` on simulated campaigns. Run: python tests/benchmarks/intervals.py [campaigns] [seed].

Prints how often 95 % intervals hold the true difference, how often "quieter" is said of equal treatments, and how
often the reason is right in pure cases.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "compare"))
from studies import CASES, coverage, coverage_amid_doubt, coverage_by_design, reasons, requirement_errors


def main() -> None:
    campaigns = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    start = time.perf_counter()
    total = np.zeros(4)
    for name, options in CASES.items():
        held, quieter, louder, n = coverage(campaigns, seed=seed + 1, **options)
        total += (held, quieter, louder, n)
        print(f"{name:44s} {n:6d} covered {held / n:.4f} falsely quieter {quieter / n:.4f} louder {louder / n:.4f}")
    held, quieter, louder, n = total
    print(f"{'all':44s} {n:6.0f} covered {held / n:.4f} falsely quieter {quieter / n:.4f} louder {louder / n:.4f}")
    for name, (held, n) in coverage_by_design(campaigns, seed=seed + 4).items():
        print(f"{name:44s} {n:6d} covered {held / n:.4f}")
    for change in (0.0, -2.0, -4.0):
        held, quieter, n, off = coverage_amid_doubt(campaigns // 4, seed=seed + 5, change_db=change)
        name = f"doubtful places left out, {change:+.0f} dB"
        print(f"{name:44s} {n:6d} covered {held / n:.4f} quieter {quieter / n:.4f} mean error {off:+.3f} dB")
    for kind, (right, n) in reasons(campaigns // 20, seed=seed + 2).items():
        print(f"why: {kind:39s} {n:6d} right {right / n:.4f}")
    for kind, (wrong, n) in requirement_errors(campaigns, seed=seed + 3).items():
        print(f"requirement: {kind:31s} {n:6d} falsely met {wrong / n:.4f}")
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
