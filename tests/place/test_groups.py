"""Grouping alone, against known groups by scikit-learn's adjusted Rand index."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import adjusted_rand_score

from noisecheck.core.errors import InputError
from noisecheck.core.table import Impacts
from noisecheck.place.groups import find_groups


@pytest.fixture
def known(shapes) -> np.ndarray:
    """Return four band shapes."""
    return shapes(4, seed=3)


def _mixed(made, known, counts=(90, 60, 40, 25)) -> tuple[Impacts, np.ndarray]:
    truth = np.random.default_rng(1).permutation(np.repeat(np.arange(4), counts))
    level = np.random.default_rng(2).uniform(-45, -25, len(truth))
    return made(known[truth], level_db=level, seed=5), truth


def test_finds_the_groups_and_names_them_by_size(made, known) -> None:
    impacts, truth = _mixed(made, known)
    found = find_groups(impacts)
    inside = found.member >= 0
    assert inside.mean() > 0.95
    assert adjusted_rand_score(truth[inside], found.member[inside]) > 0.97
    assert [g.name for g in found.groups] == ["A", "B", "C", "D"]
    assert [g.count for g in found.groups] == sorted((g.count for g in found.groups), reverse=True)
    assert truth[found.groups[0].example] == 0


def test_spectrum_is_the_shape(made, known) -> None:
    impacts, _ = _mixed(made, known)
    for k, group in enumerate(find_groups(impacts).groups):
        shape = known[k] - 10 * np.log10(np.sum(10 ** (known[k] / 10)))
        loud = shape > -15
        np.testing.assert_allclose(group.spectrum_db[loud], shape[loud], atol=1.5)


def test_same_again(made, known) -> None:
    impacts, _ = _mixed(made, known)
    np.testing.assert_array_equal(find_groups(impacts).member, find_groups(impacts).member)


def test_named_groups_teach(made, known) -> None:
    impacts, _ = _mixed(made, known)
    found = find_groups(impacts)
    lessons = found.lessons(impacts, {"A": "landing", "B": "bend", "C": "landing"})
    assert [(q.station, len(q.impacts)) for q in lessons] == [
        ("landing", found.groups[0].count + found.groups[2].count),
        ("bend", found.groups[1].count),
    ]
    with pytest.raises(InputError, match="no group 'Z': the groups found are A, B, C, D"):
        found.lessons(impacts, {"Z": "tray"})


def test_one_sound_is_one_group(made, known) -> None:
    found = find_groups(made(np.tile(known[0], (80, 1)), level_db=np.linspace(-40, -25, 80)))
    assert [g.name for g in found.groups] == ["A"]


def test_too_few(made, known) -> None:
    assert find_groups(Impacts.empty()).groups == ()
    found = find_groups(made(known[:3]))
    assert found.groups == ()
    assert "too few" in found.notes[0]
