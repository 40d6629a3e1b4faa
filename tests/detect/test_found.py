"""What is found, when, and what is not taken for an impact. Truth is exact: sounds are put at known samples."""

from __future__ import annotations

import mir_eval
import numpy as np
import pytest
import soxr
from scipy.signal import butter, resample_poly, sosfilt
from soundmaker import (
    SCENES,
    SPEECH,
    STEADY,
    candidates,
    click,
    detect,
    impacts_in_noise,
    noise,
    pairs_15_ms_apart,
    real_folder,
    real_scene,
    ring,
    snr_gain,
    with_echoes,
)

from noisecheck.detect.candidates import own_bands
from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.detect.novelty import Novelty
from noisecheck.detect.spectra import frame_grid
from noisecheck.score import match

RATES = (8000, 16_000, 44_100, 48_000, 96_000)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("snr_db", [12, 40])
def test_clicks_are_found_to_the_sample(rate: int, snr_db: int) -> None:
    samples, truth = impacts_in_noise(rate, snr_db, "click", 1)
    matched = match(detect(samples, rate), truth, tolerance_s=0.010)
    assert matched.recall == 1.0
    assert len(matched.false_index) <= 1
    assert abs(np.median(matched.error_s)) < 0.0002
    assert np.mean(np.abs(matched.error_s) < 0.001) >= 0.95


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("snr_db", "recall", "within_1_ms", "bias_s"), [(12, 0.85, 0.6, 0.0005), (30, 0.95, 0.85, 0.0002)]
)
def test_soft_thuds_are_found(rate: int, snr_db: int, recall: float, within_1_ms: float, bias_s: float) -> None:
    # At 12 dB the first millisecond of a rise of 10 ms lies 4 dB below the noise: only its tones tell when it began.
    samples, truth = impacts_in_noise(rate, snr_db, "thud", 2)
    matched = match(detect(samples, rate), truth, tolerance_s=0.010)
    assert matched.recall >= recall
    assert len(matched.false_index) <= 1
    assert abs(np.median(matched.error_s)) < bias_s
    assert np.mean(np.abs(matched.error_s) < 0.001) >= within_1_ms


def test_soft_thuds_in_noise_are_no_swells_for_their_soft_beginning() -> None:
    """They rise over 10 ms at 9 dB, so none is abrupt, and one in ten seems to swell."""
    lost = 0
    for seed in (601, 603, 604):
        samples, truth = impacts_in_noise(48_000, 9, "thud", seed)
        lost += len(match(detect(samples, 48_000), truth, tolerance_s=0.015).missed_index)
    assert lost <= 1


def _pairs(seed: int, second_db: float) -> tuple[int, int, int]:
    """Return how many seconds of pairs 15 ms apart are found, of how many, and false impacts."""
    samples, truth = pairs_15_ms_apart(seed, second_db)
    matched = match(detect(samples, 48_000), truth, tolerance_s=0.005)
    return (
        int((np.delete(np.arange(len(truth)), matched.missed_index) % 2).sum()),
        len(truth) // 2,
        len(matched.false_index),
    )


@pytest.mark.parametrize(("second_db", "least"), [(0.0, 1.0), (-3.0, 0.98), (-6.0, 0.9)])
def test_impacts_15_ms_apart_are_two(second_db: float, least: float) -> None:
    # 6 dB down, where most bands still ring, some seconds of a pair cannot be told from an echo.
    found, of, false = np.sum([_pairs(seed, second_db) for seed in (3, 901, 905, 906)], axis=0)
    assert found >= least * of
    assert false == 0


def _rung(seed: int) -> tuple[np.ndarray, int]:
    rate, rng = 48_000, np.random.default_rng(seed)
    samples = noise(STEADY["pink"], rate, 8.0, seed, gain_db=-30.0)
    wave = ring(rate, 5.0, rng)
    samples[3 * rate : 8 * rate] += (0.3 * wave).astype(np.float32)
    return samples, rate


@pytest.mark.parametrize("seed", range(5))
def test_a_ring_that_beats_and_dies_away_is_one_impact(seed: int) -> None:
    samples, rate = _rung(seed)
    found = detect(samples, rate)
    assert len(found) == 1
    assert abs(found[0] - 3.0) < 0.001


@pytest.mark.parametrize("seed", range(5))
def test_an_impact_20_db_below_a_ring_is_found_where_its_band_is_free(seed: int) -> None:
    samples, rate = _rung(seed)
    t = np.arange(int(0.05 * rate)) / rate
    wave = np.sin(2 * np.pi * 9000.0 * t) * np.exp(-t / 0.004)  # the ring ends at 5 kHz
    at = int(3.4 * rate)
    wave *= 0.1 * np.abs(samples[at - 480 : at]).max() / np.abs(wave).max()
    samples[at : at + len(wave)] += wave.astype(np.float32)
    found = detect(samples, rate)
    assert np.abs(found - 3.4).min() < 0.001
    assert len(found) == 2


@pytest.mark.parametrize("rise_s", [0.0003, 0.001, 0.003])
@pytest.mark.parametrize("decay_s", [0.1, 0.3, 0.8])
def test_rings_that_die_away_slowly_and_alike_in_all_bands_are_found(rise_s: float, decay_s: float) -> None:
    rate, rng = 48_000, np.random.default_rng(41)
    samples, t = noise(STEADY["pink"], rate, 34.0, 41, gain_db=-15.0), np.arange(3 * rate) / rate
    modes = [(f, rng.uniform(0.3, 1.0)) for f in np.exp(rng.uniform(np.log(200), np.log(5000), 8))]
    truth = np.arange(2.0, 29.0, 1.3)
    for at_s in truth:
        wave = sum(a * np.cos(2 * np.pi * f * t + rng.uniform(0, 6.28)) for f, a in modes) * np.exp(-t / decay_s)
        wave *= 0.02 * rng.uniform(0.3, 1.0) * np.sin(0.5 * np.pi * np.minimum(t / rise_s, 1.0)) ** 2
        samples[int(at_s * rate) : int(at_s * rate) + len(wave)] += wave.astype(np.float32)
    matched = match(detect(samples, rate), truth, tolerance_s=0.010)
    assert matched.recall == 1.0
    assert len(matched.false_index) == 0


def test_what_comes_just_before_another_sound_has_no_share_in_its_evidence() -> None:
    fine, coarse = np.zeros(400, np.float32), np.zeros(400, np.float32)
    fine[[100, 108, 200, 220]] = 6.0, 9.0, 50.0, 9.0
    coarse[95:100], coarse[100:118], coarse[198:215], coarse[215:230] = 2.0, 25.0, 8.0, 20.0
    found = Novelty(fine, coarse, fine, fine[:, None], fine[:1, None], 0)
    grid = frame_grid(48_000)
    until = (np.array([-1, 99, 99, 99]) + grid.frames(0.012)) * grid.hop  # samples; a coarse frame begins sooner
    own = own_bands(found, np.array([100, 108, 200, 220]), grid, until)
    assert own.tolist() == [8.0, 34.0, 70.0, 29.0]


def test_an_echo_is_no_impact() -> None:
    samples, truth = with_echoes(4)
    matched = match(detect(samples, 48_000), truth, tolerance_s=0.010)
    assert matched.recall == 1.0
    assert len(matched.false_index) == 0


def test_a_tick_far_below_an_impact_is_no_echo_of_it_where_the_impact_had_nothing() -> None:
    rate, truth = 48_000, []
    samples = noise(STEADY["pink"], rate, 32.0, 12, gain_db=-20.0)
    quiet = samples.copy()
    t = np.arange(int(0.1 * rate)) / rate
    ball = np.sin(2 * np.pi * 900.0 * t) * np.exp(-t / 0.012) * np.minimum(t / 0.001, 1.0)
    tick = np.sin(2 * np.pi * 15_000.0 * t) * np.exp(-t / 0.002)
    for at_s in np.arange(2.0, 30.0, 0.7):
        for wave, snr_db, start in ((ball, 45.0, int(at_s * rate)), (tick, 20.0, int((at_s + 0.025) * rate))):
            samples[start : start + len(wave)] += (wave * snr_gain(wave, quiet, rate, snr_db)).astype(np.float32)
            truth.append(start / rate)
    found = match(detect(samples, rate), np.array(truth), tolerance_s=0.01)
    assert found.pairs >= 0.95 * len(truth)
    assert not len(found.false_index)


@pytest.mark.parametrize("gain_db", [-40.0, 0.0, 15.0])
@pytest.mark.parametrize("kind", [*STEADY, *SPEECH])
def test_noise_holds_no_impact(kind: str, gain_db: float) -> None:
    rate = 16_000
    samples = noise({**STEADY, **SPEECH}[kind], rate, 60.0, 11, gain_db=gain_db)
    assert len(detect(samples, rate)) == 0


@pytest.mark.parametrize("seed", [7, 12, 16])
def test_speech_now_and_then_holds_no_impact(seed: int) -> None:
    # A swell that goes on looks abrupt in the end; its end must not pass for a run of impacts.
    sparse = {**SPEECH["speech"], "speech_every_s": 20.0}
    assert len(detect(noise(sparse, 48_000, 240.0, seed), 48_000)) == 0


def test_the_dial_is_a_false_rate() -> None:
    rate = 48_000
    found = candidates(noise(STEADY["pink"], rate, 300.0, 21), rate)
    counts = [int((decide(found, rate, DetectSettings(false_per_hour=f)) > 1).sum()) for f in (0.1, 600.0)]
    assert counts[0] == 0
    assert 50 / 3 <= counts[1] <= 50 * 3  # 600 an hour are 50 in 5 minutes


@pytest.mark.parametrize("amplitude", [0.0, 0.25])
def test_silence_and_a_constant_hold_no_impact(amplitude: float) -> None:
    assert len(detect(np.full(48_000 * 5, amplitude, np.float32), 48_000)) == 0


def test_a_click_between_digital_silence_is_one_impact() -> None:
    rate = 48_000
    wave = click(rate, np.random.default_rng(6)).astype(np.float32)
    samples = np.zeros(6 * rate, np.float32)
    samples[3 * rate : 3 * rate + len(wave)] = 0.1 * wave
    found = detect(samples, rate)
    assert len(found) == 1
    assert abs(found[0] - 3.0) < 0.001


@pytest.mark.parametrize("peak", [1.0, 100.0])
def test_a_ring_at_full_scale_out_of_digital_silence_is_one_impact(peak: float) -> None:
    rate = 48_000
    t = np.arange(2 * rate) / rate
    samples = np.zeros(8 * rate, np.float32)
    samples[4 * rate : 6 * rate] = peak * np.sin(2 * np.pi * 1000.0 * t) * np.exp(-t / 0.1)
    np.testing.assert_allclose(detect(samples, rate), [4.0], atol=0.001)


def test_dc_changes_nothing() -> None:
    samples, truth = impacts_in_noise(48_000, 20, "click", 9)
    matched = match(detect(samples + np.float32(0.2), 48_000), truth, tolerance_s=0.002)
    assert matched.recall == 1.0
    assert len(matched.false_index) <= 1


def test_hum_that_ends_with_the_file_holds_no_impact() -> None:
    # A recording's last sample is no onset, wherever in the hum's cycle it falls.
    rate = 16_000
    t = np.arange(4 * rate) / rate
    hum = sum(0.05 / n * np.sin(2 * np.pi * 50 * n * t) for n in (1, 2, 3, 5, 9))
    samples = (hum + noise(STEADY["pink"], rate, 4.0, 5, gain_db=-40.0)).astype(np.float32)
    for cut in range(0, 400, 37):
        assert len(detect(samples[: len(samples) - cut], rate)) == 0


@pytest.mark.parametrize("tile_s", [1.0, 7.0])
def test_the_same_however_the_file_is_cut(tile_s: float) -> None:
    samples, _ = impacts_in_noise(48_000, 15, "thud", 4)
    np.testing.assert_array_equal(detect(samples, 48_000, tile_s=tile_s), detect(samples, 48_000, tile_s=600.0))


@pytest.mark.parametrize("gain", [2.0**-6, 2.0**3])
def test_the_same_however_loud(gain: float) -> None:
    samples, _ = impacts_in_noise(48_000, 15, "click", 5)
    np.testing.assert_array_equal(detect(samples * np.float32(gain), 48_000), detect(samples, 48_000))


def test_what_comes_later_changes_nothing_earlier() -> None:
    samples, _ = impacts_in_noise(48_000, 20, "click", 6)
    whole, half = detect(samples, 48_000), detect(samples[: 8 * 48_000], 48_000)
    np.testing.assert_array_equal(whole[whole < 7.8], half[half < 7.8])


@pytest.mark.skipif(real_folder() is None, reason="real scenes with truth are not beside the checkout")
@pytest.mark.parametrize(("name", "least"), list(zip(SCENES, (0.995, 0.998, 0.998), strict=True)))
def test_real_scenes(name: str, least: float) -> None:
    folder = real_folder()
    assert folder is not None
    samples, rate, truth = real_scene(folder, name)
    found = detect(samples, rate)
    f_measure, _, _ = mir_eval.onset.f_measure(truth, found, window=0.010)
    matched = match(found, truth, tolerance_s=0.010)
    assert f_measure == pytest.approx(matched.f_measure)  # the two scorers agree
    assert f_measure >= least
    assert len(matched.false_index) == 0
    assert abs(np.median(matched.error_s)) < 0.0002
    assert np.mean(np.abs(matched.error_s) < 0.001) >= 0.93


@pytest.mark.skipif(real_folder() is None, reason="real scenes with truth are not beside the checkout")
def test_what_a_low_drum_does_15_to_30_ms_after_its_stroke_is_no_other() -> None:
    folder, slower = real_folder(), 0.6
    assert folder is not None
    samples, rate, truth = real_scene(folder, "scene1")
    samples = soxr.resample(samples, rate, rate / slower)
    samples += noise({"noise_db": -52.0}, rate, len(samples) / rate, 3)[: len(samples)]
    found, truth = detect(samples, rate), truth / slower
    since = found - truth[np.maximum(np.searchsorted(truth, found - 0.010) - 1, 0)]
    assert np.sum((since > 0.015) & (since < 0.030)) <= 1  # of 163 strokes


@pytest.mark.parametrize("band_hz", [(50.0, 300.0), (30.0, 120.0)])
def test_rumble_with_nothing_above_it_is_no_impact(band_hz: tuple[float, float]) -> None:
    rate, seconds = 48_000, 30.0
    sos = butter(4, band_hz, "bandpass", fs=rate, output="sos")
    rumble = sosfilt(sos, np.random.default_rng(9).standard_normal(int(seconds * rate)))
    rumble = np.round(0.03 * rumble / np.std(rumble) * 2**23) / 2**23
    assert len(detect(rumble.astype(np.float32), rate)) <= 1


@pytest.mark.parametrize("seed", [10, 12])
def test_noise_taken_from_16_to_48_khz_holds_no_impact(seed: int) -> None:
    # Above 8 kHz are images of the low notes alone, 72 dB below them and alike in all bands.
    slow = noise(STEADY["pink"], 16_000, 20.0, seed).astype(np.float64)
    assert len(detect(resample_poly(slow, 3, 1).astype(np.float32), 48_000)) == 0
