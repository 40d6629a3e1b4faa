"""Decay times against exponentials of known fall, ISO 3382-1 and ISO 3382-2."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.fft import prev_fast_len

from noisecheck.core.bands import octave_midbands
from noisecheck.core.flags import Flag
from noisecheck.measure.decay import decay_time, decay_times, late_rates, shortest_decay_s
from noisecheck.measure.octaves import octave_decays

Reference = Callable[[str], list[dict[str, str]]]


def test_shortest_decays(reference: Reference) -> None:
    for row in reference("standards_shortest_decay"):
        for column, reverse in (("T60_min_forward_ms", False), ("T60_min_reversed_ms", True)):
            ours = 1e3 * shortest_decay_s(float(row["bandwidth_Hz"]), reversed_filter=reverse)
            assert ours == pytest.approx(float(row[column]), rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("t60", [0.01, 0.05, 0.3, 2.0])
def test_exponentials(t60: float, reference: Reference) -> None:
    """p^2 = exp(-13.8155 t / T): T comes back, from T20, also when the window is cut or holds noise."""
    rows = {r["name"]: r for r in reference("standards_decay_ranges")}
    assert (float(rows["T20"]["fit_from_dB"]), float(rows["T20"]["fit_to_dB"])) == (-5, -25)
    step = 0.0005
    t = np.arange(int(1.2 * t60 / step) + 8) * step
    power = np.exp(-13.8155 * t / t60)
    for kept, noise in ((1.0, 0.0), (0.6, 0.0), (1.0, 1e-4)):
        cut = power[: max(int(len(power) * kept), 12)] + noise
        seconds, flag = decay_time(cut, step, noise=noise, shortest_s=0.001)
        assert seconds == pytest.approx(t60, rel=0.02)
        assert flag == Flag.DECAY_T20


def test_t10_where_the_margin_is_less_and_refusal_where_there_is_none(reference: Reference) -> None:
    needed = {r["name"]: float(r["needed_peak_to_noise_dB"] or "nan") for r in reference("standards_decay_ranges")}
    t = np.arange(2000) * 0.0005
    power = np.exp(-13.8155 * t / 0.5)
    for to_noise, expected in (
        (needed["T20"] + 1, Flag.DECAY_T20),
        (needed["T20"] - 1, Flag.DECAY_T10),
        (24.0, Flag.NO_DECAY),
    ):
        noise = 10 ** (-to_noise / 10)
        end = int(np.argmax(power < 0.25 * noise))
        seconds, flag = decay_time(power[:end] + noise, 0.0005, noise=noise, shortest_s=0.01)
        assert flag == expected
        assert np.isnan(seconds) if flag == Flag.NO_DECAY else seconds == pytest.approx(0.5, rel=0.03)


def test_what_is_too_fast_too_short_or_rising_is_refused() -> None:
    t = np.arange(400) * 0.0005
    for power in (np.exp(-13.8155 * t / 0.02), np.exp(2 * t), np.ones(3), np.zeros(50), np.empty(0)):
        seconds, flag = decay_time(power, 0.0005, noise=0.0, shortest_s=0.05)
        assert np.isnan(seconds)
        assert flag == Flag.NO_DECAY


def test_two_slopes_are_no_decay_time() -> None:
    """A curve that leaves its straight line by more than 1.5 dB over T20 falls back to T10 or to nothing."""
    t = np.arange(4000) * 0.0005
    power = np.exp(-13.8155 * t / 0.05) + 0.0003 * np.exp(-13.8155 * t / 1.5)
    _, flag = decay_time(power, 0.0005, noise=0.0, shortest_s=0.01)
    assert flag != Flag.DECAY_T20


def test_late_rates() -> None:
    t = np.arange(40) * 0.004
    stream = np.concatenate([-13.8155 / 0.3 * t, 0.5 * t])
    start, stop = np.array([0, 40, 0, 79]), np.array([40, 80, 2, 80])
    assert late_rates(stream, start, stop, 0.004) == pytest.approx([13.8155 / 0.3, np.nan, np.nan, np.nan], nan_ok=True)


def test_decays_do_not_depend_on_their_neighbours() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(512) * 0.0005
    length = rng.integers(1, 512, 60)
    power = np.exp(-13.8155 * t / rng.uniform(0.005, 0.4, (60, 1))) * rng.exponential(1.0, (60, 512)) + 1e-4
    together, flags = decay_times(power, length, 0.0005, noise=np.full(60, 1e-4), shortest_s=0.001)
    alone = [decay_time(p[:n], 0.0005, noise=1e-4, shortest_s=0.001) for p, n in zip(power, length, strict=True)]
    assert together == pytest.approx([seconds for seconds, _ in alone], nan_ok=True)
    assert flags.tolist() == [int(flag) for _, flag in alone]
    assert 10 < np.isfinite(together).sum() < 60


@pytest.mark.parametrize("rate", [22050, 48000, 96000])
def test_octaves_of_a_ring_with_a_decay_in_each(rate: int) -> None:
    """Noise bands with decays of their own come back within 12 % on average over 30 impacts."""
    rng = np.random.default_rng(4)
    octaves = [k for k in range(4, 9) if octave_midbands()[k] * 1.5 < rate / 2]
    t60 = {4: 0.5, 5: 0.35, 6: 0.25, 7: 0.15, 8: 0.1}
    gap, count = int(0.9 * rate), 30
    x = 1e-5 * rng.standard_normal((count + 1) * gap)
    onsets = np.arange(1, count + 1) * gap - gap // 2
    t = np.arange(prev_fast_len(gap - 200, real=True)) / rate
    f = np.fft.rfftfreq(len(t), 1 / rate)
    for onset in onsets:
        for k in octaves:
            inside = (f > octave_midbands()[k] * 10**-0.13) & (f < octave_midbands()[k] * 10**0.13)
            band = np.fft.irfft(np.where(inside, np.fft.rfft(rng.standard_normal(len(t))), 0), len(t))
            x[onset : onset + len(t)] += 0.1 * band * np.exp(-6.9078 * t / t60[k])
    quiet = np.array([[0, onsets[0] - 100]])
    found = octave_decays(
        x.astype(np.float32)[:, None],
        rate,
        origin=0,
        onsets=onsets,
        channels=np.zeros(count, int),
        limits=np.append(onsets[1:], len(x)),
        quiet=quiet,
    )
    assert found.shape == (count, 10)
    for k in octaves:
        assert np.isfinite(found[:, k]).mean() > 0.7
        assert np.nanmean(found[:, k]) == pytest.approx(1e3 * t60[k], rel=0.12), octave_midbands()[k]
    assert np.isnan(found[:, octave_midbands() * 1.5 > rate / 2]).all()


def test_octave_decays_refuse_what_the_filter_itself_would_show() -> None:
    """A click has no decay: B T > 4 refuses it in every octave."""
    rate = 48000
    x = 1e-6 * np.random.default_rng(0).standard_normal((rate, 1))
    x[rate // 2] = 1.0
    found = octave_decays(
        x.astype(np.float32),
        rate,
        origin=0,
        onsets=[rate // 2],
        channels=[0],
        limits=[rate],
        quiet=[[0, rate // 2 - 10]],
    )
    assert np.isnan(found).all()


def test_octave_decays_of_nothing() -> None:
    found = octave_decays(
        np.zeros((100, 1), np.float32), 8000, origin=0, onsets=[], channels=[], limits=[], quiet=np.empty((0, 2))
    )
    assert found.shape == (0, 10)
