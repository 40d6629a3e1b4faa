"""The demo campaign from recordings to answers, against the truth its scene wrote beside it."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

import noisecheck
from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.campaign import CampaignResult, compare_campaign, measure_campaign
from noisecheck.score import match

DEMO = Path(noisecheck.__file__).parent.parent / "recordings"
LOUD_DB = -66.0
"""Impacts of the truth above this stand clear of the demo's background (about -58 dB RMS, A-weighted far less)."""


@pytest.fixture(scope="module")
def demo() -> CampaignResult:
    if not (DEMO / "runs.csv").exists():
        pytest.skip("the demo campaign is not here")
    return measure_campaign(load_campaign(DEMO))


def _truth(run: str) -> list[dict[str, str]]:
    with (DEMO / "truth" / f"{run}.impacts.csv").open() as file:
        return list(csv.DictReader(file))


def _first_contacts(demo: CampaignResult) -> dict[tuple[str, str], list[float]]:
    """True L_AE of first contacts at the landing by (treatment, height): the mean of each run."""
    means: dict[tuple[str, str], list[float]] = defaultdict(list)
    for result in demo.runs:
        run = result.run
        levels = [float(r["lae_db_0"]) for r in _truth(run.name) if r["place"] == "landing" and r["rebound"] == "0"]
        if run.role == "test" and levels:
            means[run.treatment, run.value("drop_height_mm")].append(float(np.mean(levels)))
    return means


def test_clear_impacts_are_found_and_hardly_any_other(demo: CampaignResult) -> None:
    clear = found = false = total = 0
    for result in demo.runs:
        rows = _truth(result.run.name)
        times = np.array([float(r["time_s"]) for r in rows])
        loud = np.array([float(r["lae_db"]) > LOUD_DB for r in rows], bool)
        # Two impacts within 20 ms may be one to the ear of the microphones.
        apart = np.array([np.sum(np.abs(times - t) < 0.02) == 1 for t in times], bool)
        got = match(result.impacts["time_s"], times, tolerance_s=0.01)
        missed = np.isin(np.arange(len(rows)), got.missed_index)
        clear += int((loud & apart).sum())
        found += int((loud & apart & ~missed).sum())
        false += len(got.false_index)
        total += len(result.impacts)
    assert clear > 1000
    assert found / clear > 0.99
    assert false / total < 0.02


def test_true_treatment_differences_lie_inside_the_intervals(demo: CampaignResult) -> None:
    means = _first_contacts(demo)
    heights = sorted({h for _, h in means})
    comparison = compare_campaign(demo, by="treatment", station="landing")
    for difference in comparison.differences:
        if difference.measure != "lae_db":
            continue
        true = float(
            np.mean([np.mean(means[difference.value, h]) - np.mean(means[comparison.baseline, h]) for h in heights])
        )
        assert difference.verdict == "quieter"
        low, high = difference.ci_db
        assert low < true < high, (difference.value, true, difference.ci_db)
        assert difference.difference_db == pytest.approx(true, abs=1.0)


def test_every_ball_of_a_plain_run_arrives(demo: CampaignResult) -> None:
    plain = {
        r.run.name for r in demo.runs if r.run.role == "test" and all(
            row["fate"] == "arrived" and not row["held_up_at"] for row in _balls(r.run.name)
        )
    }  # fmt: skip
    wrong = [x.run for x in demo.ledgers if x.run in plain and (x.count("stuck") or abs(x.arrived - x.fed) > 1)]
    assert len(plain) >= 8
    assert len(wrong) <= 0.06 * len(plain), wrong


def _balls(run: str) -> list[dict[str, str]]:
    with (DEMO / "truth" / f"{run}.balls.csv").open() as file:
        return list(csv.DictReader(file))
