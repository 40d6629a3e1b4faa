from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.colors import to_hex
from matplotlib.text import Text

from noisecheck.report.figures import svg
from noisecheck.report.figures.levels import Row, band_differences, differences
from noisecheck.report.figures.plan import Spotted, plan
from noisecheck.report.figures.style import PAPER
from noisecheck.report.figures.svg import Drawn, figure_files, gathered, inline_svg
from noisecheck.report.figures.time import MOST_MARKS, strip


def test_a_plan_has_one_scale_both_ways() -> None:
    for x, y in ((0.0, 0.0), (900.0, 10.0), (10.0, 900.0)):
        landing = Spotted("landing", "", (0.0, 0.0), np.empty((0, 2)), np.empty((0, 3)), 0)
        figure = plan([landing], [("microphone 0", x, y)])
        figure.canvas.draw()
        (axes,) = figure.axes
        box = axes.get_window_extent()
        (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
        assert abs((right - left) / box.width / ((high - low) / box.height) - 1) < 1e-9
        assert left < min(x, 0.0) <= max(x, 0.0) < right
        assert low < min(y, 0.0) <= max(y, 0.0) < high


def test_words_on_a_plan_do_not_cover_one_another() -> None:
    """Places 150 px apart, the last at the right edge: its word stood left of it, on that of its neighbour."""
    nothing = np.empty((0, 2)), np.empty((0, 3))
    marked = [("landing", 0.0), ("bend", 560.0), ("tray", 1150.0)]
    places = [Spotted(name, " 59 %", (x, 0.0), *nothing, n) for n, (name, x) in enumerate(marked)]
    figure = plan(places, [("0", -60.0, 210.0), ("1", 560.0, 200.0), ("2", 1150.0, 190.0)])
    figure.canvas.draw()
    (axes,) = figure.axes
    boxes = [t.get_window_extent() for t in axes.texts if t.get_text()]
    assert len(boxes) == 6
    for n, box in enumerate(boxes):
        assert axes.get_window_extent().padded(6).contains(box.x0, box.y0)
        assert not any(box.overlaps(other) for other in boxes[n + 1 :])


def test_words_on_a_plan_stand_on_the_page_s_ground_over_what_they_cross() -> None:
    found, wide = np.array([[0.0, 0.0]]), np.array([[200.0, 20.0, 0.5]])
    figure = plan([Spotted("landing", " 59 %", (0.0, 0.0), found, wide, 0)], [("0", 300.0, 100.0)])
    (axes,) = figure.axes
    for text in axes.texts:
        ground = text.get_bbox_patch()
        assert ground is not None
        assert to_hex(ground.get_facecolor()) == PAPER
        assert text.get_zorder() > max(p.get_zorder() for p in axes.patches)


def test_words_of_a_long_machine_stand_clear_of_its_marks() -> None:
    """Places 50 px apart with long words: the last one's stood below its neighbour, as if it were that one's."""
    nothing = np.empty((0, 2)), np.empty((0, 3))
    marked = [("hopper", 0.0), ("screw", 350.0), ("ramp", 700.0), ("gate", 1000.0), ("bin", 1300.0)]
    places = [Spotted(name, " 27 %", (x, 0.0), *nothing, n) for n, (name, x) in enumerate(marked)]
    places.append(Spotted("reference", " 0 %", (-150.0, 100.0), *nothing, 5))
    figure = plan(places, [("0", -200.0, 300.0), ("1", 1400.0, 250.0)])
    figure.canvas.draw()
    (axes,) = figure.axes
    boxes = []
    for text in axes.texts:
        whole = text.get_window_extent()  # sets where it is; takes in the line to its mark, the word alone does not
        boxes.append(Text.get_window_extent(text) if text.arrow_patch else whole)
    marks = [axes.transData.transform((x, 0.0)) for _, x in marked]
    for n, box in enumerate(boxes):
        assert axes.get_window_extent().padded(6).contains(box.x0, box.y0)
        assert not any(box.overlaps(other) for other in boxes[n + 1 :])
        assert not any(box.padded(4).contains(*mark) for mark in marks)


def test_text_of_wide_figures_stays_readable_on_a_phone() -> None:
    nothing = np.empty((0, 2)), np.empty((0, 3))
    for text in (inline_svg(plan([Spotted("a", "", (0.0, 0.0), *nothing, 0)], []), key="p", label="x"), strip_of(5)):
        width = float(re.findall(r'viewBox="0 0 ([\d.]+) ', text)[0])
        on_phone = float(re.findall(r"--on-phone:([\d.]+)px", text)[0])
        assert on_phone * 350 / width >= 9.9
        assert width <= 460
    css = (Path(svg.__file__).parents[1] / "templates" / "page.css").read_text()
    assert "@media (max-width:480px){.figure text{font-size:max(11.5px,var(--on-phone))!important}}" in css


def strip_figure(n: int) -> Any:
    rng = np.random.default_rng(n)
    time = np.sort(rng.uniform(0, 60, n))
    level, station = rng.normal(-60, 5, n), rng.integers(0, 3, n)
    return strip(time, level, station, np.zeros(n, bool), seconds=60, limits=(-90, -30), unit="dB")


def strip_of(n: int, **more: Any) -> str:
    return inline_svg(strip_figure(n), key="s", **{"label": "x", **more})


def test_same_figure_same_text_and_no_links() -> None:
    text = strip_of(50)
    assert text == strip_of(50)
    assert "http" not in text
    assert "<style" not in text
    ET.fromstring(text)


def test_every_impact_is_marked_until_there_are_too_many() -> None:
    marks = 'href="#s-m'
    ticks = strip_of(0).count(marks)
    few, many = strip_of(60), strip_of(20_000)
    assert abs(few.count(marks) - ticks - 60) <= 8  # the number of ticks moves a little
    assert many.count(marks) < MOST_MARKS
    assert len(many) < 40_000


def test_labels_are_text_and_inert() -> None:
    evil = '<script>"$x_1$"&</script>'
    text = inline_svg(differences([Row(evil, -1, -2, 0, True), Row("漢字", 1, 0, 2, False)]), key="d", label=evil)
    root = ET.fromstring(text)
    assert root.attrib["aria-label"] == evil
    assert evil in {e.text for e in root.iter() if e.text}
    assert "<script" not in text


def test_ids_carry_the_key() -> None:
    assert all(i.startswith("s-") for i in re.findall(r' id="([^"]*)"', strip_of(20)))


def test_shown_and_not_shown_differ_without_colour() -> None:
    value = np.linspace(-9, 9, 30)
    text = inline_svg(
        band_differences(value, value - 1, value + 1, np.abs(value) > 3, limits=(-12, 12)), key="b", label="x"
    )
    assert "fill: var(--c1)" in text
    assert "fill: var(--paper)" in text


def test_figures_as_files_say_the_same_in_fixed_colours() -> None:
    from matplotlib.image import imread

    value = np.linspace(-9, 9, 30)
    drawn: list[Drawn] = []
    with gathered(drawn):
        figure = band_differences(value, value - 1, value + 1, np.abs(value) > 3, limits=(-12, 12))
        inline_svg(figure, key="b", label='felt "against" <bare>')
    inline_svg(strip_figure(10), key="s", label="not gathered")
    assert [(d.key, d.label) for d in drawn] == [("b", 'felt "against" <bare>')]
    colours = ["#fbfaf6", "#1b2226", "#d9d8cf", "#0072b2", "#d55e00", "#00805c", "#111111", "#a8578a", "#8a6d00"]
    names = ["--paper", "--ink", "--faint", *(f"--c{n}" for n in range(1, 7))]
    svg, png = figure_files(drawn[0], dict(zip(names, colours, strict=True)))
    root = ET.fromstring(svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.find("{http://www.w3.org/2000/svg}title").text == 'felt "against" <bare>'  # type: ignore[union-attr]
    assert "var(" not in svg
    assert "#0a0b" not in svg
    pixels = np.round(imread(io.BytesIO(png))[..., :3] * 255).astype(int)
    assert pixels.shape[:2] == (round(520 / 72 * 200), round(350 / 72 * 200))
    seen = {f"#{r:02x}{g:02x}{b:02x}" for r, g, b in np.unique(pixels.reshape(-1, 3), axis=0)}
    assert {"#fbfaf6", "#1b2226", "#0072b2"} <= seen
    assert not any(c.startswith("#0a0b") for c in seen)


def test_global_settings_of_matplotlib_stay() -> None:
    before = dict(matplotlib.rcParams)
    strip_of(10)
    assert dict(matplotlib.rcParams) == before
