"""From impacts to one row a run and station: what comparisons stand on.

The run is the unit, because hundreds of impacts in one take share one microphone placement (Hurlbert 1984,
pseudoreplication). Each run gives the arithmetic mean over its impacts for comparing treatments, and the energy
mean for exposure. Decay and centroid are averaged as logarithms, because it is their ratio that changes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import Run
from noisecheck.compare.crowds import far_fainter, loudest, mixed_crowd, of_the_crowd
from noisecheck.compare.doubts import doubts_of
from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.flags import NO_DROP, Flag
from noisecheck.core.order import distinct, median
from noisecheck.core.records import record
from noisecheck.core.table import Impacts, band_names, in_band_set
from noisecheck.flow.beliefs import SMALL_DB

__all__ = [
    "BANDS",
    "LEVELS",
    "LOGARITHMIC",
    "QUANTITIES",
    "SOFT_ONES",
    "SURE_PLACE",
    "RunSummary",
    "excluded_of",
    "index_of",
    "one_station",
    "summarise",
]

Floats = NDArray[np.float64]

LEVELS: Final = ("lae_db", "lzpeak_db", "lcpeak_db", "lafmax_db")
LOGARITHMIC: Final = ("decay_ms", "decay_t10_ms", "centroid_hz")
"""Quantities kept as natural logarithms (of ms, of Hz).

Decays read over 10 dB stand apart from those read over 20 dB: where the fall is not straight they differ several
times over, and which of the two a sound allows depends on its level.
"""
QUANTITIES: Final = (*LEVELS, *band_names(), *LOGARITHMIC)
"""What a summary holds, in the order of its arrays: 4 levels, 30 bands, 3 logarithms."""
BANDS: Final = slice(len(LEVELS), len(LEVELS) + len(NOMINAL_THIRD_HZ))

_NOT_COMPARABLE: Final = (
    Flag.CLIPPED,
    Flag.GAIN_RIDING,
    Flag.DRIFTED,
    Flag.BOUND,
    Flag.NONFINITE,
    Flag.DROPOUT,
    Flag.FILE_EDGE,
)
SOFT_ONES: Final = ("bound", "overlapped", "doubtful place")
"""Reasons to leave an impact out of the levels that meet soft ones more than loud ones."""
_ENOUGH_CLEAN: Final = 0.5  # share of impacts with a whole window, below which cut windows are kept (and said)
SURE_PLACE: Final = 0.9
"""Impacts placed with less confidence say little of a station's level."""
_MOSTLY: Final = 0.5
_MANY: Final = 0.25  # of the drops lost, all of them soft ones: the mean is decibels too high
_LEAST_SHARE: Final = 0.5  # a band or decay measurable in fewer impacts would be the mean of the loud ones only


def _no_bands() -> NDArray[np.bool_]:
    return np.zeros(len(NOMINAL_THIRD_HZ), bool)


@record
class RunSummary:
    """First contacts of one run at one station (``station`` is ``""`` where no station is known).

    ``mean``, ``energy``, ``sd`` and ``n`` have shape (37,) in the order of :data:`QUANTITIES`: arithmetic mean,
    energy mean, standard deviation over impacts, and number of impacts behind them. NaN where nothing is measurable.
    """

    run: Run
    station: str
    impacts: int
    used: int
    excluded: Mapping[str, int]
    """Impacts left out of the levels, by flag word (an impact counts under its first one)."""
    db_re: tuple[str, ...]
    channels: tuple[int, ...]
    band_limit_hz: float | None
    """Highest band the recording carries, where sample rate or codec cut it; None when all are there."""
    mean: Floats
    energy: Floats
    sd: Floats
    n: NDArray[np.int64]
    warnings: tuple[str, ...] = ()
    bound: NDArray[np.bool_] = field(default_factory=_no_bands)
    """Bands in which the background drowns most of the impacts used, (30,): their mean is a bound."""
    too_low: str = ""
    """Why levels are known, or feared, to be too low: no proof that something is quiet..."""
    lacks_db: float = math.inf
    """... by less than so much."""
    too_high: str = ""
    """Why they are known to be too high: no proof that something is loud..."""
    exceeds_db: float = math.inf
    """... by less than so much."""
    floor_db: tuple[float, ...] = ()
    """Background of the recording by octave (dB), one microphone after the other, where it was looked at."""

    def value(self, quantity: str) -> float:
        """Return the run mean of a quantity: dB, ms or Hz (geometric for the last two); NaN when not measurable."""
        value = float(self.mean[index_of(quantity)])
        return float(np.exp(value)) if quantity in LOGARITHMIC else value


def excluded_of(rows: Iterable[RunSummary]) -> dict[str, int]:
    """Return how many impacts of several summaries are left out of levels, by reason."""
    counts: dict[str, int] = {}
    for row in rows:
        for word, count in row.excluded.items():
            counts[word] = counts.get(word, 0) + count
    return counts


def index_of(quantity: str) -> int:
    """Return where a quantity stands in the arrays; raises ``ValueError`` for an unknown one."""
    return QUANTITIES.index(quantity)


def summarise(impacts: Impacts, runs: Sequence[Run]) -> tuple[RunSummary, ...]:
    """Return one summary for each run of the sheet and each station heard in it, in the order of the sheet.

    Only first contacts count (``rebound`` 0, or -1 where it is not known). Levels that are not comparable (clipped,
    gain riding, bounds, NaN, cut by the file's edge) are left out and counted; cut windows too, unless most are cut.
    Reference drops found in a take, what a codec made, and what the machine makes without balls, are no drops. Unplaced
    impacts are left out as soon as any impact of the campaign is placed. A run without impacts gives one summary with
    none.
    """
    first = (impacts.data["rebound"] <= 0) & ~impacts.flagged(NO_DROP)
    station = impacts.data["station"]
    if np.any(station):
        first = first & ((station != 0) | ~_has_station(impacts))
    table = impacts.where(first)
    softer = _rebound_levels(impacts)
    own = impacts.data["run"][(impacts.data["rebound"] <= 0) & impacts.flagged(Flag.MACHINE)]
    code_of = {name: code for code, name in enumerate(table.names["run"])}
    order = np.argsort(table.data["run"], kind="stable")
    codes = table.data["run"][order]
    found: list[RunSummary] = []
    for run in runs:
        code = code_of.get(run.name, -1)
        rows = order[np.searchsorted(codes, code) : np.searchsorted(codes, code, side="right")]
        part, ticks = table.where(rows), int((own == code).sum())
        heard = sorted({int(c) for c in distinct(part.data["station"])}) if len(part) else []
        names = [part.names["station"][c] for c in heard]
        if names in ([], [""]):
            found.append(_summary(run, run.station, part, softer.get((code, 0), math.nan), ticks))
            continue
        for name, c in zip(names, heard, strict=True):
            here = part.where(part.data["station"] == c)
            found.append(_summary(run, name or run.station, here, softer.get((code, c), math.nan), ticks))
    return tuple(found)


def _has_station(impacts: Impacts) -> NDArray[np.bool_]:
    """Return which impacts belong to a run in which at least one impact is placed."""
    run, placed = impacts.data["run"], impacts.data["station"] != 0
    return np.isin(run, distinct(run[placed]))


def _rebound_levels(impacts: Impacts) -> dict[tuple[int, int], float]:
    """Return the median L_AE (dB) of first rebounds by (code of run, code of station)."""
    again = impacts.where((impacts.data["rebound"] == 1) & np.isfinite(impacts["lae_db"]))
    keys = np.column_stack([again.data["run"], again.data["station"]])
    order = np.lexsort((keys[:, 1], keys[:, 0]))
    levels, keys = again["lae_db"][order], keys[order]
    cuts = np.flatnonzero((np.diff(keys, axis=0) != 0).any(axis=1)) + 1
    groups = zip(np.split(keys, cuts), np.split(levels, cuts), strict=True)
    return {(int(k[0, 0]), int(k[0, 1])): median(v) for k, v in groups if len(v)}


def _summary(run: Run, station: str, part: Impacts, rebound_db: float = math.nan, ticks: int = 0) -> RunSummary:
    flags = part.data["flags"]
    keep = np.ones(len(part), bool)
    excluded: dict[str, int] = {}
    warnings: list[str] = []
    too_low = too_high = ""
    where = f" at {station}" if station else ""
    for flag in _NOT_COMPARABLE:
        hit = keep & ((flags & np.uint32(flag)) != 0)
        if hit.any():
            excluded[str(flag.name).lower()] = int(hit.sum())
            keep &= ~hit
    if excluded.get("clipped", 0) > 0.05 * len(part):
        warnings.append(
            f"run {run.name}: {excluded['clipped']} of {len(part)} impacts{where} clipped and left out, the loudest "
            "ones: its mean is too low"
        )
        too_low = warnings[-1]
    crowd = of_the_crowd(part, keep)
    keep &= ~crowd
    impacts = len(part) - int(crowd.sum())
    if "bound" in excluded and run.balls_fed is not None:
        # Every ball meets the station once: what is heard besides, as faint as the background, is no drop of one.
        lost = min(max(run.balls_fed - int(keep.sum()), 0), excluded["bound"])
        impacts, excluded["background"], excluded["bound"] = (
            impacts - excluded["bound"] + lost,
            excluded["bound"] - lost,
            lost,
        )
        excluded = {word: count for word, count in excluded.items() if count}
    if crowd.any():
        excluded["background"] = excluded.get("background", 0) + int(crowd.sum())
    if excluded.get("bound", 0) > 0.05 * impacts:
        warnings.append(
            f"run {run.name}: {excluded['bound']} of {impacts} impacts{where} lost in the background and left out: "
            "where they are drops, the quietest ones, its mean is too high"
        )
        if run.balls_fed and excluded["bound"] > _MANY * impacts:  # without their number they may be no drops at all
            too_high = warnings[-1]
    hidden = min(max((run.balls_fed or 0) - impacts, 0), ticks)
    if hidden > _MANY * (impacts + hidden):
        warnings.append(
            f"run {run.name}: {run.balls_fed} balls were fed, but {impacts} drops{where} stand out of what the machine "
            "makes without balls: unless the rest never came there they are the quietest, and its mean is too high "
            "(was the run of role background truly without balls, and recorded with this gain?)"
        )
        too_high = too_high or warnings[-1]
    cut = keep & part.flagged(Flag.TRUNCATED)
    if cut.any() and cut.sum() <= (1 - _ENOUGH_CLEAN) * keep.sum():
        excluded["truncated"] = int(cut.sum())
        keep &= ~cut
    elif cut.any():
        warnings.append(
            f"run {run.name}: most impacts{where} are cut short by the next one: exposure levels are too low"
        )
    # Faint ones amid others may be rebounds or sounds of another station, and so may those placed with doubt: a mean
    # must not hang on them. Where they are most of what there is, nothing better is to be had.
    # What the schedule placed, its sound had left open: mostly because another sound is in it.
    doubtful = (part["station_confidence"] < SURE_PLACE) | part.flagged(Flag.SCHEDULED)
    doubts = {
        "far fainter": far_fainter(part, keep, rebound_db, one_place=bool(station)),
        "overlapped": part.flagged(Flag.OVERLAPPED) & part.flagged(Flag.LOW_MARGIN),
        "doubtful place": doubtful if station else np.zeros(len(part), bool),
    }
    for word, rows in doubts.items():
        out = keep & rows
        if out.any() and out.sum() <= (1 - _ENOUGH_CLEAN) * keep.sum():
            excluded[word] = int(out.sum())
            keep &= ~out
    taken = loudest(run, part, keep, excluded, where)
    unsure = bool(taken) and not station if run.balls_fed else True
    mixed = mixed_crowd(run, part, keep, where) if unsure else ""
    warnings += [text for text in (taken, mixed) if text]
    used = part.where(keep)
    matrix = _matrix(used)
    n = np.isfinite(matrix).sum(axis=0)
    n[BANDS.start :] = np.where(n[BANDS.start :] < _LEAST_SHARE * len(used), 0, n[BANDS.start :])
    mean, energy, sd = _moments(matrix, n)
    limited = part.flagged(Flag.BAND_LIMITED)
    top = np.flatnonzero(np.isfinite(part.data["bands"]).any(axis=0)) if len(part) else np.empty(0, np.int64)
    return RunSummary(
        run=run,
        station=station,
        impacts=impacts,
        used=len(used),
        excluded=MappingProxyType(excluded),
        db_re=tuple(sorted({str(v) for v in distinct(used["db_re"].astype(str))} - {""})),
        channels=tuple(int(c) for c in distinct(used.data["channel"]) if c >= 0),
        band_limit_hz=float(NOMINAL_THIRD_HZ[top[-1]]) if top.size and limited.mean() > 0.5 else None,
        mean=mean,
        energy=energy,
        sd=sd,
        n=n,
        warnings=tuple(warnings),
        bound=in_band_set(used.data["bound_bands"]).mean(axis=0) > _MOSTLY if len(used) else _no_bands(),
        too_low=too_low or mixed,
        lacks_db=math.inf if mixed else _lacking(excluded.get("clipped", 0), len(used)),
        too_high=too_high,
        exceeds_db=_lacking(excluded.get("bound", 0) + hidden, len(used)),
    )


def _lacking(lost: int, used: int) -> float:
    """Return by how many dB a mean may be off for what clipped, or was lost: no ball is louder, or softer, than that.

    (By more than none of a station is softer than the rest.)
    """
    share = lost / max(lost + used, 1)
    return SMALL_DB * share if share <= _MOSTLY else math.inf


def _matrix(part: Impacts) -> Floats:
    """Return (impacts, 37) in the order of :data:`QUANTITIES`, NaN where not measurable."""
    columns: list[Any] = [part.data[name][:, None] for name in LEVELS]
    decay, over_10_db = part.data["decay_ms"], part.flagged(Flag.DECAY_T10)
    positive = [np.where(over_10_db, np.nan, decay), np.where(over_10_db, decay, np.nan), part.data["centroid_hz"]]
    logs = [np.log(np.where(v > 0, v, np.nan))[:, None] for v in positive]
    return np.hstack([*columns, part.data["bands"].astype(np.float64), *logs])


def _moments(matrix: Floats, n: NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
    valid = np.isfinite(matrix) & (n > 0)
    count = np.maximum(n, 1)
    blank = np.where(n > 0, 0.0, np.nan)
    mean = np.where(valid, matrix, 0.0).sum(axis=0) / count + blank
    spread = np.where(valid, (matrix - np.nan_to_num(mean)) ** 2, 0.0).sum(axis=0)
    sd = np.sqrt(spread / np.maximum(n - 1, 1)) + np.where(n > 1, 0.0, np.nan)
    scale = np.where(np.isin(QUANTITIES, LOGARITHMIC), 1.0, np.log(10) / 10)
    power = np.where(valid, np.exp(np.where(valid, (matrix - np.nan_to_num(mean)) * scale, 0.0)), 0.0).sum(axis=0)
    energy = mean + np.log(np.maximum(power / count, 1e-300)) / scale
    return mean, energy, sd


def one_station(summaries: Iterable[RunSummary], station: str | None) -> tuple[RunSummary, ...]:
    """Return one summary a run: of the given station, or the mean over the stations that every run has.

    Runs that the sheet gives to another station are left out; runs that heard nothing there stay, without values.
    With ``station`` None and several stations, each station heard in all runs counts alike, so that a run in which
    one place is hit more often is not louder for that. Where no station is common, all of a run's are averaged.
    """
    by_run: dict[str, list[RunSummary]] = {}
    for summary in summaries:
        by_run.setdefault(summary.run.name, []).append(summary)
    if station is not None:
        found = []
        for rows in by_run.values():
            here = [s for s in rows if s.station == station]
            if here or rows[0].run.station in ("", station):
                # a run in which the station was not heard stays, empty: silence is a finding
                found.append(here[0] if here else _summary(rows[0].run, station, Impacts.empty()))
        return tuple(found)
    sets = [{s.station for s in rows} for rows in by_run.values() if any(s.impacts for s in rows)]
    common = set.intersection(*sets) if sets else set()
    return tuple(_merged([s for s in rows if s.station in common] or rows) for rows in by_run.values())


def _merged(rows: list[RunSummary]) -> RunSummary:
    if len(rows) == 1:
        return rows[0]
    rows_used = [r for r in rows if r.used] or rows
    limits = [r.band_limit_hz for r in rows if r.band_limit_hz is not None]
    n = np.sum([r.n for r in rows_used], axis=0)
    # sd / sqrt(n) of the merged row is the standard error of the mean of station means
    error = np.sqrt(np.sum([r.sd**2 / np.maximum(r.n, 1) for r in rows_used], axis=0)) / len(rows_used)
    return RunSummary(
        run=rows[0].run,
        station="",
        impacts=sum(r.impacts for r in rows),
        used=sum(r.used for r in rows),
        excluded=MappingProxyType(excluded_of(rows)),
        db_re=tuple(sorted({v for r in rows for v in r.db_re})),
        channels=tuple(sorted({c for r in rows for c in r.channels})),
        band_limit_hz=min(limits) if limits else None,
        mean=np.mean([r.mean for r in rows_used], axis=0),
        energy=np.mean([r.energy for r in rows_used], axis=0),
        sd=error * np.sqrt(np.maximum(n, 1)),
        n=n,
        warnings=tuple(w for r in rows for w in r.warnings),
        bound=np.any([r.bound for r in rows_used], axis=0),
        floor_db=rows[0].floor_db,
        **doubts_of(rows_used),
    )
