"""Requirements of the rig file against one revision: every verdict with its odds, rule and next step."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from noisecheck.compare.flowing import RunFlow
from noisecheck.compare.requirements import RATES, Verdict, judge_estimate, judge_mean, judge_rate, overall
from noisecheck.compare.standing import Standing
from noisecheck.core.records import record
from noisecheck.core.units import many
from noisecheck.flow.failures import dispersion_of, say_differing, say_share

if TYPE_CHECKING:
    from noisecheck.bench.rig import Requirement, Rig
    from noisecheck.flow.failures import HeardShare

__all__ = ["CALIBRATOR_DB", "Card", "Judged", "Pace", "judge_revision", "pace_of", "say_time"]

CALIBRATOR_DB: Final = 0.25 / math.sqrt(3)
"""Standard uncertainty of a calibrated level: a class 1 calibrator's tolerance of 0.25 dB as a rectangle (IEC
60942:2017, from memory)."""
_DECAYS: Final = ("decay_ms", "decay_t10_ms")
_MORE_RUNS_FIRST: Final = 2


@record
class Pace:
    """What more would cost: seconds a ball, seconds and balls a run; NaN where not known."""

    ball_s: float
    stated: bool
    """Whether the seconds a ball are those of the feed; else they are the runs' own, with what is before and after."""
    run_s: float
    balls_a_run: float

    def hours(self, more: int, unit: str) -> float:
        """Return the hours of recording that so many more ``runs`` or ``balls`` take."""
        return more * (self.ball_s if unit == "balls" else self.run_s) / 3600.0


def pace_of(rig: Rig | None, flows: Sequence[RunFlow]) -> Pace:
    """Return the pace: the feed's as stated, else that of the runs."""
    seconds, balls = sum(f.seconds for f in flows), sum(f.balls for f in flows)
    stated = rig.feed.period_s if rig is not None else None
    ball = stated if stated is not None else (seconds / balls if balls else math.nan)
    runs = len(flows)
    return Pace(ball, stated is not None, seconds / runs if runs else math.nan, balls / runs if runs else math.nan)


def say_time(hours: float) -> str:
    """Return a time in words: ``44 min``, ``7.5 h``, ``31 days``."""
    if hours < 1.5:
        return f"{max(hours * 60, 1):.0f} min"
    return f"{hours:.1f} h" if hours < 72 else f"{hours / 24:,.0f} days"


@record
class Judged:
    """One requirement against one revision."""

    requirement: Requirement
    revision: str
    verdict: Verdict
    unit: str
    """What ``verdict.more`` counts: ``runs`` or ``balls``."""
    hours: float | None = None
    """Recording time the next step takes; None where it is not known or nothing is to be done."""
    note: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return requirement and verdict as plain values."""
        r = self.requirement
        return {
            "id": r.id,
            "text": r.text,
            "strict": r.strict,
            "measure": r.measure,
            "station": r.station,
            "sense": r.sense,
            "revision": self.revision,
            **self.verdict.to_dict(),
            "unit": self.unit,
            "hours": None if self.hours is None else float(f"{self.hours:.3g}"),
            "note": self.note,
        }


@record
class Card:
    """All requirements against one revision: it passes when every strict one is met."""

    revision: str
    judged: tuple[Judged, ...]

    @property
    def verdict(self) -> str:
        """``met``, ``not met`` or ``not yet shown`` over the strict requirements."""
        return overall((j.requirement, j.verdict) for j in self.judged)

    @property
    def score(self) -> tuple[int, int]:
        """Negotiable requirements met, and how many there are."""
        wished = [j for j in self.judged if not j.requirement.strict]
        return sum(j.verdict.verdict == "met" for j in wished), len(wished)

    def to_dict(self) -> dict[str, Any]:
        """Return the card as plain values."""
        met, of = self.score
        judged = [j.to_dict() for j in self.judged]
        return {"verdict": self.verdict, "negotiable_met": met, "negotiable": of, "requirements": judged}


def judge_revision(
    requirements: Sequence[Requirement],
    revision: str,
    *,
    levels: Mapping[str, Standing],
    total: Standing,
    flows: Sequence[RunFlow],
    pace: Pace,
    heard: HeardShare | None = None,
) -> Card:
    """Return every requirement judged for one revision.

    Args:
        levels: standing by station (``""``: all stations together, alike).
        total: standing of the total exposure of one ball.
        flows: runs of this revision.
        pace: what more runs or balls take.
        heard: share of failures that listening shows; its lower bound widens the failure bound.
    """
    judged = []
    for r in requirements:
        if r.measure in RATES:
            judged.append(_rate(r, revision, flows, pace, heard))
        elif r.measure == "restitution":
            judged.append(_restitution(r, revision, flows, pace))
        else:
            judged.append(
                _level(r, revision, total if r.measure == "total_lae_db" else levels.get(r.station or ""), pace)
            )
    return Card(revision, tuple(judged))


def _level(r: Requirement, revision: str, place: Standing | None, pace: Pace) -> Judged:
    logarithmic = r.measure in (*_DECAYS, "centroid_hz")
    names = {"total_lae_db": ("lae_db",), "decay_ms": _DECAYS}.get(r.measure, (r.measure,))
    found = [place.of(revision, n) for n in names] if place is not None else []
    figure = next((f for f in found if f is not None and math.isfinite(f.value)), None)
    where = f"at {r.station}" if r.station else "over all stations"
    if figure is None or place is None:
        step = f"nothing measurable {where}: record at least two runs of revision {revision} in which it sounds"
        return _nothing(r, revision, step, pace)
    scale = place.scales[place.scale_of[revision]]
    is_level = not logarithmic
    added = CALIBRATOR_DB if is_level and scale.db_re == "20 uPa" else 0.0
    limit = math.log(r.limit) if logarithmic else r.limit
    if not math.isfinite(figure.error):
        step = f"record {_MORE_RUNS_FIRST} more runs at least, for the spread between runs is not known"
        value = math.exp(figure.value) if logarithmic else figure.value
        return _nothing(r, revision, step, pace, value=value, more=_MORE_RUNS_FIRST)
    verdict = judge_estimate(
        figure.value, figure.error, figure.df, figure.runs, limit,
        sense=r.sense, confidence=r.confidence, added_uncertainty=added,
    )  # fmt: skip
    if logarithmic:
        verdict = replace(
            verdict,
            value=math.exp(verdict.value),
            low=math.exp(verdict.low),
            high=math.exp(verdict.high),
            limit=r.limit,
        )
    if figure.bound and verdict.verdict != ("met" if r.sense == "at most" else "not met"):
        step = (
            f"{where} this band lies in the background, so its level is a bound only: record nearer, or amid less noise"
        )
        return _nothing(r, revision, step, pace, value=figure.value, more=None)
    # What lacks its loudest ones cannot be shown to be low enough, nor what lacks its softest to be too high, but by
    # more than they can make up. As long as it is not shown, more runs settle it where the mean itself would stay on
    # its side of the limit.
    settled = verdict.verdict in ("met", "not met")
    low, high = (verdict.low, verdict.high) if settled else (figure.value, figure.value)
    short, far = high + figure.lacks_db > limit, low - figure.exceeds_db <= limit
    doubt = (figure.too_high if far else "") if figure.value > limit else (figure.too_low if short else "")
    if doubt:
        step = f"record anew, for what there is proves nothing: {doubt}"
        return _nothing(r, revision, step, pace, value=figure.value, more=None)
    note = "mean over all stations, alike" if not r.station and r.measure != "total_lae_db" else ""
    if is_level and scale.db_re != "20 uPa":
        first = scale.sessions[0]
        as_of = f" as of session {first}" if len(scale.sessions) > 1 else ""
        note = "; ".join(v for v in (note, f"dB re full scale{as_of}: holds for this recorder setting only") if v)
    return _timed(Judged(r, revision, verdict, "runs", note=note), pace)


def _nothing(
    r: Requirement,
    revision: str,
    step: str,
    pace: Pace,
    *,
    value: float = math.nan,
    more: int | None = _MORE_RUNS_FIRST,
) -> Judged:
    verdict = judge_mean([], r.limit, sense=r.sense, confidence=r.confidence)
    return _timed(Judged(r, revision, replace(verdict, value=value, next_step=step, more=more), "runs"), pace)


def _restitution(r: Requirement, revision: str, flows: Sequence[RunFlow], pace: Pace) -> Judged:
    values = []
    for flow in flows:
        heard = [e for name, e in flow.restitution.items() if r.station in (None, name)]
        values.append(sum(heard) / len(heard) if heard else math.nan)
    verdict = judge_mean(values, r.limit, sense=r.sense, confidence=r.confidence)
    if not any(math.isfinite(v) for v in values):
        where = f" at {r.station}" if r.station else ""
        step = f"no drop{where} had the two rebounds that restitution takes: let a ball bounce out there"
        verdict = replace(verdict, next_step=step, more=None)
    return _timed(Judged(r, revision, verdict, "runs"), pace)


def _rate(r: Requirement, revision: str, flows: Sequence[RunFlow], pace: Pace, heard: HeardShare | None) -> Judged:
    lost = r.measure == "failures_per_million"
    kind = "stuck" if lost else "held_up"
    doubt = sum(f.undecided for f in flows) if lost else 0
    pairs = []
    for flow in flows:
        balls = flow.balls + (flow.undecided if lost else 0)
        count = getattr(flow, kind) if r.station is None else flow.count(kind, r.station)
        pairs.append((min(count, balls), balls))
    pairs = [(x, n) for x, n in pairs if n]
    events, balls = sum(x for x, _ in pairs), sum(n for _, n in pairs)
    if not balls:
        step = "no balls were followed: name the stations' way and the feed in rig.toml, then record runs"
        verdict = judge_rate(0, 0, r.limit, scale=RATES[r.measure], confidence=r.confidence)
        return Judged(r, revision, replace(verdict, next_step=step), "balls")
    share = heard.lower if lost and heard is not None else 1.0
    wide = dispersion_of(pairs)
    verdict = judge_rate(
        events, balls, r.limit, scale=RATES[r.measure], heard_fraction=share, dispersion=wide, undecided=doubt,
        confidence=r.confidence,
    )  # fmt: skip
    notes = [f"{events:,} of {balls:,} balls"]
    if doubt:
        notes.append(f"{doubt} undecided counted against it")
    notes += say_differing(wide)
    if lost and heard is not None:
        notes.append(f"heard fraction {say_share(heard.share)} (at least {say_share(heard.lower)}, used here)")
    return _timed(Judged(r, revision, verdict, "balls", note="; ".join(notes)), pace)


def _timed(judged: Judged, pace: Pace) -> Judged:
    """Add to the next step what it takes."""
    v = judged.verdict
    if v.verdict != "not yet shown" or v.more is None:
        return judged
    hours = pace.hours(v.more, judged.unit)
    step = v.next_step
    if not math.isfinite(hours):
        step += "; put the microphone back anew for each" if judged.unit == "runs" else ""
        return replace(judged, verdict=replace(v, next_step=step))
    if judged.unit == "balls":
        step += f": {say_time(hours)}" + (f" at a ball every {pace.ball_s:.2f} s" if pace.stated else " of recording")
        if pace.balls_a_run > 0:
            step += f" ({many(math.ceil(v.more / pace.balls_a_run), 'run')} like these)"
    else:
        step += f": {say_time(hours)} of recording, the microphone put back anew for each"
    return replace(judged, verdict=replace(v, next_step=step), hours=hours)
