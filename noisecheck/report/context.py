"""What sections are made of, and what they are made from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from noisecheck.compare.flowing import RunFlow
from noisecheck.core.errors import InputError
from noisecheck.core.records import record
from noisecheck.flow.findings import Ledger
from noisecheck.pipeline.account import Account, account_for
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.revisions import flows_of
from noisecheck.report.clips import Clip, Moment, clips_at

if TYPE_CHECKING:
    from noisecheck.report.answers import Asked

__all__ = ["Context", "GroupColumn", "Place", "Said", "Section", "newest_first"]

_MOMENTS: Final = 0.3


class Place(IntEnum):
    """Where a section stands in the narrative."""

    UNFIT = 5
    """Health, where a recording is not fit for something."""
    SOURCES = 10
    NOISE = 20
    LISTEN = 25
    FLOW = 30
    TREND = 40
    LEVELS = 50
    EVENTS = 60
    HEALTH = 70
    CARE = 80
    METHOD = 90


def newest_first(names: Iterable[str], order: Sequence[str]) -> list[str]:
    """Return the revisions as the rig file orders them, else as the runs come; the last first."""
    there = list(dict.fromkeys(names))
    known = [r for r in order if r in there]
    return [*reversed(known), *(r for r in reversed(there) if r not in known)]


@record
class Said:
    """A sentence at the head of the page: how it stands, what is said, and what would settle it if it is open.

    ``status`` is ``quieter``, ``louder``, ``no difference shown``, ``not comparable``, ``not yet shown``, ``met``,
    ``not met``, ``not usable`` (a recording), ``source``, ``stuck``, ``bound only``, ``warning`` or ``note``.
    """

    status: str
    text: str
    next_step: str = ""
    paste: str = ""
    """Lines to put into a file as they are."""

    def to_dict(self) -> dict[str, str]:
        """Return the sentence as plain values."""
        return {"status": self.status, "text": self.text, "next_step": self.next_step, "paste": self.paste}


@record
class Section:
    """One part of the page: a template of ``report/templates`` and what it needs.

    ``key`` is its id on the page and its name in ``results.json`` (where ``document`` goes). ``said`` are sentences
    for the head of the page.
    """

    key: str
    title: str
    place: int
    template: str
    data: Mapping[str, Any] = field(default_factory=dict)
    said: tuple[Said, ...] = ()
    document: Any = None


@record
class GroupColumn:
    """A figure of each group of runs that stands beside its noise, such as hold-ups per thousand balls.

    ``value`` takes the names of the runs and the station (None: all) and gives the figure, None where not known.
    """

    name: str
    title: str
    unit: str
    value: Callable[[tuple[str, ...], str | None], float | None]
    digits: int = 2


@record
class Context:
    """What the sections are made from."""

    result: CampaignResult
    asked: tuple[Asked, ...]
    group_columns: tuple[GroupColumn, ...] = ()
    clip_bytes: int = 0

    @cached_property
    def stations(self) -> tuple[str, ...]:
        """Stations heard or declared, in the order of the rig file; their place here decides their marker."""
        declared = [s.name for s in self.result.campaign.rig.stations]
        heard = sorted({s.station for s in self.result.summaries if s.station and s.impacts})
        return tuple(n for n in dict.fromkeys([*declared, *heard]) if n in heard)

    @cached_property
    def kinds(self) -> set[str]:
        """Kinds of the microphones that measured the test runs' impacts: levels of unlike ones do not add."""
        rig = self.result.campaign.rig
        return {rig.microphone(c).kind for r in self.result.tests for c in set(r.impacts["channel"].tolist()) if c >= 0}

    @cached_property
    def run_numbers(self) -> dict[str, int]:
        """Where each run stands in the run sheet, from 0."""
        return {r.run.name: n for n, r in enumerate(self.result.runs)}

    @cached_property
    def db_re(self) -> str:
        """What 0 dB is, in words."""
        found = sorted({v for s in self.result.summaries for v in s.db_re})
        return " and ".join("20 µPa" if v == "20 uPa" else v for v in found) or "full scale"

    @cached_property
    def ledgers(self) -> dict[str, Ledger]:
        """Ledgers by run, of the runs in which any ball was followed to its end."""
        return {ledger.run: ledger for ledger in self.result.ledgers if ledger.balls}

    @cached_property
    def flows(self) -> tuple[RunFlow, ...]:
        """How the balls of each test run ran; none where no ball was followed to its end."""
        return flows_of(self.result) if self.ledgers else ()

    @cached_property
    def account(self) -> Account | None:
        """What became of every ball; None where no ball was followed to its end."""
        if not self.ledgers:
            return None
        try:
            return account_for(self.result)
        except InputError:
            return None

    @cached_property
    def moments(self) -> dict[Moment, Clip]:
        """Clips of what the ledger found, of at most :data:`_MOMENTS` of the bytes; stuck and stray balls first."""
        heard = ("stuck", "stray", "held_up")
        found = [(f, g.run) for g in self.result.ledgers for f in g.findings if f.kind in heard]
        found.sort(key=lambda p: (heard.index(p[0].kind), -p[0].odds))
        wanted = [Moment(run, f.time_s) for f, run in found]
        return clips_at(self.result, wanted, most_bytes=int(_MOMENTS * self.clip_bytes))

    @property
    def impact_bytes(self) -> int:
        """Bytes left for clips of impacts."""
        return self.clip_bytes - sum(len(c.uri) for c in self.moments.values())

    @property
    def unit(self) -> str:
        """The unit of levels, for axes and headers."""
        return f"dB re {self.db_re}"
