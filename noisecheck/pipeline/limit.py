"""How faint an impact of this run may be and still be heard: known copies put back and searched for.

Clean impacts of the run are scaled, put back into pieces of the same recording at known moments, and the same
detector looks for them. A logistic curve of found against level gives the levels at which half and 99.9 % are
found, and with them the share of the run's own impacts that listening hears at all.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.audio.recording import Recording, is_lossy
from noisecheck.core.flags import Flag
from noisecheck.detect.candidates import Candidates, cell_frames, find_candidates, lead_frames, tail_frames
from noisecheck.detect.channels import merge_channels
from noisecheck.detect.decide import MEMORY_S, decide
from noisecheck.pipeline.listen import Heard, ListenSettings
from noisecheck.pipeline.tiles import opened_once

__all__ = ["DetectionLimit", "detection_limit"]

_PIECES: Final = 8
_PIECE_S: Final = 12
_DONORS: Final = 24
_LEAST_DONORS: Final = 3
_COPY_S: Final = 0.25
_LEAD_S: Final = 0.001
_FADE_S: Final = 0.02
_ALONE_S: Final = 0.1
_CLEAR_DB: Final = 10.0
_MARGINS_DB: Final = (-14.0, 14.0)
_APART_S: Final = (0.3, 0.6)
_FREE_S: Final = 0.03
_MATCH_S: Final = 0.010
_SURE_SCORE: Final = 100.0
_LEAST_HEARD: Final = 0.05
_UNFIT: Final = Flag.CLIPPED | Flag.OVERLAPPED | Flag.FILE_EDGE | Flag.LOW_MARGIN | Flag.NONFINITE


@dataclass(frozen=True)
class DetectionLimit:
    """What listening to a run can hear. Levels are L_AE in the dB of the run's table; NaN where ``why`` says so."""

    level_50_db: float
    """L_AE at which half of the impacts are found."""
    level_999_db: float
    """L_AE at which 99.9 % are found: an upper bound, for some copies fall into the tails of louder impacts."""
    typical_db: float
    """Median L_AE of the run's own impacts."""
    heard_fraction: float
    """Share of the run's impacts, those not heard among them, that were heard (see :func:`detection_limit`)."""
    n: int
    """Copies put back."""
    found: int
    """Copies found."""
    why: str = ""
    """Why there is no limit, or why it is a bound only; empty when all is well."""

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; not known is None. Levels re the typical impact are added."""
        out = {k: None if isinstance(v, float) and math.isnan(v) else v for k, v in asdict(self).items()}
        for name in ("level_50", "level_999"):
            value = getattr(self, f"{name}_db") - self.typical_db
            out[f"{name}_re_typical_db"] = None if math.isnan(value) else value
        return out


def detection_limit(
    opened: Callable[[], Recording], heard: Heard, *, settings: ListenSettings, seed: int = 0
) -> DetectionLimit:
    """Return the detection limit of one run.

    Args:
        opened: opens the recording.
        heard: what :func:`noisecheck.pipeline.listen.listen` heard in it.
        settings: as used for listening.
        seed: of the choice of copies, moments and levels; the same seed gives the same result.

    Returns:
        The limit. ``heard_fraction`` is ``n / sum(1 / p_i)`` over the n impacts heard, ``p_i`` being the probability
        to hear one of its level (Horvitz & Thompson, J. Am. Stat. Assoc. 47 (1952) 663): what is never heard at any
        level, or only while another impact covers it, is not in it.
    """
    own = heard.impacts["lae_db"]
    typical = float(np.nanmedian(own)) if np.isfinite(own).any() else math.nan
    donors = _donors(heard)
    if len(donors) < _LEAST_DONORS:
        why = f"only {len(donors)} impacts are clear and alone: {_LEAST_DONORS} are needed to try"
        return DetectionLimit(math.nan, math.nan, typical, math.nan, 0, 0, why)
    rng = np.random.default_rng((seed, 7))
    with opened_once(opened) as recording:
        level, found = _tried(recording, heard, donors, settings, rng)
    n, hits = len(level), int(found.sum())
    if n == 0:
        return DetectionLimit(math.nan, math.nan, typical, math.nan, 0, 0, "no moment is free for a copy")
    middle, width = _logistic(level, found)
    chance = 1.0 / (1.0 + np.exp(-np.clip((own[np.isfinite(own)] - middle) / width, -50.0, 50.0)))
    fraction = len(chance) / float(np.sum(1.0 / np.maximum(chance, _LEAST_HEARD)))
    why = (
        "" if 0 < hits < n else ("every copy was found: an upper bound" if hits else "no copy was found: a lower bound")
    )
    return DetectionLimit(middle, middle + width * math.log(999.0), typical, fraction, n, hits, why)


def _donors(heard: Heard) -> NDArray[np.int64]:
    """Return the rows of clean, lone impacts, the clearest first of each level, at most ``_DONORS``."""
    table, frame = heard.impacts, heard.onsets.frame
    alone = int(_ALONE_S * heard.rate)
    before = np.diff(frame, prepend=-alone - 1)
    after = np.diff(frame, append=heard.frames)
    fit = (table["flags"] & np.uint32(_UNFIT)) == 0
    fit &= (before > alone) & (after > alone) & (table["margin_db"] > _CLEAR_DB) & np.isfinite(table["lae_db"])
    rows = np.flatnonzero(fit)
    rows = rows[np.argsort(table["lae_db"][rows], kind="stable")]
    return rows[np.unique(np.linspace(0, len(rows) - 1, min(_DONORS, len(rows))).round().astype(np.int64))]


def _copies(recording: Recording, heard: Heard, donors: NDArray[np.int64]) -> list[NDArray[np.float32]]:
    """Return each donor's samples (frames, channels), faded in and out, from ``_LEAD_S`` before its first arrival."""
    rate, onsets = heard.rate, heard.onsets
    following = np.append(onsets.frame[1:], heard.frames)
    lead, fade = int(_LEAD_S * rate), int(_FADE_S * rate)
    copies = []
    for row in donors:
        start = int(onsets.frame[row])
        stop = min(start + int(_COPY_S * rate), int(following[row]) - lead)
        piece = recording.read(start - lead, stop).astype(np.float32, copy=True)
        piece[:lead] *= np.linspace(0.0, 1.0, lead, dtype=np.float32)[:, None]
        piece[-fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)[:, None]
        copies.append(piece)
    return copies


def _tried(
    recording: Recording,
    heard: Heard,
    donors: NDArray[np.int64],
    settings: ListenSettings,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return level and whether found of every copy put back."""
    rate, cell, coded = heard.rate, cell_frames(heard.rate), is_lossy(recording)
    copies = _copies(recording, heard, donors)
    lae, margin = heard.impacts["lae_db"][donors], heard.impacts["margin_db"][donors]
    lead = int(_LEAD_S * rate)
    cells = np.arange(0, max(heard.frames // cell - _PIECE_S, 0) + 1, _PIECE_S)
    chosen = np.sort(rng.permutation(cells)[:_PIECES])
    levels: list[float] = []
    hits: list[bool] = []
    for first in chosen.tolist():
        start, stop = first * cell, min((first + _PIECE_S) * cell, heard.frames)
        origin = max(0, start - lead_frames(rate))
        samples = recording.read(origin, min(stop + tail_frames(rate), recording.frames)).astype(np.float32, copy=True)
        moments = _moments(heard, start, stop, rng)
        for at in moments.tolist():
            k = int(rng.integers(len(donors)))
            gain_db = float(rng.uniform(*_MARGINS_DB)) - float(margin[k])
            piece = copies[k] * np.float32(10.0 ** (gain_db / 20.0))
            room = samples[at - lead - origin : at - lead - origin + len(piece)]
            room += piece[: len(room)]
            levels.append(float(lae[k]) + gain_db)
        per_channel = [
            find_candidates(
                np.ascontiguousarray(samples[:, c]), rate, origin=origin, start=start, stop=stop, coded=coded
            )
            for c in range(heard.channels)
        ]
        hits += _found(per_channel, moments, heard, start, settings)
    return np.array(levels), np.array(hits, bool)


def _moments(heard: Heard, start: int, stop: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return moments for copies, at random but apart from one another and from what was heard."""
    rate = heard.rate
    steps = rng.uniform(*_APART_S, int((stop - start) / rate / _APART_S[0]) + 1)
    at = start + (np.cumsum(steps) * rate).astype(np.int64)
    at = at[at < stop - int(_COPY_S * rate)]
    edges = np.concatenate(([-(10**12)], heard.onsets.frame, [10**15]))
    after = np.searchsorted(edges, at)
    return at[np.minimum(at - edges[after - 1], edges[after] - at) > int(_FREE_S * rate)]


def _found(
    per_channel: list[Candidates],
    moments: NDArray[np.int64],
    heard: Heard,
    start: int,
    settings: ListenSettings,
) -> list[bool]:
    """Return for each copy whether it is taken for an impact, as if it were the only one put back."""
    rate, onsets = heard.rate, heard.onsets
    tolerance, near = int(_MATCH_S * rate), int(_ALONE_S * rate)
    recent = (onsets.frame >= start - int(MEMORY_S * rate)) & (onsets.frame < start)
    past = [_sure(a[recent & (a >= 0) & (a < start)]) for a in onsets.arrival.T]
    out = []
    for at in moments.tolist():
        mine = [c.where(_only(c.onset, moments, at, near)) for c in per_channel]
        known = [Candidates.concat([p, c]) for p, c in zip(past, mine, strict=True)]
        odds = [decide(k, rate, settings.detect)[len(p) :] for k, p in zip(known, past, strict=True)]
        close = [np.abs(c.onset - at) <= near for c in mine]
        merged = merge_channels(
            [c.where(k) for c, k in zip(mine, close, strict=True)],
            [o[k] for o, k in zip(odds, close, strict=True)],
            rate,
            spread_s=settings.spread_s,
        )
        out.append(bool((np.abs(merged.frame - at) <= tolerance).any()))
    return out


def _only(onset: NDArray[np.int64], moments: NDArray[np.int64], at: int, near: int) -> NDArray[np.bool_]:
    """Return which candidates are not after ``at`` and not by another copy."""
    other = moments[moments != at]
    index = np.searchsorted(other, onset)
    edges = np.concatenate(([-(10**12)], other, [10**15]))
    apart = np.minimum(onset - edges[index], edges[index + 1] - onset) > near
    return (onset <= at + near) & (apart | (np.abs(onset - at) <= near))


def _sure(onset: NDArray[np.int64]) -> Candidates:
    """Return impacts heard before as clear candidates: what deciding remembers of them."""
    clear, nothing = np.full(len(onset), _SURE_SCORE), np.zeros(len(onset))
    return Candidates(np.sort(onset), clear, nothing, clear, nothing, nothing.astype(np.int64), nothing)


def _logistic(level: NDArray[np.float64], found: NDArray[np.bool_]) -> tuple[float, float]:
    """Return middle and width (both dB) of the logistic curve likeliest to have given ``found``.

    The width is held near 1.5 dB by a weak prior (a factor of 2 either way), so that a curve that is a step in the
    few copies tried does not run away.
    """
    from scipy.optimize import minimize
    from scipy.special import expit, log_expit

    sign = np.where(found, 1.0, -1.0)

    def cost(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        width = math.exp(x[1])
        z = (level - x[0]) / width
        pull = expit(-sign * z) * sign
        prior = (x[1] - math.log(1.5)) / math.log(2.0)
        value = -log_expit(sign * z).sum() + 0.5 * prior**2
        return float(value), np.array([pull.sum() / width, (pull * z).sum() + prior / math.log(2.0)])

    if found.all() or not found.any():
        return float(level.min() if found.all() else level.max()), 1.5
    low = np.quantile(level, [0.1, 0.9])
    starts = [np.array([m, math.log(w)]) for m in (*low, float(np.median(level))) for w in (0.7, 3.0)]
    fits = [minimize(cost, s, jac=True, method="BFGS") for s in starts]
    best = min(fits, key=lambda f: float(f.fun))
    return float(best.x[0]), float(math.exp(best.x[1]))
