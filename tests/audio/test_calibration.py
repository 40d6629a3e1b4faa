"""Calibrator tones, sensitivities and drift against IEC 60942:2017, ISO 1683:2015 and ISO 1996-2:2017."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.audio.calibration import (
    DRIFT_LIMIT_DB,
    Calibration,
    find_calibrator,
    from_sensitivity,
    uncalibrated,
)
from noisecheck.audio.recording import ArrayRecording
from noisecheck.core.errors import InputError

REFERENCES = Path(__file__).parents[1] / "references"


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / f"standards_{name}.csv").read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def levels() -> dict[str, float]:
    return {r["item"]: float(r["value"]) for r in rows("reference_levels") if "/" not in r["value"]}


def take(
    rate: int = 48000, *, level_db: float = -30.0, hz: float = 1000.0, noise: float = 1e-4, distort: float = 0.0
) -> NDArray[np.float64]:
    """Return 14 s of room noise with the calibrator on from 3.1 to 11.4 s and thumps as it goes on and off."""
    rng = np.random.default_rng(1)
    t = np.arange(14 * rate) / rate
    x = noise * rng.standard_normal(len(t))
    on = (t > 3.1) & (t < 11.4)
    amplitude = np.sqrt(2) * 10 ** (level_db / 20)
    x[on] += amplitude * (np.sin(2 * np.pi * hz * t) + distort * np.sin(4 * np.pi * hz * t))[on]
    for at in (3.1, 11.4):
        near = (t > at - 0.1) & (t < at + 0.1)
        x[near] += 0.1 * rng.standard_normal(int(near.sum()))
    return x


def recording(*channels: NDArray[np.float64], rate: int = 48000) -> ArrayRecording:
    return ArrayRecording(np.stack(channels, axis=1).astype(np.float32), rate)


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 48000, 96000, 192000])
def test_the_tone_is_found_by_itself(rate: int) -> None:
    found = find_calibrator(recording(take(rate), rate=rate), level_db=94.0)
    assert found.offset_db == pytest.approx((124.0,), abs=0.005)
    assert (found.source, found.known, found.comparable) == ("calibrator", True, True)
    (tone,) = found.tones
    assert 3.1 <= tone.start_s < 4.0
    assert 10.5 < tone.stop_s <= 11.4
    assert tone.frequency_hz == pytest.approx(1000.0, abs=0.2)
    assert tone.meets_class == 1


def test_classes_of_iec_60942() -> None:
    """Frequency, fluctuation and distortion are held against Tables 2, 4 and 7."""
    limits = {r["quantity"]: r for r in rows("calibrator")}
    f1, f2 = (float(limits["frequency limit +-"][c]) / 100 for c in ("class_1", "class_2"))
    d1, d2 = (float(limits["total distortion+noise max"][c]) / 100 for c in ("class_1", "class_2"))
    for hz, distort, expected in (
        (1000 * (1 + 0.9 * f1), 0.0, 1),
        (1000 * (1 + 1.1 * f1), 0.0, 2),
        (1000 * (1 - 1.1 * f2), 0.0, 0),
        (1000, 0.9 * d1, 1),
        (1000, 0.5 * (d1 + d2), 2),
        (1000, 1.1 * d2, 0),
    ):
        (tone,) = find_calibrator(recording(take(hz=hz, distort=distort))).tones
        assert tone.meets_class == expected, (hz, distort)


def test_fluctuation() -> None:
    limits = next(r for r in rows("calibrator") if r["quantity"] == "short-term fluctuation limit")
    t = np.arange(14 * 48000) / 48000
    for half_db, expected in ((0.8 * float(limits["class_1"]), 1), (0.8 * float(limits["class_2"]), 2)):
        wobble = 10 ** (half_db * np.sin(2 * np.pi * 0.2 * t) / 20)
        (tone,) = find_calibrator(recording(take(noise=1e-6) * wobble)).tones
        assert tone.meets_class == expected
        assert tone.fluctuation_db == pytest.approx(half_db, rel=0.1)
    with pytest.raises(InputError, match="no steady tone"):
        find_calibrator(recording(take() * 10 ** (np.sin(2 * np.pi * 0.5 * t) / 20)))


def test_microphones_one_after_the_other() -> None:
    first, second = take(level_db=-30), np.roll(take(level_db=-27), 48000)
    found = find_calibrator(recording(first, second, 1e-4 * np.random.default_rng(0).standard_normal(len(first))))
    assert found.offset_db[:2] == pytest.approx((124.0, 121.0), abs=0.01)
    assert np.isnan(found.offset_db[2])
    assert not found.known


def test_a_level_of_114_db() -> None:
    assert find_calibrator(recording(take()), level_db=114.0).offset_db == pytest.approx((144.0,), abs=0.005)


def test_no_tone_or_a_clipped_one() -> None:
    rng = np.random.default_rng(0)
    with pytest.raises(InputError, match=r"no steady tone near 1000 Hz"):
        find_calibrator(recording(0.1 * rng.standard_normal(48000 * 5)))
    with pytest.raises(InputError, match="no steady tone"):
        find_calibrator(recording(np.zeros(100)))
    with pytest.raises(InputError, match=r"near 250 Hz for .*: there is one near 1000 Hz, is frequency_hz = 1000 mea"):
        find_calibrator(recording(take()), frequency_hz=250.0)
    with pytest.raises(InputError, match="clipped"):
        find_calibrator(recording(np.clip(take(level_db=-2.9), -1, 1)))
    with pytest.raises(InputError, match="cannot be heard"):
        find_calibrator(recording(take(8000), rate=8000), frequency_hz=4000.0)


def test_sensitivity() -> None:
    """ISO 1683:2015: 1 Pa is 93.98 dB re 20 uPa; a sine of 94 dB peaks at 1.4176 Pa."""
    item = levels()
    assert from_sensitivity(1, pa_at_full_scale=1.0).offset_db == pytest.approx((item["1 Pa rms as level"],), abs=1e-4)
    # a full-scale sine (-3.01 dB) at that peak pressure must read 94 dB
    offset = from_sensitivity(1, pa_at_full_scale=item["94 dB sine peak pressure"]).offset_db[0]
    assert offset - 3.0103 == pytest.approx(94.0, abs=1e-3)
    both = from_sensitivity(2, pa_at_full_scale=[20.0, 200.0])  # 50 and 5 mV/Pa where 1 V is full scale
    assert both.offset_db == pytest.approx((93.9794 + 26.0206, 93.9794 + 46.0206), abs=1e-3)
    assert (both.source, both.known) == ("sensitivity", True)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (0.0, "positive"),
        ([1.0, 2.0, 3.0], "3 values for 2 channels"),
    ],
)
def test_wrong_sensitivity(given: object, message: str) -> None:
    with pytest.raises(InputError, match=message):
        from_sensitivity(2, pa_at_full_scale=given)  # type: ignore[arg-type]


def test_nothing_known() -> None:
    nothing = uncalibrated(2)
    assert (nothing.source, nothing.known, nothing.comparable) == ("none", False, True)


def test_drift() -> None:
    """ISO 1996-2:2017 clause 5.2: more than 0.5 dB between two checks discards what lies between."""
    assert levels()["max drift between consecutive checks"] == DRIFT_LIMIT_DB
    before = find_calibrator(recording(take(level_db=-30.0)))
    for change, comparable in ((0.45, True), (0.55, False), (-0.55, False)):
        both = before.checked_with(find_calibrator(recording(take(level_db=-30.0 - change))))
        assert both.drift_db == pytest.approx((change,), abs=0.01)
        assert both.comparable is comparable
        assert both.offset_db == before.offset_db
    with pytest.raises(InputError, match="channels"):
        before.checked_with(Calibration((1.0, 2.0), "calibrator"))
    (said,) = replace(before, tones=(), drift_db=(-0.45,)).sentences()
    assert said == "calibration drift -0.45 dB between the two checks, within 0.5 dB"
    assert before.checked_with(before).sentences()[-1].startswith("calibration drift +0.00 dB")
    assert not any("drift" in s for s in before.sentences())
    with pytest.raises(InputError, match="calibrator recording"):
        before.checked_with(uncalibrated(1))


def test_drift_of_channels_calibrated_one_after_the_other_is_that_of_those_heard_twice() -> None:
    unheard = math.nan
    for before, after, said in (
        ((unheard, 90.0), (100.0, 91.0), "calibration drift +1.00 dB between the two checks, more than 0.5 dB"),
        ((unheard, 90.0, 80.0), (unheard, 90.1, 79.8), "calibration drift -0.20 dB between the two checks, within"),
        ((unheard, 90.0), (100.0, unheard), "calibration drift is not known: no channel holds the calibrator's tone"),
    ):
        both = Calibration(before, "calibrator").checked_with(Calibration(after, "calibrator"))
        (sentence,) = both.sentences()
        assert sentence.startswith(said)
        assert both.comparable == ("more than" not in said)
