"""Adding odds: Bayes' rule worked by hand, caps, and when a name is withheld."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.errors import InputError
from noisecheck.place.evidence import Evidence, decided


def _one(stations: list[float], unplaced: float) -> Evidence:
    return Evidence(("landing", "bend"), np.array([stations]), np.array([unplaced]))


def test_posterior_is_bayes_rule() -> None:
    """Likelihoods 8, 2 and 1 with prior 0.475, 0.475, 0.05: 3.8 / 4.8, 0.95 / 4.8, 0.05 / 4.8."""
    p = _one(list(np.log([8.0, 2.0])), 0.0).posterior(prior_unplaced=0.05)
    np.testing.assert_allclose(p, [[3.8 / 4.8, 0.95 / 4.8, 0.05 / 4.8]])


def test_independent_ways_multiply() -> None:
    both = _one(list(np.log([4.0, 1.0])), 0.0) + _one(list(np.log([2.0, 1.0])), np.log(3.0))
    p = both.posterior(prior_unplaced=0.2)
    weight = np.array([0.4 * 8, 0.4 * 1, 0.2 * 3])
    np.testing.assert_allclose(p[0], weight / weight.sum())


def test_no_way_is_believed_without_limit() -> None:
    capped = _one([0.0, -500.0], 80.0).capped(stations=9.0, unplaced=5.0)
    np.testing.assert_allclose(capped.log_likelihood, [[0.0, -9.0]])
    np.testing.assert_allclose(capped.unplaced, [5.0])


def test_what_the_user_said_stands() -> None:
    """12 nats on an even start are 162,755 : 1; "none" begins with 0.05 of 0.95; others say nothing."""
    three = Evidence(("landing", "bend"), np.log([[1.0, 9.0]] * 4), np.zeros(4))
    after = three.settled(np.array([True, True, True, False]), ["landing", "", "door", ""])
    p = after.posterior()
    np.testing.assert_allclose(p[0], np.array([0.475 * 162754.79, 0.475, 0.05]) / (0.475 * 162754.79 + 0.525))
    np.testing.assert_allclose(p[1, 2], 0.05 * 162754.79 / (0.05 * 162754.79 + 0.95))
    np.testing.assert_allclose(p[2], [0.475, 0.475, 0.05])
    np.testing.assert_allclose(after.where(np.array([3])).posterior(), three.posterior()[3:])


def test_undecided_is_unplaced() -> None:
    at, confidence = decided(np.array([[0.49, 0.48, 0.03], [0.6, 0.3, 0.1], [0.05, 0.05, 0.9]]))
    assert at.tolist() == [-1, 0, -1]
    np.testing.assert_allclose(confidence, [0.03, 0.6, 0.9])


def test_nothing_said_names_nothing() -> None:
    at, confidence = decided(Evidence.none(("landing", "bend"), 3).posterior())
    assert at.tolist() == [-1, -1, -1]
    assert np.all(confidence < 0.1)
    assert len(decided(Evidence.none(("landing",), 0).posterior())[0]) == 0


def test_other_stations_cannot_be_added() -> None:
    with pytest.raises(InputError, match="same stations"):
        _ = _one([0.0, 0.0], 0.0) + Evidence.none(("landing", "tray"), 1)
    with pytest.raises(InputError, match="shape"):
        Evidence(("landing",), np.zeros((2, 3)), np.zeros(2))
