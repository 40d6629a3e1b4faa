from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import Any

import matplotlib
import numpy as np

from noisecheck.report.figures.levels import Row, band_differences, differences
from noisecheck.report.figures.svg import inline_svg
from noisecheck.report.figures.time import MOST_MARKS, strip


def strip_of(n: int, **more: Any) -> str:
    rng = np.random.default_rng(n)
    time = np.sort(rng.uniform(0, 60, n))
    level, station = rng.normal(-60, 5, n), rng.integers(0, 3, n)
    figure = strip(time, level, station, np.zeros(n, bool), seconds=60, limits=(-90, -30), unit="dB")
    return inline_svg(figure, key="s", **{"label": "x", **more})


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


def test_global_settings_of_matplotlib_stay() -> None:
    before = dict(matplotlib.rcParams)
    strip_of(10)
    assert dict(matplotlib.rcParams) == before
