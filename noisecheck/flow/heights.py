"""Whether the drop height that the run sheet states is the one that the rebounds tell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.order import robust_sd
from noisecheck.flow.drops import Drops, odd_drops

__all__ = ["HeightHeard", "height_heard"]

_LEAST: Final = 4
_LEAST_SHARE: Final = 0.5
_MOST_SPREAD: Final = 0.2
_LOW: Final = 0.8
_HIGH: Final = 1.08
"""What agrees, heard over stated: published drops of golf balls on marble read within 3 %, table tennis balls up to 7 %
high (air drag); where restitution falls with speed (arXiv cond-mat/0312005) heights read low."""


@dataclass(frozen=True)
class HeightHeard:
    """The height balls fell from by their own rebounds, in m."""

    height_m: float
    low_m: float
    high_m: float
    """95 % interval of the median over drops."""
    drops: int
    odd: int = 0
    """Drops left out because they do not belong with the others: rolled away, hit a wall, two balls taken for one."""

    def agrees(self, stated_m: float) -> bool:
        """Return whether a stated height is within what rebounds can tell."""
        return self.low_m <= stated_m * _HIGH and self.high_m >= stated_m * _LOW

    def sentence(self, stated_m: float, *, run: str, station: str) -> str:
        """Return the sentence that says the two disagree."""
        where = f" at {station}" if station else ""
        low, high = 1000 * self.low_m, 1000 * self.high_m
        return (
            f"run {run}: the run sheet states a drop height of {1000 * stated_m:g} mm, but {self.drops} drops{where} "
            f"tell {1000 * self.height_m:.0f} mm by their rebounds ({low:.0f} to {high:.0f}): "
            "check which is right"
        )


def height_heard(drops: Drops, rows: NDArray[np.bool_] | None = None) -> HeightHeard | None:
    """Return the height that the rebounds of drops at one place tell, None where they do not tell one.

    Args:
        drops: from :func:`noisecheck.flow.drops.describe_drops`.
        rows: (drops,) those to use; all by default. Outliers are left out.

    At least 4 drops must have two intervals, half of all must, and they must agree among themselves within 20 % (SD):
    balls that roll away or bounce off walls tell no height. The interval of the median is that of a mean of normal
    values, wider by sqrt(pi / 2), with the drops' own uncertainty as the least spread.
    """
    use = np.ones(len(drops), bool) if rows is None else rows
    odd = odd_drops(drops)
    told = use & np.isfinite(drops.height_m) & (drops.restitution < 1.0) & ~odd
    height = drops.height_m[told]
    if len(height) < max(_LEAST, math.ceil(_LEAST_SHARE * int(use.sum()))):
        return None
    middle = float(np.median(height))
    spread = robust_sd(height, middle)
    if spread > _MOST_SPREAD * middle:
        return None
    spread = max(spread, float(np.median(drops.height_sd_m[told])))
    from scipy.special import stdtrit

    half = float(stdtrit(len(height) - 1, 0.975)) * math.sqrt(math.pi / 2.0 / len(height)) * spread
    return HeightHeard(middle, middle - half, middle + half, len(height), int(np.sum(use & odd)))
