"""The page in headless Chromium: nothing is asked of the network, everything on it works, and axe finds no fault."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
import shutil
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from noisecheck.manual import manual_page
from noisecheck.report.page import write_report

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        try:
            started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        except sync_api.Error as fault:
            pytest.skip(f"Chromium does not run here: {str(fault).splitlines()[0]}")
        yield started
        started.close()


@pytest.fixture
def visit(browser: Any, plain_page: Path, tmp_path: Path) -> Iterator[Any]:
    """Return what opens the page of a campaign, or the plain one; what the page complains about fails the test."""
    said: list[str] = []
    asked: list[str] = []

    def go(result: Any = None, *, fragment: str = "", **look: Any) -> Any:
        page = browser.new_page(**look)
        page.set_default_timeout(10_000)
        page.on("console", lambda m: said.append(m.text))
        page.on("pageerror", lambda e: said.append(str(e)))
        page.on("request", lambda r: asked.append(r.url))
        shown = plain_page
        if result is not None:
            write_report(result, tmp_path / "out")
            shown = tmp_path / "out" / "report.html"
        page.goto(shown.as_uri() + fragment)
        return page

    yield go
    for context in browser.contexts:
        context.close()
    assert said == []
    assert [u for u in asked if not u.startswith(("file:", "data:", "blob:"))] == []
    assert len([u for u in asked if u.startswith("file:")]) <= len({u for u in asked if u.startswith("file:")}) * 2


def faults_of(page: Any) -> list[tuple[str, str, str]]:
    """Return axe-core's findings: rule, impact, first node. Source of the rules: axe-core (WCAG 2.2 A and AA)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    found = axe.Axe().run(page).response["violations"]
    return [(v["id"], v["impact"], v["nodes"][0]["html"][:120]) for v in found]


def open_table(page: Any) -> None:
    page.locator("#impacts-table").evaluate("t => { t.closest('details').open = true; }")


def column(page: Any, number: int) -> list[str]:
    return page.eval_on_selector_all(  # type: ignore[no-any-return]
        "#impacts-table tbody tr:not([hidden])", f"rows => rows.map(r => r.cells[{number}].textContent)"
    )


@pytest.mark.parametrize("width", [400, 1400])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_for_anyone(visit: Any, width: int, scheme: str) -> None:
    page = visit(viewport={"width": width, "height": 900}, color_scheme=scheme)
    assert [f for f in faults_of(page) if f[1] in ("serious", "critical")] == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    open_table(page)
    page.locator("#impacts-table tbody a").first.click()
    page.wait_for_selector("#detail[open]")
    assert [f for f in faults_of(page) if f[1] in ("serious", "critical")] == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_columns_sort_both_ways(visit: Any) -> None:
    page = visit()
    open_table(page)
    button = page.locator("#impacts-table thead th").nth(4).locator("button")
    button.click()
    up = [float(v.replace("\N{MINUS SIGN}", "-")) for v in column(page, 4)]
    assert up == sorted(up)
    assert len(up) == 180
    button.click()
    assert [float(v.replace("\N{MINUS SIGN}", "-")) for v in column(page, 4)] == up[::-1]
    assert page.locator("#impacts-table th[aria-sort]").count() == 1


def test_counts_over_a_thousand_sort_and_copy_as_numbers(visit: Any, make: Any) -> None:
    page = visit(make(runs=1, impacts=1200, stations=("landing", "tray", "landing")))
    rows = page.evaluate(
        """() => {
          const tables = [...document.querySelectorAll("table")];
          const table = tables.find((t) => [...t.rows].some((r) => /1,600/.test(r.innerText)));
          const cell = [...table.querySelectorAll("td")].find((c) => c.textContent.trim() === "1,600");
          return [numberIn(cell), csvOf(table)];
        }"""
    )
    assert rows[0] == 1600
    assert ",1600," in rows[1]
    assert "\N{NARROW NO-BREAK SPACE}" not in page.inner_text("main")


def test_odd_ones_stand_first(visit: Any, make: Any) -> None:
    result = make(stations=("landing",), impacts=30)
    table = result.runs[3].impacts
    level = table.data["lae_db"].copy()
    level[7] = -10.0
    loud = dataclasses.replace(result.runs[3], impacts=table.with_columns(lae_db=level))
    page = visit(dataclasses.replace(result, runs=(*result.runs[:3], loud, *result.runs[4:])))
    assert (column(page, 0)[0], column(page, 1)[0]) == (loud.run.name, "8")


def test_filters_hold_together(visit: Any) -> None:
    page = visit()
    open_table(page)
    page.select_option("#by-run", "felt-1")
    assert set(column(page, 0)) == {"felt-1"}
    page.select_option("#by-station", "tray")
    assert set(column(page, 3)) == {"tray"}
    levels = sorted(float(v.replace("\N{MINUS SIGN}", "-")) for v in column(page, 4))
    assert len(levels) == 15
    page.fill("#from-db", str(levels[5]))
    kept = [float(v.replace("\N{MINUS SIGN}", "-")) for v in column(page, 4)]
    assert kept
    assert min(kept) >= levels[5] - 0.051
    assert page.inner_text("#count") == f"{len(kept)} of 180 shown"
    page.fill("#find", "no such words")
    assert column(page, 0) == []


def test_an_impact_opens_with_sound_and_pictures(visit: Any) -> None:
    page = visit(viewport={"width": 1200, "height": 900})
    open_table(page)
    page.locator("#impacts-table tbody tr").nth(3).click()
    page.wait_for_selector("#detail[open]")
    run, number = (page.locator("#impacts-table tbody tr").nth(3).locator(c) for c in ("th", "td >> nth=0"))
    assert page.inner_text("#detail-h") == f"Impact {number.inner_text()} of run {run.inner_text()}"
    page.wait_for_selector("#detail-spectrogram[aria-label]")
    for name in ("wave", "spectrogram", "bands"):
        drawn = page.evaluate(
            f"""() => {{ const c = document.getElementById('detail-{name}');
                const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
                return d.filter((v, i) => i % 4 === 3 && v > 0).length / (c.width * c.height); }}"""
        )
        assert drawn > 0.02, name
    audio = page.locator("#detail audio")
    audio.evaluate("a => a.addEventListener('ended', () => a.setAttribute('data-played', a.currentTime))")
    page.keyboard.press("p")
    page.wait_for_selector("#detail audio[data-played]")
    assert 0.2 < float(audio.get_attribute("data-played")) <= 0.51


def test_waveform_says_the_peak_of_the_recording(visit: Any, make: Any) -> None:
    import soundfile

    result = make(stations=("landing",))
    page = visit(result, fragment="#event-felt-1-3")
    page.wait_for_selector("#detail-wave[aria-label]")
    said = page.get_attribute("#detail-wave", "aria-label")
    run = next(r for r in result.runs if r.run.name == "felt-1")
    frame, again = int(run.impacts.data["frame"][2]), page.get_attribute("#event-felt-1-3", "data-heard")
    before, length = (0.08, 0.5) if again else (0.04, 0.25)
    start = max(frame - round(before * run.rate), 0)
    sound, _ = soundfile.read(run.paths[0], start=start, stop=frame + round((length - before) * run.rate))
    peak = 20 * np.log10(np.max(np.abs(sound)))
    assert float(said.split(" is ")[1].split(" dB")[0]) == pytest.approx(peak, abs=0.15)


def test_keys_walk_and_links_lead(visit: Any) -> None:
    page = visit(fragment="#event-bare-1-5")
    page.wait_for_selector("#detail[open]")
    assert page.inner_text("#detail-h") == "Impact 5 of run bare-1"
    order = page.eval_on_selector_all("#impacts-table tbody tr", "rows => rows.map(r => r.id)")
    page.keyboard.press("ArrowRight")
    after = order[order.index("event-bare-1-5") + 1]
    assert page.evaluate("location.hash") == f"#{after}"
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Escape")
    assert page.locator("#detail[open]").count() == 0
    assert page.evaluate("location.hash") == ""
    assert page.evaluate("document.activeElement.closest('tr').id") == "event-bare-1-5"
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.closest('tr').id") == after
    page.keyboard.press("Enter")
    page.wait_for_selector("#detail[open]")
    assert page.evaluate("document.querySelectorAll('#impacts-table tbody a[tabindex=\"0\"]').length") == 1


def test_a_link_to_what_a_filter_hides_still_opens(visit: Any) -> None:
    page = visit()
    open_table(page)
    page.select_option("#by-run", "felt-1")
    page.evaluate("location.hash = '#event-bare-1-5'")
    page.wait_for_selector("#detail[open]")
    assert page.inner_text("#detail-h") == "Impact 5 of run bare-1"


def test_tables_are_copied_as_they_stand(visit: Any, browser: Any) -> None:
    page = visit()
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    open_table(page)
    page.select_option("#by-run", "felt-2")
    page.locator(".copy button", has_text="Impacts, odd ones first").click()
    page.locator(".copy output", has_text="copied").wait_for()
    rows = list(csv.reader(io.StringIO(page.evaluate("navigator.clipboard.readText()"))))
    assert rows[0][:3] == ["run", "no.", "time, s"]
    assert len(rows) == 31
    assert {r[0] for r in rows[1:]} == {"felt-2"}
    assert all(re.fullmatch(r"-?\d+(\.\d+)?", r[4]) for r in rows[1:])


def test_formulas_are_not_copied_as_formulas(visit: Any, make: Any) -> None:
    page = visit(make(name="=1+2 {treatment}{number}"))
    open_table(page)
    text = page.evaluate("csvOf(document.getElementById('impacts-table'))")
    assert "\n'=1+2 bare0," in text
    assert "\n=1" not in text


def test_marks_become_lines_that_are_read_back(visit: Any, make: Any, tmp_path: Path) -> None:
    from noisecheck.bench.corrections import load_corrections

    result = make()
    page = visit(result, fragment="#event-bare-1-5")
    page.wait_for_selector("#detail[open]")
    page.select_option("#detail-mark select", "not a ball")
    page.fill("#detail-mark input[name=note]", 'a door, "slammed"')
    page.click("#detail-mark button")
    page.select_option("#detail-mark select", label="it was at tray")
    page.click("#detail-mark button")
    page.select_option("#detail-mark select", "missed")
    page.click("#detail-mark button")
    assert page.inner_text("#detail-mark output") == "say when"
    near = page.get_attribute("#event-bare-1-7 td:nth-of-type(2)", "data-value")
    page.fill("#detail-mark input[name=time]", str(float(near) + 0.02))
    page.click("#detail-mark button")
    assert page.inner_text("#detail-mark output") == "an impact was heard there already"
    page.fill("#detail-mark input[name=time]", "6.5")
    page.click("#detail-mark button")
    assert page.inner_text("#detail-mark output") == "noted; 3 in all"
    assert page.locator("#impacts-table tr.noted").count() == 1
    page.click("#detail-gathered")
    assert page.evaluate("document.activeElement.id") == "marks"
    (tmp_path / "corrections.csv").write_text(page.input_value("#marks"))
    read = load_corrections(tmp_path, result.campaign.runs, result.campaign.rig)
    at = float(result.runs[2].impacts.data["time_s"][4])
    assert result.runs[2].run.name == "bare-1"
    assert [(c.run, c.what, c.station, c.note) for c in read] == [
        ("bare-1", "not a ball", "", 'a door, "slammed"'),
        ("bare-1", "station", "tray", 'a door, "slammed"'),
        ("bare-1", "missed", "", 'a door, "slammed"'),
    ]
    assert [c.time_s for c in read] == [pytest.approx(at, abs=5e-4), pytest.approx(at, abs=5e-4), 6.5]


def test_one_clip_at_a_time_and_true_levels(visit: Any) -> None:
    page = visit()
    page.evaluate("document.querySelectorAll('audio').forEach(a => { a.muted = true; a.loop = true; })")
    playing = page.evaluate(
        """async () => { const clips = [...document.querySelectorAll('.clips audio')].slice(0, 3);
           for (const a of clips) { await a.play(); await new Promise(r => setTimeout(r, 30)); }
           return clips.map(a => !a.paused); }"""
    )
    assert playing == [False, False, True]
    page.check("#true-level")
    volumes = page.eval_on_selector_all(
        "audio[data-raised]", "clips => clips.map(c => [c.volume, Number(c.dataset.raised)])"
    )
    least = min(r for _, r in volumes)
    for volume, raised in volumes:
        assert 20 * np.log10(volume) == pytest.approx(least - raised, abs=0.01)


def test_listening_without_knowing(visit: Any) -> None:
    """Levels as played against the table, at true level and made equal; the share by guessing against scipy."""
    from scipy.stats import binom

    page = visit()
    page.evaluate(
        "HTMLMediaElement.prototype.play = function () { (window.played ||= []).push([this.src, this.volume]); }"
    )
    page.click("#blind-say-first")
    assert page.inner_text("#blind-said") == "Listen to both first."
    facts = {
        src: (float(lae), float(played))
        for src, lae, played in page.eval_on_selector_all(
            ".pairs audio", "clips => clips.map(c => [c.src, c.dataset.lae, c.dataset.played])"
        )
    }
    names = dict(
        page.eval_on_selector_all(".pairs audio", "clips => clips.map(c => [c.src, c.closest('tr').dataset.value])")
    )
    right = 0
    for number in range(1, 9):
        if number == 5:
            page.check("#blind-matched")
            right = 0
        page.click("#blind-first")
        page.click("#blind-second")
        (a, a_volume), (b, b_volume) = page.evaluate("window.played.slice(-2)")
        assert {names[a], names[b]} == {"bare", "felt"}
        assert max(a_volume, b_volume) == pytest.approx(1.0)
        heard = [facts[s][1] + 20 * np.log10(v) for s, v in ((a, a_volume), (b, b_volume))]
        true = 0.0 if number >= 5 else facts[a][0] - facts[b][0]
        assert heard[0] - heard[1] == pytest.approx(true, abs=0.02)
        page.click("#blind-say-first")
        hit = names[a] == "felt"
        right += hit
        tries = number if number < 5 else number - 4
        share = 100 * binom.sf(right - 1, tries, 0.5)
        said = page.inner_text("#blind-said")
        assert said.startswith(
            f"{'Right' if hit else 'Wrong'}: the first was {names[a]}, the second {names[b]}. {right} of {tries} right;"
        )
        assert float(said.split(" in ")[1].split(" %")[0]) == pytest.approx(share, abs=0.51)


def test_two_thousand_impacts_paint_within_a_second(visit: Any, make: Any) -> None:
    page = visit(make(impacts=700, runs=2))
    assert page.locator("#impacts-table tbody tr").count() == 2000
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null")
    if paint is None:
        pytest.skip("this Chromium gives no paint times")
    if paint > 1000:
        warnings.warn(f"first paint after {paint:.0f} ms", stacklevel=1)


def test_everything_is_there_without_scripts(visit: Any) -> None:
    page = visit(java_script_enabled=False)
    assert page.locator("#impacts-table tbody tr").count() == 180
    assert page.locator(".clips audio[src]").count() >= 12
    assert page.locator(".js").first.is_hidden()


def test_on_a_phone_captions_fit_and_what_is_cut_says_so(visit: Any) -> None:
    page = visit(viewport={"width": 390, "height": 844})
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.wait_for_function("document.querySelectorAll('.scroll.cut').length > 2")
    for area in page.query_selector_all(".scroll"):
        wide, high, caption, after = area.evaluate(
            "a => { const c = a.querySelector('caption'), s = getComputedStyle(c, '::after').content;"
            "return [a.scrollWidth - a.clientWidth, a.clientWidth, c.getBoundingClientRect().width, s]; }"
        )
        assert caption <= high + 0.5
        assert ("scroll sideways" in after) == (wide > 1)
    verdict = page.locator("#noise-0 table").first.locator("th", has_text="verdict").bounding_box()
    assert verdict is not None
    assert verdict["x"] + verdict["width"] <= 390
    asked = page.locator("#blind-asked")
    line = asked.evaluate("b => parseFloat(getComputedStyle(b).lineHeight)")
    assert asked.evaluate("b => b.getClientRects().length") == 1
    assert asked.bounding_box()["height"] <= 1.2 * line


def test_print_leaves_out_what_paper_cannot_do(visit: Any) -> None:
    page = visit(viewport={"width": 1280, "height": 900})
    open_table(page)
    rows = page.locator("#impacts-table tbody tr")
    assert not page.locator(".printed").is_visible()
    page.emulate_media(media="print")
    assert page.locator(".copy:visible").count() == 0
    assert not page.locator("#hear").is_visible()
    assert rows.locator("visible=true").count() == 40
    assert page.locator(".printed").inner_text().startswith("Printed are the first 40")
    assert page.locator("#impacts-table").evaluate("t => t.closest('.scroll').clientHeight >= t.offsetHeight")
    page.emulate_media(media="screen")
    page.select_option("#by-run", "felt-1")
    page.emulate_media(media="print")
    assert rows.locator("visible=true").count() == 30  # the 30 that are shown, wherever they stand


def test_long_names_and_the_manual_fit_a_phone(browser: Any, visit: Any, make: Any, tmp_path: Path) -> None:
    names = ("a landing beside the lift that has been called by a very long name indeed", "tray")
    page = visit(make(stations=names, impacts=30), viewport={"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    (tmp_path / "manual.html").write_text(manual_page())
    manual = browser.new_page(viewport={"width": 390, "height": 844})
    manual.goto((tmp_path / "manual.html").as_uri())
    assert manual.evaluate("document.documentElement.scrollWidth") == 390
