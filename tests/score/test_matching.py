"""Matching against mir_eval (bipartite matching) and scipy (assignment), and its own edges."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noisecheck.core.errors import InputError
from noisecheck.score import match

mir_eval_util = pytest.importorskip("mir_eval.util")
TOLERANCE_S = 0.01
# Whole milliseconds: ties at the tolerance and crowded clusters come up often.
MILLISECONDS = st.lists(st.integers(0, 150), max_size=25)


@settings(max_examples=300, deadline=None)
@given(MILLISECONDS, MILLISECONDS)
def test_as_many_pairs_as_mir_eval(found_ms: list[int], truth_ms: list[int]) -> None:
    # The half microsecond keeps both sides clear of each other's rounding at exactly 10 ms.
    found, truth = np.array(found_ms) / 1e3, np.array(truth_ms) / 1e3
    ours = match(found, truth, tolerance_s=TOLERANCE_S + 5e-7)
    theirs = mir_eval_util.match_events(np.sort(truth), np.sort(found), TOLERANCE_S + 5e-7)
    assert ours.pairs == len(theirs)
    assert len(set(ours.found_index)) == len(set(ours.truth_index)) == ours.pairs
    assert np.all(np.abs(ours.error_s) <= TOLERANCE_S + 1e-6)


@settings(max_examples=150, deadline=None)
@given(MILLISECONDS, MILLISECONDS)
def test_smallest_error_of_all_largest_matchings(found_ms: list[int], truth_ms: list[int]) -> None:
    from scipy.optimize import linear_sum_assignment

    found, truth = np.array(found_ms, float) / 1e3, np.array(truth_ms, float) / 1e3
    ours = match(found, truth, tolerance_s=TOLERANCE_S)
    distance = np.abs(found[:, None] - truth[None, :])
    cost = np.where(distance <= TOLERANCE_S + 1e-12, distance, 100.0)
    rows, columns = linear_sum_assignment(cost)
    allowed = cost[rows, columns] < 100.0
    assert ours.pairs == int(allowed.sum())
    assert np.abs(ours.error_s).sum() == pytest.approx(cost[rows, columns][allowed].sum(), abs=1e-9)


def test_f_measure_as_mir_eval_onset() -> None:
    import mir_eval

    rng = np.random.default_rng(5)
    truth = np.sort(rng.uniform(0, 60, 300))
    found = np.sort(
        np.concatenate([truth[rng.random(300) < 0.9] + rng.normal(0, 0.004, 300)[:1], rng.uniform(0, 60, 20)])
    )
    f, precision, recall = mir_eval.onset.f_measure(truth, found, window=TOLERANCE_S)
    ours = match(found, truth, tolerance_s=TOLERANCE_S)
    assert (ours.f_measure, ours.precision, ours.recall) == pytest.approx((f, precision, recall), abs=1e-12)


def test_greedy_would_lose_a_pair() -> None:
    # 0.105 is nearest to 0.104 but 0.113 needs it: only the pairing in order finds both.
    result = match([0.105, 0.113], [0.096, 0.1045], tolerance_s=0.01)
    assert result.pairs == 2
    assert result.truth_index.tolist() == [0, 1]


def test_indices_refer_to_the_lists_as_given() -> None:
    result = match([3.0, 1.0, 9.0], [1.001, 5.0, 3.002], tolerance_s=0.01)
    assert sorted(zip(result.found_index.tolist(), result.truth_index.tolist(), strict=True)) == [(0, 2), (1, 0)]
    assert result.missed_index.tolist() == [1]
    assert result.false_index.tolist() == [2]
    assert (result.precision, result.recall) == (pytest.approx(2 / 3), pytest.approx(2 / 3))
    assert result.error_s == pytest.approx([-0.001, -0.002])


def test_empty_lists_are_the_same_type() -> None:
    nothing = match([], [], tolerance_s=0.01)
    assert nothing.f_measure == 1.0
    assert nothing.error_s.shape == (0,)
    assert match([], [1.0], tolerance_s=0.01).recall == 0.0
    assert match([1.0], [], tolerance_s=0.01).precision == 0.0


def test_a_long_soak_in_seconds() -> None:
    rng = np.random.default_rng(1)
    truth = np.cumsum(rng.exponential(0.125, 200_000))
    found = truth + rng.normal(0, 0.001, len(truth))
    began = time.process_time()
    assert match(found, truth, tolerance_s=0.01).recall > 0.999
    assert time.process_time() - began < 10


def test_a_flood_of_false_alarms_costs_no_more_than_its_length() -> None:
    # One found time every 5 ms joins everything into a single cluster of 60,000 by 3,000.
    truth = np.arange(3000) * 0.1 + 0.05
    began = time.process_time()
    result = match(np.arange(60_000) * 0.005, truth, tolerance_s=0.01)
    assert result.recall == 1.0
    assert np.abs(result.error_s).max() < 1e-9
    assert time.process_time() - began < 5


@pytest.mark.parametrize(
    ("found", "truth", "tolerance", "words"),
    [
        ([np.nan], [1.0], 0.01, "found_s holds 1 times"),
        ([1.0], [[1.0]], 0.01, "truth_s has 2 dimensions"),
        ([1.0], [1.0], -1.0, "tolerance_s = -1"),
    ],
)
def test_bad_input_is_one_sentence(found: list, truth: list, tolerance: float, words: str) -> None:
    with pytest.raises(InputError, match=words):
        match(found, truth, tolerance_s=tolerance)
