"""Which impacts are odd, and which are worth hearing first.

A level is odd where its modified z-score, 0.6745 (x - median) / MAD, is above 3.5 in its run and station (Iglewicz
and Hoaglin 1993, How to Detect and Handle Outliers, as given in the NIST/SEMATECH e-Handbook, 1.3.5.17). Rebounds are
quieter by nature: they are not looked at, and where they are not told apart only louder ones are odd. Reference drops
are another thing than the machine's impacts: no odd ones, and not the loudest of a run.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import one_line
from noisecheck.core.flags import Flag
from noisecheck.core.records import record
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.run import RunResult

__all__ = ["Picked", "odd_impacts", "pick"]

_ODD_Z: Final = 3.5
_LEAST_MAD_DB: Final = 1.0  # where nearly all impacts agree, a decibel is no outlier
_FEWEST: Final = 8
_ALIKE: Final = 3
"""Odd impacts of a run to hear where the reason is the same; the others are marked, and stand in the table."""
_ODD: Final = 2  # the stage of odd impacts, behind the loudest and the median of each run


@record
class Picked:
    """One impact worth hearing: its run, its row in the run's table, and why."""

    run: str
    row: int
    why: tuple[str, ...]
    odd: bool
    rank: tuple[int, int]
    """Whose turn it is where not all can be heard: stage (loudest, median, odd), then place in its run."""


def odd_impacts(run: RunResult) -> dict[int, tuple[str, ...]]:
    """Return the odd rows of a run's table, each with its reasons in words."""
    table = run.impacts
    found: dict[int, list[str]] = {}

    def mark(rows: NDArray[np.bool_], why: str) -> None:
        for row in np.flatnonzero(rows):
            found.setdefault(int(row), []).append(why)

    mark(table.flagged(Flag.CLIPPED), "clipped: its levels are lower bounds")
    mark(table.flagged(Flag.NONFINITE), "samples that are no numbers")
    mark(table.flagged(Flag.DROPOUT), "samples are missing in it")
    own = ~table.flagged(Flag.REFERENCE)
    mark(table.flagged(Flag.UNPLACED), "unplaced: no station accounts for it")
    if run.run.role == "background" or run.run.balls_fed == 0:
        mark(np.ones(len(table), bool), "heard although no ball was fed")
    level, station, rebound = (table.data[k] for k in ("lae_db", "station", "rebound"))
    for code in np.unique(station):
        here = own & (station == code) & np.isfinite(level) & (rebound <= 0)
        if here.sum() < _FEWEST:
            continue
        middle = float(np.median(level[here]))
        spread = max(float(np.median(np.abs(level[here] - middle))), _LEAST_MAD_DB)
        far = np.where(here, 0.6745 * (level - middle) / spread, 0.0)
        for sign, word in ((1, "louder"), (-1, "quieter")):
            for row in np.flatnonzero((sign * far > _ODD_Z) & ((sign > 0) | (rebound == 0))):
                away = abs(float(level[row]) - middle)
                found.setdefault(int(row), []).append(f"{away:.0f} dB {word} than the median here")
    return {row: tuple(why) for row, why in sorted(found.items())}


def _loudest_placed(run: RunResult, rows: NDArray[np.intp]) -> int:
    """Return the loudest of these rows, of those with a station where there are any."""
    placed = rows[run.impacts.data["station"][rows] != 0]
    among = placed if len(placed) else rows
    return int(among[np.argmax(run.impacts.data["lae_db"][among])])


def _like(run: RunResult, loudest: int) -> tuple[NDArray[np.bool_], str]:
    """Return what the loudest of a run may be compared with, (n,), and in words: of its station, rebounds apart."""
    table = run.impacts
    station, rebound = table.data["station"], table.data["rebound"]
    here = station == station[loudest]
    name = one_line(table.names["station"][station[loudest]])
    at = f" at {name}" if name else " of the run"
    if not np.any(rebound[here] > 0):
        return here, f"impacts{at}"
    later = bool(rebound[loudest] > 0)
    return here & ((rebound > 0) == later), f"{'rebounds' if later else 'first contacts'}{at}"


def pick(result: CampaignResult, *, most: int) -> tuple[Picked, ...]:
    """Return the loudest, the median and the odd impacts of each run, at most ``most``, in the order of the run sheet.

    The median is that of the loudest one's kind, of those placed: first contacts (or rebounds) at its station.

    Where there are too many, the loudest of each run go first, then medians, then the oddest of each run in turn.
    """
    queues: list[list[tuple[int, int, int]]] = []  # per run: (stage, turn, row)
    reasons: list[dict[int, list[str]]] = []
    odd_rows: list[set[int]] = []
    for run in result.runs:
        level = run.impacts.data["lae_db"]
        own = ~run.impacts.flagged(Flag.REFERENCE)
        rows = np.flatnonzero(np.isfinite(level) & (own if own.any() else True))
        odd = odd_impacts(run)
        why: dict[int, list[str]] = {}
        wanted: list[tuple[int, int, int]] = []
        if rows.size:
            loudest = int(rows[np.argmax(level[rows])])
            like, of = _like(run, _loudest_placed(run, rows))
            mates = rows[like[rows]]
            median = int(mates[np.argsort(level[mates], kind="stable")[(mates.size - 1) // 2]])
            why.setdefault(loudest, []).append("loudest of the run")
            why.setdefault(median, []).append(f"median of {of}")
            wanted += [(0, 0, loudest), (1, 0, median)]
        order = sorted(odd, key=lambda r: (-len(odd[r]), -float(np.nan_to_num(level[r], nan=-999.0)), r))
        alike = Counter[tuple[str, ...]]()
        for turn, row in enumerate(order):
            alike[odd[row]] += 1
            if alike[odd[row]] > _ALIKE:
                continue
            why.setdefault(row, []).extend(odd[row])
            wanted.append((_ODD, turn, row))
        queues.append(wanted)
        reasons.append(why)
        odd_rows.append(set(odd))
    order_all = sorted((stage, turn, number, row) for number, q in enumerate(queues) for stage, turn, row in q)
    chosen: dict[tuple[int, int], tuple[int, int]] = {}
    for stage, turn, number, row in order_all:
        if len(chosen) >= most:
            break
        chosen.setdefault((number, row), (stage, turn))
    return tuple(
        Picked(result.runs[number].run.name, row, tuple(reasons[number][row]), row in odd_rows[number], rank)
        for (number, row), rank in sorted(chosen.items())
    )
