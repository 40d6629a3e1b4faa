"""Medians, quantiles and distinct values are those that NumPy tells."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest

from noisecheck.core.order import distinct, median, medians, quantile, quantiles, robust_sd


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("count", [1, 2, 3, 28, 61, 122])
def test_they_are_numpys_to_the_bit(kind: type, count: int) -> None:
    values = np.random.default_rng(count).standard_normal((count, 7)).astype(kind)
    assert medians(values, 0).dtype == kind
    np.testing.assert_array_equal(medians(values, 0), np.median(values, axis=0))
    stacked = np.stack([values, -values])
    for axis in (0, 1, 2, -2):
        np.testing.assert_array_equal(medians(stacked, axis), np.median(stacked, axis=axis))
    assert median(values[:, 0]) == float(np.median(values[:, 0].astype(float)))
    for share in (0.0, 0.2, 0.5, 0.75, 0.97, 1.0):
        told = quantiles(values.T, share)
        assert told.dtype == kind
        np.testing.assert_array_equal(told, np.quantile(values.T, share, axis=1))
        assert quantile(values[:, 0], share) == float(np.quantile(values[:, 0].astype(float), share))
    whole = np.round(values).astype(np.int64)
    np.testing.assert_array_equal(distinct(whole), np.unique(whole))


def test_of_nothing_and_of_what_is_no_number_nothing_is_told() -> None:
    assert math.isnan(median([]))
    assert math.isnan(median([1.0, math.nan]))
    assert math.isnan(quantile([], 0.5))
    assert not len(distinct(np.empty(0, np.int64)))


def test_masked_arrays_stay_unloaded() -> None:
    code = (
        "import sys, numpy as np; from noisecheck.core.order import *; a = np.arange(6.0)[None]\n"
        "distinct(a), median(a), medians(a, 0), quantile(a, 0.3), quantiles(a, 0.3); print('numpy.ma' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_the_robust_spread_is_that_of_normal_values_and_heeds_no_outlier() -> None:
    values = np.random.default_rng(5).normal(3.0, 2.0, 20_001)
    assert robust_sd(values, median(values)) == pytest.approx(2.0, rel=0.03)
    assert robust_sd([1.0, 2.0, 3.0, 4.0, 1e9], 3.0) == 1.4826
