"""The section on drop heights, and the same in the terminal and in JSON."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import numpy as np
import pytest
from scipy import stats

from noisecheck.compare.summary import summarise
from noisecheck.core.table import Impacts
from noisecheck.pipeline.campaign import compare_campaign
from noisecheck.pipeline.revisions import together
from noisecheck.report.tell import tell_comparison

RISE = {"bare": 3.6, "felt": 4.5}
HEIGHTS = (40.0, 80.0, 120.0)


@pytest.fixture
def result(make: Any) -> Any:
    """Runs at three drop heights; at the landing levels rise by so many dB a doubling, at the tray by none."""
    made = make(runs=9)
    runs = []
    for number, run in enumerate(made.runs):
        height = HEIGHTS[(number // 2) % 3]
        step = RISE[run.run.treatment] * np.log2(height / 80)
        here = run.impacts.data["station"] == run.impacts.names["station"].index("landing")
        level = run.impacts.data["lae_db"] - 0.3 * (number // 2) + np.where(here, step, 0.0)
        sheet = dataclasses.replace(run.run, drop_height_mm=height, session="")
        runs.append(dataclasses.replace(run, run=sheet, impacts=run.impacts.with_columns(lae_db=level)))
    campaign = dataclasses.replace(made.campaign, runs=tuple(r.run for r in runs))
    everything = Impacts.concat(r.impacts for r in runs)
    return dataclasses.replace(
        made, campaign=campaign, runs=tuple(runs), summaries=summarise(everything, campaign.runs)
    )


def test_slopes_on_the_page_are_regressions_of_run_means(result: Any, written: Any, tmp_path: Any) -> None:
    text, page, document = written(result, tmp_path / "out")
    fits = {f["group"]: f for f in document["heights"]["landing"]["fits"] if f["quantity"] == "lae_db"}
    for treatment, rise in RISE.items():
        rows = [s for s in result.summaries if s.station == "landing" and s.run.treatment == treatment]
        line = stats.linregress([np.log2(s.run.drop_height_mm) for s in rows], [s.mean[0] for s in rows])
        half = stats.t.ppf(0.975, len(rows) - 2) * line.stderr
        fit = fits[treatment]
        assert fit["db_per_doubling"] == pytest.approx(line.slope, abs=1e-3)
        assert fit["db_per_doubling_ci"] == pytest.approx([line.slope - half, line.slope + half], abs=1e-3)
        assert abs(line.slope - rise) < 0.3
        assert f'data-value="{fit["db_per_doubling"]}"' in text
    assert "At tray no change with drop height is shown." in page.text
    assert "Bare: each doubling of the drop height adds 3." in page.text
    assert "The slopes differ (p = " in page.text
    assert "against drop height at landing" in text
    assert "against drop height at tray" not in text


def test_terminal_and_json_say_the_same(result: Any) -> None:
    both = together(result, compare_campaign(result, by="drop_height_mm", station="landing"))
    assert both.heights is not None
    lines = tell_comparison(both.comparison, both.groups, both.verdicts, both.heights)
    said = list(
        itertools.takewhile(lambda s: s.startswith("  "), lines[lines.index("L_AE against drop height:") + 1 :])
    )
    assert [s.split(":")[0].strip() for s in said[:2]] == ["bare", "felt"]
    fit = both.heights.of("felt")
    assert f"adds {fit.db_per_doubling:.1f} dB" in said[1]
    assert "from 40 to 120 mm in 9 runs" in said[1]
    assert both.to_dict()["heights"] == both.heights.to_dict()
    assert "heights" not in together(result, compare_campaign(result, by="treatment")).to_dict()


def test_one_height_has_no_slope(plain: Any) -> None:
    _, page, document = plain
    assert "heights" not in document
    assert "heights" not in {a.get("id") for a in page.all("section")}


def test_heights_heard_stand_beside_the_stated_ones(make: Any, written: Any, reference: Any, tmp_path: Any) -> None:
    """Five published drops of a golf ball from 0.8 m on marble, of which the first is off by its own neighbours.

    tests/references/bounce_intervals.csv: Ali, Broggi, Cantarini.
    """
    trains: dict[str, list[float]] = {}
    for row in reference("bounce_intervals"):
        if (row["ball"], float(row["drop_height_m"])) == ("golf", 0.8):
            trains.setdefault(row["drop_no"], []).append(float(row["interval_s"]))
    rows = [np.concatenate([[0.0], np.cumsum(t)]) + 5.0 * k for k, t in enumerate(trains.values())]
    result = make(stations=("landing",), impacts=sum(map(len, rows)), runs=1, treatments=("bare",))
    run = dataclasses.replace(result.runs[0].run, drop_height_mm=400.0)
    table = result.runs[0].impacts.with_columns(
        time_s=np.concatenate(rows),
        drop=np.repeat(np.arange(len(rows)), [len(t) for t in rows]),
        rebound=np.concatenate([np.arange(len(t)) for t in rows]),
    )
    one = dataclasses.replace(result.runs[0], run=run, impacts=table)
    campaign = dataclasses.replace(result.campaign, runs=(run,))
    _, page, document = written(dataclasses.replace(result, campaign=campaign, runs=(one,)), tmp_path / "out")
    (heard,) = document["heights"]["heard_by_rebounds"]
    assert heard["heard_mm"] == pytest.approx(800, rel=0.03)
    assert heard["low_mm"] < 800 < heard["high_mm"]
    assert (heard["drops"], heard["odd_drops"]) == (4, 1)
    assert heard["off_percent"] == pytest.approx(100, abs=6)
    assert "the run sheet states a drop height of 400 mm, but" in page.text
