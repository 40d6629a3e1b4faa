from __future__ import annotations

import base64
import dataclasses
import hashlib
import itertools
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import noisecheck.report.page as page_module
from noisecheck.bench.runsheet import load_runs
from noisecheck.compare.summary import summarise
from noisecheck.core.table import Impacts
from noisecheck.flow.findings import Finding, Ledger
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.report.context import GroupColumn, Place, Said, Section
from noisecheck.report.page import write_report

EVIL = "<script>alert(1)</script>\"'\n$x_1$ & {{7*777}} --> 漢字"


def clips_in(text: str) -> list[str]:
    return re.findall(r"data:audio/flac;base64,[A-Za-z0-9+/=]+", text)


def with_impacts(result: Any, number: int, impacts: Impacts) -> Any:
    """Return the result with other impacts in one run."""
    runs = list(result.runs)
    runs[number] = dataclasses.replace(runs[number], impacts=impacts)
    everything = Impacts.concat(r.impacts for r in runs)
    summaries = summarise(everything, result.campaign.runs)
    return dataclasses.replace(result, runs=tuple(runs), summaries=summaries)


def test_page_is_whole_and_offline(plain: Any) -> None:
    text, page, _ = plain
    assert len(text.encode()) < page_module.MOST_BYTES
    assert not re.search(r"(?i)https?:|//[a-z]+\.|@import", text)
    assert not re.search(r"(?i)url\((?!#)", re.sub(r"(?s)<script.*?</script>", "", text))
    for tag, attributes in page.tags:
        for name in ("src", "href"):
            value = attributes.get(name)
            if value is not None:
                assert value.startswith(("#", "data:")) or value in {
                    "results.json",
                    "impacts.csv",
                    "comparisons.csv",
                    "summaries.csv",
                }, (tag, value)
        assert not [n for n in attributes if n.startswith("on")]


def test_policy_allows_this_script_and_nothing_else(plain: Any) -> None:
    text, page, _ = plain
    policy = next(a["content"] for a in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy")
    script = text[text.index("<script>") + 8 : text.rindex("</script>")]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    rules = dict(rule.split(" ", 1) for rule in (policy or "").split("; "))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == f"'sha256-{digest}'"
    assert (rules["img-src"], rules["media-src"], rules["base-uri"]) == ("data:", "data:", "'none'")


def test_structure_can_be_walked(plain: Any) -> None:
    _, page, _ = plain
    levels = [int(t[1]) for t, _ in page.tags if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    assert all(a.get("scope") in ("col", "row") for a in page.all("th"))
    tables = len(page.all("table"))
    assert len(page.all("caption")) == tables > 5
    assert all(a.get("aria-label") for a in page.all("svg") if a.get("role") == "img")
    assert all(a.get("role") == "img" or a.get("aria-hidden") == "true" for a in page.all("svg"))
    assert all(a.get("aria-label") for a in page.all("audio"))
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    for tag, attributes in page.tags:
        target = attributes.get("href") or ""
        if tag == "a" and target.startswith("#"):
            assert target[1:] in ids


def test_same_input_same_bytes(make: Any, tmp_path: Path) -> None:
    result = make()
    first = [p.read_bytes() for p in write_report(result, tmp_path / "a")]
    assert first == [p.read_bytes() for p in write_report(result, tmp_path / "b")]


def test_names_are_inert(make: Any, written: Any, tmp_path: Path) -> None:
    result = make(
        treatments=("bare", EVIL), stations=("a" + EVIL, "b" + EVIL), name="{treatment}{number}" + EVIL, note=EVIL
    )
    _, page, document = written(result, tmp_path / "out")
    assert [a.get("type") for a in page.all("script")] == ["application/json", None]
    data, script = [d for t, d in page.words if t == "script"]
    assert all("<script>alert(1)</script>" in r["name"] for r in json.loads(data)["runs"])  # data, which nothing runs
    assert "alert" not in script
    assert "<script>alert(1)</script>" in page.text  # as words
    assert "{{7*777}}" in page.text
    assert "5439" not in {d.strip() for _, d in page.words}
    assert document["comparisons"][0]["groups"][1]["value"] == EVIL


def test_numbers_on_the_page_are_those_in_the_json(make: Any, written: Any, tmp_path: Path) -> None:
    text, page, document = written(make(treatments=("bare", "felt", "cork")), tmp_path / "out")
    cells = {a["data-value"] for a in page.all("td") if a.get("data-value")}
    assert len(document["comparisons"]) == 3  # all stations, landing, tray
    for comparison in document["comparisons"]:
        for d in comparison["differences"]:
            if comparison["station"] is None and d["measure"] != "lae_db":
                continue  # of all stations together only L_AE stands on the page
            assert str(d["difference_db"]) in cells
            assert f'data-value="{d["ci_db"][0]}" data-high="{d["ci_db"][1]}"' in text
        if comparison["station"]:
            for group in comparison["groups"]:
                assert str(group["lae_db"]) in cells
            for band in comparison["differences"][0]["bands"].values():
                assert str(band["difference_db"]) in cells
    for event in document["events"]["picked"]:
        assert str(event["lae_db"]) in cells
    main = next(c for c in document["comparisons"] if c["station"] == "landing")["differences"][0]
    low, high = main["ci_db"]
    assert f"{abs(main['difference_db']):.1f} dB quieter at landing" in page.text
    assert f"{low:+.1f} to {high:+.1f}".replace("-", "\N{MINUS SIGN}") in page.text
    for said in document["answers"]:
        assert " ".join(said["text"].split()) in page.text


def test_answers_come_first_and_doubts_say_what_settles_them(plain: Any) -> None:
    _, page, document = plain
    sections = [a["id"] for a in page.all("section") if a.get("id")]
    assert sections[0] == "answers"
    assert sections[-1] == "recordings"
    assert "Does the treatment (against bare) change how loud an impact is?" in page.text
    for said in document["answers"]:
        if said["status"] == "not yet shown":
            assert said["next_step"]
    assert "flow" not in sections
    assert "sound level meter" in page.text


def test_one_run_a_side_is_indicative_only(make: Any, written: Any, tmp_path: Path) -> None:
    _, page, document = written(make(runs=1), tmp_path / "out")
    said = document["answers"][0]
    assert said["status"] == "not yet shown"
    assert "indicative only" in said["text"]
    assert "at least two more" in said["next_step"]
    assert document["comparisons"][0]["differences"][0]["ci_db"] is None
    assert "nan" not in page.text.lower().split()


def test_no_difference_says_how_many_runs_would_show_one(make: Any, written: Any, tmp_path: Path) -> None:
    _, _, document = written(make(step_db=0.0, runs=2), tmp_path / "out")
    said = document["answers"][0]
    assert said["status"] == "no difference shown"
    assert "95 % interval" in said["text"]
    assert said["next_step"]


def test_one_run_alone_is_still_worth_reading(make: Any, written: Any, tmp_path: Path) -> None:
    _, page, document = written(make(treatments=("",), runs=1), tmp_path / "out")
    assert document["comparisons"] == []
    sections = {a["id"] for a in page.all("section") if a.get("id")}
    assert sections == {*("answers", "sources", "ear", "levels", "events", "corrections", "care", "recordings")}
    assert len(page.all("audio")) >= 2
    assert "run,file,treatment" in page.text  # the lines to fill in


def _sheet_advice(result: Any, rows: list[str], written: Any, out: Path) -> dict[str, str]:
    """Return what a page says of a run sheet that compares nothing."""
    sheet = result.campaign.folder / "runs.csv"
    sheet.write_text("\n".join(rows) + "\n")
    runs = load_runs(sheet, result.campaign.rig)
    measured = [dataclasses.replace(r, run=run) for r, run in zip(result.runs, runs, strict=True)]
    campaign = dataclasses.replace(result.campaign, runs=runs)
    whole = dataclasses.replace(result, campaign=campaign, runs=tuple(measured))
    document = written(whole, out)[2]
    return next(s for s in document["answers"] if s["text"].startswith("Nothing is compared"))


def test_advice_on_the_run_sheet_keeps_what_it_holds(make: Any, written: Any, tmp_path: Path) -> None:
    result = make(treatments=("",), runs=3, name="take{number}")
    rows = [
        "run,file,role,station,balls_fed,oil",
        "take0,t0-0.wav,taps,landing,,",
        'take1,t0-1.wav,test,,40,"thin, new"',
        "take2,t0-2.wav,test,,40,thick",
    ]
    said = _sheet_advice(result, rows, written, tmp_path / "a")
    pasted = said["paste"].splitlines()
    assert pasted == [f"{rows[0]},treatment", f"{rows[2]},", f"{rows[3]},"]
    sheet = result.campaign.folder / "runs.csv"
    before = load_runs(sheet, result.campaign.rig)
    sheet.write_text("\n".join([pasted[0], rows[1], f"{pasted[1]}bare", f"{pasted[2]}felt"]) + "\n")
    after = load_runs(sheet, result.campaign.rig)
    assert [r.treatment for r in after] == ["", "bare", "felt"]
    assert [dataclasses.replace(r, treatment="") for r in after] == list(before)


def test_advice_where_all_runs_are_alike_replaces_nothing(make: Any, written: Any, tmp_path: Path) -> None:
    rows = ["run,file,treatment,drop_height_mm", "take0,t0-0.wav,bare,120", "take1,t0-1.wav,bare,120"]
    said = _sheet_advice(make(treatments=("",), runs=2, name="take{number}"), rows, written, tmp_path / "a")
    assert said["text"].endswith("the same conditions (treatment bare, drop height 120 mm).")
    assert said["paste"] == ""
    assert "below those it has" in said["next_step"]


@pytest.mark.parametrize("runs", [0, 2])
def test_nothing_heard_is_said(make: Any, written: Any, tmp_path: Path, runs: int) -> None:
    result = make(runs=runs)
    for number in range(len(result.runs)):
        result = with_impacts(result, number, Impacts.empty())
    _, page, document = written(result, tmp_path / "out")
    word = "No impact was heard" if runs else "No run was measured"
    assert any(word in s["text"] for s in document["answers"])
    assert "events" not in {a.get("id") for a in page.all("section")}


def test_levels_not_measurable_are_dashes(make: Any, written: Any, tmp_path: Path) -> None:
    result = make()
    table = result.runs[0].impacts
    blank = table.with_columns(lae_db=np.nan, lzpeak_db=np.nan, bands=np.full((len(table), 30), np.nan))
    _, page, _ = written(with_impacts(result, 0, blank), tmp_path / "out")
    assert not re.search(r"\bnan\b", page.text)


def test_thousands_of_impacts_stay_light(make: Any, written: Any, tmp_path: Path) -> None:
    result = make(impacts=6000, runs=2)
    text, page, document = written(result, tmp_path / "out")
    assert len(text.encode()) < page_module.MOST_BYTES
    table = text[text.index('id="impacts-table"') :]
    assert table[: table.index("</table>")].count("<tr") == 2001
    assert sum(r["impacts"] for r in document["runs"]) == 24_000
    assert "more are in impacts.csv" in page.text


def test_a_page_too_large_gives_up_clips_first(
    make: Any, written: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = make()
    text, _, _ = written(result, tmp_path / "a")
    impacts = re.sub(r'(?s)<section id="hear".*?</section>', "", text)  # those few are always kept
    limit = len(text.encode()) - 60_000
    monkeypatch.setattr(page_module, "MOST_BYTES", limit)
    monkeypatch.setattr(page_module, "_CLIP_BYTES", sum(map(len, clips_in(impacts))))
    monkeypatch.setattr(page_module, "_SPARE", 1000)
    smaller, _, _ = written(result, tmp_path / "b")
    assert len(smaller.encode()) <= limit
    assert 0 < len(clips_in(smaller)) < len(clips_in(text))


def test_flow_stands_in_the_table_of_the_noise(make: Any, written: Any, tmp_path: Path) -> None:
    result = make()
    asked: list[tuple[tuple[str, ...], str | None]] = []

    def value(runs: tuple[str, ...], station: str | None) -> float | None:
        asked.append((runs, station))
        return None if station == "tray" else float(len(runs))

    column = GroupColumn("held_up", "held up per 1000", "", value)
    _, page, document = written(result, tmp_path / "out", group_columns=[column])
    assert "held up per 1000" in page.text
    assert "noise and flow together" in page.text
    assert (("bare-0", "bare-1", "bare-2"), "landing") in asked
    beside = {v["station"]: v["groups"] for v in document["noise"]["flow_beside_noise"]}
    assert [g["held_up"] for g in beside["landing"]] == [3.0, 3.0]
    assert [g["held_up"] for g in beside["tray"]] == [None, None]


def test_rebounds_in_the_table_become_columns(make: Any, written: Any, tmp_path: Path) -> None:
    result = make(stations=("landing",), impacts=24)
    for number, run in enumerate(result.runs):
        e = 0.8 if run.run.treatment == "bare" else 0.5
        start = np.repeat(np.arange(8) * 0.7, 3)
        time = start + np.tile([0.0, 0.1, 0.1 + 0.1 * e], 8)
        drops, rebounds = np.repeat(np.arange(8), 3), np.tile([0, 1, 2], 8)
        table = run.impacts.with_columns(time_s=time, drop=drops, rebound=rebounds)
        result = with_impacts(result, number, table)
    _, _, document = written(result, tmp_path / "out")
    groups = {g["value"]: g for g in document["noise"]["flow_beside_noise"][0]["groups"]}
    assert groups["bare"]["restitution"] == pytest.approx(0.8, abs=1e-4)
    assert groups["felt"]["restitution"] == pytest.approx(0.5, abs=1e-4)
    assert groups["bare"]["rebounds_a_drop"] == 2.0


def test_other_sections_find_their_place(make: Any, written: Any, tmp_path: Path) -> None:
    said = (Said("not yet shown", "Three balls <b>more</b>.", "Wait."),)
    flow = Section("flow", "Every ball", Place.FLOW, "care.html", {"cautions": [("One", "Two")]}, said, {"balls": 3})
    _, page, document = written(make(), tmp_path / "out", more=[flow])
    sections = [a["id"] for a in page.all("section") if a.get("id") and a["id"] != "noise-0"]
    assert sections == [
        *("answers", "sources", "noise", "hear", "ear", "flow", "levels"),
        *("events", "corrections", "care", "recordings"),
    ]
    assert document["flow"] == {"balls": 3}
    assert "Three balls <b>more</b>." in page.text
    assert "no ball was followed" not in page.text


def test_quiet_that_holds_balls_up_is_no_improvement(
    make: Any, written: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for held_up, words in (
        (3, ": more than chance allows, so this is no improvement."),
        (0, "; not shown to be more."),
    ):
        ledgers = tuple(
            Ledger(f"{t}-{n}", 20, 20, tuple(Finding("held_up", 1.0, "tray", 99.0, "late") for _ in range(count)))
            for t, count in (("bare", 0), ("felt", held_up))
            for n in range(3)
        )
        monkeypatch.setattr(CampaignResult, "ledgers", property(lambda _, given=ledgers: given))
        _, page, document = written(make(), tmp_path / f"out{held_up}")
        said = document["answers"][0]
        assert said["status"] == "quieter"
        assert said["text"].endswith(f"Balls held up or stuck: {3 * held_up} of 60, against 0 of 60{words}")
        assert "held up per 1000 balls" in page.text


def test_columns_that_divide_alike_are_shown_once(make: Any, written: Any, tmp_path: Path) -> None:
    result = make()
    runs = [
        dataclasses.replace(r, run=dataclasses.replace(r.run, revision=f"rev {r.run.treatment}")) for r in result.runs
    ]
    campaign = dataclasses.replace(result.campaign, runs=tuple(r.run for r in runs))
    summaries = tuple(
        dataclasses.replace(s, run=campaign.run(s.run.name))
        for s in result.summaries  # the levels stay
    )
    result = dataclasses.replace(result, campaign=campaign, runs=tuple(runs), summaries=summaries)
    _, page, _ = written(result, tmp_path / "out")
    assert "The revision divides the runs in the same way" in page.text
    assert len([a for a in page.all("section") if a.get("class") == "question"]) == 1


def test_every_figure_becomes_two_files(make: Any, tmp_path: Path) -> None:
    paths = write_report(make(), tmp_path / "out", figures=True)
    text = paths[0].read_text(encoding="utf-8")
    pictures = sorted(p.name for p in (tmp_path / "out" / "figures").iterdir())
    assert len(pictures) == 2 * text.count('<svg class="figure"')
    assert sorted(p.name for p in paths if p.parent.name == "figures") == pictures
    assert "s0-impacts-of-run-bare-0-over-time.png" in pictures
    assert all((tmp_path / "out" / "figures" / p).stat().st_size > 1000 for p in pictures)


def _luminance(colour: str) -> float:
    colour = colour.lstrip("#")
    colour = "".join(c * 2 for c in colour) if len(colour) == 3 else colour
    parts = [int(colour[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_every_style() -> None:
    """WCAG 2.2: 1.4.3 asks 4.5 : 1 of text, 1.4.11 asks 3 : 1 of graphics; black on white is 21 : 1."""
    assert _contrast("#000", "#fff") == pytest.approx(21)
    style = (Path(page_module.__file__).parent / "templates" / "page.css").read_text()
    blocks = re.findall(r":root\{([^}]*)\}", style)
    assert len(blocks) == 3
    light, *others = (dict(re.findall(r"--([\w]+):(#[0-9a-f]+)", block)) for block in blocks)
    for base in (light, *(light | other for other in others)):  # dark and print replace what light sets
        for text in ("ink", "soft", "accent", "quieter", "louder"):
            for ground in ("paper", "wash", "card"):
                assert _contrast(base[text], base[ground]) >= 4.5, (text, ground)
        for mark in ("c1", "c2", "c3", "c4", "c5", "c6", "focus"):
            for ground in ("paper", "card"):
                assert _contrast(base[mark], base[ground]) >= 3, (mark, ground)
