"""Why a change is quieter: less energy, softer contact, more damping, or energy moved to low frequencies.

A ball's contact pushes for a time ``tc`` with a force like sin^1.5 (Hertz; McLaskey & Glaser 2012,
doi 10.1007/s10921-012-0131-2), so its spectrum is a low-pass, 10 dB down at 1.142 / tc. A softer landing moves this
cut-off down: low bands stay, high bands fall. Less energy lowers all bands alike; more damping lowers all bands
too, but shortens the decay: ringing energy is proportional to decay time.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from noisecheck.core.bands import third_octave_midbands
from noisecheck.core.records import record
from noisecheck.core.units import energy_sum_db, rounded
from noisecheck.measure.weighting import weighting_db

__all__ = ["CUT_OFF_FTC", "Evidence", "Reason", "contact_level_db", "explain"]

Floats = NDArray[np.float64]

CUT_OFF_FTC: Final = 1.142
"""Frequency times contact time at which the spectrum of a sin^1.5 pulse is 10 dB down (computed; tested)."""

_MODEL_ERROR_DB: Final = 0.5  # real contacts follow the pulse only so closely...
_MODEL_SHARE: Final = 0.1  # ... and the less, the deeper the fall
_TAILS: Final = 4.0  # degrees of freedom of the bands' errors: a band held up by the background is no reason
_LEAST_DB: Final = 0.5  # parts smaller than this are not worth a word
_LEAST_BANDS: Final = 6
_DB: Final = 10 / math.log(10)
_HIGHEST_HZ: Final = 40_000.0
_LOWEST_HZ: Final = 200.0
_LEAST_MOVE: Final = 1.25  # a cut-off that moves less makes a step in the bands rather than a low-pass


@record
class Evidence:
    """What is known about a difference. Band arrays have shape (30,), NaN where not measurable.

    ``shape_error_db`` is the standard error of each band's difference *from the mean of all bands*: what moves all
    bands alike (a re-placed microphone) is not in it. ``decay_log_ratio`` is ln(decay after / before).
    """

    difference_db: Floats
    error_db: Floats
    shape_error_db: Floats
    shown: NDArray[np.bool_]
    baseline_db: Floats
    total_db: float
    total_ci_db: tuple[float, float] = (math.nan, math.nan)
    decay_log_ratio: float = math.nan
    decay_ci: tuple[float, float] = (math.nan, math.nan)
    bound: NDArray[np.int8] = field(default_factory=lambda: np.zeros(30, np.int8))
    """-1 where the sound after lies in the background, so that the band fell at least as far; 1 where that before does,
    so that it rose at least as far; else 0."""
    bound_size: str = ""
    """How large the difference is at least, where no more is known."""
    damping_db: Floats | None = None
    """The most that shorter or longer ringing can do to each band (dB), where decay times by octave show it."""


@record
class Reason:
    """The difference in L_AE split into parts (dB, negative is quieter), and one plain sentence."""

    kind: str
    """``less energy``, ``softer contact``, ``more damping``, ``moved energy``, the opposites, or ``nothing shown``."""
    sentence: str
    parts_db: dict[str, float] = field(default_factory=dict)
    cutoff_before_hz: float = math.nan
    cutoff_after_hz: float = math.nan
    """As fitted to the bands of this pair alone: against another baseline the same contact may come out elsewhere."""
    decay_ratio: float = math.nan
    unchanged_below_hz: float = math.nan
    misfit_db: float = math.nan

    def to_dict(self) -> dict[str, Any]:
        """Return the reason as plain values (None = does not apply)."""

        return {
            "kind": self.kind,
            "sentence": self.sentence,
            "parts_db": {k: rounded(v, 2) for k, v in self.parts_db.items()},
            "cutoff_before_hz": rounded(self.cutoff_before_hz, 0),
            "cutoff_after_hz": rounded(self.cutoff_after_hz, 0),
            "decay_ratio": rounded(self.decay_ratio, 3),
            "unchanged_below_hz": rounded(self.unchanged_below_hz, 1),
            "misfit_db": rounded(self.misfit_db, 2),
        }


@lru_cache(maxsize=1)
def _pulse_spectrum() -> tuple[Floats, Floats]:
    """Return f * tc and the level (dB re 0 Hz) of the sin^1.5 pulse, averaged over one-third-octave bands."""
    time = (np.arange(400) + 0.5) / 400
    force = np.sin(np.pi * time) ** 1.5
    fine = np.geomspace(1e-2, 110.0, 2600)
    phase = 2 * np.pi * np.outer(fine, time - 0.5)  # the pulse is even about its middle: its spectrum is real
    power = (np.cos(phase) @ force / force.sum()) ** 2
    total = np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]) * np.diff(fine))])
    centre = np.geomspace(1.2e-2, 95.0, 600)
    low, high = centre * 10**-0.05, centre * 10**0.05
    mean = (np.interp(high, fine, total) - np.interp(low, fine, total)) / (high - low)
    return np.log(centre), 10 * np.log10(mean)


def contact_level_db(frequency_hz: ArrayLike, cutoff_hz: ArrayLike) -> Floats:
    """Return the one-third-octave level (dB re 0 Hz) of a contact whose spectrum is 10 dB down at ``cutoff_hz``.

    Shapes broadcast. The contact time is ``1.142 / cutoff_hz``.
    """
    x = np.log(np.asarray(frequency_hz, np.float64) * CUT_OFF_FTC / np.asarray(cutoff_hz, np.float64))
    grid, level = _pulse_spectrum()
    return np.asarray(np.interp(x, grid, level), np.float64)


def explain(name: str, evidence: Evidence) -> Reason:
    """Return why ``name`` differs from the baseline.

    A contact low-pass that moves is fitted to the band differences beside a shift of all bands; it is believed when
    it explains the bands much better than the shift alone (Bayesian information criterion). What shortened decay
    accounts for is taken out of the bands first, where decay times by octave are known and the bands are the better
    explained for it; else out of the shift. The rest of the shift is energy.
    """
    valid = np.isfinite(evidence.difference_db)
    if valid.sum() < _LEAST_BANDS:
        return Reason("nothing shown", f"{name}: too few bands are measurable to say why")
    midbands = third_octave_midbands()
    f, d = midbands[valid], evidence.difference_db[valid]
    errors = evidence.shape_error_db[valid]
    known = np.isfinite(errors)
    shape_error = float(np.sqrt(np.mean(errors[known] ** 2))) if known.any() else 1.0
    sigma2 = shape_error**2 + (_MODEL_ERROR_DB + _MODEL_SHARE * np.abs(d)) ** 2
    bound = evidence.bound[valid]
    found = _explained(f, d, sigma2, bound)
    shift_error = _shift_error(evidence, valid, shape_error)
    most = evidence.damping_db[valid] if evidence.damping_db is not None else np.zeros_like(d)
    # a band whose sound is the blow more than the ring changes by less than its ring does, down to nothing
    rings = np.clip(d, np.minimum(most, 0.0), np.maximum(most, 0.0))
    damped = _explained(f, d - rings, sigma2, bound) if most.any() else found
    if damped.surprise + 2 * math.log(len(f)) < found.surprise:
        found, d = damped, d - rings
        damping, ratio = _in_total(evidence, valid, rings), math.exp(float(np.median(most[most != 0])) / _DB)
        energy = found.shift
    else:
        damping, ratio = _damping(evidence, found.shift, shift_error)
        energy = found.shift - damping
    contact = _in_total(evidence, valid, found.curve) if found.believed else 0.0
    parts = {"energy": energy, "contact": contact, "damping": damping}
    return _tell(
        name,
        evidence,
        parts,
        shift_error=shift_error,
        cutoffs=found.cutoffs,
        ratio=ratio,
        misfit=float(np.sqrt(np.mean(_beyond(d - found.curve - found.shift, bound) ** 2))),
    )


@record
class _Explained:
    """Bands explained by a shift, with a moving low-pass where that is believed; cut-offs NaN where it is not."""

    shift: float
    curve: Floats
    cutoffs: tuple[float, float]
    surprise: float
    """Minus twice the log likelihood, with what the low-pass must gain to be believed."""

    @property
    def believed(self) -> bool:
        return math.isfinite(self.cutoffs[0])


def _explained(f: Floats, d: Floats, sigma2: Floats, bound: NDArray[np.int8]) -> _Explained:
    weights = np.where(bound == 0, 1 / sigma2, 0.0) if np.sum(bound == 0) >= _LEAST_BANDS else 1 / sigma2
    before, after, shift, curve, surprise = _fit_contact(f, d, sigma2, weights, bound)
    level = float(np.average(d, weights=weights))
    flat = float(_surprise(_beyond(d - level, bound), sigma2))
    cost = 2 * math.log(len(f)) + 6.0
    if flat - surprise > cost and float(np.ptp(curve)) > 1.0:
        return _Explained(shift, curve, (before, after), surprise + cost)
    return _Explained(level, np.zeros_like(d), (math.nan, math.nan), flat)


def _beyond(rest: Floats, bound: NDArray[np.int8]) -> Floats:
    """Return what is left unexplained: a band known to have fallen at least so far may have fallen further."""
    rest = np.where(bound < 0, np.minimum(rest, 0.0), rest)
    return np.asarray(np.where(bound > 0, np.maximum(rest, 0.0), rest), np.float64)


def _surprise(rest: Floats, sigma2: Floats) -> Floats:
    """Return minus twice the log likelihood of band errors with heavy tails (Student's t), up to a constant."""
    return np.asarray((_TAILS + 1) * np.sum(np.log1p(rest**2 / (_TAILS * sigma2)), axis=-1))


def _fit_contact(
    f: Floats, d: Floats, sigma2: Floats, weights: Floats, bound: NDArray[np.int8]
) -> tuple[float, float, float, Floats, float]:
    """Return cut-off before and after, shift, curve over the bands, and surprise of the best moving low-pass."""
    grid = np.geomspace(_LOWEST_HZ, _HIGHEST_HZ, 70)
    levels = contact_level_db(f[None, :], grid[:, None])  # (cut-offs, bands)
    curves = levels[None, :, :] - levels[:, None, :]  # (before, after, bands)
    rest = d - curves
    shifts = np.average(rest, axis=2, weights=np.broadcast_to(weights, rest.shape))
    surprise = _surprise(_beyond(rest - shifts[:, :, None], bound), sigma2)
    moved = np.abs(np.log(grid[:, None] / grid[None, :]))
    # of two cut-offs within or below the lowest octave of bands the bands show hardly more than a shift
    possible = (moved >= math.log(_LEAST_MOVE)) & (np.maximum(grid[:, None], grid[None, :]) >= 2.0 * f.min())
    surprise = np.where(possible, surprise, np.inf)
    i, j = np.unravel_index(int(np.argmin(surprise)), surprise.shape)
    return float(grid[i]), float(grid[j]), float(shifts[i, j]), curves[i, j], float(surprise[i, j])


def _shift_error(evidence: Evidence, valid: NDArray[np.bool_], shape_error: float) -> float:
    errors = evidence.error_db[valid]
    errors = errors[np.isfinite(errors)]
    if not errors.size:
        return math.nan
    common = max(float(np.mean(errors**2)) - shape_error**2, 0.0)
    return math.sqrt(common + shape_error**2 / valid.sum())


def _damping(evidence: Evidence, shift: float, shift_error: float) -> tuple[float, float]:
    """Return the part of the shift (dB) that the change of decay accounts for, and the ratio of decay times."""
    low, high = evidence.decay_ci
    ratio = math.exp(evidence.decay_log_ratio) if math.isfinite(evidence.decay_log_ratio) else math.nan
    if math.isfinite(ratio) and math.isfinite(low) and (low > 0 or high < 0):
        part = 10 * math.log10(ratio)
        if abs(part) < _LEAST_DB:
            return 0.0, ratio
        if math.isfinite(shift_error) and abs(shift - part) <= 2 * shift_error:
            return part, ratio
        if part * shift < 0:
            return 0.0, ratio
        # ringing that died faster cannot have taken away more than is gone
        return math.copysign(min(abs(part), abs(shift)), part), ratio
    return 0.0, ratio


def _in_total(evidence: Evidence, valid: NDArray[np.bool_], curve: Floats) -> float:
    """Return what a change of the bands alone does to the A-weighted exposure of the baseline spectrum (dB)."""
    base = evidence.baseline_db[valid] + weighting_db(third_octave_midbands()[valid], "A")
    known = np.isfinite(base)
    if not known.any():
        return float(curve.mean())
    return energy_sum_db(base[known] + curve[known]) - energy_sum_db(base[known])


_NAMES: Final = {
    "energy": ("less energy", "more energy"),
    "contact": ("softer contact", "harder contact"),
    "damping": ("more damping", "less damping"),
}


def _tell(
    name: str,
    evidence: Evidence,
    parts: dict[str, float],
    *,
    shift_error: float,
    cutoffs: tuple[float, float],
    ratio: float,
    misfit: float,
) -> Reason:
    low, high = evidence.total_ci_db
    certain = math.isfinite(low)
    total = evidence.total_db
    energy_shown = not math.isfinite(shift_error) or abs(parts["energy"]) > 2 * shift_error
    believed = math.isfinite(cutoffs[0])
    shown_total = not certain or low > 0 or high < 0
    if not (shown_total if certain else abs(total) >= _LEAST_DB) and not believed and not parts["damping"]:
        return Reason(
            "nothing shown", f"{name}: no difference shown, so there is nothing to explain", decay_ratio=ratio
        )
    moved = (
        believed
        and cutoffs[1] < cutoffs[0]
        and parts["energy"] > max(1.0, 2 * shift_error if math.isfinite(shift_error) else 1.0)
    )
    size = evidence.bound_size or f"{abs(total):.1f} dB {'quieter' if total < 0 else 'louder'}"
    if certain and not shown_total:
        size = "level not shown to differ"
    wanted = -1.0 if total < 0 else 1.0
    weighed = {k: v * wanted for k, v in parts.items() if v and (k != "energy" or energy_shown)} or {"energy": 0.0}
    main = max(weighed, key=lambda k: weighed[k])
    kind = "moved energy" if moved else _NAMES[main][0 if parts[main] < 0 else 1]
    others = [
        _NAMES[k][0 if v < 0 else 1]
        for k, v in parts.items()
        if k != main and abs(v) >= max(_LEAST_DB, 0.2 * abs(total)) and (k != "energy" or energy_shown)
    ]
    detail = []
    if believed:
        # Only which way: the fit of one pair places the same pad's cut-off elsewhere than that of another pair.
        detail.append(f"contact cut-off {'lower' if cutoffs[1] < cutoffs[0] else 'higher'}")
    if parts["damping"]:
        detail.append(f"decay times {ratio:.2f} of before")
    text = kind if not others else f"mostly {kind}"
    if moved:
        text, others = "energy moved: high bands quieter, low bands louder", []
    text += f" ({', '.join(detail)})" if detail else ""
    text += f", also {' and '.join(others)}" if others else ""
    unchanged = _unchanged_below(evidence) if believed and not moved else math.nan
    if math.isfinite(unchanged):
        text += f"; below {unchanged:.0f} Hz nothing is shown to have changed"
    if kind in ("less energy", "more energy") and not math.isfinite(ratio):
        text += "; decay could not be compared, so damping is not ruled out"
    return Reason(kind, f"{name}: {size}, {text}", parts, *cutoffs, ratio, unchanged, misfit)


def _unchanged_below(evidence: Evidence) -> float:
    """Return the band edge below which no band is shown to differ (Hz); NaN where the lowest bands do, or none does."""
    valid = np.flatnonzero(np.isfinite(evidence.difference_db))
    shown = [b for b in valid if evidence.shown[b]]
    if not shown or np.sum(valid < shown[0]) < 3:
        return math.nan
    return float(third_octave_midbands()[shown[0]] * 10**-0.05)
