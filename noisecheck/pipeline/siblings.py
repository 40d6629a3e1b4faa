"""Which runs of a campaign show one another when balls rebound and how long they take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from noisecheck.bench.runsheet import Run
from noisecheck.pipeline.flowing import kind_of, route_of
from noisecheck.pipeline.references import machine_impacts
from noisecheck.pipeline.run import RunResult

if TYPE_CHECKING:
    from noisecheck.bench.rig import Rig

__all__ = ["with_siblings"]


def with_siblings(results: Sequence[RunResult], rig: Rig) -> list[RunResult]:
    """Return placed runs with what their siblings show: other test runs of the same revision.

    Those of the same pad and height come first, then the others, the nearest in the run sheet first; as many as are
    needed. Another pad or height changes how balls rebound where it is and how fast they leave, and so the way to the
    next station. There they fall from that station's own edge, so from there on they do as they did. A run that states
    no height may differ in it. Another revision may differ in anything.
    """
    revisions: dict[str, list[int]] = {}
    if rig.route:
        for number, result in enumerate(results):
            if result.run.role == "test":
                revisions.setdefault(result.run.revision, []).append(number)
    done = list(results)
    for members in (m for m in revisions.values() if len(m) > 1):
        from noisecheck.flow.siblings import as_many_as_needed, shown_by

        shown = {
            n: shown_by(machine_impacts(results[n].impacts), route_of(rig), end_s=results[n].seconds) for n in members
        }
        useful = [m for m in members if shown[m].balls]
        for n in members:
            own = results[n].run
            others = [(_apart(own, results[m].run, rig), abs(m - n), m) for m in useful if m != n]
            near = (shown[m].without(apart) if apart else shown[m] for apart, _, m in sorted(others, key=_near_first))
            done[n] = replace(results[n], siblings=as_many_as_needed(shown[n].balls, near))
    return done


def _near_first(other: tuple[frozenset[str], int, int]) -> tuple[bool, int]:
    apart, far, _ = other
    return bool(apart), far


def _apart(one: Run, other: Run, rig: Rig) -> frozenset[str]:
    """Return the stations at which two runs of one revision may differ: those whose pad or height they state."""
    if kind_of(one) == kind_of(other) and one.drop_height_mm is not None:
        return frozenset()
    return frozenset(run.station or rig.route[0] for run in (one, other))
