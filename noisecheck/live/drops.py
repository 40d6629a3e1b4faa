"""Rebounds told from first contacts as impacts come, by what each place has shown of late."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.flow.trains import begun_where_placed, find_drops

__all__ = ["LiveDrops"]

_ROWS: Final = 200
_Row = tuple[float, float, bool, bool, int]
"""Time in s, level in dB, whether placed, whether faint, drop."""


class LiveDrops:
    """Tells rebounds from first contacts, each impact as it comes.

    Args:
        places: returns for each impact of a table where it may be a rebound, empty where unknown.
        placed: whether anything here tells where an impact was.
    """

    def __init__(self, places: Callable[[Impacts], list[str]], *, placed: bool) -> None:
        self._places, self._placed = places, placed
        self._rows: dict[str, list[_Row]] = {}
        self._drops = 0

    def begin(self, table: Impacts) -> None:
        """Go on from impacts whose drops are told, in order of time."""
        self._rows = {}
        for name, row in zip(self._places(table), _rows_of(table, table["drop"].tolist()), strict=True):
            self._rows.setdefault(name, []).append(row)
        self._rows = {name: rows[-_ROWS:] for name, rows in self._rows.items()}
        self._drops = int(table["drop"].max(initial=-1)) + 1

    def told(self, table: Impacts) -> Impacts:
        """Return impacts that follow with their ``drop`` and ``rebound``."""
        drop, rebound = np.empty(len(table), np.int64), np.zeros(len(table), np.int64)
        for i, (name, row) in enumerate(zip(self._places(table), _rows_of(table, [-1] * len(table)), strict=True)):
            past = self._rows.setdefault(name, [])
            past.append((*row[:4], self._drops))
            del past[:-_ROWS]
            drop[i] = self._drops
            if name:
                recent = np.array(past)
                found = find_drops(recent[:, 0], recent[:, 1], np.zeros(len(recent), int), faint=recent[:, 3] > 0)
                if self._placed:
                    found = begun_where_placed(*found, recent[:, 2] > 0, recent[:, 1])
                rebound[i] = found[1][-1]
                if rebound[i]:
                    drop[i] = past[int(np.argmax((found[0] == found[0][-1]) & (found[1] == 0)))][4]
                    past[-1] = (*row[:4], int(drop[i]))
            self._drops += int(rebound[i] == 0)
        return table.with_columns(drop=drop, rebound=rebound)


def _rows_of(table: Impacts, drop: list[int]) -> list[_Row]:
    faint = table.flagged(Flag.BOUND | Flag.MACHINE).tolist()
    placed = (table.data["station"] != 0).tolist()
    return list(zip(table["time_s"].tolist(), table["lae_db"].tolist(), placed, faint, drop, strict=True))
