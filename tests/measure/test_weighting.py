"""Frequency and time weightings against IEC 61672-1:2013 and against librosa, pyfar and scipy."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.core.errors import InputError
from noisecheck.measure import weighting
from noisecheck.measure.weighting import (
    FAST_S,
    Weighting,
    kernel_taps,
    running,
    spectrum_weight,
    time_weighted,
    weighting_db,
    weighting_response,
)

Reference = Callable[[str], list[dict[str, str]]]
SLOW_S = 1.0
"""Time constant S, IEC 61672-1:2013 clause 5.8.1: impacts are not measured with it, but the table has it, too."""


def running_db(rate: int, kind: Weighting) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (frequencies, response in dB) of the running filter, measured with an impulse."""
    taps = kernel_taps(rate)
    impulse = np.zeros(3 * taps, np.float32)
    impulse[taps] = 1.0
    (out,) = running(impulse, rate, (kind,))
    nfft = 16 * taps
    return np.fft.rfftfreq(nfft, 1 / rate), 20 * np.log10(np.abs(np.fft.rfft(out.astype(float), nfft)) + 1e-30)


def test_poles_are_those_of_annex_e(reference: Reference) -> None:
    poles = {row["name"]: float(row["value"]) for row in reference("standards_weighting_poles")}
    ours = (weighting._F1, weighting._F2, weighting._F3, weighting._F4)
    assert ours == pytest.approx([poles["f1"], poles["f2"], poles["f3"], poles["f4"]], rel=1e-12)


def test_closed_form_equals_table_3(reference: Reference) -> None:
    rows = reference("standards_weightings")
    f = np.array([float(row["exact_Hz"]) for row in rows])
    for kind in ("A", "C"):
        ours = weighting_db(f, kind)
        assert ours == pytest.approx([float(row[f"{kind}_closed_form_dB"]) for row in rows], abs=1e-4)
        # the table prints one decimal
        assert np.max(np.abs(ours - [float(row[f"{kind}_dB"]) for row in rows])) <= 0.0505
    assert np.all(weighting_db(f, "Z") == 0.0)


def test_running_filters_follow_the_closed_form(rate: int) -> None:
    """Within 0.1 dB from 10 Hz to 0.9 of Nyquist: the levels of events are summed from these filters."""
    for kind in ("A", "C"):
        f, measured = running_db(rate, kind)
        inside = (f >= 10.0) & (f <= 0.45 * rate)
        assert np.max(np.abs(measured - weighting_db(f, kind))[inside]) < 0.1


def test_running_filters_keep_half_of_class_1(rate: int, reference: Reference) -> None:
    """IEC 61672-1:2013 Table 3, class 1: at most half of the deviation allowed is used, up to Nyquist."""
    for kind in ("A", "C"):
        f, measured = running_db(rate, kind)
        for row in reference("standards_weightings"):
            exact = float(row["exact_Hz"])
            if exact >= rate / 2:
                continue
            deviation = float(np.interp(exact, f, measured)) - float(row[f"{kind}_closed_form_dB"])
            upper, lower = float(row["class1_upper_dB"]), float(row["class1_lower_dB"])
            assert 0.5 * lower <= deviation <= 0.5 * upper, (kind, exact)


def test_spectrum_weight_is_the_closed_form(rate: int) -> None:
    f = np.fft.rfftfreq(4096, 1 / rate)
    with np.errstate(divide="ignore"):
        ours = 10 * np.log10(spectrum_weight(4096, rate, "A")[1:])
    assert ours == pytest.approx(weighting_db(f[1:], "A"), abs=1e-3)


def test_librosa_agrees() -> None:
    librosa = pytest.importorskip("librosa")
    f = np.geomspace(20, 20000, 200)
    # librosa adds the printed +2.00 dB normalisation instead of the exact one
    assert np.max(np.abs(librosa.A_weighting(f, min_db=None) - weighting_db(f, "A"))) < 0.05


def test_scipy_poles_and_zeros_agree() -> None:
    """The same analogue filter built by scipy from the pole frequencies of Annex E."""
    from scipy.signal import freqs_zpk

    w1, w2, w3, w4 = 2 * np.pi * np.array([weighting._F1, weighting._F2, weighting._F3, weighting._F4])
    f = np.geomspace(10, 20000, 100)
    _, h = freqs_zpk([0] * 4, [-w1, -w1, -w2, -w3, -w4, -w4], w4**2, 2 * np.pi * f)
    ratio = weighting_response(f, "A") / h
    assert ratio == pytest.approx(np.full(100, ratio[0]), rel=1e-9)


def test_pyfar_filters_the_same_noise_alike() -> None:
    pyfar = pytest.importorskip("pyfar")
    rate = 48000
    noise = np.random.default_rng(3).standard_normal(rate).astype(np.float32)
    signal = pyfar.Signal(noise.astype(float), rate)
    for kind in ("A", "C"):
        theirs = pyfar.dsp.filter.frequency_weighting_filter(signal, kind)
        (ours,) = running(noise, rate, (kind,))
        both = [np.mean(np.asarray(x, np.float64).reshape(-1)[4800:] ** 2) for x in (theirs.time, ours)]
        # their design deviates by -0.38 to +0.19 dB at single frequencies
        assert abs(10 * np.log10(both[0] / both[1])) < 0.2


@pytest.mark.parametrize("rate", [22050, 44100, 48000, 96000, 192000])
def test_toneburst_table(rate: int, reference: Reference) -> None:
    """IEC 61672-1:2013 Table 4, bursts of 4 kHz, through the A filter: half of the class 1 limits at most."""
    t = np.arange(3 * rate) / rate
    tone = np.sin(2 * np.pi * 4000 * t)
    (steady,) = running(tone.astype(np.float32), rate, ("A",))
    steady_db = 10 * np.log10(np.mean(steady[rate:].astype(float) ** 2))
    for row in reference("standards_tonebursts"):
        burst = np.where(t < float(row["burst_duration_ms"]) / 1e3, tone, 0.0)
        (weighted,) = running(np.concatenate([np.zeros(rate // 4), burst]).astype(np.float32), rate, ("A",))
        power = weighted.astype(float) ** 2
        if row["quantity"] == "LAE-LA":
            level = 10 * np.log10(power.sum() / rate)
        else:
            constant = FAST_S if "F" in row["quantity"] else SLOW_S
            level = 10 * np.log10(time_weighted(power, 1 / rate, constant_s=constant).max())
        deviation = level - steady_db - float(row["closed_form_dB"])
        assert 0.5 * float(row["class1_lower_dB"]) <= deviation <= 0.5 * float(row["class1_upper_dB"]), row


@pytest.mark.parametrize(("constant", "goal"), [(FAST_S, 34.7), (SLOW_S, 4.3)])
def test_decay_rates(rate: int, constant: float, goal: float) -> None:
    """IEC 61672-1:2013 clause 5.8.2: 34.7 dB/s (F) and 4.3 dB/s (S), also in the steps the impacts are measured in."""
    for step in (1, max(round(0.0005 * rate), 1)):
        power = np.where(np.arange(rate * 2 // step) * step < rate // 2, 1.0, 0.0)
        level = 10 * np.log10(time_weighted(power, step / rate, constant_s=constant))
        fall = (level[rate // step] - level[rate * 3 // 2 // step]) / (
            (rate * 3 // 2 // step - rate // step) * step / rate
        )
        assert fall == pytest.approx(goal, abs=0.05)


def test_time_weighting_keeps_a_steady_level_and_its_start() -> None:
    assert time_weighted(np.full(50, 0.25), 0.001, constant_s=FAST_S, start=0.25) == pytest.approx(np.full(50, 0.25))


def test_running_does_not_depend_on_what_follows() -> None:
    noise = np.random.default_rng(0).standard_normal(30000).astype(np.float32)
    (whole,) = running(noise, 8000, ("A",))
    (part,) = running(noise[:20000], 8000, ("A",))
    assert np.max(np.abs(whole[:19900] - part[:19900])) < 1e-5


def test_empty_and_wrong_input() -> None:
    assert [len(x) for x in running(np.empty(0, np.float32), 8000, ("A", "C", "Z"))] == [0, 0, 0]
    with pytest.raises(InputError, match="one channel"):
        running(np.zeros((10, 1), np.float32), 8000, ("A",))
    with pytest.raises(InputError, match="no frequency weighting 'B'"):
        weighting_response([1000.0], "B")  # type: ignore[arg-type]
