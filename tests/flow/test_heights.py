"""A stated drop height that is not the heard one, on published bounce intervals with known heights."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from noisecheck.flow.drops import Drops, describe_drops
from noisecheck.flow.heights import height_heard

Reference = Callable[[str], list[dict[str, str]]]


@pytest.fixture(scope="module")
def published(reference: Reference) -> dict[tuple[str, float], Drops]:
    """Drops by (ball, height) of the 660 published intervals (tests/references/bounce_intervals.csv)."""
    trains: dict[tuple[str, float], dict[int, list[float]]] = {}
    for row in reference("bounce_intervals"):
        key = (row["ball"], float(row["drop_height_m"]))
        trains.setdefault(key, {}).setdefault(int(row["drop_no"]), []).append(float(row["interval_s"]))
    found = {}
    for key, drops in trains.items():
        times = [100.0 * k + np.concatenate([[0.0], np.cumsum(t)]) for k, t in enumerate(drops.values())]
        number = np.concatenate([np.full(len(t), k) for k, t in enumerate(times)])
        rebound = np.concatenate([np.arange(len(t)) for t in times])
        found[key] = describe_drops(np.concatenate(times), number, rebound)
    return found


def test_true_heights_agree_and_wrong_ones_do_not(published: dict[tuple[str, float], Drops]) -> None:
    checked = 0
    for (ball, height), drops in published.items():
        heard = height_heard(drops)
        if heard is None:
            continue
        checked += 1
        assert heard.agrees(height), (ball, height, heard)
        assert not heard.agrees(height * 1.6), (ball, height, heard)
        assert not heard.agrees(height / 1.6), (ball, height, heard)
        if ball == "golf":
            assert heard.height_m == pytest.approx(height, rel=0.03)
    assert checked >= 10


def test_the_sentence_names_both_heights(published: dict[tuple[str, float], Drops]) -> None:
    heard = height_heard(published["golf", 0.80])
    assert heard is not None
    said = heard.sentence(0.4, run="take 1", station="landing")
    assert said.startswith("run take 1: the run sheet states a drop height of 400 mm, but ")
    assert f"tell {1000 * heard.height_m:.0f} mm by their rebounds" in said


def test_too_few_or_scattered_drops_tell_nothing(published: dict[tuple[str, float], Drops]) -> None:
    drops = published["golf", 0.80]
    rows = np.zeros(len(drops), bool)
    assert height_heard(drops, rows) is None
    rows[:3] = True
    assert height_heard(drops, rows) is None
    rng = np.random.default_rng(1)
    t = np.cumsum(np.full(60, 5.0))[:, None] + np.column_stack(
        [np.zeros(60), t1 := rng.uniform(0.1, 0.4, 60), t1 + t1 * rng.uniform(0.4, 0.9, 60)]
    )
    odd = describe_drops(t.ravel(), np.repeat(np.arange(60), 3), np.tile(np.arange(3), 60))
    assert height_heard(odd) is None
