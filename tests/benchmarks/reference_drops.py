"""How surely reference drops at the ends of takes are found, and never the machine's own impacts: prints the shares.

Run: python tests/benchmarks/reference_drops.py [campaigns]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "compare"))
from test_reference import drops, found_in, machine, take


def main(campaigns: int = 1000) -> None:
    """Print the figures for each strength of the reference's own sound."""
    for own_db in (4.0, 3.0, 2.0):
        whole = wrong = ends = 0
        for seed in range(campaigns // 4):
            rng = np.random.default_rng(seed)
            sounds = [rng.normal(0, 4, 30) for _ in range(3)]
            target = rng.normal(0, own_db, 30)
            takes = []
            for _ in range(4):
                count = int(rng.integers(1, 5))
                takes.append(take((0.0, drops(rng, target, count)), (3.5, machine(rng, sounds=sounds)),
                                  (3.5, drops(rng, target, count))))  # fmt: skip
            for (table, _), found in zip(takes, found_in(*takes), strict=True):
                count = (len(table) - 45) // 4
                ends += 2
                whole += (len(found.start) == 2 * count) + (len(found.end) == 2 * count)
                wrong += int(np.sum((found.rows >= 2 * count) & (found.rows < 2 * count + 45)))
        print(
            f"target's sound {own_db:g} dB SD: {whole} of {ends} ends found whole; {wrong} impacts of the machine taken"
        )
    taken = takes_seen = 0
    for seed in range(campaigns):
        rng = np.random.default_rng(seed)
        sounds = [rng.normal(0, float(rng.uniform(1, 5)), 30) for _ in range(3)]
        takes = []
        for _ in range(int(rng.integers(1, 5))):
            balls = machine(rng, int(rng.integers(6, 40)), period_s=float(rng.uniform(0.7, 10.0)), sounds=sounds)
            cut = int(rng.integers(1, 9))
            parts = balls[:cut], balls[cut:-cut], balls[-cut:]
            takes.append(take(*((6.0, [(t - part[0][0], *r) for t, *r in part]) for part in parts if part)))
        taken += sum(len(e.rows) > 0 for e in found_in(*takes))
        takes_seen += len(takes)
    print(f"without reference drops, first and last balls set apart: {taken} of {takes_seen} takes")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
