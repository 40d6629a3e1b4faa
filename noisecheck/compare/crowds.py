"""Which impacts of a run are its drops, amid rebounds, ticks of the machine and sounds of other places."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import Run
from noisecheck.core.flags import Flag
from noisecheck.core.order import median, robust_sd
from noisecheck.core.table import Impacts
from noisecheck.flow.beliefs import SMALL_DB

__all__ = ["far_fainter", "loudest", "mixed_crowd", "of_the_crowd"]

_MORE: Final = 1.3  # times as many drops as balls are no longer chance
_FAR: Final = 3.5  # modified z-score of an outlier (Iglewicz and Hoaglin 1993)
_LEAST_SPREAD_DB: Final = 2.0  # equal drops on one place differ by so much (common practice, no source)
_LEAST_CLEAR: Final = 3
_MOSTLY: Final = 0.5


def loudest(run: Run, part: Impacts, keep: NDArray[np.bool_], excluded: dict[str, int], where: str) -> str:
    """Keep of more drops than balls were fed the loudest, and say so: rebounds and ticks are softer than contacts.

    Where no station is known they stay, for a ball may have struck several.
    """
    count, fed = int(keep.sum()), run.balls_fed
    if not fed or count <= _MORE * fed + 2:
        return ""
    said = f"run {run.name}: {count} impacts{where} count as drops, but {fed} balls were fed: "
    hint = "(a run without balls, role = background, tells those)"
    if not where:
        return f"{said}other stations, rebounds, or sounds of the machine, are among them {hint}"
    most = max(fed - excluded.get("clipped", 0), 0)  # those are drops, and the loudest
    level_db = np.where(keep & np.isfinite(part["lae_db"]), part["lae_db"], -np.inf)
    keep[np.argsort(-level_db, kind="stable")[most:]] = False
    excluded["beyond the balls fed"] = count - int(keep.sum())
    return f"{said}the {most} loudest are taken, the rest for rebounds or sounds of the machine {hint}"


def mixed_crowd(run: Run, part: Impacts, keep: NDArray[np.bool_], where: str) -> str:
    """Say where most of what counts as drops is faint and the rest far louder: of two kinds there is no mean."""
    low = keep & part.flagged(Flag.LOW_MARGIN)
    clear = keep & ~low
    if clear.sum() < _LEAST_CLEAR or low.sum() <= _MOSTLY * keep.sum():
        return ""
    apart = float(np.nanpercentile(part["lae_db"][clear], 75)) - median(part["lae_db"][low])
    if not apart > SMALL_DB:
        return ""
    return (
        f"run {run.name}: {low.sum()} of {keep.sum()} impacts{where} that count as drops hardly stand out of the "
        f"background, others are {apart:.0f} dB louder: if the soft ones are sounds of the machine, its mean is far "
        "too low (state station and balls_fed, or record a run without balls, role = background)"
    )


def of_the_crowd(part: Impacts, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which faint impacts are the upper end of a crowd that the background mostly drowns, and so no drops.

    A lift ticks far more often than balls drop, and some of its ticks stand out of the background a little.
    """
    level_db = part["lae_db"]
    drowned = part.flagged(Flag.BOUND) & np.isfinite(level_db)
    if drowned.sum() <= keep.sum():
        return np.zeros(len(part), bool)
    middle = median(level_db[drowned])
    spread = max(robust_sd(level_db[drowned], middle), _LEAST_SPREAD_DB)
    with np.errstate(invalid="ignore"):
        own = keep & part.flagged(Flag.LOW_MARGIN) & (level_db - middle <= _FAR * spread)
    return own if own.sum() < keep.sum() else np.zeros(len(part), bool)


def far_fainter(part: Impacts, keep: NDArray[np.bool_], rebound_db: float, *, one_place: bool) -> NDArray[np.bool_]:
    """Return which levels lie far below those kept, and at a low margin or nearer to those of rebounds.

    They are ticks, or rebounds of a contact that another sound hid. At one place what is softer than the usual contact
    by as much as no ball is, is none at any margin.
    """
    level_db = part["lae_db"]
    known = level_db[keep & np.isfinite(level_db)]
    if not known.size:
        return np.zeros(len(level_db), bool)
    middle = median(known)
    spread = robust_sd(known, middle)
    with np.errstate(invalid="ignore"):
        far = middle - level_db > _FAR * max(spread, _LEAST_SPREAD_DB)
        no_drop = part.flagged(Flag.LOW_MARGIN) | (level_db < 0.5 * (middle + rebound_db))
        return np.asarray(far & (no_drop | (one_place & (middle - level_db > SMALL_DB))))
