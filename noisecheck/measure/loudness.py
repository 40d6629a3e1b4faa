"""Loudness of single impacts by ISO 532-1:2017 for time-varying sound (needs the ``loudness`` extra)."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.core.errors import InputError, missing_extra
from noisecheck.core.units import P_REF_PA

__all__ = ["loudness_max"]

_RATE: Final = 48000
_PAD_S: Final = 0.2


def loudness_max(samples: NDArray[np.float32], rate: float, *, offset_db: float) -> float:
    """Return the highest loudness N_max in sone of a piece of one channel, shape (frames,), in a free field.

    Loudness is no linear measure, so it needs the true sound pressure: ``offset_db`` from a calibration. Silence
    is added before and after, so that the piece may begin at the onset. Rates other than 48 kHz are resampled.

    Raises:
        MissingExtraError: the ``loudness`` extra is not installed.
        InputError: no calibration, samples that are no numbers, or a shape other than (frames,).
    """
    x = np.asarray(samples, np.float64)
    if x.ndim != 1 or not len(x):
        raise InputError(f"loudness is for one channel of shape (frames,), not {x.shape}: pass samples[:, channel]")
    if not np.isfinite(offset_db):
        raise InputError("loudness needs dB re 20 uPa: calibrate the recording first")
    if not np.isfinite(x).all():
        raise InputError("the piece holds samples that are not numbers: loudness cannot be given")
    try:
        from mosqito.sq_metrics import loudness_zwtv
    except ImportError as error:
        raise missing_extra("loudness", "loudness") from error
    if rate != _RATE:
        import soxr

        x = np.asarray(soxr.resample(x, rate, _RATE, quality="VHQ"), np.float64)
    pascal = np.pad(x, round(_PAD_S * _RATE)) * P_REF_PA * 10.0 ** (offset_db / 20.0)
    loudness, *_ = loudness_zwtv(pascal, _RATE, field_type="free")
    return float(np.max(loudness))
