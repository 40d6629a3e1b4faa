from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import open_recording
from noisecheck.flow.findings import either_way
from noisecheck.report.context import Context, Place
from noisecheck.report.fitness import health_section
from noisecheck.report.words import fold_alike, take_common, tight

RATE = 16_000


def knocks(*, clip_at: float | None = None) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return 6 s of decaying bursts over noise, held at a rail where one is given."""
    rng = np.random.default_rng(4)
    x = rng.normal(0, 1e-3, 6 * RATE)
    burst = rng.normal(0, 0.25, RATE // 4) * np.exp(-np.arange(RATE // 4) / (0.02 * RATE))
    for k in range(10):
        at = int((0.4 + 0.55 * k) * RATE)
        x[at : at + len(burst)] += burst * (3 if clip_at else 1)
    return np.clip(x, -clip_at, clip_at) if clip_at else x


@pytest.fixture
def checked(make: Any, tmp_path: Path) -> Any:
    """Return a maker of a campaign whose first run is heard as given, the others as sound recordings."""

    def maker(**worst: Any) -> Any:
        result = make(runs=2)
        runs = []
        for number, run in enumerate(result.runs):
            file = tmp_path / f"h{number}.wav"
            soundfile.write(file, knocks(clip_at=0.3 if number == 0 and worst else None), RATE, subtype="PCM_16")
            health = check_health(open_recording(file))
            if number == 0 and worst:
                health = dataclasses.replace(health, **worst)
            runs.append(dataclasses.replace(run, health=health))
        return dataclasses.replace(result, runs=tuple(runs))

    return maker


def test_nothing_examined_gives_no_section(make: Any) -> None:
    assert health_section(Context(make(), ())) is None


def test_fit_recordings_are_one_line_at_their_place(checked: Any, written: Any, tmp_path: Path) -> None:
    result = checked()
    section = health_section(Context(result, ()))
    assert section is not None
    assert section.place == Place.HEALTH
    assert section.said == ()
    assert not section.data["unfit"]
    _, page, _ = written(result, tmp_path / "out")
    assert "levels usable in all" in page.text or "All 4 recordings are fit" in page.text


def test_clipping_is_a_bound_with_its_reason(checked: Any) -> None:
    section = health_section(Context(checked(times=check_fit("usable")), ()))
    assert section is not None
    first = section.data["rows"][0]
    assert first["run"] == "bare-0"
    assert {c["what"]: c["verdict"] for c in first["cells"]}["levels"] == "bound only"
    assert any("clipped at" in reason for reason in first["reasons"])


def test_what_is_noted_of_most_recordings_is_said_once(checked: Any) -> None:
    result = checked()
    notes = [("alike", "its own")] + [("alike",)] * (len(result.runs) - 1)
    runs = [dataclasses.replace(r, notes=n) for r, n in zip(result.runs, notes, strict=True)]
    section = health_section(Context(dataclasses.replace(result, runs=tuple(runs)), ()))
    assert section is not None
    assert f"{len(runs)} of {len(runs)} recordings: alike" in section.data["shared"]
    rows = {row["run"]: row["notes"] for row in section.data["rows"]}
    assert "its own" in rows[runs[0].run.name]
    assert not any("alike" in row for row in rows.values())


def check_fit(verdict: Any, *reasons: str) -> Any:
    from noisecheck.audio.health import Fitness

    return Fitness(verdict, reasons)


def test_what_is_not_usable_is_said_first(checked: Any, written: Any, tmp_path: Path) -> None:
    result = checked(levels=check_fit("not usable", "gain riding & <b>more</b>"))
    text, page, document = written(result, tmp_path / "out")
    first = document["answers"][0]
    assert first["status"] == "not usable"
    assert "Levels of 1 of 4 recordings are not usable (bare-0): gain riding" in first["text"]
    assert "<b>more</b>" not in text
    assert text.index('id="health"') < text.index('id="noise"')
    assert "✕" in page.text
    assert page.text.index("not usable") < page.text.index("quieter")


def test_recordings_unfit_for_several_things_are_said_once(checked: Any) -> None:
    silent = check_fit("not usable", "no audio: every sample is the same")
    result = checked(levels=silent, counts=silent, times=silent)
    (said,) = health_section(Context(result, ())).said
    assert said.text == (
        "Levels, counts and times of 1 of 4 recordings are not usable (bare-0): no audio: every sample is the same."
    )


def test_a_reason_is_said_of_the_recording_that_has_it(checked: Any) -> None:
    result = checked(levels=check_fit("not usable", "no audio: every sample is the same"))
    first, second, *rest = result.runs
    riding = dataclasses.replace(second.health, levels=check_fit("not usable", "gain riding"))
    runs = (first, dataclasses.replace(second, health=riding), *rest)
    (said,) = health_section(Context(dataclasses.replace(result, runs=runs), ())).said
    names = f"{first.run.name}, {second.run.name}"
    assert f"({names}); {first.run.name}: no audio: every sample is the same." in said.text


def test_odds_are_said_with_the_larger_number_last_or_first() -> None:
    assert [either_way(v) for v in (60.0, 1.5, 1 / 60, 1e-6, 0.0)] == [
        "60 : 1", "1.5 : 1", "1 : 60", "1 : over a million", "1 : over a million"
    ]  # fmt: skip


def test_what_most_runs_note_is_said_once() -> None:
    notes = [["far", "late"], ["far"], ["far", "far"], []]
    assert take_common(notes, "test runs") == ["3 of 4 test runs: far"]
    assert notes == [["late"], [], [], []]
    few = [["far"], ["far"]]
    assert take_common(few, "test runs") == []
    assert few == [["far"], ["far"]]


def test_a_number_keeps_its_unit_on_its_line() -> None:
    text = "below 12 per million at 95 %: 48 min at a ball every 0.90 s, 3 dB (2 to 4 dB), 2 hours, 7 stations"
    kept = "below 12 per million at 95~%: 48~min at a ball every 0.90~s, 3~dB (2 to 4~dB), 2 hours, 7 stations"
    assert tight(text) == kept.replace("~", "\N{NO-BREAK SPACE}")


def test_notes_alike_but_for_figures_are_told_by_the_first() -> None:
    late = "run {}: station 'bend' states transit_s = [0.2, 0.4], but {} % of the balls come {} s later"
    notes = ["all: fine", late.format("a-1", 92, "0.31"), late.format("b-2", 100, "0.40"), "run a-1: one dropout"]
    assert fold_alike(notes) == [notes[0], notes[1], notes[2], notes[3]]
    notes.append(late.format("c-3", 91, "0.5"))
    assert fold_alike(notes) == [
        "all: fine",
        f"{notes[1]}; much the same in 2 more runs (b-2, c-3)",
        "run a-1: one dropout",
    ]


def test_notes_of_one_run_on_several_places_are_not_taken_for_several_runs() -> None:
    notes = [f"run a: a ball takes {n}.5 s from bin {n} on" for n in (1, 2, 3)]
    assert fold_alike(notes) == notes
    both = [f"run {run}: nothing is known of bin {n}" for run in "abc" for n in (1, 2)]
    assert fold_alike(both) == [
        f"run a: nothing is known of bin {n}; much the same in 2 more runs (b, c)" for n in (1, 2)
    ]
