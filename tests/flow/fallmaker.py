"""Falls whose rebounds follow the physics of a free fall, a little scattered."""

from __future__ import annotations

import math

import numpy as np

from noisecheck.flow.drops import G_MPS2
from noisecheck.flow.rebounds import Member

FALL_M, RESTITUTION = 0.05, 0.7
FIRST_S = 2.0 * RESTITUTION * math.sqrt(2.0 * FALL_M / G_MPS2)
"""Flight after a fall from 50 mm, T1 = 2 e v / g."""
FALL_DB = 20.0 * math.log10(RESTITUTION)


def train(rng: np.random.Generator, at: float = 0.0, rebounds: int = 2, first: int = -1) -> list[Member]:
    """Return the contacts of one fall: T(n+1) = e T(n), levels that fall by 20 lg e and scatter."""
    found, time_s, interval, level = [], at, FIRST_S * math.exp(rng.normal(0.0, 0.03)), rng.normal(-50.0, 0.7)
    for number in range(rebounds + 1):
        found.append(Member(number, time_s, level, first + number if first >= 0 else -1))
        time_s += interval
        interval *= RESTITUTION * math.exp(rng.normal(0.0, 0.03))
        level += FALL_DB + rng.normal(0.0, 0.7)
    return found
