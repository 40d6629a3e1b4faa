"""N_max against the figures of ISO 532-1:2017 for its synthetic signals."""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.core.errors import InputError, MissingExtraError
from noisecheck.measure.loudness import loudness_max

Reference = Callable[[str], list[dict[str, str]]]
FULL_SCALE_DB = 100.0  # 0 dB re full scale (RMS) of the standard's files


def tone(hz: float, level_db: float, seconds: float, rate: int) -> NDArray[np.float32]:
    """Return a tone with edges of 2 ms, half of them outside the duration (the standard's shape is not printed)."""
    ramp = round(0.002 * rate)
    t = np.arange(round(seconds * rate) + ramp) / rate
    edge = np.sin(0.5 * np.pi * (np.arange(ramp) + 0.5) / ramp) ** 2
    x = np.sqrt(2) * 10 ** ((level_db - FULL_SCALE_DB) / 20) * np.sin(2 * np.pi * hz * t)
    x[:ramp] *= edge
    x[-ramp:] *= edge[::-1]
    return x.astype(np.float32)


@pytest.mark.parametrize(
    ("signal", "hz", "level_db", "seconds"),
    [("10", 1000, 70, 0.01), ("11", 1000, 70, 0.05), ("12", 1000, 70, 0.5), ("6", 250, 80, 0.5), ("7", 1000, 80, 0.5)],
)
@pytest.mark.parametrize("rate", [48000, 44100])
def test_signals_of_the_standard(
    signal: str, hz: float, level_db: float, seconds: float, rate: int, reference: Reference
) -> None:
    """ISO 532-1:2017 clause 5.1: within 5 % or 0.1 sone. Signals 6 and 7 reach 80 dB at their loudest."""
    pytest.importorskip("mosqito", reason="the loudness extra is not installed")
    if rate != 48000 and signal not in ("10", "11"):
        pytest.skip("resampling is checked on the short pulses")
    row = next(r for r in reference("standards_loudness") if r["signal"] == signal)
    expected = float(row["Nmax_sone"])
    found = loudness_max(tone(hz, level_db, seconds, rate), rate, offset_db=FULL_SCALE_DB)
    assert abs(found - expected) <= max(0.05 * expected, 0.1)


def test_without_the_extra_or_calibration(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match="calibrate"):
        loudness_max(np.zeros(10, np.float32), 48000, offset_db=float("nan"))
    with pytest.raises(InputError, match="one channel"):
        loudness_max(np.zeros((10, 1), np.float32), 48000, offset_db=100)
    with pytest.raises(InputError, match="not numbers"):
        loudness_max(np.full(10, np.nan, np.float32), 48000, offset_db=100)
    monkeypatch.setitem(sys.modules, "mosqito.sq_metrics", None)
    with pytest.raises(MissingExtraError, match="needs the extra 'loudness'"):
        loudness_max(np.zeros(10, np.float32), 48000, offset_db=100)
