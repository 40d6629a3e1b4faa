"""One-third-octave and octave filters against IEC 61260-1:2014, at every rate."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.core.bands import NOMINAL_THIRD_HZ, octave_midbands, third_octave_edges, third_octave_midbands
from noisecheck.measure.bands import (
    band_exposures,
    band_matrix,
    carried,
    fft_length,
    octave_response,
    third_octave_response,
)

Reference = Callable[[str], list[dict[str, str]]]
Floats = NDArray[np.float64]


def limits(rows: list[dict[str, str]], bandwidth: str, omega: Floats) -> tuple[Floats, Floats]:
    """Return (least, most) attenuation of class 1 at relative frequencies: linear in lg Omega, Formulas (9) to (11)."""
    ratio = np.abs(np.log10(omega))
    at = np.log10([float(r[f"omega_{bandwidth}_high"]) for r in rows])
    low = np.array([float(r["class1_min_dB"]) for r in rows])
    high = np.array([float(r["class1_max_dB"]) for r in rows])
    edge = at[5]
    inside = ratio < edge
    least = np.where(inside, np.interp(ratio, at[:5], low[:5]), np.interp(ratio, at[5:], low[5:]))
    most = np.where(inside, np.interp(ratio, at[:5], high[:5]), np.inf)
    return least, most


def test_midbands_and_edges(reference: Reference) -> None:
    """Clauses 5.2 to 5.6: exact midbands and edges of every band measured, and their nominal names."""
    rows = reference("standards_midbands")
    for kind, middle, edges in (
        ("third", third_octave_midbands(), third_octave_edges()),
        ("octave", octave_midbands(), third_octave_edges()[::3]),
    ):
        table = [
            [float(r[k]) for k in ("exact_Hz", "lower_edge_Hz", "upper_edge_Hz")]
            for r in rows
            if r["bandwidth"] == kind
        ]
        assert np.column_stack([middle, edges[:-1], edges[1:]]) == pytest.approx(np.array(table), rel=1e-7)
    assert [float(r["nominal_Hz"]) for r in rows if r["bandwidth"] == "third"] == list(NOMINAL_THIRD_HZ)


def attenuation(power: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return -10.0 * np.log10(power)


@pytest.mark.parametrize("bandwidth", ["octave", "third"])
def test_designs_meet_class_1(bandwidth: str, reference: Reference) -> None:
    middle = octave_midbands() if bandwidth == "octave" else third_octave_midbands()
    respond = octave_response if bandwidth == "octave" else third_octave_response
    omega = np.geomspace(1 / 20, 20, 4001)
    least, most = limits(reference("standards_band_mask"), bandwidth, omega)
    for k, fm in enumerate(middle):
        found = attenuation(respond(fm * omega)[:, k])
        assert np.all(found >= least - 1e-9)
        assert np.all(found <= most + 1e-9)


def test_bands_as_applied_meet_class_1(rate: int, reference: Reference) -> None:
    """The groups of bins that measure an event of about a second, weighed as single lines of the spectrum."""
    nfft = fft_length(rate, rate)
    first, matrix = band_matrix(nfft, rate)
    response = matrix[:, :30].astype(float) * nfft / 2
    for band in np.flatnonzero(carried(rate)):
        fm = third_octave_midbands()[band]
        if fm < 100:  # bins of 0.75 Hz and more are too wide for the narrowest bands: see the design itself above
            continue
        middle = 0.5 * (first[1:-2] + first[2:-1] - 1) * rate / nfft
        least, most = limits(reference("standards_band_mask"), "third", middle / fm)
        found = attenuation(response[1:-2, band])
        # a line anywhere in a group gets the group's response: hold the mask a group's width away from its step
        clear = np.abs(np.abs(np.log10(middle / fm)) - 0.05) > np.log10(2) / 48
        assert np.all(found[clear] >= least[clear] - 0.02)
        assert np.all(found[clear] <= most[clear] + 0.02)


def test_effective_bandwidth(reference: Reference) -> None:
    """Clause 5.12.2: the integral of the response over lg frequency is the ideal bandwidth within 0.4 dB."""
    row = next(r for r in reference("standards_band_limits") if r["clause"] == "5.12.2")
    for respond, middle, width in (
        (third_octave_response, third_octave_midbands(), 0.1),
        (octave_response, octave_midbands(), 0.3),
    ):
        lg = np.linspace(-0.6, 0.6, 24001)
        for k, fm in enumerate(middle):
            integral = np.trapezoid(respond(fm * 10.0**lg)[:, k], lg)
            deviation = 10 * np.log10(integral / width)
            assert float(row["class1_lower"]) <= deviation <= float(row["class1_upper"])
            assert abs(deviation) < 0.01


def test_outputs_sum_to_the_input(reference: Reference) -> None:
    """Clause 5.16: the sum of neighbouring outputs, here exact by design."""
    row = next(r for r in reference("standards_band_limits") if r["clause"] == "5.16")
    f = np.geomspace(25, 19000, 5000)
    for respond in (third_octave_response, octave_response):
        total = 10 * np.log10(respond(f).sum(axis=1))
        assert np.all((total >= float(row["class1_lower"])) & (total <= float(row["class1_upper"])))
        assert np.max(np.abs(total)) < 1e-9
    assert octave_response(f) == pytest.approx(third_octave_response(f).reshape(-1, 10, 3).sum(axis=2), abs=1e-12)


@pytest.mark.parametrize(
    ("rate", "last_hz"), [(8000, 3150), (22050, 8000), (44100, 16000), (48000, 20000), (96000, 20000), (192000, 20000)]
)
def test_bands_a_rate_cannot_carry_are_empty(rate: int, last_hz: float) -> None:
    assert NOMINAL_THIRD_HZ[np.flatnonzero(carried(rate))[-1]] == last_hz
    assert third_octave_edges()[np.flatnonzero(carried(rate))[-1] + 1] < rate / 2
    piece = np.random.default_rng(1).standard_normal(rate // 4).astype(np.float32)
    exposure = band_exposures([piece], rate)[0]
    assert np.all(exposure[:30][~carried(rate)] == 0.0)
    assert np.all(exposure[:30][carried(rate)] > 0.0)


def test_whole_spectrum_is_the_exposure(rate: int) -> None:
    """Parseval: column 30 and the samples agree for lengths that are no power of two."""
    rng = np.random.default_rng(5)
    pieces = [rng.standard_normal(n).astype(np.float32) for n in (17, 300, 4097, rate // 3, rate)]
    exposure = band_exposures(pieces, rate)
    truth = [float(np.sum(p.astype(float) ** 2)) / rate for p in pieces]
    assert exposure[:, 30] == pytest.approx(truth, rel=1e-4)


def test_bands_of_a_struck_sound_sum_to_its_exposure(rate: int) -> None:
    """Within 0.1 dB for sounds the bands cover."""
    rng = np.random.default_rng(2)
    top = min(0.4 * rate, 15000)
    t = np.arange(int(0.3 * rate)) / rate
    pieces = []
    for _ in range(20):
        modes = np.exp(rng.uniform(np.log(200), np.log(top * 0.8), 6))
        sound = sum(np.sin(2 * np.pi * f * t) * np.exp(-t * rng.uniform(20, 200)) for f in modes)
        pieces.append(np.asarray(sound, np.float32))
    exposure = band_exposures(pieces, rate)
    assert np.max(np.abs(10 * np.log10(exposure[:, :30].sum(axis=1) / exposure[:, 30]))) < 0.1


def test_scipy_filters_agree_on_noise() -> None:
    """Butterworth octave filters run over the same noise: within 0.3 dB, and their bandwidth is 4.7 % wider."""
    from scipy.signal import butter, sosfilt

    rate = 48000
    noise = np.random.default_rng(7).standard_normal(4 * rate).astype(np.float32)
    thirds = band_exposures([noise], rate)[0, :30]
    for k, fm in enumerate(octave_midbands()[2:9], start=2):
        edges = fm * 10 ** np.array([-0.15, 0.15])
        sos = butter(6, edges, "bandpass", fs=rate, output="sos")
        theirs = np.sum(sosfilt(sos, noise.astype(float)) ** 2) / rate
        assert abs(10 * np.log10(thirds[3 * k : 3 * k + 3].sum() / theirs)) < 0.3


def test_a_row_does_not_depend_on_its_neighbours() -> None:
    rng = np.random.default_rng(9)
    pieces = [rng.standard_normal(n).astype(np.float32) for n in rng.integers(100, 9000, 37)]
    together = band_exposures(pieces, 48000)
    for i, piece in enumerate(pieces):
        assert np.array_equal(band_exposures([piece], 48000)[0], together[i])
    order = rng.permutation(len(pieces))
    assert np.array_equal(band_exposures([pieces[i] for i in order], 48000), together[order])


def test_nothing_in_nothing_out() -> None:
    assert band_exposures([], 48000).shape == (0, 61)
