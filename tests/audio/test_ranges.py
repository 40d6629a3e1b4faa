"""Ranges of frames in bounded memory."""

from __future__ import annotations

import numpy as np

from noisecheck.audio.ranges import Ranges, runs_of


def test_runs_of_a_mask() -> None:
    mask = np.array([1, 1, 0, 0, 1, 0, 1], bool)
    assert runs_of(mask).tolist() == [[0, 2], [4, 5], [6, 7]]
    assert runs_of(~np.ones(4, bool)).shape == (0, 2)


def test_ranges_merge_in_any_order_and_stay_bounded() -> None:
    held = Ranges(gap=5)
    held.add([(100, 110), (0, 10)])
    held.add([(14, 20), (116, 120), (105, 107)])
    assert held.array().tolist() == [[0, 20], [100, 110], [116, 120]]
    many = Ranges(most=1000)
    for k in range(200):
        many.add([(10_000 * k + 20 * i, 10_000 * k + 20 * i + 1) for i in range(500)])
    found = many.array()
    assert len(found) <= 2000
    assert (found[0, 0], found[-1, 1]) == (0, 199 * 10_000 + 20 * 499 + 1)
    assert np.all(found[1:, 0] > found[:-1, 1])
