"""Transforms: SciPy's own, to the bit, whether its engine is found or not, and without loading SciPy for it."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray

from noisecheck.core import fourier

SHAPES = ((512, 256), (3, 128), (1, 7), (4, 32768), (77,), (2, 3, 90))


@pytest.fixture(params=["engine", "public functions"])
def source(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "engine":
        assert fourier._engine() is not None
    else:
        monkeypatch.setattr(fourier, "_engine", lambda: None)
    return str(request.param)


def same(ours: NDArray, theirs: NDArray) -> bool:
    return ours.dtype == theirs.dtype and ours.shape == theirs.shape and ours.tobytes() == theirs.tobytes()


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int16])
def test_transforms_are_those_of_scipy(source: str, shape: tuple[int, ...], dtype: type) -> None:
    x = (100.0 * np.random.default_rng(3).normal(size=shape)).astype(dtype)
    for n in (None, shape[-1] + 5, shape[-1] - 3):
        spectrum = scipy.fft.rfft(x, n)
        assert same(fourier.rfft(x, n), spectrum)
        for length in (n or shape[-1], shape[-1] + 4, shape[-1] - 4):
            assert same(fourier.irfft(spectrum, length), scipy.fft.irfft(spectrum, length))
            assert same(fourier.irfft(np.abs(spectrum), length), scipy.fft.irfft(np.abs(spectrum), length))
        assert same(fourier.ifft(spectrum), scipy.fft.ifft(spectrum))


def test_pieces_of_other_arrays_are_transformed_as_they_are(source: str) -> None:
    x = np.random.default_rng(4).normal(size=4000).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(x, 256)[::48]
    assert same(fourier.rfft(frames), scipy.fft.rfft(frames))
    assert same(fourier.rfft(frames[:, ::2]), scipy.fft.rfft(frames[:, ::2]))
    odd = np.frombuffer(b"\0" + x.tobytes(), np.uint8)[1:].view(np.float32)  # not aligned
    assert same(fourier.rfft(odd), scipy.fft.rfft(x))


def test_lengths_are_those_of_scipy(source: str) -> None:
    for n in range(1, 2000):
        assert fourier.next_fast_len(n, real=True) == scipy.fft.next_fast_len(n, real=True)
        assert fourier.next_fast_len(n, real=False) == scipy.fft.next_fast_len(n)


def test_scipy_is_not_loaded_for_it() -> None:
    code = (
        "import sys, numpy as np\nfrom noisecheck.core.fourier import rfft\nrfft(np.ones(8))\n"
        "print([m for m in sys.modules if m.startswith('scipy')])\nimport scipy.fft\n"
        "print(scipy.fft.rfft(np.ones(8)).tobytes() == rfft(np.ones(8)).tobytes())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["[]", "True"]
