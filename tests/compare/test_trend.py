"""Revisions in order: one scale over sessions, change points, requirements, the trade-off, what changed."""

from __future__ import annotations

import json
import math
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats as st

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import levels_of, summary_of
from studies import LIMITS, flow_errors, verdict_errors

from noisecheck.bench.rig import Microphone, Rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.changed import changed
from noisecheck.compare.flowing import Odd, RunFlow
from noisecheck.compare.requirements import judge_uncertain
from noisecheck.compare.standing import standing
from noisecheck.compare.summary import RunSummary
from noisecheck.compare.trend import ALL, machine_stations, total_rows, trend
from noisecheck.core.errors import InputError
from noisecheck.flow.failures import HeardShare
from noisecheck.report.tell import tell_trend

ROUTE = [{"name": "landing", "next": "bend"}, {"name": "bend", "target": True}]


def _rig(*requirements: dict[str, object], order: tuple[str, ...] = ("A", "B", "C"), period_s: float = 0.5) -> Rig:
    return Rig.model_validate({
        "station": ROUTE, "feed": {"station": "landing", "period_s": period_s}, "revisions": {"order": list(order)},
        "requirement": list(requirements),
    })  # fmt: skip


def _row(
    revision: str, level: float, *, station: str = "landing", name: str = "", session: str = "s", role: str = "test",
    db_re: str = "full scale", height: float = 60.0,
) -> RunSummary:  # fmt: skip
    run = Run(name or f"{revision}{level}", (), revision=revision, session=session, role=role, drop_height_mm=height)
    return replace(summary_of(run, levels_of(level), sd=1.0, db_re=db_re), station=station)


def _campaign(levels: dict[str, float], *, runs: int = 4, bend: float = 50.0, seed: int = 1) -> list[RunSummary]:
    rng = np.random.default_rng(seed)
    rows = []
    for revision, level in levels.items():
        for k in range(runs):
            name = f"{revision}{k}"
            rows.append(_row(revision, level + rng.normal(0, 0.5), name=name))
            rows.append(_row(revision, bend + rng.normal(0, 0.3), name=name, station="bend"))
    return rows


def _flows(held: dict[str, int], *, balls: int = 100, runs: int = 4, stuck: int = 0) -> list[RunFlow]:
    out = []
    for revision, count in held.items():
        for k in range(runs):
            mine = count // runs + (k < count % runs)
            run = Run(f"{revision}{k}", (), revision=revision, drop_height_mm=60.0)
            odd = tuple(Odd(run.name, "held_up", "bend", float(i)) for i in range(mine))
            out.append(
                RunFlow(
                    run,
                    balls=balls,
                    arrived=balls - stuck,
                    held_up=mine,
                    stuck=stuck,
                    troubled=mine + stuck,
                    seconds=balls * 0.5,
                    odd=odd,
                )
            )
    return out


def test_levels_of_a_pickup_and_of_air_microphones_make_no_total() -> None:
    rows = [replace(r, channels=(int(r.station == "bend"),)) for r in _campaign({"A": 60.0, "B": 57.0})]
    rig = Rig.model_validate({
        "microphone": [{"channel": 0, "kind": "contact"}, {"channel": 1}], "station": ROUTE,
        "revisions": {"order": ["A", "B"]},
    })  # fmt: skip
    found = trend(rows, [], rig=rig)
    assert found.newest.total is None
    (change,) = found.changes
    assert change.differences["landing"].verdict == "quieter"
    assert change.differences[ALL].warnings[0] == (
        "no impact of A has a comparable level: 800 by contact pickups and air microphones together"
    )


def test_a_contact_that_sounds_like_the_reference_tile_leaves_no_run_without_a_total() -> None:
    rows = _campaign({"A": 60.0, "B": 57.0})
    tile = replace(_row("A", 55.0, name="A0"), station="tile")
    drops = _row("", 55.0, name="drops", role="reference", station="tile")
    drops = replace(drops, run=replace(drops.run, station="tile"))
    found = trend([*rows, tile, drops], [], rig=_rig(order=("A", "B")))
    assert list(found.newest.levels) == ["landing", "bend"]
    assert found.newest.total is not None
    (change,) = found.changes
    assert change.differences[ALL].verdict == "quieter"
    assert "tile" not in change.sentence
    bench = Rig.model_validate({"station": [{"name": "tile"}]})  # no way: what is dropped on there is the machine
    assert machine_stations([tile, drops], bench) == ["tile"]


def test_one_session_is_the_t_interval_of_run_means() -> None:
    values = [60.1, 61.0, 60.4, 60.9]
    rows = [_row("A", v, name=str(v)) for v in values]
    figure = standing(rows, [], by="revision").of("A")
    assert figure is not None
    low, high = st.t.interval(0.95, 3, np.mean(values), st.sem(values))
    assert (figure.value, figure.low, figure.high, figure.df) == pytest.approx((np.mean(values), low, high, 3))


def test_cells_count_alike_and_their_heights_are_no_spread() -> None:
    """Two heights, unequal runs: mean of cell means; the error is Welch's of scipy for their sum."""
    low_cell, high_cell = [60.0, 60.4, 60.2, 60.9], [66.0, 66.6]
    rows = [_row("A", v, name=f"l{v}") for v in low_cell] + [
        _row("A", v, name=f"h{v}", height=120.0) for v in high_cell
    ]
    figure = standing(rows, [], by="revision").of("A")
    assert figure is not None
    assert figure.value == pytest.approx((np.mean(low_cell) + np.mean(high_cell)) / 2)
    assert figure.error == pytest.approx(np.hypot(st.sem(low_cell), st.sem(high_cell)) / 2)


def test_reference_drops_put_sessions_on_one_scale() -> None:
    rng = np.random.default_rng(3)
    rows, ties = [], []
    for session, shift, revision in (("a", 0.0, "A"), ("b", 6.0, "B")):
        rows += [
            _row(revision, 60 + shift + rng.normal(0, 0.1), name=f"{session}{k}", session=session) for k in range(3)
        ]
        ties += [_row("", 50 + shift + rng.normal(0, 0.1), name=f"r{session}{k}", session=session, role="reference")
                 for k in range(2)]  # fmt: skip
    tied = standing(rows, ties, by="revision")
    a, b = tied.of("A"), tied.of("B")
    assert a is not None
    assert b is not None
    assert b.value - a.value == pytest.approx(0.0, abs=0.4)
    assert tied.comparable("A", "B")
    assert [s.tied_by for s in tied.scales] == ["reference drops"]
    assert b.error > a.error  # the tie has its own uncertainty
    apart = standing(rows, [], by="revision")
    assert not apart.comparable("A", "B")
    assert [s.sessions for s in apart.scales] == [("a",), ("b",)]
    calibrated = standing([replace(r, db_re=("20 uPa",)) for r in rows], [], by="revision")
    assert calibrated.comparable("A", "B")


def test_sessions_that_cannot_be_compared_are_named() -> None:
    rows = [_row(r, 60.0 + k / 10, name=f"{r}{k}", session=r) for r in "AB" for k in range(3)]
    found = trend(rows, [], rig=_rig())
    assert any("levels cannot be compared between A (session A) and B (session B)" in n for n in found.notes)
    assert "landing not comparable" in found.changes[0].sentence
    assert {p.scale for p in found.tradeoff.points} <= {0, 1}


def test_total_is_the_energy_sum_over_stations() -> None:
    rows = [_row("A", 60.0, name="x"), _row("A", 60.0, name="x", station="bend")]
    total = total_rows(rows, ["landing", "bend"], rig=_rig())[0]
    energy = rows[0].energy[0]
    assert total.mean[0] == pytest.approx(energy + 10 * math.log10(2))
    assert total_rows(rows[:1], ["landing", "bend"], rig=_rig())[0].used == 0


def test_what_a_pickup_heard_elsewhere_does_not_take_the_total_away() -> None:
    """A contact pickup hears the reference tile; both stations of the machine were heard through the air."""
    rig = _rig().model_copy(update={"microphones": (Microphone(), Microphone(channel=1, kind="contact"))})
    rows = [_row("A", 60.0, name="x"), _row("A", 60.0, name="x", station="bend")]
    tile = replace(_row("A", 90.0, name="x", station="tile"), channels=(1,))
    (total,) = total_rows([*rows, tile], ["landing", "bend"], rig=rig)
    assert total.used > 0
    assert total_rows([*rows, tile], ["landing", "bend", "tile"], rig=rig)[0].used == 0


def test_change_points_are_named_in_one_sentence() -> None:
    found = trend(_campaign({"B": 56.0, "A": 60.0, "C": 56.0}), _flows({"A": 0, "B": 0, "C": 40}), rig=_rig())
    assert [r.revision for r in found.revisions] == ["A", "B", "C"]
    first, second = found.changes
    assert (first.before, first.after) == ("A", "B")
    assert first.shown == ("landing",)
    difference = first.differences["landing"]
    low, high = sorted(abs(v) for v in difference.ci_db)
    size = f"{-difference.difference_db:.1f} dB quieter ({low:.1f} to {high:.1f})"
    assert first.sentence.startswith(f"revision B: landing {size}, bend unchanged (within")
    assert "held up 0 per thousand in both" in first.sentence
    assert first.joint is not None
    assert first.joint.improvement
    assert second.shown == ("flow",)
    assert "held up from 0 to 100 per thousand (flow shown to be worse)" in second.sentence
    assert second.joint is not None
    assert not second.joint.improvement
    json.dumps(found.to_dict(), allow_nan=False)


def test_a_quiet_pad_that_holds_balls_up_fails_and_a_later_shape_passes() -> None:
    quiet = {"id": "R1", "measure": "lae_db", "station": "landing", "limit": 58.0}
    runs_on = {"id": "R2", "measure": "held_up_per_thousand", "limit": 20.0}
    wished = {"id": "R3", "measure": "failures_per_million", "limit": 10.0, "strict": False}
    found = trend(
        _campaign({"A": 60.0, "B": 54.0, "C": 55.0}),
        _flows({"A": 0, "B": 40, "C": 1}, balls=200),
        rig=_rig(quiet, runs_on, wished),
    )
    assert [r.card.verdict for r in found.revisions] == ["not met", "not met", "met"]
    assert (found.newest.revision, found.verdict, found.newest.card.score) == ("C", "met", (0, 1))
    a, b, c = (r.card.judged for r in found.revisions)
    assert [j.verdict.verdict for j in a] == ["not met", "met", "not yet shown"]
    assert [j.verdict.verdict for j in b] == ["met", "not met", "not yet shown"]
    # 299,572 failure-free balls show 10 per million (exact: ln 0.05 / ln(1 - 1e-5)); the feed brings one in 0.5 s
    more = math.ceil(math.log(0.05) / math.log1p(-1e-5)) - 800
    assert c[2].verdict.more == more
    assert c[2].hours == pytest.approx(more * 0.5 / 3600, rel=0.01)
    assert f"{more:,} more failure-free balls would show it: 41.5 h at a ball every 0.50 s" in c[2].verdict.next_step
    learnt = trend(
        _campaign({"A": 60.0}),
        _flows({"A": 0}),
        rig=Rig.model_validate({"station": ROUTE, "requirement": [wished]}),
    )
    step = learnt.newest.card.judged[0].verdict.next_step
    assert "h of recording (" in step  # the runs' own seconds a ball, with what is before and after, are no feed's
    assert "at a ball every" not in step
    points = {p.value: p for p in found.tradeoff.of("revision")}
    assert [points[r].on_frontier for r in "ABC"] == [True, True, True]  # B is quietest, A runs best, C lies between
    worse = trend(_campaign({"A": 60.0, "B": 62.0}), _flows({"A": 0, "B": 40}), rig=_rig())
    beaten = {p.value: p for p in worse.tradeoff.of("revision")}["B"]
    assert (beaten.beaten_by, beaten.surely_beaten) == (("A",), True)
    assert beaten.against == "beaten in both by A"  # 60 against 62 dB, and 40 of 400 balls against none: far apart


def test_a_revision_is_not_blamed_for_the_pad_the_last_one_was_tried_without() -> None:
    """A was tried bare and with felt, B with felt alone, which holds as many balls up as it did before."""
    flows = _flows({"A": 0, "B": 60})
    flows = [replace(f, run=replace(f.run, treatment="felt" if f.run.revision == "B" else "bare")) for f in flows]
    flows += [replace(f, run=replace(f.run, name=f"x{f.run.name}", revision="A")) for f in flows if f.held_up]
    found = trend(_campaign({"A": 60.0, "B": 60.0}), flows, rig=_rig(order=("A", "B")))
    (change,) = found.changes
    assert change.joint is not None
    counts = [(r.events, r.balls) for r in (change.joint.flow.base, change.joint.flow.value)]
    assert counts == [(60, 400), (60, 400)]
    assert "flow" not in change.shown
    assert changed(found, _campaign({"A": 60.0, "B": 60.0}), rig=_rig(), before="A", after="B").joint == change.joint


def test_equal_flow_beats_nobody() -> None:
    """A hears two quieter ones, no ball of any was held up: louder, and flow equal; a few balls show no difference."""
    found = trend(_campaign({"A": 60.0, "B": 50.0, "C": 55.0}), _flows({"A": 0, "B": 0, "C": 0}), rig=_rig())
    points = {p.value: p for p in found.tradeoff.of("revision")}
    assert [(p.beaten_by, p.on_frontier) for p in points.values()] == [((), True)] * 3
    assert [points[r].against for r in "ABC"] == ["louder than B and C, flow equal", "", "louder than B, flow equal"]
    said = tell_trend(found)
    assert "A, noise against flow: louder than B and C, flow equal" in said
    assert "B, noise against flow: beaten by none" in said
    few = trend(_campaign({"A": 60.0, "B": 50.0}), _flows({"A": 1, "B": 0}, balls=10), rig=_rig())
    a = {p.value: p for p in few.tradeoff.of("revision")}["A"]
    assert (a.beaten_by, a.against) == (("B",), "louder than B, flow not shown to differ")
    near = trend(_campaign({"A": 60.6, "B": 60.0}), _flows({"A": 80, "B": 0}), rig=_rig())
    a = {p.value: p for p in near.tradeoff.of("revision")}["A"]
    assert a.against == "more balls held up or stuck than with B, noise not shown to differ"


def test_the_terminal_says_which_interval_is_which() -> None:
    """One quantity has two: two-sided 95 % by Student's t, and one-sided 95 % bounds, which are those of 90 %."""
    rows = _campaign({"A": 60.0})
    values = [float(s.mean[0]) for s in rows if s.station == "landing"]
    found = trend(rows, [], rig=_rig({"id": "R1", "measure": "lae_db", "station": "landing", "limit": 58.0}))
    text = "\n".join(tell_trend(found))
    both = st.t.interval(0.95, 3, np.mean(values), st.sem(values))
    one = st.t.interval(0.90, 3, np.mean(values), st.sem(values))
    assert f"two-sided 95 % intervals: landing {np.mean(values):.1f} dB ({both[0]:.1f} to {both[1]:.1f})" in text
    assert f"{np.mean(values):.1f} (one-sided 95 % bounds {one[0]:.1f}, {one[1]:.1f})" in text


def test_open_level_says_runs_replacements_and_time() -> None:
    found = trend(_campaign({"A": 59.8}), _flows({"A": 0}), rig=_rig({"id": "a", "measure": "lae_db", "limit": 60.0,
                                                                     "station": "landing"}))  # fmt: skip
    judged = found.newest.card.judged[0]
    assert judged.verdict.verdict == "not yet shown"
    assert judged.unit == "runs"
    assert judged.hours == pytest.approx((judged.verdict.more or 0) * 50.0 / 3600)
    assert judged.verdict.next_step.count("anew for each") == 1
    assert "as of session" not in judged.note
    one = trend(_campaign({"A": 50.0}, runs=1), [], rig=_rig({"id": "a", "measure": "lae_db", "limit": 60.0}))
    step = one.newest.card.judged[0].verdict
    timed = trend(
        _campaign({"A": 50.0}, runs=1), _flows({"A": 0}), rig=_rig({"id": "a", "measure": "lae_db", "limit": 60.0})
    )
    for told in (step, timed.newest.card.judged[0].verdict):
        assert told.next_step.count("anew for each") == 1
    assert " of recording, the microphone put back anew for each" in told.next_step
    assert (step.verdict, step.more) == ("not yet shown", 2)
    assert "the spread between runs is not known" in step.next_step


def test_only_the_newest_revision_is_told_what_would_settle_it() -> None:
    rig = _rig({"id": "f", "measure": "failures_per_million", "limit": 100.0})
    lines = tell_trend(trend(_campaign({"A": 60.0, "B": 59.0}), _flows({"A": 0, "B": 0}), rig=rig))
    assert sum("not yet shown: failures_per_million" in line for line in lines) == 2
    (step,) = (n for n, line in enumerate(lines) if line.startswith("    next: "))
    assert any(line.startswith("revision B") for line in lines[:step])


def test_a_band_in_the_background_meets_a_limit_but_never_fails_it() -> None:
    drowned = [replace(s, bound=np.ones(30, bool)) for s in _campaign({"A": 60.0})]
    rig = _rig(
        {"id": "above", "measure": "le_4000hz", "limit": 100.0},
        {"id": "below", "measure": "le_4000hz", "limit": 20.0},
        {"id": "loud", "measure": "le_4000hz", "limit": 20.0, "sense": "at least"},
    )
    found = {j.requirement.id: j.verdict for j in trend(drowned, [], rig=rig).newest.card.judged}
    assert found["above"].verdict == "met"
    for one in ("below", "loud"):
        assert found[one].verdict == "not yet shown"
        assert "lies in the background" in found[one].next_step
        assert found[one].more is None
    clear = trend(_campaign({"A": 60.0}), [], rig=rig).newest.card.judged
    assert [j.verdict.verdict for j in clear] == ["met", "not met", "met"]


@pytest.mark.parametrize(("side", "limit"), [("too_low", 61.0), ("too_high", 59.0)])
def test_a_level_that_lacks_its_loudest_meets_no_limit_and_one_that_lacks_its_softest_fails_none(
    side: str, limit: float
) -> None:
    """Where most impacts clip, the soft rest "met" a limit that every drop was above."""
    rows = _campaign({"A": 60.0})
    told = {side: "run A1: 6 of 9 impacts left out"}
    doubted = [*rows[:2], replace(rows[2], **told), *rows[3:]]  # type: ignore[arg-type]
    rig = _rig(
        {"id": "one", "measure": "lzpeak_db", "limit": limit, "station": "landing"},
        {"id": "all", "measure": "total_lae_db", "limit": limit + 0.5},
        {"id": "ring", "measure": "decay_ms", "limit": 200.0, "station": "landing"},
    )
    sure, now = (trend(r, [], rig=rig) for r in (rows, doubted))
    settled = "met" if side == "too_low" else "not met"
    assert [j.verdict.verdict for j in sure.newest.card.judged] == [settled, settled, "met"]
    assert [j.verdict.verdict for j in now.newest.card.judged] == ["not yet shown", "not yet shown", "met"]
    assert "run A1: 6 of 9 impacts left out" in now.newest.card.judged[0].verdict.next_step
    assert told[side] in now.notes
    few = [replace(r, lacks_db=0.1, exceeds_db=0.1) for r in doubted]
    assert trend(few, [], rig=rig).newest.card.judged[0].verdict.verdict == settled
    both = [replace(r, **{side: f"run {r.run.name}: left out"}) if r is not rows[0] else r for r in rows]  # type: ignore[arg-type]
    step = trend(both, [], rig=rig).newest.card.judged[0].verdict.next_step
    assert "left out (so " in step
    assert all(r.run.name in step for r in both[1:] if r.run.revision == "A" and r.station == "landing")
    wide = _rig({"id": "one", "measure": "lzpeak_db", "limit": 120.0 - limit, "station": "landing"})
    (other,) = trend(doubted, [], rig=wide).newest.card.judged
    assert other.verdict.verdict in ("met", "not met")


def test_runs_left_out_do_not_drown_a_band() -> None:
    kept = [_row("A", 60.0 + k / 10, name=f"s{k}") for k in range(4)]
    other = [
        replace(_row("A", 60.0, name=f"{session}{k}", session=session, height=height), bound=np.ones(30, bool))
        for session, height in (("t", 90.0), ("u", 120.0))
        for k in range(3)
    ]
    found = standing([*kept, *other], [], by="revision", quantities=("le_4000hz",))
    assert "6 runs are left out" in found.notes[0]
    figure = found.of("A", "le_4000hz")
    assert figure is not None
    assert (figure.runs, figure.bound) == (4, False)
    drowned = standing([*kept[:1], *other[:3]], [], by="revision", quantities=("le_4000hz",)).of("A", "le_4000hz")
    assert drowned is not None
    assert (drowned.runs, drowned.bound) == (3, True)


def test_every_measure_gets_a_verdict_and_each_open_one_a_step() -> None:
    measures = ["lae_db", "lzpeak_db", "le_4000hz", "total_lae_db", "decay_ms", "centroid_hz", "restitution",
                "held_up_per_thousand", "failures_per_million"]  # fmt: skip
    rig = _rig(*({"id": m, "measure": m, "limit": 0.6 if m == "restitution" else 100.0} for m in measures))
    card = trend(_campaign({"A": 60.0}), _flows({"A": 0}), rig=rig).newest.card
    assert len(card.judged) == len(measures)
    for judged in card.judged:
        assert judged.verdict.rule
        assert judged.verdict.verdict != "not yet shown" or judged.verdict.next_step
    by_id = {j.requirement.id: j for j in card.judged}
    assert by_id["decay_ms"].verdict.value == pytest.approx(100.0)
    deaf = trend(_campaign({"A": 60.0}), _flows({"A": 0}), rig=rig, heard={"A": HeardShare(0.99999, 0.9, "test")})
    notes = {j.requirement.id: j.note for j in deaf.newest.card.judged}
    assert notes["failures_per_million"].endswith("heard fraction 0.9999 (at least 0.9, used here)")
    of_levels = {m for m, j in by_id.items() if "holds for this recorder setting only" in j.note}
    assert of_levels == {"lae_db", "lzpeak_db", "le_4000hz", "total_lae_db"}
    assert "two rebounds" in by_id["restitution"].verdict.next_step
    nothing = trend(_campaign({"A": 60.0}), [], rig=rig).newest.card
    assert (
        "no balls were followed"
        in {j.requirement.id: j for j in nothing.judged}["failures_per_million"].verdict.next_step
    )
    json.dumps([j.to_dict() for j in (*card.judged, *nothing.judged)], allow_nan=False)
    with pytest.raises(InputError, match="names a revision"):
        trend([_row("", 60.0)], [], rig=_rig())


def test_what_changed_between_any_two_revisions() -> None:
    rig = _rig({"id": "R1", "measure": "lae_db", "station": "landing", "limit": 58.0})
    rows = _campaign({"A": 60.0, "B": 57.0, "C": 54.0})
    trended = trend(rows, _flows({"A": 8, "B": 3, "C": 0}), rig=rig)
    found = changed(trended, rows, rig=rig, before="A", after="C")
    assert set(found.stations) == {"landing", "bend", ALL}
    assert found.stations["landing"].verdict == "quieter"
    assert found.requirements[0].changed
    assert [(o.kind, o.station, o.status, o.before, o.after) for o in found.odd] == [("held_up", "bend", "gone", 8, 0)]
    back = changed(trended, rows, rig=rig, before="C", after="B")
    assert back.odd[0].status == "new"
    assert back.odd[0].examples[0].run.startswith("B")
    few = changed(trended, rows, rig=rig, before="A", after="B").odd[0]
    assert (few.status, few.word, few.before, few.after) == ("same", "no change shown", 8, 3)
    many = trend(rows, _flows({"A": 40, "B": 3, "C": 0}), rig=rig)
    assert changed(many, rows, rig=rig, before="A", after="B").odd[0].status == "fewer"
    assert changed(many, rows, rig=rig, before="B", after="A").odd[0].status == "more"
    json.dumps(found.to_dict(), allow_nan=False)
    with pytest.raises(InputError, match="revision 'D': has no test run"):
        changed(trended, rows, rig=rig, before="A", after="D")
    with pytest.raises(InputError, match="name two revisions"):
        changed(trended, rows, rig=rig, before="A", after="A")


def test_guard_bands_of_the_published_example_of_a_conductivity_limit() -> None:
    """Eurachem/CITAC guide 2021, figure 1 (from memory): the four cases of a result and its interval at a limit."""
    limit, u = 10.0, 0.5
    cases = {(12.0, "not met"), (10.4, "not yet shown"), (9.6, "not yet shown"), (8.0, "met")}
    assert {(y, judge_uncertain(y, u, limit).verdict) for y, _ in cases} == cases


def test_false_met_is_held_for_every_kind() -> None:
    """Truth a hair beyond each limit: "met" in at most 5 % (3 sigma of 400 campaigns above)."""
    most = 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)
    for options in ({"db_re": "full scale"}, {"db_re": "20 uPa"}):
        for kind, counts in verdict_errors(400, seed=7, **options).items():  # type: ignore[arg-type]
            assert counts.get("met", 0) / 400 <= most, (kind, counts)
            assert sum(counts.values()) == 400
    assert set(LIMITS) == set(counts_of := verdict_errors(2, seed=1))
    assert counts_of
    for kind, (wrong, n) in flow_errors(800, seed=8).items():
        assert wrong / n <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / n), kind


def test_three_hundred_runs_in_three_seconds() -> None:
    rng = np.random.default_rng(2)
    rows, flows = [], []
    order = tuple("ABCDEFGHIJ")
    for r, revision in enumerate(order):
        for k in range(30):
            session = f"s{(r * 30 + k) // 20}"
            for name in ("landing", "bend"):
                rows.append(_row(revision, 60 + rng.normal(), name=f"{revision}{k}", station=name, session=session,
                                 height=60.0 * (1 + k % 2)))  # fmt: skip
            flows.append(RunFlow(rows[-1].run, balls=100, arrived=100, seconds=50.0))
    for number in range(15):
        rows.append(_row("", 50 + rng.normal(), name=f"ref{number}", session=f"s{number}", role="reference",
                         station="reference"))  # fmt: skip
    rig = _rig({"id": "R1", "measure": "lae_db", "station": "landing", "limit": 58.0}, order=order)
    start = time.process_time()
    found = trend(rows, flows, rig=rig)
    assert time.process_time() - start < 3.0
    assert len(found.changes) == 9
