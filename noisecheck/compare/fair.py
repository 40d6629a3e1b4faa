"""Which runs may be compared: unlike things are refused in words, not averaged."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.bench.runsheet import OPTIONAL
from noisecheck.compare.gains import gain_apart_db
from noisecheck.compare.pairing import Pairing, paired
from noisecheck.compare.summary import SOFT_ONES, RunSummary, excluded_of
from noisecheck.core.units import many

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["nominal", "pair"]

_CONDITIONS: Final = ("station", "drop_height_mm", "treatment", "revision")
_WORD: Final = {"station": "station", "drop_height_mm": "drop height", "treatment": "treatment", "revision": "revision"}
_SAME_HEIGHT: Final = 1.05  # heights this close differ by 0.2 dB in level: one nominal height, measured run by run
_DEVICE: Final = ("device", "recorder", "microphone")  # columns of one's own that say what recorded a run
_UNEVEN: Final = 0.1  # soft impacts lost on one side more than on the other, as a share of all, that shift a mean
_LOW_LIMIT_HZ: Final = 10_000.0  # a recorder that carries less cannot be set against one that carries more


def pair(
    base: Sequence[RunSummary],
    other: Sequence[RunSummary],
    *,
    by: str,
    names: tuple[str, str],
    references: Sequence[RunSummary] = (),
    rig: Rig | None = None,
) -> Pairing:
    """Return how ``other`` is compared with ``base`` (one summary a run), or why it is not.

    Drop height, treatment and revision (whichever is not compared by) are held equal where both sides share values.
    Where they share no drop height, but each was recorded at several and the ranges meet, a line with 10 lg(height)
    of its own is fitted to each side, and they are compared at one height inside both ranges.
    Sessions are held equal where both sides were recorded in one session, else tied by reference drops, else taken
    as the unit where each side has several; what cannot be told apart is refused.
    """
    names = (_called(names[0], by), _called(names[1], by))
    a, b = [s for s in base if s.used], [s for s in other if s.used]
    for name, rows, usable in ((names[0], base, a), (names[1], other, b)):
        if not usable:
            return Pairing(refusal=_nothing_left(name, rows))
    warnings = [w for s in (*base, *other) for w in s.warnings]
    warnings += [f"run {s.run.name} is left out: no impact to compare" for s in (*base, *other) if not s.used]
    warnings += _uneven_doubt(a, b, names)
    refusal = _unlike(a, b, names, rig, warnings) or _devices(a, b, names, by, references, warnings)
    if refusal:
        return Pairing(refusal=refusal, warnings=tuple(warnings))
    gain = _gains(a, b, names)
    warnings += [gain[0]] if gain[0] else []
    blocks: list[str] = []
    lines = by not in ("drop_height_mm", "revision") and math.isfinite(_meeting_mm(a, b))
    for condition in _CONDITIONS:
        if condition == by or (lines and condition == "drop_height_mm"):
            continue
        refusal = _condition(a, b, condition, by, names, blocks, warnings)
        if refusal:
            return Pairing(refusal=refusal, warnings=tuple(warnings))
    warnings += _own_columns(a, b, by, names)
    labels = [_labels((*a, *b), f) for f in blocks]
    keys_a, keys_b = ([tuple(label[_value(s, f)] for f, label in zip(blocks, labels, strict=True)) for s in rows]
                      for rows in (a, b))  # fmt: skip
    shared = [k for k in dict.fromkeys(keys_a) if k in keys_b]
    if not shared:
        what = " and ".join(_WORD[f] for f in blocks)
        return Pairing(
            refusal=f"no {what} was recorded with both {names[0]} and {names[1]}: they cannot be told apart",
            warnings=tuple(warnings),
        )
    left_out = sum(k not in shared for k in (*keys_a, *keys_b))
    if left_out:
        what = " and ".join(_WORD[f] for f in blocks)
        warnings.append(f"{many(left_out, 'run')} left out: the other side has none at the same {what}")
    rows = [s for s, k in zip((*a, *b), (*keys_a, *keys_b), strict=True) if k in shared]
    groups = np.array([0] * sum(k in shared for k in keys_a) + [1] * sum(k in shared for k in keys_b), np.int64)
    keys = [k for k in (*keys_a, *keys_b) if k in shared]
    rise = None
    if lines:
        sides = [[s for s, g in zip(rows, groups, strict=True) if g == side] for side in (0, 1)]
        at_mm = _meeting_mm(*sides)
        if not math.isfinite(at_mm):
            return Pairing(refusal=_condition(a, b, "drop_height_mm", by, names, [], []), warnings=tuple(warnings))
        rise = _rise(rows, at_mm)
        warnings.append(
            f"no drop height was recorded with both {names[0]} and {names[1]}: they are compared at {at_mm:.0f} mm, "
            "inside the heights of both, by a line with height fitted to each"
        )
    held = (*blocks, "drop_height_mm") if lines else tuple(blocks)
    found = paired(rows, groups, keys, references, names, held, warnings, rise, mixed=by == "session")
    return replace(found, gain=gain)


def _called(name: str, by: str) -> str:
    """Return a value as sentences name it, so that "all 120 runs" isn't said of a height."""
    return f"{name} mm" if by == "drop_height_mm" else f"{by} {name}" if name.isdecimal() else name


def _meeting_mm(a: Sequence[RunSummary], b: Sequence[RunSummary]) -> float:
    """Return the middle of the heights both sides cover; NaN unless they meet, share none, and have two each."""
    if any(s.run.drop_height_mm is None for s in (*a, *b)):
        return math.nan
    label = _labels((*a, *b), "drop_height_mm")
    in_a, in_b = ({label[_value(s, "drop_height_mm")] for s in rows} for rows in (a, b))
    if in_a & in_b or min(len(in_a), len(in_b)) < 2:
        return math.nan
    ends = [sorted(float(s.run.drop_height_mm or 0) for s in rows) for rows in (a, b)]
    low, high = max(e[0] for e in ends), min(e[-1] for e in ends)
    return math.sqrt(low * high) if low <= high else math.nan


def _rise(rows: Sequence[RunSummary], at_mm: float) -> NDArray[np.float64]:
    """Return 10 lg(height / ``at_mm``) of each run."""
    return np.array([10 * math.log10((s.run.drop_height_mm or at_mm) / at_mm) for s in rows], np.float64)


def _nothing_left(name: str, rows: Sequence[RunSummary]) -> str:
    counts = excluded_of(rows)
    if not counts:
        stations = {s.station for s in rows if s.station}
        where = f" at {stations.pop()}" if len(stations) == 1 else ""
        return f"no impact was heard{where} in the runs of {name}"
    return f"no impact of {name} has a comparable level: " + ", ".join(f"{n} {w}" for w, n in counts.items())


def _uneven_doubt(a: Sequence[RunSummary], b: Sequence[RunSummary], names: tuple[str, str]) -> list[str]:
    """Say where one side lost a larger share of soft impacts: its mean is too high, more than the other's."""
    share_a, share_b = (
        sum(s.excluded.get(w, 0) for s in rows for w in SOFT_ONES) / max(sum(s.impacts for s in rows), 1)
        for rows in (a, b)
    )
    if abs(share_a - share_b) <= _UNEVEN:
        return []
    (more, share), (less, other) = sorted(zip(names, (share_a, share_b), strict=True), key=lambda p: -p[1])
    return [
        f"{share:.0%} of the impacts of {more} were too faint or too doubtful to use, {other:.0%} of those of {less}: "
        f"such are mostly soft ones, so the level of {more} is likely too high"
    ]


def _unlike(
    a: list[RunSummary], b: list[RunSummary], names: tuple[str, str], rig: Rig | None, warnings: list[str]
) -> str:
    re_a, re_b = ({v for s in rows for v in s.db_re} for rows in (a, b))
    if len(re_a | re_b) > 1:
        if re_a == re_b or len(re_a) > 1 or len(re_b) > 1:
            return "some runs are calibrated (dB re 20 uPa) and some are not (dB re full scale)"
        return f"{names[0]} is in dB re {min(re_a)}, {names[1]} in dB re {min(re_b)}"
    if rig is not None:
        kind_a, kind_b = ({rig.microphone(c).kind for s in rows for c in s.channels} for rows in (a, b))
        if kind_a != kind_b and kind_a and kind_b:
            return (
                f"{names[0]} was heard by {' and '.join(sorted(kind_a))} microphones, "
                f"{names[1]} by {' and '.join(sorted(kind_b))} ones"
            )
    limits = {s.band_limit_hz for s in (*a, *b)}
    if len(limits) > 1:
        lowest = min(v for v in limits if v is not None)
        text = f"some recordings carry nothing above {lowest:g} Hz and others do"
        if lowest < _LOW_LIMIT_HZ:
            return text
        warnings.append(f"{text}: bands above are left out")
    return ""


def _devices(
    a: list[RunSummary],
    b: list[RunSummary],
    names: tuple[str, str],
    by: str,
    references: Sequence[RunSummary],
    warnings: list[str],
) -> str:
    """Refuse what other devices recorded: their gains and responses differ, and so may the ways they change them."""
    for column in _DEVICE:
        if column == by or column not in a[0].run.extra:
            continue
        in_a, in_b = ({s.run.value(column) for s in rows} - {""} for rows in (a, b))
        if not in_a or not in_b or in_a == in_b:
            continue
        text = f"{names[0]} was recorded with {column} {_listed(in_a, '')}, {names[1]} with {_listed(in_b, '')}"
        tied = {s.run.session for s in references if s.used} >= {s.run.session for s in (*a, *b)}
        used: dict[str, set[str]] = {}
        for s in (*a, *b, *references):
            used.setdefault(s.run.session, set()).add(s.run.value(column))
        tied &= all(len(devices - {""}) < 2 for devices in used.values())  # a session ties only what one device heard
        if a[0].db_re != ("20 uPa",) and not tied:
            return f"{text}: their gains differ, levels are not calibrated and no reference drop ties them"
        warnings.append(f"{text}: what their responses differ by is part of the difference")
    return ""


def _gains(a: list[RunSummary], b: list[RunSummary], names: tuple[str, str]) -> tuple[str, float]:
    """Say that one side may have been recorded with more gain in one session: (why, by how many dB the second was)."""
    step = gain_apart_db(a, b)
    if not step:
        return "", 0.0
    more, less = names[::-1] if step > 0 else names
    text = (
        f"the background of the {more} runs lies {abs(step):.1f} dB above that of the {less} ones, in all octaves "
        "alike: either all that sounds beside the balls was louder, or their gain was higher, as that of a recorder "
        f"which sets it by itself, and {more} is up to {abs(step):.1f} dB softer than it reads; record anew with the "
        "gain fixed and the same background (or give each gain a session of its own, with reference drops in each)"
    )
    return text, step


def _own_columns(a: Sequence[RunSummary], b: Sequence[RunSummary], by: str, names: tuple[str, str]) -> list[str]:
    """Say which columns of one's own changed with what is compared: each side has one value there, and another."""
    told = []
    for column in a[0].run.extra:
        in_a, in_b = ({s.run.value(column) for s in rows} for rows in (a, b))
        alike = min(len(a), len(b)) > 1 and len(in_a) == len(in_b) == 1  # of one run any two cells differ
        if column not in (by, *_DEVICE, *OPTIONAL) and alike and in_a != in_b and "" not in in_a | in_b:
            told.append(
                f"all {names[0]} runs have {column} {_listed(in_a, '')}, all {names[1]} runs {_listed(in_b, '')}: "
                "whatever that changed is part of the difference"
            )
    return told


def _condition(
    a: list[RunSummary],
    b: list[RunSummary],
    condition: str,
    by: str,
    names: tuple[str, str],
    blocks: list[str],
    warnings: list[str],
) -> str:
    """Note a condition to hold equal, a warning, or return the sentence that refuses."""
    label = _labels((*a, *b), condition)
    in_a, in_b = ({label[_value(s, condition)] for s in rows} for rows in (a, b))
    if in_a == in_b and len(in_a) == 1:
        return ""
    if in_a & in_b:
        blocks.append(condition)
        return ""
    word, unit = _WORD[condition], " mm" if condition == "drop_height_mm" else ""
    if "" in in_a | in_b:
        lacking = names[0] if "" in in_a else names[1]
        text = f"the {word} of {lacking} is not given"
    else:
        text = (
            f"all {names[0]} runs have {word} {_listed(in_a, unit)}, all {names[1]} runs {_listed(in_b, unit)}: "
            "the two cannot be told apart"
        )
    # A revision is the sum of its changes; anything else must be the only thing that changed.
    decides = condition in ("drop_height_mm", "station") or (by == "drop_height_mm" and condition == "treatment")
    if decides and (by != "revision" or condition == "station"):
        return text
    if condition == "revision" and "" not in in_a | in_b:
        text = (
            f"{names[0]} is revision {_listed(in_a, '')}, {names[1]} revision {_listed(in_b, '')}: whatever else the "
            "revision changed is part of the difference"
        )
    warnings.append(text)
    return ""


def _value(summary: RunSummary, condition: str) -> str:
    return summary.station if condition == "station" else summary.run.value(condition)


def _labels(rows: Sequence[RunSummary], condition: str) -> dict[str, str]:
    return nominal({_value(s, condition) for s in rows}, condition)


def nominal(values: Set[str], condition: str) -> dict[str, str]:
    """Return the label of each value of a condition; drop heights within 5 % of one another share one."""
    if condition != "drop_height_mm":
        return {v: v for v in values}
    label, first = {"": ""}, ""
    for value in sorted(values - {""}, key=float):
        if not first or float(value) > float(first) * _SAME_HEIGHT:
            first = value
        label[value] = first
    return label


def _listed(values: set[str], unit: str) -> str:
    return " and ".join(sorted(values, key=lambda v: (len(v), v))) + unit
