"""Differences between groups of runs, worked out with intervals, per level and per band."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import of_role
from noisecheck.compare.decay import damping_db, decay_changes
from noisecheck.compare.differences import Comparison, Difference, Group
from noisecheck.compare.doubts import missing_db, moved_by
from noisecheck.compare.fair import pair
from noisecheck.compare.linear import (
    FALSE_DISCOVERY,
    Estimates,
    benjamini_hochberg,
    estimate,
    mean_interval,
    mean_known,
    weights_of,
)
from noisecheck.compare.pairing import Pairing
from noisecheck.compare.summary import (
    BANDS,
    LEVELS,
    QUANTITIES,
    RunSummary,
    excluded_of,
    index_of,
    one_station,
)
from noisecheck.compare.why import Evidence, explain
from noisecheck.core.errors import InputError, listed, nearest, one_line
from noisecheck.core.table import band_names
from noisecheck.core.units import many, rounded, rounded_pair, significant

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["compare"]

Floats = NDArray[np.float64]
_MOSTLY: Final = 0.5
_STANDARD_COLUMNS: Final = (
    "treatment",
    "revision",
    "drop_height_mm",
    "station",
    "session",
    "role",
    "notes",
    "balls_fed",
)


def compare(
    summaries: Sequence[RunSummary],
    *,
    by: str,
    baseline: str | None = None,
    station: str | None = None,
    rig: Rig | None = None,
    confidence: float = 0.95,
    decays: Mapping[tuple[str, str], Floats] | None = None,
) -> Comparison:
    """Return the differences of run means between the groups of the run-sheet column ``by``.

    ``summaries`` come from :func:`noisecheck.compare.summary.summarise`. The baseline is the given value, else the
    first that the run sheet shows. Runs of role ``test`` are compared; reference drops tie sessions together.
    ``decays`` holds ln of the decay time in ms by octave, (10,), by (run, station), to tell damping by.

    Raises:
        InputError: a column, baseline or station the run sheet does not have, or no test run.
    """
    tests = of_role(summaries, "test")
    if not tests:
        raise InputError("runs.csv: no run has the role test: there is nothing to compare")
    _check_column(tests[0], by)
    heard = sorted({s.station for s in tests} - {""})
    if station is not None and station not in heard:
        raise InputError(f"station '{one_line(station)}': no test run heard it{nearest(station, heard)}")
    rows = one_station(tests, station)
    references = one_station(of_role(summaries, "reference"), None)
    members: dict[str, list[RunSummary]] = {}
    notes: list[str] = []
    for row in rows:
        value = row.run.value(by)
        if value:
            members.setdefault(value, []).append(row)
    spelt: dict[str, list[str]] = {}
    for value in members:
        spelt.setdefault(" ".join(value.casefold().split()), []).append(value)
    notes += [
        f"{listed([repr(one_line(v)) for v in alike])} are told apart by spelling alone: write them alike if they are "
        "one"
        for alike in spelt.values()
        if len(alike) > 1
    ]
    blank = sum(not row.run.value(by) for row in rows)
    if blank:
        notes.append(f"{many(blank, 'run')} left out: {by} is empty there")
    if not members:
        raise InputError(
            f"no test run has a {one_line(by)}: say it in the column '{one_line(by)}' of runs.csv, a row a recording"
        )
    if baseline is not None and baseline not in members:
        raise InputError(
            f"baseline '{one_line(baseline)}': no run has it in column '{one_line(by)}'{nearest(baseline, members)}"
        )
    if rig is not None and len({rig.microphone(c).kind for s in rows for c in s.channels}) > 1:
        notes.append(
            "contact pickups and air microphones heard these runs: the levels of groups are means over unlike things, "
            "only differences tell; ask for one station"
        )
    first = baseline if baseline is not None else next(iter(members))
    if len(members) == 1:
        notes.append(f"every {'other ' if blank else ''}run has {by} '{first}': there is nothing to compare it with")
    place = station if station is not None else (heard[0] if len(heard) == 1 else "")
    rings = {run: logs for (run, at), logs in (decays or {}).items() if at == place}
    differences: list[Difference] = []
    for value, others in members.items():
        if value != first:
            pairing = pair(members[first], others, by=by, names=(first, value), references=references, rig=rig)
            differences += _differences(value, pairing, members[first], confidence, rings)
    return Comparison(
        by=by,
        baseline=first,
        station=station if station is not None else (heard[0] if len(heard) == 1 else None),
        db_re=" and ".join(sorted({v for s in rows for v in s.db_re})),
        groups=tuple(_group(v, r, confidence) for v, r in members.items()),
        differences=tuple(differences),
        confidence=confidence,
        warnings=tuple(notes),
    )


def _check_column(summary: RunSummary, by: str) -> None:
    try:
        summary.run.value(by)
    except KeyError:
        known = [*_STANDARD_COLUMNS, *summary.run.extra]
        raise InputError(f"runs.csv: has no column '{one_line(by)}'{nearest(by, known)}") from None


def _group(value: str, rows: list[RunSummary], confidence: float) -> Group:
    used = [r for r in rows if r.used]
    means = np.array([r.mean for r in used]).reshape(len(used), len(QUANTITIES))
    mean, low, high = mean_interval(means, confidence=confidence)
    at = {q: index_of(q) for q in LEVELS}
    lae = at["lae_db"]
    exceeds_db, lacks_db = missing_db(used) if used else (0.0, 0.0)
    return Group(
        value=value,
        runs=len(used),
        impacts=sum(r.used for r in used),
        levels={q: float(mean[i]) for q, i in at.items()},
        ci={q: (float(low[i]) - exceeds_db, float(high[i]) + lacks_db) for q, i in at.items()},
        energy_lae_db=float(np.mean([r.energy[lae] for r in used])) if used else math.nan,
        bands=dict(zip(band_names(), (float(v) for v in mean[BANDS]), strict=True)),
        excluded=excluded_of(rows),
        run_names=tuple(r.run.name for r in used),
        run_lae_db=tuple(float(r.mean[lae]) for r in used),
    )


def _differences(
    value: str, pairing: Pairing, base: Sequence[RunSummary], confidence: float, rings: Mapping[str, Floats]
) -> list[Difference]:
    if pairing.refusal:
        said, nothing = (pairing.refusal, *pairing.warnings), (math.nan, math.nan)
        return [Difference(value, m, math.nan, nothing, math.nan, "not comparable", warnings=said) for m in LEVELS]
    means = np.array([np.mean([s.mean for s in unit], axis=0) for unit in pairing.members])
    energy = np.array([np.mean([s.energy for s in unit], axis=0) for unit in pairing.members])
    sampling = np.array([_sampling(unit) for unit in pairing.members])
    drowned = _drowned(pairing)
    for table in (means, energy):
        table[:, BANDS][:, drowned.all(axis=0)] = np.nan  # background against background says nothing of impacts
    fit = _fit(means, pairing, confidence, sampling)
    energy_fit = _fit(energy, pairing, confidence, None)
    bands_of_runs = means[:, BANDS]
    everywhere = np.isfinite(bands_of_runs).all(axis=0) & ~drowned.any(axis=0)
    middle = bands_of_runs[:, everywhere].mean(axis=1, keepdims=True) if everywhere.any() else 0.0
    shape = _fit(bands_of_runs - middle, pairing, confidence, None)
    warnings = list(pairing.warnings)
    indicative = not math.isfinite(fit.error[index_of("lae_db")])
    if indicative:
        warnings.insert(0, _indicative(pairing))
    bands = _bands(fit, drowned)
    decay = _comparable_decay(fit, indicative)
    spectrum = mean_known(np.array([s.mean for s in base if s.used])[:, BANDS])
    before, after = ([s.run.name for unit, g in zip(pairing.members, pairing.groups, strict=True) if g == side
                      for s in unit] for side in (0, 1))  # fmt: skip
    damping = damping_db(decay_changes(rings, before, after, confidence=confidence))
    weights = weights_of(pairing.design, pairing.contrast).tolist()
    lacks = {
        way: _with_gain(moved_by(weights, pairing.members, sign), pairing.gain, sign)
        for way, sign in (("lower", -1), ("higher", 1))
    }
    evidence = _evidence(fit, decay, shape, spectrum, bands, damping, drowned)
    out = []
    for measure in LEVELS:
        i = index_of(measure)
        main = measure == "lae_db"
        ci = (float(fit.low[i]) - lacks["lower"][1], float(fit.high[i]) + lacks["higher"][1])
        verdict = _verdict(float(fit.value[i]), ci)
        by_chance = _verdict(float(fit.value[i]), (float(fit.low[i]), float(fit.high[i])))
        way = {"louder": "lower", "quieter": "higher"}.get(by_chance, "lower")
        doubt = lacks[way][0] if verdict != by_chance else ""
        first = [f"what comes out {by_chance} is not shown to be so: {doubt}"] if doubt else []
        short, open_end = lacks["higher" if verdict == "louder" else "lower"]
        at_least = bool(verdict in ("quieter", "louder") and open_end > (fit.high[i] - fit.low[i]) / 2)
        found = Difference(
            value=value,
            measure=measure,
            difference_db=float(fit.value[i]),
            ci_db=ci,
            p=float(fit.p[i]),
            verdict=verdict,
            indicative=indicative,
            at_least=at_least,
            lacking=short if at_least else doubt,
            energy_difference_db=float(energy_fit.value[i]),
            df=float(fit.df[i]),
            standard_error_db=float(fit.error[i]),
            runs=pairing.sizes,
            balanced_for=pairing.balanced_for,
            bands=bands if main else {},
            decay=_ratio(fit, decay) if main and decay else {},
            centroid=_ratio(fit, "centroid_hz") if main else {},
            warnings=(*first, *warnings),
        )
        if main and not doubt:
            found = replace(
                found, why=explain(value, replace(evidence, bound_size=found.size if found.at_least else ""))
            )
        out.append(found)
    return out


def _with_gain(moved: tuple[str, float], gain: tuple[str, float], sign: int) -> tuple[str, float]:
    """Return by how much a difference may truly be lower (``sign`` -1) or higher (1), for another gain, too."""
    by_gain = max(-sign * gain[1], 0.0)
    return (gain[0] if by_gain > moved[1] else moved[0]), moved[1] + by_gain


def _fit(values: Floats, pairing: Pairing, confidence: float, sampling: Floats | None) -> Estimates:
    return estimate(values, pairing.design, pairing.contrast, pairing.groups, confidence=confidence, sampling=sampling)


def _sampling(unit: Sequence[RunSummary]) -> Floats:
    """Return the variance of a unit's mean that comes from the impacts inside its runs, shape (37,)."""
    parts = [np.nan_to_num(s.sd) ** 2 / np.maximum(s.n, 1) for s in unit]
    return np.asarray(np.sum(parts, axis=0) / len(unit) ** 2, np.float64)


def _verdict(difference: float, ci: tuple[float, float]) -> str:
    if not math.isfinite(difference):
        return "not comparable"
    if ci[1] < 0:
        return "quieter"
    return "louder" if ci[0] > 0 else "no difference shown"


def _indicative(pairing: Pairing) -> str:
    a, b = pairing.sizes
    if min(a, b) == 1:
        return "indicative only: one run on a side has no spread; re-place the microphone and record at least two more"
    return "indicative only: too few runs for what has to be told apart; record more runs a side in each session"


_BOUND: Final = {(False, False): None, (False, True): "value", (True, False): "baseline", (True, True): "both"}


def _drowned(pairing: Pairing) -> NDArray[np.bool_]:
    """Return in which bands most runs of the baseline, and of the value, lie in the background, shape (2, 30)."""
    groups = np.asarray(pairing.groups)
    share = np.array([np.mean([s.bound for s in unit], axis=0) for unit in pairing.members])
    found = np.array([share[groups == side].mean(axis=0) > _MOSTLY for side in (0, 1)])
    level = np.array([np.mean([s.mean[BANDS] for s in unit], axis=0) for unit in pairing.members])
    before, after = (level[groups == side].mean(axis=0) for side in (0, 1))
    # The side that is drowned is the softer one, or both hardly stand out and chance has told them apart.
    by_chance = np.where(found[0], before > after, after > before) & (found[0] != found[1])
    return np.asarray(found | by_chance, np.bool_)


def _bands(fit: Estimates, drowned: NDArray[np.bool_]) -> dict[str, dict[str, Any]]:
    p = fit.p[BANDS]
    q = benjamini_hochberg(p)
    return {
        name: {
            "difference_db": rounded(fit.value[BANDS][b]),
            "ci_db": rounded_pair(fit.low[BANDS][b], fit.high[BANDS][b]),
            "p": significant(p[b]),
            "q": significant(q[b]),
            "shown": bool(q[b] <= FALSE_DISCOVERY),
            "bound": _BOUND[bool(drowned[0, b]), bool(drowned[1, b])],
        }
        for b, name in enumerate(band_names())
    }


def _ratio(fit: Estimates, quantity: str) -> dict[str, Any]:
    i = index_of(quantity)
    if not math.isfinite(fit.value[i]):
        return {}
    low, high = float(np.exp(fit.low[i])), float(np.exp(fit.high[i]))
    range_db = {"decay_ms": 20, "decay_t10_ms": 10}.get(quantity)
    ratio = {"ratio": rounded(math.exp(fit.value[i]), 4), "ci": rounded_pair(low, high, 4), "p": significant(fit.p[i])}
    return {**ratio, "read_over_db": range_db} if range_db else ratio


def _comparable_decay(fit: Estimates, indicative: bool) -> str:
    """Return which decay both sides have in enough runs, read over 20 dB if possible; empty where neither."""
    known = fit.value if indicative else fit.error
    return next((q for q in ("decay_ms", "decay_t10_ms") if math.isfinite(known[index_of(q)])), "")


def _evidence(
    fit: Estimates,
    decay: str,
    shape: Estimates,
    spectrum: Floats,
    bands: dict[str, dict[str, Any]],
    damping: Floats | None,
    drowned: NDArray[np.bool_],
) -> Evidence:
    lae, nothing = index_of("lae_db"), math.nan
    log_ratio, *interval = [float(a[index_of(decay)]) if decay else nothing for a in (fit.value, fit.low, fit.high)]
    return Evidence(
        difference_db=fit.value[BANDS],
        error_db=fit.error[BANDS],
        shape_error_db=shape.error,
        shown=np.array([b["shown"] for b in bands.values()]),
        baseline_db=spectrum,
        total_db=float(fit.value[lae]),
        total_ci_db=(float(fit.low[lae]), float(fit.high[lae])),
        decay_log_ratio=log_ratio,
        decay_ci=(interval[0], interval[1]),
        bound=drowned[0].astype(np.int8) - drowned[1].astype(np.int8),
        damping_db=damping,
    )
