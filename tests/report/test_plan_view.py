"""The machine from above, from simulated sound at four microphones in known places to the page."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import CampaignResult, measure_campaign
from noisecheck.report.page import write_report
from noisecheck.simulate import parse_scene, simulate_scene

STATIONS = {"landing": (150.0, 120.0), "bend": (620.0, 300.0), "tray": (420.0, 560.0)}
CORNERS = ((0.0, 0.0), (900.0, 0.0), (900.0, 700.0), (0.0, 700.0))


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> CampaignResult:
    folder = tmp_path_factory.mktemp("plan")
    names = list(STATIONS)
    scene: dict[str, Any] = {
        "scene": {"rate_hz": 48000, "seed": 5},
        "microphone": [{"channel": c, "position_mm": [*p, 0], "full_scale_pa": 60.0} for c, p in enumerate(CORNERS)],
        "station": [
            {"name": n, "position_mm": [*p, 0], "rebounds": 0, "drop_height_mm": 60.0,
             **({"next": names[k + 1], "transit_s": [0.5, 0.6]} if k + 1 < len(names) else {"target": True})}
            for k, (n, p) in enumerate(STATIONS.items())
        ],
        "feed": {"station": "landing", "period_s": 2.0, "balls": 12, "first_s": 0.5},
        "background": {"noise_db": -75.0},
        "run": [{"run": "run", "seconds": 26.0, "treatment": "bare"}],
    }  # fmt: skip
    simulate_scene(parse_scene(scene), folder)
    return measure_campaign(load_campaign(folder))


def test_places_found_are_where_balls_fell(result: CampaignResult) -> None:
    run = result.runs[0]
    assert run.found is not None
    assert len(run.found.xy_mm) == len(run.impacts)
    clear = run.impacts["margin_db"] > 10.0
    station, found = run.impacts["station"], run.found.xy_mm
    assert clear.sum() == 36
    assert set(station[clear]) == set(STATIONS)
    with next(result.campaign.folder.glob("truth/*.impacts.csv")).open() as file:
        truth = list(csv.DictReader(file))
    times = np.array([float(r["time_s"]) for r in truth])
    near = np.abs(times[:, None] - run.impacts["time_s"]).argmin(axis=0)
    assert [truth[k]["place"] for k in near[clear]] == station[clear].tolist()
    for name, place in STATIONS.items():
        here = clear & (station == name)
        away = np.hypot(*(found[here] - place).T)
        assert np.median(away) < 30.0
        assert (run.found.ellipse[here, 0] >= run.found.ellipse[here, 1]).all()


def test_page_and_json_show_them(result: CampaignResult, tmp_path: Path) -> None:
    paths = write_report(result, tmp_path / "out")
    text = paths[0].read_text(encoding="utf-8")
    document = json.loads(paths[1].read_text(encoding="utf-8"))
    places = document["runs"][0]["places"]
    assert places["columns"][:3] == ["time_s", "x_mm", "y_mm"]
    assert len(places["rows"]) >= 30
    section = text[text.index('<section id="plan"') :]
    section = section[: section.index("</section>")]
    rows = {s["station"]: s for s in document["plan"]["stations"]}
    for name, place in STATIONS.items():
        assert rows[name]["stated_mm"] == list(place)
        middle = np.hypot(rows[name]["x"] - place[0], rows[name]["y"] - place[1])
        assert rows[name]["away"] == pytest.approx(middle, abs=0.1)
        assert f'data-value="{rows[name]["away"]}"' in section
        assert f">{name} " in section
    assert "microphones, each with its channel" in section
    for channel, place in enumerate(CORNERS):
        assert f">{channel}</" in section, place


def test_stations_alone_are_shown_without_places(make: Any, written: Any, tmp_path: Path) -> None:
    import dataclasses

    from noisecheck.bench.rig import Rig

    result = make()
    stations = [{"name": "landing", "position_mm": [0, 0]}, {"name": "tray", "position_mm": [400, 100]}]
    campaign = dataclasses.replace(result.campaign, rig=Rig.model_validate({"station": stations}))
    _, page, document = written(dataclasses.replace(result, campaign=campaign), tmp_path / "out")
    assert [s["impacts"] for s in document["plan"]["stations"]] == [0, 0]
    assert "No impact is drawn at its own place" in page.text
    _, page, document = written(result, tmp_path / "other")
    assert "plan" not in document
