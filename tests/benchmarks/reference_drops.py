"""How surely reference drops at the ends of takes are found, and never the machine's own impacts: prints the shares.

Run: python tests/benchmarks/reference_drops.py [campaigns]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "compare"))
from campaigns import spectrum
from test_reference import drops, found_in, machine, take

Row = tuple[float, float, np.ndarray]


def smooth(rng: np.random.Generator, sd_db: float) -> np.ndarray:
    """A deviation by band whose neighbours go together."""
    kernel = np.exp(-0.5 * np.arange(-3, 4) ** 2)
    return np.asarray(sd_db * np.convolve(rng.normal(0, 1, 40), kernel / np.sqrt((kernel**2).sum()), "same")[5:35])


def scattered(scatter_db: float, campaigns: int) -> None:
    """Print what is found where each hit's bands differ by so much: with drops on a tile, and with balls set apart."""
    ends = whole = taken = plain = falsely = 0
    for seed in range(campaigns):
        rng = np.random.default_rng((seed, int(scatter_db * 10)))
        own = float(rng.uniform(2, 5))
        sounds = [smooth(rng, own) for _ in range(int(rng.choice([1, 3])))]
        tile, period, rebounds = smooth(rng, own), float(rng.uniform(0.8, 4)), bool(rng.random() < 0.6)
        placed_db, count = float(rng.choice([0, 0.5, 1.5])), int(rng.integers(1, 7))
        takes, drops_of = [], []

        def hits(places: list[np.ndarray], balls: int, every: float, level: float, place: np.ndarray, again: bool,
                 rng: np.random.Generator = rng) -> list[Row]:  # fmt: skip
            found = []
            for k in range(balls):
                for at, sound in zip((0.0, 1.0, 1.7), places, strict=False):
                    t, loud = k * every + at + rng.normal(0, 0.03), level + rng.normal(0, 0.7)
                    for n in range(1 + again):
                        bands = spectrum() + sound + place + smooth(rng, scatter_db)
                        found.append((t + 0.12 * n, loud - 6 * n, bands))
            return sorted(found, key=lambda row: row[0])

        for with_tile in (True, False):
            for _ in range(count):
                place, balls = smooth(rng, placed_db), int(rng.integers(8, 25))
                a, b = rng.integers(2, 6, 2) if not with_tile else [int(rng.integers(2, 6))] * 2
                outer = [tile] if with_tile else sounds
                every, again = (1.4, True) if with_tile else (period, rebounds)
                takes.append(take((0.0, hits(outer, a, every, 58, place, again)),
                                  (rng.uniform(3, 8), hits(sounds, balls, period, 60, place, rebounds)),
                                  (rng.uniform(3, 8), hits(outer, b, every, 58, place, again))))  # fmt: skip
                drops_of.append(a if with_tile else 0)
            for (table, _), found, n in zip(takes, found_in(*takes), drops_of, strict=True):
                if with_tile:
                    ends, whole = ends + 2, whole + (len(found.start_drops) == n) + (len(found.end_drops) == n)
                    taken += int(np.sum((found.rows >= 2 * n) & (found.rows < len(table) - 2 * n)))
                else:
                    plain, falsely = plain + 1, falsely + (len(found.rows) > 0)
            takes, drops_of = [], []
    print(f"hits scatter by {scatter_db:g} dB a band: {whole} of {ends} ends found whole, {taken} of the machine's "
          f"impacts taken; without a tile, balls set apart: {falsely} of {plain} takes")  # fmt: skip


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
    for scatter_db in (0.5, 1.0, 2.0, 3.0, 5.0):
        scattered(scatter_db, campaigns // 10)
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
