"""Impacts that sound alike, where nothing was taught: groups to listen to, and to name in one line of the rig file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from noisecheck.bench.runsheet import Run
from noisecheck.core.errors import InputError, nearest, one_line
from noisecheck.core.records import record
from noisecheck.core.table import Impacts
from noisecheck.pipeline.references import machine_impacts

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig
    from noisecheck.place.groups import Groups
    from noisecheck.place.taught import Lesson

__all__ = ["Grouped", "Named", "grouped", "named_groups"]


@record
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
    from noisecheck.place.groups import find_groups

    impacts = Impacts.concat(machine_impacts(table) for run, table in runs if run.role == "test")
    return Grouped(find_groups(impacts), impacts)


@record
class Named:
    """What the groups named in the rig file say: lessons for other impacts, and where their own happened."""

    lessons: list[Lesson]
    at: dict[str, dict[int, tuple[str, float]]]
    """By run and frame: station and confidence; the impacts that the user named are sure."""

    def into(self, impacts: Impacts, run: str) -> Impacts:
        """Return a run's impacts with those of named groups placed where nothing else placed them.

        A group is what sounds alike, so its impacts are at its station unless what was learnt from all says another.
        """
        known = self.at.get(run, {})
        if not known:
            return impacts
        told = {row: known.get(frame, ("", 0.0)) for row, frame in enumerate(impacts["frame"].tolist())}
        placed = impacts["station"].tolist()
        return impacts.at_stations({k: t for k, t in told.items() if t[0] and (t[1] == 1.0 or not placed[k])})


def named_groups(runs: Sequence[tuple[Run, Impacts]], rig: Rig) -> Named:
    """Return what the groups named in the rig file say; nothing where it names none.

    Raises:
        InputError: a name for an impact that is not there, or that is in no group.
    """
    if not rig.rig.groups:
        return Named([], {})
    from noisecheck.place.combine import STATED_CONFIDENCE

    found = grouped(runs)
    names: dict[str, str] = {}
    sure: set[int] = set()
    for key, station in rig.rig.groups.items():
        run, at = key.rsplit(" ", 1)
        mine = np.flatnonzero(found.impacts.is_text("run", run))
        if not len(mine):
            known = [r.name for r, _ in runs]
            here = nearest(run, known) if len(known) > 1 else " in what is measured here: groups are of whole campaigns"
            raise InputError(f"rig.toml, [rig]: groups: there is no test run '{one_line(run)}'{here}")
        row = int(mine[np.argmin(np.abs(found.impacts["time_s"][mine] - float(at)))])
        member = int(found.groups.member[row])
        if member < 0 or abs(float(found.impacts["time_s"][row]) - float(at)) > 0.05:
            raise InputError(f"rig.toml, [rig]: groups: '{one_line(key)}' is no impact of any group")
        names[found.groups.groups[member].name] = station
        sure.add(row)
    at_run: dict[str, dict[int, tuple[str, float]]] = {}
    runs_of, frames = found.impacts["run"], found.impacts["frame"]
    for row, member in enumerate(found.groups.member.tolist()):
        group = found.groups.groups[member].name if member >= 0 else ""
        if group in names:
            answer = names[group], 1.0 if row in sure else STATED_CONFIDENCE
            at_run.setdefault(str(runs_of[row]), {})[int(frames[row])] = answer
    return Named(found.groups.lessons(found.impacts, names), at_run)
