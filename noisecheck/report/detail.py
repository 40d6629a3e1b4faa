"""What the page shows of one impact when it is opened: its bands beside the usual ones, its sound, its measures."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.bands import NOMINAL_THIRD_HZ
from noisecheck.core.errors import one_line
from noisecheck.core.flags import FLAG_MEANING, flag_words
from noisecheck.pipeline.references import machine_impacts
from noisecheck.pipeline.run import RunResult
from noisecheck.report.clips import FULL, Clip, Wanted
from noisecheck.report.context import Context
from noisecheck.report.words import signed

__all__ = ["detail_data", "event_id"]

_PLAIN_NAME: Final = re.compile(r"[A-Za-z0-9._-]+")
_FEWEST: Final = 3
"""A usual spectrum needs at least so many impacts."""
_SURE: Final = 1_000_000
"""Odds beyond this are not told apart."""
_MORE: Final = ("station surely right", "L_Cpeak", "L_AFmax", "odds that it is real", "drop", "rebound", "channel")
"""What the table has no room for."""


def event_id(context: Context, run: str, row: int) -> str:
    """Return the id of an impact on the page: ``event-RUN-N`` with N from 1, a number for runs of odd names."""
    name = run if _PLAIN_NAME.fullmatch(run) else f"~{context.run_numbers[run]}"
    return f"event-{name}-{row + 1}"


def detail_data(context: Context, kept: Sequence[tuple[str, int]], clips: Mapping[Wanted, Clip]) -> dict[str, Any]:
    """Return what belongs to each (run, row) of the table, as plain values for the page's script.

    Band levels are tenths of a decibel, None where not measurable. Clips heard elsewhere on the page are not repeated.
    """
    rows = []
    for name, row in kept:
        run = context.result.by_name[name]
        clip = clips.get(Wanted(name, row))
        again = clips.get(Wanted(name, row, FULL))
        either = clip or again
        rows.append(
            {
                "id": event_id(context, name, row),
                "run": context.run_numbers[name],
                "code": int(run.impacts.data["station"][row]),
                "bands": _tenths(run.impacts.data["bands"][row]),
                "more": _more(run, row),
                **({"raised": round(either.raised_db, 2), "before": round(either.before_s, 4)} if either else {}),
                **({"rate": either.rate} if either else {}),
                **({"clip": clip.uri} if clip else {}),
            }
        )
    return {
        "unit": context.unit,
        "bands_hz": NOMINAL_THIRD_HZ,
        "more": _MORE,
        "flags": {flag_words(int(f)).replace("_", " "): meaning for f, meaning in FLAG_MEANING.items()},
        "runs": [
            {"name": r.run.name, "file": one_line(", ".join(r.run.files)), "usual": _usual(r)}
            for r in context.result.runs
        ],
        "rows": rows,
    }


def _usual(run: RunResult) -> dict[str, list[int | None]]:
    """Return median band levels at each station of a run: of first contacts by its code, of rebounds by ``CODEr``.

    Reference drops are none of them, unless there is nothing else.
    """
    table = machine_impacts(run.impacts)
    table = table if len(table) else run.impacts
    found = {}
    rebounds = table.data["rebound"] > 0
    for code, later in itertools.product(np.unique(table.data["station"]), (False, True)):
        here = (table.data["station"] == code) & (rebounds == later)
        if here.sum() >= _FEWEST:
            bands = table.data["bands"][here].astype(np.float64)
            known = np.isfinite(bands).any(axis=0)
            middle = np.full(bands.shape[1], np.nan)
            middle[known] = np.nanmedian(bands[:, known], axis=0)
            found[f"{int(code)}{'r' if later else ''}"] = _tenths(middle)
    return found


def _tenths(levels: NDArray[Any]) -> list[int | None]:
    return [round(10 * float(v)) if np.isfinite(v) else None for v in levels]


def _more(run: RunResult, row: int) -> list[str]:
    """Return the measures of :data:`_MORE` in words, empty where there is none."""
    at = {k: float(v[row]) for k, v in run.impacts.data.items() if v.ndim == 1}
    share, odds = at["station_confidence"], at["odds"]
    counts = ["" if at[k] < 0 else f"{at[k]:.0f}" for k in ("drop", "rebound", "channel")]
    sure = f"over {_SURE:,} : 1" if odds > _SURE else f"{odds:,.0f} : 1" if odds >= 1 else "less than 1 : 1"
    return [
        f"{100 * share:.0f} %" if math.isfinite(share) else "",
        *(f"{signed(at[k])} dB" if math.isfinite(at[k]) else "" for k in ("lcpeak_db", "lafmax_db")),
        sure if math.isfinite(odds) else "",
        *counts,
    ]
