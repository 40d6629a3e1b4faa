"""What reference drops tell: gain between sessions, drift within a take, a moved microphone, the user's own spread.

The same ball from the same height on the same target makes the same sound. What differs between sessions is then the
recorder's gain (all bands alike) or where the microphone stood (the shape of the spectrum, see
:mod:`noisecheck.compare.shapes`); what differs from drop to drop is the user's own repeatability.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.linear import t_interval
from noisecheck.compare.shapes import Shapes, shapes_apart, unlike
from noisecheck.compare.summary import RunSummary, index_of
from noisecheck.core.records import record
from noisecheck.core.units import rounded, rounded_pair

__all__ = ["Drift", "References", "SessionTie", "TakeApart", "study_references"]

Floats = NDArray[np.float64]
_MOVED_DB: Final = 1.0
_DRIFT_DB: Final = 0.5
_SURE: Final = 0.99
_MOST_SAID: Final = 3
_LEAST_TAKES: Final = 3  # of two takes either may be the odd one
_REPLACED_DB: Final = 3.0  # 5 cm at 50 cm make 0.8 dB, 3 cm at 10 cm 2.3 dB


@record
class SessionTie:
    """One session's reference drops against those of the first session."""

    session: str
    takes: int
    drops: int
    offset_db: float
    ci_db: tuple[float, float]
    """95 % interval, NaN in the first session."""
    shape_db: float
    """Change of band shape, dB RMS, beyond what drops scatter by."""
    verdict: str
    """``first``, ``tied``, ``moved`` (tied, but bands shifted against one another) or ``not comparable``."""
    calibrated: bool = False
    """Whether its levels are re 20 uPa: then it should read as the first does."""

    @property
    def contradicts(self) -> bool:
        """Whether the calibration of both sessions does not agree with their reference drops."""
        return self.calibrated and (self.ci_db[0] > 0 or self.ci_db[1] < 0)

    @property
    def alarming(self) -> bool:
        """Whether it has to be said wherever levels are: bands shifted, or calibrated and off by much."""
        off = self.contradicts and abs(self.offset_db) > _REPLACED_DB
        return off or self.verdict in ("moved", "not comparable")


@record
class Drift:
    """End against start: of one take, or of the last against the first reference recording of a session."""

    of: str
    session: str
    change_db: float
    ci_db: tuple[float, float]
    """99 % interval."""
    shape_db: float
    drops: tuple[int, int]

    @property
    def moved(self) -> bool:
        """Whether the microphone was moved in between, or something in front of it."""
        return self.shape_db > _MOVED_DB

    @property
    def shown(self) -> bool:
        """Whether the level drifted by more than chance and by enough to matter (0.5 dB)."""
        return abs(self.change_db) > _DRIFT_DB and (self.ci_db[0] > 0 or self.ci_db[1] < 0)


@record
class TakeApart:
    """A take whose reference drops read otherwise than those of the session's other takes."""

    of: str
    session: str
    off_db: float
    """Its mean less the median of the session's takes."""

    @property
    def sentence(self) -> str:
        """What to say of it."""
        return (
            f"{self.of}: its reference drops read {self.off_db:+.1f} dB against the other takes of session "
            f"{self.session or '(none)'}: the gain, the microphone or the target was changed, and levels of this take "
            "are uncertain by as much"
        )


@record
class References:
    """Everything reference drops tell of a campaign. Without any: no sessions, NaN."""

    sessions: tuple[SessionTie, ...] = ()
    drifts: tuple[Drift, ...] = ()
    apart: tuple[TakeApart, ...] = ()
    repeatability_db: float = math.nan
    """Standard deviation of L_AE from drop to drop within a take."""
    repeatability_ci_db: tuple[float, float] = (math.nan, math.nan)
    drops: int = 0
    found_in: tuple[str, ...] = ()
    """Takes at whose ends reference drops were found, without the run sheet naming them."""
    ridden: tuple[str, ...] = ()
    """A sentence for each run whose reference drops show that loud sound was turned down."""
    doubts: tuple[str, ...] = ()
    """What stays open: impacts that may be reference drops and were not taken for them, stated ones not heard."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to say: where they come from, spread, then what is amiss."""
        if not self.drops:
            return (*self.doubts, *self.ridden)
        told = []
        if self.found_in:
            takes = f"{len(self.found_in)} takes" if len(self.found_in) > 1 else self.found_in[0]
            told.append(f"reference drops found at the start or end of {takes}: not counted as the machine's impacts")
        if math.isfinite(self.repeatability_db):
            low, high = self.repeatability_ci_db
            told.append(
                f"your own repeatability: {self.repeatability_db:.1f} dB from drop to drop (95 %: {low:.1f} to "
                f"{high:.1f} dB, {self.drops} reference drops)"
            )
        told += _said_drifts(self.drifts)
        told += [take.sentence for take in self.apart]
        told += [_said_session(s, self.sessions[0].session) for s in self.sessions[1:]]
        return (*told, *self.doubts, *self.ridden)

    @property
    def alarms(self) -> tuple[str, ...]:
        """The sentences that warn: drift, moved microphone, takes that stand apart, sessions that cannot be tied."""
        told = [*_said_drifts(self.drifts), *(take.sentence for take in self.apart)]
        told += [_said_session(s, self.sessions[0].session) for s in self.sessions if s.alarming]
        return (*told, *self.doubts, *self.ridden)

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain values, for JSON and the page."""
        return {
            "drops": self.drops,
            "found_in": list(self.found_in),
            "repeatability_db": rounded(self.repeatability_db),
            "repeatability_ci_db": rounded_pair(*self.repeatability_ci_db),
            "sessions": [
                {"session": s.session, "takes": s.takes, "drops": s.drops, "offset_db": rounded(s.offset_db),
                 "ci_db": rounded_pair(*s.ci_db), "shape_db": rounded(s.shape_db), "verdict": s.verdict}
                for s in self.sessions
            ],
            "drifts": [
                {"of": d.of, "session": d.session, "change_db": rounded(d.change_db), "ci_db": rounded_pair(*d.ci_db),
                 "shape_db": rounded(d.shape_db), "drops": list(d.drops), "shown": d.shown, "moved": d.moved}
                for d in self.drifts
            ],
            "takes_apart": [{"of": t.of, "session": t.session, "off_db": rounded(t.off_db)} for t in self.apart],
            "doubts": list(self.doubts),
            "sentences": list(self.sentences),
            "alarms": list(self.alarms),
        }  # fmt: skip


def _said_drifts(drifts: Sequence[Drift]) -> list[str]:
    """Return a sentence for each take that drifted or was moved; the worst ones alone where there are many."""
    told: list[str] = []
    for kind, size in (
        ([d for d in drifts if d.moved], lambda d: d.shape_db),
        ([d for d in drifts if d.shown and not d.moved], lambda d: abs(d.change_db)),
    ):
        worst = sorted(kind, key=size, reverse=True)
        shown = worst if len(worst) <= _MOST_SAID else worst[:1]
        told += [_said_drift(d) for d in drifts if d in shown]
        if len(worst) > len(shown):
            told[-1] += f" (the worst of {len(worst)} such takes)"
    return told


def _said_drift(d: Drift) -> str:
    where = f"{d.of}: between its start and end"
    if d.moved:
        return (
            f"{where} the reference drop changed by {d.change_db:+.1f} dB and its bands by {d.shape_db:.1f} dB against "
            "one another: the microphone, or something near it, was moved"
        )
    return (
        f"{where} the reference drop drifted by {d.change_db:+.1f} dB ({d.ci_db[0]:+.1f} to {d.ci_db[1]:+.1f}), all "
        "bands alike: levels of this take are uncertain by as much"
    )


def _said_session(s: SessionTie, first: str) -> str:
    if s.verdict == "not comparable":
        return unlike(s.session, first, s.shape_db)
    low, high = s.ci_db
    known = f" ({low:+.1f} to {high:+.1f})" if math.isfinite(low) else ""
    text = f"session {s.session or '(none)'} reads {s.offset_db:+.1f} dB{known} against session {first or '(none)'}"
    if s.verdict == "moved":
        return (
            f"{text}; its bands are shifted by {s.shape_db:.1f} dB against one another: the microphone stood "
            "elsewhere, so differences of single bands between these sessions are uncertain by as much"
        )
    if s.contradicts:
        return (
            f"{text}, though both are calibrated: the gain, the microphone's place or the target was not the same, and "
            "levels of the two are uncertain by as much"
        )
    if s.calibrated:
        return f"{text}: no more than drops scatter by, as calibrated"
    return f"{text}: all bands alike, as another gain makes it; differences are formed inside a session or without it"


def study_references(
    rows: Sequence[RunSummary], *, takes: Mapping[str, str] | None = None, found_in: Sequence[str] = ()
) -> References:
    """Return what reference drops tell.

    Args:
        rows: one summary for each recording of reference drops, or each end of a take, in order of time.
        takes: for rows that are ends of takes, the take's name; else rows of one session follow one another.
        found_in: takes in which they were found without the run sheet naming them.
    """
    used = [r for r in rows if r.used and math.isfinite(r.mean[index_of("lae_db")])]
    if not used:
        return References()
    i = index_of("lae_db")
    level, n = np.array([r.mean[i] for r in used]), np.array([max(int(r.n[i]), 1) for r in used])
    sd = np.array([float(np.nan_to_num(r.sd[i])) for r in used])
    free = int((n - 1).sum())
    spread = math.sqrt(float(((n - 1) * sd**2).sum()) / free) if free else math.nan
    shapes = Shapes(used)
    names = [(takes or {}).get(r.run.name, f"session {r.run.session or '(none)'}") for r in used]
    drifts = []
    for name in dict.fromkeys(names):
        own = [k for k, v in enumerate(names) if v == name]
        if len(own) < 2:
            continue
        a, b = own[0], own[-1]
        error = spread * math.sqrt(1 / n[a] + 1 / n[b])
        low, high, _ = t_interval(level[b] - level[a], error, max(free, 1), confidence=_SURE)
        drifts.append(
            Drift(name, used[a].run.session, float(level[b] - level[a]), (float(low), float(high)),
                  shapes.change([a], [b]), (int(n[a]), int(n[b])))
        )  # fmt: skip
    return References(
        sessions=_sessions(used, names, level, n, spread, free, shapes),
        drifts=tuple(drifts),
        apart=_apart(used, names, level),
        repeatability_db=spread,
        repeatability_ci_db=_spread_interval(spread, free),
        drops=int(n.sum()),
        found_in=tuple(found_in),
    )


def _sessions(
    used: Sequence[RunSummary], names: Sequence[str], level: Floats, n: NDArray[np.int64], spread: float, free: int,
    shapes: Shapes,
) -> tuple[SessionTie, ...]:  # fmt: skip
    members: dict[str, list[int]] = {}
    for k, row in enumerate(used):
        members.setdefault(row.run.session, []).append(k)
    kinds, _ = shapes_apart(used)
    # Ends of one take share a placement: takes are the unit where a session has several.
    means = {session: _by_take(level[own], [names[k] for k in own]) for session, own in members.items()}
    df = sum(len(m) - 1 for m in means.values())
    between = math.sqrt(sum(float(((m - m.mean()) ** 2).sum()) for m in means.values()) / df) if df else math.nan
    first = next(iter(members))
    found = []
    for session, own in members.items():
        offset, ci, shape, verdict = 0.0, (math.nan, math.nan), 0.0, "first"
        if session != first:
            offset = float(means[session].mean() - means[first].mean())
            if df:
                error, freedom = between * math.sqrt(1 / len(means[session]) + 1 / len(means[first])), df
            else:
                error, freedom = spread * math.sqrt(1 / n[own].sum() + 1 / n[members[first]].sum()), max(free, 1)
            low, high, _ = t_interval(offset, error, freedom)
            ci, shape = (float(low), float(high)), shapes.change(members[first], own)
            verdict = "not comparable" if kinds[session] != kinds[first] else "moved" if shape > _MOVED_DB else "tied"
        known = all(used[k].db_re == ("20 uPa",) for k in (*own, *members[first]))
        found.append(SessionTie(session, len(means[session]), int(n[own].sum()), offset, ci, shape, verdict, known))
    return tuple(found)


def _apart(used: Sequence[RunSummary], names: Sequence[str], level: Floats) -> tuple[TakeApart, ...]:
    """Return the takes that are off from their session's median by more than re-placing a microphone makes, and oddly.

    Oddly: a modified z-score above 3.5 (Iglewicz and Hoaglin 1993), so that takes that all differ are none.
    """
    found = []
    for session in dict.fromkeys(row.run.session for row in used):
        own = [k for k, row in enumerate(used) if row.run.session == session]
        takes = list(dict.fromkeys(names[k] for k in own))
        if len(takes) < _LEAST_TAKES:
            continue
        off = _by_take(level[own], [names[k] for k in own])
        off = off - np.median(off)
        least = max(_REPLACED_DB, 3.5 / 0.6745 * float(np.median(np.abs(off))))
        found += [TakeApart(t, session, float(o)) for t, o in zip(takes, off, strict=True) if abs(o) > least]
    return tuple(found)


def _by_take(level: Floats, names: Sequence[str]) -> Floats:
    return np.array([np.mean([v for v, n in zip(level, names, strict=True) if n == name])
                     for name in dict.fromkeys(names)])  # fmt: skip


def _spread_interval(spread: float, free: int) -> tuple[float, float]:
    """Return the 95 % interval of a standard deviation (chi-squared, normal scatter)."""
    if not free:
        return (math.nan, math.nan)
    from scipy.special import chdtri

    return spread * math.sqrt(free / float(chdtri(free, 0.025))), spread * math.sqrt(free / float(chdtri(free, 0.975)))
