"""How faint an impact of this run may be and still be heard, and what share of its impacts was heard.

Clean impacts of the run are scaled, put back into pieces of the same recording at known moments, and the same
detector looks for them (:mod:`noisecheck.pipeline.copies`). What follows from it, and how sure it is, is worked out in
:mod:`noisecheck.pipeline.hearing`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Recording
from noisecheck.core.records import record
from noisecheck.core.units import json_values
from noisecheck.pipeline.copies import Donors, Levels, Pieces, Trials, donors_of
from noisecheck.pipeline.hearing import KNOWN_SHARE, LEAST_KNOWN, SURE_Z, Curve, NearBy, curve_of, loud_enough, share_of
from noisecheck.pipeline.listen import Heard, ListenSettings
from noisecheck.pipeline.tiles import opened_once

__all__ = ["DetectionLimit", "detection_limit"]

_LEAST_DONORS: Final = 3
_KNOWN_DB: Final = 3.0
"""Below this margin a level is a bound only (ISO 3746:2010 clause 8.3.3)."""
_AT_ONCE: Final = 2
"""Pieces that copies are put into before their levels are chosen anew (one where there are few), and how often."""
_TURNS: Final = 2
_FIRST_DB: Final = -8.0
"""Margin at which half are found, about, before anything is tried..."""
_REACH_DB: Final = 18.0
"""... and how far from it that may be."""
_CLEAR_S: Final = (0.5, 0.25, 0.12, 0.06)
"""An impact is clear of the one before after so long: the longest of these that leaves..."""
_CLEAR_SHARE: Final = 0.2
"""... so much of the run clear."""
_NEAR_S: Final = 0.15
"""So long after an impact a fainter one may pass for its echo."""
_SOON_S: Final = (0.05, 0.015)
"""What comes so soon is looked at apart: rebounds come later; two so close are mostly heard as one."""
_AS_LATE: Final = 0.75
"""Impacts at an even pace never come soon after another: copies tell of them that come as late as three quarters of
them do, and a little sooner..."""
_LEAST_AS_LATE: Final = 30
"""... or these, the latest."""
_REACHED: Final = 0.98
"""Where less than this share is loud enough, the levels of what is heard reach down to the limit."""


@record
class DetectionLimit:
    """What listening to a run can hear. Levels are L_AE in the dB of the run's table; NaN where ``why`` says so."""

    level_50_db: float
    """L_AE at which half of the impacts are found, away from other impacts."""
    level_999_db: float
    """L_AE at which 99.9 % of them are found."""
    typical_db: float
    """Median L_AE of the run's own impacts."""
    heard_fraction: float
    """Share of the run's impacts, those not heard among them, that were heard (see :func:`detection_limit`)."""
    n: int
    """Copies put back."""
    found: int
    """Copies found."""
    why: str = ""
    """Why there is no limit, or what it rests on where that is little; empty when all is well."""
    level_50_ci_db: tuple[float, float] = (math.nan, math.nan)
    """95 % interval."""
    level_999_ci_db: tuple[float, float] = (math.nan, math.nan)
    """95 % interval."""
    heard_low: float = math.nan
    """One-sided lower bound of ``heard_fraction`` at 95 %: to be used where hearing too well would be dangerous."""
    heard_high: float = math.nan
    """The same, upper bound."""

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; not known is None. Levels re the typical impact are added."""
        out: dict[str, Any] = json_values(asdict(self))
        for name in ("level_50", "level_999"):
            out[f"{name}_re_typical_db"] = json_values(getattr(self, f"{name}_db") - self.typical_db)
        return out


def detection_limit(
    opened: Callable[[], Recording],
    heard: Heard,
    *,
    settings: ListenSettings,
    counted: NDArray[np.bool_] | None = None,
) -> DetectionLimit:
    """Return the detection limit of one run.

    Args:
        opened: opens the recording.
        heard: what :func:`noisecheck.pipeline.listen.listen` heard in it.
        settings: as used for listening.
        counted: (n,) which impacts the share heard is of (first contacts, say); None: all of them.

    Returns:
        The limit. Its levels hold away from other impacts, in the run's background. ``heard_fraction`` counts three
        kinds of impacts not heard: fainter than the limit, as the shape of the levels heard tells; soon after another,
        as copies put there tell; and so soon that both are one. What is never heard at any level is not in it.
    """
    own = heard.impacts["lae_db"]
    typical = float(np.nanmedian(own)) if np.isfinite(own).any() else math.nan
    donors = donors_of(heard)
    if len(donors) < _LEAST_DONORS:
        why = f"only {len(donors)} impacts are clear and alone: {_LEAST_DONORS} are needed to try"
        return DetectionLimit(math.nan, math.nan, typical, math.nan, 0, 0, why)
    rng = np.random.default_rng((0, 7))
    gap_s = np.diff(heard.onsets.frame, prepend=0) / heard.rate
    of = np.ones(len(own), bool) if counted is None else counted
    mine = np.isfinite(own) & of
    clear_s = _clear_of(gap_s)
    near_s = min(_NEAR_S, clear_s)
    with opened_once(opened) as recording:
        pieces = Pieces(recording, heard, donors, settings, rng, of)
        trials = _tried(pieces, donors, own[mine if mine.any() else np.isfinite(own)], clear_s, near_s)
    n, hits = len(trials), int(trials.found.sum())
    clear = trials.gap_s > clear_s
    if not clear.any():
        return DetectionLimit(math.nan, math.nan, typical, math.nan, n, hits, "no moment is free for a copy")
    curve = curve_of(trials.level_db[clear], trials.found[clear])
    half, sure = curve.at(0.0), curve.at(SURE_Z)
    why, share = "", (math.nan, math.nan, math.nan)
    alone = mine & (gap_s > near_s)
    known = alone & (heard.impacts["margin_db"] > _KNOWN_DB)
    if int(known.sum()) < max(LEAST_KNOWN, KNOWN_SHARE * int(alone.sum())):
        some = f"{int(known.sum())} of {int(alone.sum())} impacts"
        why = f"the levels of only {some} away from others are known: the share heard is not"
    else:
        late = trials.gap_s > _late_of(gap_s[alone], trials.gap_s, near_s)
        loud = loud_enough(curve_of(trials.level_db[late], trials.found[late]), own[alone], known[alone], rng)
        if float(np.median(loud)) < _REACHED:
            why = "levels of what is heard reach down to the limit: the share below it is told by their shape only"
        share = share_of(loud, int(of.sum()), _near_by(gap_s, of, near_s, trials), rng)
    if trials.found[clear].all() or not trials.found[clear].any():
        why = (
            "every copy was found: an upper bound" if trials.found[clear].any() else "no copy was found: a lower bound"
        )
    ends = (half.low, half.high), (sure.low, sure.high)
    return DetectionLimit(half.value, sure.value, typical, share[1], n, hits, why, *ends, share[0], share[2])


def _clear_of(gap_s: NDArray[np.float64]) -> float:
    """Return how long after an impact another one counts as clear of it."""
    for clear_s in _CLEAR_S:
        if np.maximum(gap_s - clear_s, 0.0).sum() > _CLEAR_SHARE * gap_s.sum():
            return clear_s
    return _CLEAR_S[-1]


def _late_of(gap_s: NDArray[np.float64], put_gap_s: NDArray[np.float64], near_s: float) -> float:
    """Return how long after an impact copies must come to tell of impacts that came ``gap_s`` after one."""
    left = np.sort(put_gap_s)[-min(_LEAST_AS_LATE, len(put_gap_s))]
    return max(near_s, min(_AS_LATE * float(np.quantile(gap_s, 0.25)), float(np.nextafter(left, 0.0))))


def _tried(pieces: Pieces, donors: Donors, own_db: NDArray[np.float64], clear_s: float, near_s: float) -> Trials:
    """Return copies tried: some with levels about the limit, those soon after an impact with levels of the run."""
    curve: Curve | None = None
    middle = float(np.median(donors.level_db - donors.margin_db)) + _FIRST_DB

    def levels(gap_s: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
        u = rng.uniform(-1.0, 1.0, len(gap_s))
        spot = middle + _REACH_DB * u
        if curve is not None:  # half of them where half are found, half where nearly all are
            half = curve.at(0.0).value
            spot = half + (curve.at(1.0).value - half) * np.where(rng.random(len(u)) < 0.5, 1.5 * u, 2.25 + 1.75 * u)
        return np.where(gap_s > near_s, spot, rng.choice(own_db, len(u)))

    put: Levels = levels
    tried: list[Trials] = []
    count = min(_AT_ONCE, max(pieces.left // (_TURNS + 1), 1))
    for _ in range(_TURNS):
        pieces.put(count, put)
        tried.append(pieces.tried(count))
        so_far = Trials.concat(tried)
        clear = so_far.gap_s > clear_s
        level, found = so_far.level_db[clear], so_far.found[clear]
        if found.any() and not found.all():
            curve = curve_of(level, found)
        elif len(found):
            middle = float(level.min() if found.all() else level.max())
    pieces.put(pieces.left, put)
    # What is remembered is best known at the end, so all are decided on again.
    return pieces.tried()


def _near_by(gap_s: NDArray[np.float64], counted: NDArray[np.bool_], near_s: float, trials: Trials) -> list[NearBy]:
    """Return what is known of those counted that come ever sooner after another impact."""
    spans, edges = [], (2.0 * near_s, near_s, *_SOON_S, 0.0)
    for end, begin in itertools.pairwise(edges):
        put = (trials.gap_s > begin) & (trials.gap_s <= end) & (trials.gap_s <= near_s)
        spans.append(
            NearBy(
                near=int((counted & (gap_s > begin) & (gap_s <= end)).sum()),
                near_s=float(np.clip(gap_s - begin, 0.0, end - begin).sum()),
                tried=int(put.sum()),
                found=int(trials.found[put].sum()),
            )
        )
    return spans
