"""Impacts of known level, decay and spectrum, in noise, alone and overlapped, at every rate."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from noisecheck.core.bands import third_octave_midbands
from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts, band_names, in_band_set
from noisecheck.measure.bands import carried
from noisecheck.measure.events import MARGIN_AFTER_S, MARGIN_BEFORE_S, measure_impacts
from noisecheck.measure.weighting import weighting_response

Pink = Callable[[int, int, np.random.Generator], NDArray[np.float64]]
Floats = NDArray[np.float64]


def lae_db(x: Floats, rate: int) -> float:
    """A-weighted exposure level by the closed form on the spectrum: a way of its own, not the running filter."""
    nfft = 1 << (2 * len(x)).bit_length()
    return float(10 * np.log10(2 * np.sum(_weight(nfft, rate) * np.abs(np.fft.rfft(x, nfft)) ** 2) / nfft / rate))


@lru_cache(maxsize=2)
def _weight(nfft: int, rate: int) -> Floats:
    return np.asarray(np.abs(weighting_response(np.fft.rfftfreq(nfft, 1 / rate), "A")) ** 2)


def ring(rate: int, rng: np.random.Generator, t60: float, seconds: float | None = None) -> Floats:
    """A struck plate: five modes below 0.35 of the rate that all fall by 60 dB in ``t60``."""
    t = np.arange(round((seconds or 1.3 * t60) * rate)) / rate
    top = min(6000.0, 0.35 * rate)
    modes = [rng.uniform(0.3, 1) * np.sin(2 * np.pi * rng.uniform(600, top) * t + rng.uniform(0, 6)) for _ in range(5)]
    return np.asarray(sum(modes) * np.exp(-6.9078 * t / t60), np.float64)


def measured_at_1_s(x: Floats, rate: int, *, quiet_to: int) -> dict[str, NDArray[Any]]:
    """Measures of one impact 1 s after the start, in a channel of 2 s that is quiet up to a frame."""
    channel = x.astype(np.float32)[:, None]
    quiet = [[0, quiet_to]]
    return measure_impacts(channel, rate, origin=0, onsets=[rate], channels=[0], limits=[2 * rate], quiet=quiet)


class Take:
    """Rings of a given margin in pink noise, with what is true of them."""

    def __init__(
        self,
        pink: Pink,
        rate: int,
        *,
        count: int,
        margin_db: float,
        t60: float,
        gap_s: float,
        seed: int = 1,
        spread_db: float = 0.0,
    ) -> None:
        rng = np.random.default_rng(seed)
        frames = round((count * gap_s + 2.0) * rate)
        self.noise = 1e-3 * pink(frames, rate, rng)
        self.rate, self.clean = rate, np.zeros(frames)
        self.onsets = rate + np.round(np.arange(count) * gap_s * rate).astype(np.int64) + rng.integers(0, 200, count)
        background = lae_db(self.noise, rate) - 10 * np.log10(frames / rate)
        self.lae, self.peak = np.empty(count), np.empty(count)
        for i, onset in enumerate(self.onsets):
            sound = ring(rate, rng, t60)[: frames - onset]
            self.lae[i] = background + 10 * np.log10(0.5 * t60) + margin_db + rng.uniform(-1, 1) * spread_db
            sound *= 10 ** ((self.lae[i] - lae_db(sound, rate)) / 20)
            self.clean[onset : onset + len(sound)] += sound
            first = np.pad(sound[: rate // 5], 64)
            fine = np.fft.irfft(np.fft.rfft(first), 8 * len(first)) * 8
            self.peak[i] = 20 * np.log10(np.abs(fine).max())
        self.limits = np.append(self.onsets[1:], frames)
        quiet = np.stack(
            [
                np.append(0, self.onsets[:-1] + round(min(2 * t60 + 0.1, gap_s) * rate)),
                self.onsets - round(0.01 * rate),
            ],
            1,
        )
        self.quiet = quiet[quiet[:, 1] > quiet[:, 0]]

    def measure(self, **options: Any) -> dict[str, NDArray[Any]]:
        samples = (self.clean + self.noise).astype(np.float32)[:, None]
        given: dict[str, Any] = {
            "origin": 0,
            "onsets": self.onsets,
            "channels": np.zeros(len(self.onsets), int),
            "limits": self.limits,
            "quiet": self.quiet,
        }
        return measure_impacts(samples, self.rate, **{**given, **options})


def has(flags: NDArray[Any], flag: Flag) -> NDArray[np.bool_]:
    return (flags & np.uint32(flag)) != 0


def test_exposure_level_at_20_db_margin(rate: int, pink: Pink) -> None:
    """Bias below 0.05 dB and 95 % within 0.2 dB; the 95 % limits of the bias itself must fit inside."""
    take = Take(pink, rate, count=60, margin_db=20, t60=0.1, gap_s=0.6)
    found = take.measure()
    error = found["lae_db"] - take.lae
    assert abs(error.mean()) + 1.96 * error.std() / np.sqrt(len(error)) < 0.05
    assert np.mean(np.abs(error) < 0.2) >= 0.95
    assert np.median(found["margin_db"]) == pytest.approx(20, abs=3)
    assert not has(found["flags"], Flag.LOW_MARGIN | Flag.OVERLAPPED | Flag.TRUNCATED).any()


@pytest.mark.parametrize("t60", [0.03, 1.5])
def test_short_clicks_and_long_rings(t60: float, pink: Pink) -> None:
    """A click collects no noise for seconds, a ring of 1.5 s is integrated as far as it matters."""
    take = Take(pink, 48000, count=20, margin_db=20, t60=t60, gap_s=2.0)
    error = take.measure()["lae_db"] - take.lae
    assert abs(error.mean()) < 0.05
    assert np.mean(np.abs(error) < 0.2) >= 0.95


def test_peak_in_noise(pink: Pink) -> None:
    """95 % within 0.1 dB as far as the noise allows: here the noise is 50 dB below the peak."""
    take = Take(pink, 48000, count=60, margin_db=35, t60=0.1, gap_s=0.6)
    error = take.measure()["lzpeak_db"] - take.peak
    rms = 20 * np.log10(take.noise.std())
    assert np.median(take.peak) - rms > 45
    assert np.mean(np.abs(error) < 0.1) >= 0.95
    assert abs(error.mean()) < 0.02


def test_no_background_correction_on_peaks(pink: Pink) -> None:
    """At a low margin the peak is that of the sum, never below it (ISO 11202 clause 8)."""
    take = Take(pink, 48000, count=20, margin_db=8, t60=0.1, gap_s=0.6)
    found = take.measure()
    whole = take.clean + take.noise
    for onset, peak in zip(take.onsets, found["lzpeak_db"], strict=True):
        # the offset of the converter is taken off, so a few thousandths of a dB may differ
        assert peak >= 20 * np.log10(np.abs(whole[onset : onset + 4800]).max()) - 0.02


@pytest.mark.parametrize(("margin", "low", "bound"), [(20.0, False, False), (4.0, True, False), (0.5, True, True)])
def test_low_margins_are_flagged(margin: float, low: bool, bound: bool, pink: Pink) -> None:
    """A steady burst at a known distance from the background, the window no longer than the burst."""
    rate = 48000
    rng = np.random.default_rng(0)
    noise = 1e-3 * pink(6 * rate, rate, rng)
    gross = 10 ** (margin / 10)
    burst = np.zeros(len(noise))
    burst[2 * rate : 5 * rate] = 1e-3 * np.sqrt(max(gross - 1, 1e-3)) * pink(3 * rate, rate, rng)
    found = measure_impacts(
        (noise + burst).astype(np.float32)[:, None],
        rate,
        origin=0,
        onsets=[2 * rate],
        channels=[0],
        limits=[5 * rate],
        quiet=[[0, 2 * rate - 500]],
    )
    if margin > 3:
        assert found["margin_db"][0] == pytest.approx(margin, abs=0.6)
    assert has(found["flags"], Flag.LOW_MARGIN)[0] == low
    assert has(found["flags"], Flag.BOUND)[0] == bound


def test_overlapped_rings_are_nearly_unbiased(pink: Pink) -> None:
    """Rings of 0.5 s every 0.12 s, a third of their decay: tails completed, the rings below taken off."""
    take = Take(pink, 48000, count=120, margin_db=30, t60=0.5, gap_s=0.12, spread_db=8.0)
    take.quiet = np.array([[0, take.onsets[0] - 500]])
    found = take.measure()
    error = found["lae_db"] - take.lae
    assert has(found["flags"], Flag.OVERLAPPED).mean() > 0.95
    assert has(found["flags"], Flag.TRUNCATED).mean() > 0.8
    assert abs(error.mean()) < 0.1
    assert np.mean(np.abs(error) < 0.6) >= 0.95
    # the same windows without the two corrections
    pairs = zip(take.onsets, take.limits, strict=True)
    plain = np.array([lae_db((take.clean + take.noise)[a - 96 : b - 96], 48000) for a, b in pairs]) - take.lae
    assert np.sqrt(np.mean(error**2)) < 0.5 * np.sqrt(np.mean(plain**2))


def test_what_the_end_of_the_recording_cuts(pink: Pink) -> None:
    take = Take(pink, 48000, count=1, margin_db=40, t60=1.0, gap_s=0.2)
    stop = int(take.onsets[0]) + 4800
    samples = (take.clean + take.noise).astype(np.float32)[:stop, None]
    found = measure_impacts(samples, 48000, origin=0, onsets=take.onsets, channels=[0], limits=[stop], quiet=take.quiet)
    assert has(found["flags"], Flag.TRUNCATED | Flag.FILE_EDGE)[0]
    assert not has(found["flags"], Flag.OVERLAPPED)[0]
    # a tenth of a second of a ring of one second holds 75 % of it: 1.25 dB less, restored
    assert found["lae_db"][0] == pytest.approx(take.lae[0], abs=0.35)


def test_decay_and_its_flag(pink: Pink) -> None:
    for margin, flag in ((30, Flag.DECAY_T20), (8, Flag.NO_DECAY)):
        take = Take(pink, 48000, count=20, margin_db=margin, t60=0.2, gap_s=0.7)
        found = take.measure()
        assert has(found["flags"], flag).mean() >= 0.9
        if flag == Flag.DECAY_T20:
            assert np.nanmedian(found["decay_ms"]) == pytest.approx(200, rel=0.03)
        else:
            assert np.isnan(found["decay_ms"][has(found["flags"], flag)]).all()
        words = Flag.DECAY_T20 | Flag.DECAY_T10 | Flag.NO_DECAY
        counted = [bin(int(f) & int(words)).count("1") for f in found["flags"]]
        assert counted == [1] * len(counted)


def test_fast_level_of_a_short_burst(rate: int) -> None:
    """IEC 61672-1:2013 Table 4: a burst of 2 ms reads 18.0 dB below its steady level, fast."""
    if rate < 22050:
        pytest.skip("4 kHz is Nyquist here")
    x = np.zeros(2 * rate)
    t = np.arange(round(0.002 * rate)) / rate
    x[rate : rate + len(t)] = 0.1 * np.sin(2 * np.pi * 4000 * t)
    found = measured_at_1_s(x, rate, quiet_to=rate - 9)
    steady = 20 * np.log10(0.1) - 3.0103 + 0.97  # A at 4 kHz
    assert found["lafmax_db"][0] - steady == pytest.approx(-18.0, abs=0.35)
    assert found["lae_db"][0] - steady == pytest.approx(-27.0, abs=0.35)


def test_fast_level_remembers_what_came_before(pink: Pink) -> None:
    """A quiet impact 60 ms behind a loud one reads what a meter would: the loud one, fallen by 34.7 dB/s."""
    rate = 48000
    rng = np.random.default_rng(2)
    x = 1e-5 * pink(2 * rate, rate, rng)
    x[rate : rate + 960] += 0.3 * ring(rate, rng, 0.01, 0.02)
    second = rate + round(0.06 * rate)
    x[second : second + 960] += 0.003 * ring(rate, rng, 0.01, 0.02)
    found = measure_impacts(
        x.astype(np.float32)[:, None],
        rate,
        origin=0,
        onsets=[rate, second],
        channels=[0, 0],
        limits=[second, 2 * rate],
        quiet=[[0, rate - 500]],
    )
    assert found["lafmax_db"][0] - found["lafmax_db"][1] == pytest.approx(34.7 * 0.058, abs=0.4)
    assert found["lae_db"][0] - found["lae_db"][1] > 35


def test_band_levels_and_centroid(rate: int) -> None:
    """A burst in the middle of a band is in that band; the bands sum to the Z exposure within 0.1 dB."""
    for band in np.flatnonzero(carried(rate))[[8, 12, -2]]:
        hz = third_octave_midbands()[band]
        t = np.arange(round(0.2 * rate)) / rate
        x = 1e-6 * np.random.default_rng(0).standard_normal(2 * rate)
        burst = 0.1 * np.sin(2 * np.pi * hz * t) * np.sin(np.pi * t / 0.2) ** 2
        x[rate : rate + len(t)] += burst
        found = measured_at_1_s(x, rate, quiet_to=rate - 1000)
        level = 10 * np.log10(np.sum(burst**2) / rate)
        assert found["bands"][0, band] == pytest.approx(level, abs=0.05)
        assert 10 * np.log10(np.nansum(10 ** (found["bands"][0] / 10.0))) == pytest.approx(level, abs=0.1)
        assert found["centroid_hz"][0] == pytest.approx(hz, rel=0.01)
        assert np.isnan(found["bands"][0, ~carried(rate)]).all()
    assert has(found["flags"], Flag.BAND_LIMITED)[0] == (not carried(rate).all())


def test_bands_that_lie_in_the_background_are_told(pink: Pink) -> None:
    """A ring at 1 kHz in pink noise: its own band is measured, those far away are bounds."""
    rate, rng = 48_000, np.random.default_rng(4)
    x = 1e-3 * pink(2 * rate, rate, rng)
    t = np.arange(rate // 4) / rate
    x[rate : rate + len(t)] += 0.05 * np.sin(2 * np.pi * 1000 * t) * np.exp(-30 * t) * np.minimum(t / 0.005, 1.0)
    found = measured_at_1_s(x, rate, quiet_to=rate - 500)
    bound = in_band_set(found["bound_bands"])[0]
    names = np.array(band_names())
    assert not bound[names == "le_1000hz"]
    assert bound[[n in ("le_8000hz", "le_10000hz", "le_12500hz", "le_16000hz") for n in names]].all()


def test_the_place_of_the_tile_changes_nothing(pink: Pink) -> None:
    take = Take(pink, 48000, count=12, margin_db=25, t60=0.1, gap_s=0.3)
    here = take.measure()
    shift = 192 * 5_000_000  # on the grid of cells of 4 ms
    there = take.measure(origin=shift, onsets=take.onsets + shift, limits=take.limits + shift, quiet=take.quiet + shift)
    for name in here:
        assert np.array_equal(here[name], there[name], equal_nan=True)


def test_an_impact_does_not_depend_on_who_else_is_measured(pink: Pink) -> None:
    """The same bits whatever else is in the batch, as long as the impacts before it are known."""
    take = Take(pink, 48000, count=23, margin_db=25, t60=0.1, gap_s=0.3)
    whole = take.measure()
    for keep in (1, 7, 22):
        part = take.measure(
            onsets=take.onsets[:keep], limits=take.limits[:keep], channels=np.zeros(keep, int), quiet=take.quiet
        )
        for name in whole:
            assert np.array_equal(whole[name][:keep], part[name], equal_nan=True)


def test_a_tile_with_its_margins_is_the_whole(pink: Pink) -> None:
    """An impact in a tile with the stated margins reads as in the whole; its decay where noise does not decide."""
    take = Take(pink, 48000, count=20, margin_db=40, t60=0.3, gap_s=0.7)
    whole = take.measure()
    inside = slice(8, 11)
    first = int(take.onsets[8]) - round(MARGIN_BEFORE_S * 48000)
    last = int(take.onsets[10]) + round(MARGIN_AFTER_S * 48000)
    samples = (take.clean + take.noise).astype(np.float32)[first:last, None]
    held = (take.onsets >= first) & (take.onsets < last)
    near = take.quiet[(take.quiet[:, 0] >= first) & (take.quiet[:, 1] <= last)]
    part = measure_impacts(
        samples,
        48000,
        origin=first,
        onsets=take.onsets[held],
        channels=np.zeros(held.sum(), int),
        limits=take.limits[held],
        quiet=near,
    )
    start = 8 - int(np.flatnonzero(held)[0])
    for name, within in (("lzpeak_db", 0.01), ("lae_db", 0.05), ("lafmax_db", 0.05)):
        assert part[name][start : start + 3] == pytest.approx(whole[name][inside], abs=within, nan_ok=True)
    assert not has(part["flags"][start : start + 3], Flag.FILE_EDGE | Flag.TRUNCATED).any()
    fits = np.uint32(Flag.DECAY_T20 | Flag.DECAY_T10 | Flag.NO_DECAY)
    assert np.array_equal(part["flags"][start : start + 3] & fits, whole["flags"][inside] & fits)
    assert part["decay_ms"][start : start + 3] == pytest.approx(whole["decay_ms"][inside], rel=0.02)


def test_channels_are_measured_by_themselves(pink: Pink) -> None:
    one, two = (Take(pink, 48000, count=6, margin_db=25, t60=0.1, gap_s=0.3, seed=s) for s in (1, 2))
    both = np.stack([one.clean + one.noise, two.clean + two.noise], 1).astype(np.float32)
    onsets = np.concatenate([one.onsets, two.onsets])
    order = np.argsort(onsets, kind="stable")
    found = measure_impacts(
        both,
        48000,
        origin=0,
        onsets=onsets[order],
        channels=np.repeat([0, 1], 6)[order],
        limits=np.concatenate([one.limits, two.limits])[order],
        quiet=[[0, 47000]],
        offset_db=[100.0, 120.0],
    )
    truth = np.concatenate([one.lae + 100, two.lae + 120])[order]
    assert found["lae_db"] == pytest.approx(truth, abs=0.2)
    assert not has(found["flags"], Flag.UNCALIBRATED).any()


def test_calibration_shifts_levels_only(pink: Pink) -> None:
    take = Take(pink, 48000, count=5, margin_db=25, t60=0.1, gap_s=0.3)
    plain, shifted = take.measure(), take.measure(offset_db=94.0)
    for name in ("lzpeak_db", "lcpeak_db", "lafmax_db", "lae_db", "bands"):
        assert shifted[name] - plain[name] == pytest.approx(np.full(plain[name].shape, 94.0), abs=1e-4)
    for name in ("margin_db", "decay_ms", "centroid_hz"):
        assert np.array_equal(shifted[name], plain[name], equal_nan=True)
    assert has(plain["flags"], Flag.UNCALIBRATED).all()
    assert not has(shifted["flags"], Flag.UNCALIBRATED).any()


def test_without_a_quiet_span_nothing_is_subtracted(pink: Pink) -> None:
    take = Take(pink, 48000, count=10, margin_db=20, t60=0.1, gap_s=0.6)
    found = take.measure(quiet=np.empty((0, 2), np.int64))
    assert has(found["flags"], Flag.NO_BACKGROUND).all()
    assert np.isnan(found["margin_db"]).all()
    assert found["lae_db"] == pytest.approx(take.lae, abs=0.4)


def test_quiet_spans_may_hold_a_missed_click(pink: Pink) -> None:
    take = Take(pink, 48000, count=20, margin_db=12, t60=0.1, gap_s=0.6)
    clean = take.measure()
    rng = np.random.default_rng(8)
    for start, stop in take.quiet[1::3]:
        take.noise[(start + stop) // 2 : (start + stop) // 2 + 480] += 0.02 * rng.standard_normal(480)
    soiled = take.measure()
    assert np.median(np.abs(soiled["lae_db"] - clean["lae_db"])) < 0.02


def test_broken_and_clipped_samples(pink: Pink) -> None:
    take = Take(pink, 48000, count=3, margin_db=40, t60=0.1, gap_s=0.6)
    samples = (take.clean + take.noise).astype(np.float32)
    samples *= 0.9 / np.abs(samples[take.onsets[0] : take.onsets[0] + 4800]).max()
    rail = 0.6 * np.abs(samples[take.onsets[0] : take.onsets[0] + 4800]).max()
    samples[take.onsets[0] : take.onsets[0] + 9600] = np.clip(
        samples[take.onsets[0] : take.onsets[0] + 9600] * 1.5, -rail, rail
    )
    samples[take.onsets[1] + 10] = np.nan
    found = measure_impacts(
        samples[:, None], 48000, origin=0, onsets=take.onsets, channels=[0] * 3, limits=take.limits, quiet=take.quiet
    )
    assert has(found["flags"], Flag.CLIPPED).tolist() == [True, False, False]
    assert has(found["flags"], Flag.NONFINITE).tolist() == [False, True, False]
    for name in ("lzpeak_db", "lcpeak_db", "lafmax_db", "lae_db", "margin_db", "decay_ms", "centroid_hz"):
        assert np.isnan(found[name][1])
    assert np.isnan(found["bands"][1]).all()
    assert np.isfinite(found["lae_db"][[0, 2]]).all()


def test_a_crest_below_others_is_no_rail() -> None:
    """A low tone that breaks off: the impact found there begins just after a crest, with higher samples before it."""
    t = np.arange(2 * 8000) / 8000
    tone = np.where(t < 1.0, 0.3 * np.sin(2 * np.pi * 110 * t), 0.0).round(4)
    for onset in range(7930, 8010):
        found = measure_impacts(
            tone.astype(np.float32)[:, None],
            8000,
            origin=0,
            onsets=[onset],
            channels=[0],
            limits=[16000],
            quiet=[[0, 1]],
        )
        assert not has(found["flags"], Flag.CLIPPED).any()


def test_offset_of_the_converter_is_no_sound(pink: Pink) -> None:
    take = Take(pink, 48000, count=5, margin_db=25, t60=0.1, gap_s=0.3)
    plain = take.measure()
    take.noise += 0.05
    shifted = take.measure()
    for name in ("lzpeak_db", "lae_db", "lcpeak_db"):
        assert shifted[name] == pytest.approx(plain[name], abs=0.02)


def test_silence_and_nothing() -> None:
    empty = measure_impacts(
        np.zeros((0, 1), np.float32), 48000, origin=0, onsets=[], channels=[], limits=[], quiet=np.empty((0, 2))
    )
    assert empty["bands"].shape == (0, 30)
    assert empty["flags"].dtype == np.uint32
    assert len(Impacts.of(0, **empty)) == 0
    silent = measure_impacts(
        np.zeros((48000, 1), np.float32),
        48000,
        origin=0,
        onsets=[100],
        channels=[0],
        limits=[48000],
        quiet=[[9000, 40000]],
    )
    assert np.isnan(silent["lae_db"]).all()
    assert len(Impacts.of(1, **silent)) == 1


@pytest.mark.parametrize("frames", [1, 30, 500])
def test_tiles_hardly_longer_than_the_impact(frames: int) -> None:
    x = np.random.default_rng(0).standard_normal((frames, 1)).astype(np.float32)
    found = measure_impacts(x, 48000, origin=5, onsets=[5], channels=[0], limits=[5 + frames], quiet=np.empty((0, 2)))
    assert has(found["flags"], Flag.FILE_EDGE)[0]
    assert np.isfinite(found["lzpeak_db"]).all() == (frames > 1)  # one sample is its own offset


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"onsets": [300, 200]}, "not sorted"),
        ({"onsets": [300, 99999]}, "outside the tile"),
        ({"onsets": [10, 200]}, "outside the tile"),
        ({"channels": [0, 1]}, "channel 1 of a recording with 1"),
        ({"limits": [400]}, "one of each"),
    ],
)
def test_wrong_input(change: dict[str, Any], message: str) -> None:
    given: dict[str, Any] = {"onsets": [200, 300], "channels": [0, 0], "limits": [300, 900], "quiet": [[150, 190]]}
    with pytest.raises(InputError, match=message):
        measure_impacts(np.zeros((1000, 1), np.float32), 8000, origin=100, **{**given, **change})
    with pytest.raises(InputError, match=r"\(frames, channels\)"):
        measure_impacts(np.zeros(1000, np.float32), 8000, origin=100, **given)
