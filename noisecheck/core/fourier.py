"""Fourier transforms along the last axis: those of ``scipy.fft``, without what else its import brings.

``import scipy.fft`` loads special functions, array interfaces and half of NumPy's tools, more than a tenth of what
measuring ten minutes takes in all. Here only its engine (pocketfft) is loaded, from where SciPy keeps it; where it is
not found there, or is made another way, the public functions are used. The bits are the same.
"""

from __future__ import annotations

import os
import sys
from functools import lru_cache
from importlib.machinery import PathFinder
from importlib.util import find_spec, module_from_spec
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["ifft", "irfft", "next_fast_len", "rfft"]

_ENGINE: Final = "scipy.fft._pocketfft.pypocketfft"
_TYPES: Final = (np.float32, np.float64, np.complex64, np.complex128)


@lru_cache(maxsize=1)
def _engine() -> Any:
    """Return SciPy's transforms; None where only the public functions can be had."""
    found = sys.modules.get(_ENGINE)
    if found is None:
        package = find_spec("scipy")
        folders = [os.path.join(p, "fft", "_pocketfft") for p in (package and package.submodule_search_locations) or ()]
        spec = PathFinder.find_spec("pypocketfft", folders)
        if spec is None or spec.loader is None:
            return None
        try:
            found = module_from_spec(spec)
            spec.loader.exec_module(found)
        except ImportError:
            return None
    try:
        once = found.c2r(found.r2c(np.ones((1, 3), np.float32), (1,), True, 0, None, 1), (1,), 3, False, 2, None, 1)
        fits = found.good_size(7 * 11, True) == 80 and once.dtype == np.float32 and bool(np.allclose(once, 1.0))
    except (AttributeError, TypeError, ValueError):
        fits = False
    return found if fits else None


def _fitted(x: NDArray[Any], length: int) -> NDArray[Any]:
    """Return rows cut off, or filled with zeros, to a length."""
    if x.shape[-1] >= length:
        return x[..., :length]
    padded = np.zeros((*x.shape[:-1], length), x.dtype)
    padded[..., : x.shape[-1]] = x
    return padded


def rfft(x: NDArray[Any], n: int | None = None) -> NDArray[Any]:
    """Return ``scipy.fft.rfft(x, n)``: (..., n // 2 + 1) complex of the precision of ``x``, which is float32 or 64."""
    engine = _engine()
    if engine is None or x.dtype not in _TYPES or not x.flags.aligned:
        import scipy.fft

        return np.asarray(scipy.fft.rfft(x, n))
    return np.asarray(engine.r2c(x if n is None else _fitted(x, n), (x.ndim - 1,), True, 0, None, 1))


def irfft(x: NDArray[Any], n: int) -> NDArray[Any]:
    """Return ``scipy.fft.irfft(x, n)``: (..., n) real of the precision of ``x``."""
    engine = _engine()
    if engine is None or x.dtype not in _TYPES or not x.flags.aligned:
        import scipy.fft

        return np.asarray(scipy.fft.irfft(x, n))
    spectrum = _fitted(x if np.iscomplexobj(x) else x + 0.0j, n // 2 + 1)
    return np.asarray(engine.c2r(spectrum, (x.ndim - 1,), n, False, 2, None, 1))


def ifft(x: NDArray[Any]) -> NDArray[Any]:
    """Return ``scipy.fft.ifft(x)`` of complex values, of their shape and precision."""
    engine = _engine()
    if engine is None or x.dtype not in _TYPES or not x.flags.aligned:
        import scipy.fft

        return np.asarray(scipy.fft.ifft(x))
    return np.asarray(engine.c2c(x, (x.ndim - 1,), False, 2, None, 1))


def next_fast_len(n: int, *, real: bool) -> int:
    """Return ``scipy.fft.next_fast_len(n, real)``: the least length from ``n`` on that transforms quickly."""
    engine = _engine()
    if engine is None:
        import scipy.fft

        return int(scipy.fft.next_fast_len(n, real))
    return int(engine.good_size(n, real))
