"""Impacts that sound alike, where nothing was taught: groups to listen to, and to name in one line of the rig file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.table import Impacts
from noisecheck.pipeline.references import machine_impacts
from noisecheck.place.groups import Groups, find_groups
from noisecheck.place.taught import Lesson

__all__ = ["Grouped", "grouped", "lessons_of_groups"]


@dataclass(frozen=True)
class Grouped:
    """Groups over the test runs of a campaign, and the impacts they were found among."""

    groups: Groups
    impacts: Impacts

    def example(self, number: int) -> tuple[str, float]:
        """Return run and time (s) of the impact that stands for a group."""
        row = self.groups.groups[number].example
        return str(self.impacts["run"][row]), float(self.impacts["time_s"][row])

    @property
    def line(self) -> str:
        """The line for ``[rig]`` that names the groups by their examples; the names are the user's to change."""
        pairs = []
        for number, group in enumerate(self.groups.groups):
            run, at = self.example(number)
            key = f"{run} {at:.3f}".replace("\\", "\\\\").replace('"', '\\"')
            pairs.append(f'"{key}" = "{group.name}"')
        return f"groups = {{ {', '.join(pairs)} }}"


def grouped(runs: Sequence[tuple[Run, Impacts]]) -> Grouped:
    """Return what sounds alike in the test runs."""
    impacts = Impacts.concat(machine_impacts(table) for run, table in runs if run.role == "test")
    return Grouped(find_groups(impacts), impacts)


def lessons_of_groups(runs: Sequence[tuple[Run, Impacts]], rig: Rig) -> list[Lesson]:
    """Return what the groups named in the rig file teach; none where it names none.

    Raises:
        InputError: a name for an impact that is not there, or that is in no group.
    """
    if not rig.rig.groups:
        return []
    found = grouped(runs)
    names: dict[str, str] = {}
    for key, station in rig.rig.groups.items():
        run, at = key.rsplit(" ", 1)
        mine = np.flatnonzero(found.impacts.is_text("run", run))
        if not len(mine):
            known = [r.name for r, _ in runs]
            raise InputError(f"rig.toml, [rig]: groups: there is no test run '{one_line(run)}'{nearest(run, known)}")
        row = int(mine[np.argmin(np.abs(found.impacts["time_s"][mine] - float(at)))])
        member = int(found.groups.member[row])
        if member < 0 or abs(float(found.impacts["time_s"][row]) - float(at)) > 0.05:
            raise InputError(f"rig.toml, [rig]: groups: '{one_line(key)}' is no impact of any group")
        names[found.groups.groups[member].name] = station
    return found.groups.lessons(found.impacts, names)
