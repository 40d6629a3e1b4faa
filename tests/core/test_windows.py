"""Stretches of signals: the same values as picked one by one."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.windows import extended, in_blocks, means, stretches, strided, windows


@pytest.mark.parametrize("shape", [(40,), (3, 40)])
def test_windows_are_every_stretch(shape: tuple[int, ...]) -> None:
    values = np.random.default_rng(1).normal(size=shape).astype(np.float32)
    for signal in (values, values[..., 3:-2], values[..., ::2]):
        wanted = np.lib.stride_tricks.sliding_window_view(signal, 7, axis=-1)
        assert np.array_equal(windows(signal, 7), wanted)
    assert windows(values, 40).shape == (*shape[:-1], 1, 40)
    with pytest.raises(ValueError, match="read-only"):
        windows(values, 7)[..., 0] = 1.0


@pytest.mark.parametrize(("before", "after"), [(0, 0), (3, 0), (0, 5), (2, 4)])
def test_the_ends_go_on(before: int, after: int) -> None:
    values = np.random.default_rng(3).normal(size=(3, 40))
    for signal in (values, values[0], values[:, ::-1]):
        pad = [*[(0, 0)] * (signal.ndim - 1), (before, after)]
        assert np.array_equal(extended(signal, before, after), np.pad(signal, pad, mode="edge"))


def test_there_must_be_enough_for_a_window() -> None:
    for values in (np.zeros(5), np.zeros(10)[::2]):
        with pytest.raises(ValueError, match=r"shape|negative"):
            windows(values, 7)


@pytest.mark.parametrize("each", [False, True])
def test_stretches_go_on_beyond_the_ends(each: bool) -> None:
    start = np.array([-9, -1, 0, 5, 33, 34, 36, 39, 50])
    values = np.random.default_rng(2).normal(size=(len(start), 40) if each else 40)
    at = np.clip(start[:, None] + np.arange(7), 0, 39)
    wanted = np.take_along_axis(values, at, axis=1) if each else values[at]
    assert np.array_equal(stretches(values, start, 7), wanted)
    longer = values[..., np.minimum(np.arange(60), 39)]
    assert np.array_equal(stretches(values, start, 50), stretches(longer, start, 50))
    assert stretches(values[:0] if each else values, start[:0], 7).shape == (0, 7)


@pytest.mark.parametrize("block", [1, 3, 4])
def test_blocks_of_a_few_values_are_summed_each_alone(block: int) -> None:
    values = np.random.default_rng(block).integers(-9, 9, (5, 26)).astype(np.float32)
    whole = values[:, : 26 // block * block].reshape(5, -1, block)
    np.testing.assert_array_equal(in_blocks(values, block, np.add), whole.sum(axis=2))
    np.testing.assert_array_equal(in_blocks(values, block, np.maximum), whole.max(axis=2))
    assert in_blocks(values[:0], block, np.add).shape == (0, 26 // block)


def test_views_are_those_of_numpy_and_never_reach_beyond() -> None:
    values = np.arange(24.0).reshape(4, 6)
    for signal in (values, values[:, 1:], values.T):
        row, column = signal.strides
        wanted = np.lib.stride_tricks.as_strided(signal, (3, 2), (row + column, column))
        assert np.array_equal(strided(signal, (3, 2), (row + column, column)), wanted)
    with pytest.raises(ValueError, match="strides"):
        strided(values, (5, 6), values.strides)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_means_are_numpys_to_the_bit(kind: type) -> None:
    values = np.random.default_rng(5).normal(size=(64, 37, 3)).astype(kind)
    for part in (values, values[:, 3:20], values[:, :, 0]):
        assert means(part).dtype == kind
        np.testing.assert_array_equal(means(part), part.mean(axis=1))
