"""Sound at the microphones: geometry, exact truth, physical laws, seeds, blocks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisecheck.core.table import band_names
from noisecheck.core.units import sound_speed_mps
from noisecheck.simulate import RunRenderer, impact_waveform, render_run
from noisecheck.simulate.truth import a_weighting_power, true_peak

SOUND = sound_speed_mps(20.0)


def _quiet(make, /, **changes):
    station = {
        "name": "landing", "position_mm": [0, 0, 0], "drop_height_mm": 100, "level_scatter_db": 0.0,
        "plate": {"loss_factor": 0.1},
    }  # fmt: skip
    return make(station=[station], treatment=[], run=[{"run": "one"}], **changes)


def _spread(make, /, *distances_mm: float, **changes):
    microphones = [{"channel": c, "position_mm": [0, 0, d]} for c, d in enumerate(distances_mm)]
    return _quiet(make, microphone=microphones, **changes)


def _first(samples: np.ndarray, below_peak_db: float = 40.0) -> int:
    return int(np.flatnonzero(np.abs(samples) > np.abs(samples).max() * 10 ** (-below_peak_db / 20))[0])


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 48000, 96000, 192000])
def test_sound_begins_when_the_truth_says(scene, rate: int) -> None:
    made = _spread(scene, 300.0, 1337.0, scene={"rate_hz": rate, "seed": 7})
    for k in range(5):
        wave = impact_waveform(made, made.runs()[0], "landing", speed_mps=1.4, time_s=0.5 + 0.0137 * k, seed=k)
        for c in range(2):
            arrival = wave.truth.arrival_s[c] * rate - wave.start
            # The band limit spreads the start: under -40 dB until 2 samples before, -60 dB until 8.
            before = np.abs(wave.samples[: max(math.floor(arrival) - 8, 0), c]).max(initial=0.0)
            assert before < 1e-3 * np.abs(wave.samples[:, c]).max()
            assert -2.5 <= _first(wave.samples[:, c]) - arrival <= 3


def test_delay_is_distance_over_speed(scene) -> None:
    made = _spread(scene, 300.0, 1500.0)
    wave = impact_waveform(made, made.runs()[0], "landing", speed_mps=1.4)
    assert wave.truth.arrival_s[1] - wave.truth.arrival_s[0] == pytest.approx(1.2 / SOUND, abs=1e-9)
    # Sub-sample: the phase between two distances gives the same delay, whatever the whole samples say.
    one = np.fft.rfft(_spread_pressure(scene, 300.0))
    two = np.fft.rfft(_spread_pressure(scene, 301.7))
    freq = np.fft.rfftfreq(2 * (len(one) - 1), 1 / 48000)
    use = (freq > 3000) & (freq < 12000)
    turn = np.unwrap(np.angle(two[use] / one[use]))
    assert -np.polyfit(2 * np.pi * freq[use], turn, 1)[0] == pytest.approx(0.0017 / SOUND, rel=0.05)


def _spread_pressure(scene, distance: float) -> np.ndarray:
    made = _spread(scene, distance)
    wave = impact_waveform(made, made.runs()[0], "landing", speed_mps=1.4)
    return np.pad(wave.samples[:, 0], (0, 65536 - len(wave.samples)))


def test_the_least_damped_plate_does_not_ring_into_the_past(scene) -> None:
    station = {"name": "landing", "position_mm": [0, 0, 0], "plate": {"loss_factor": 0.0005, "thickness_mm": 1.0}}
    made = scene(
        station=[station], treatment=[], microphone=[{"channel": 0, "position_mm": [0, 0, 900]}], run=[{"run": "one"}]
    )
    wave = impact_waveform(made, made.runs()[0], "landing", speed_mps=1.4)
    arrival = int(wave.truth.arrival_s[0] * 48000)
    assert np.abs(wave.samples[: arrival - 8]).max() < 1e-3 * np.abs(wave.samples).max()
    assert np.abs(wave.samples[-480:]).max() < 1e-3 * np.abs(wave.samples).max()
    assert len(wave.samples) > 5 * 48000


def test_level_falls_as_one_over_distance(scene) -> None:
    made = _spread(scene, 1000.0, 2000.0, 4000.0)
    # The modes' directions differ by channel: take them out by using one channel at each distance.
    levels = []
    for distance in (1000.0, 2000.0, 4000.0):
        one = _spread(scene, distance)
        levels.append(impact_waveform(one, one.runs()[0], "landing", speed_mps=1.4).truth.lae_db[0])
    assert made.channels == 3
    np.testing.assert_allclose(np.diff(levels), -20 * math.log10(2), atol=0.02)


def test_reverberation_decays_as_stated_and_meets_the_critical_distance(scene) -> None:
    dry = _spread(scene, 800.0)
    wet = _spread(scene, 800.0, room={"t60_s": 0.6, "critical_mm": 800.0})
    a = impact_waveform(dry, dry.runs()[0], "landing", speed_mps=1.4).samples[:, 0]
    b = impact_waveform(wet, wet.runs()[0], "landing", speed_mps=1.4).samples[:, 0]
    # At the critical distance the room carries as much as the direct sound: +3 dB, less what its air filter takes.
    assert 10 * math.log10(np.sum(b**2) / np.sum(a**2)) == pytest.approx(2.8, abs=0.8)
    decay = np.cumsum(b[::-1] ** 2)[::-1]
    level = 10 * np.log10(decay / decay[0])
    start, stop = (int(np.flatnonzero(level < x)[0]) for x in (-10.0, -40.0))
    assert 2.0 * (stop - start) / 48000 == pytest.approx(0.6, rel=0.15)


def test_truth_is_the_level_of_the_samples(scene) -> None:
    made = scene(room={"t60_s": 0.3})
    for station, speed in (("landing", 1.5), ("bend", 0.5)):
        wave = impact_waveform(made, made.runs()[0], station, speed_mps=speed, time_s=0.00371)
        for c in range(2):
            x = wave.samples[:, c]
            spectrum = np.abs(np.fft.rfft(x)) ** 2
            freq = np.fft.rfftfreq(len(x), 1 / 48000)
            spectrum[1:-1] *= 2
            energy = np.sum(spectrum * a_weighting_power(freq)) / len(x) / 48000
            assert wave.truth.lae_db[c] == pytest.approx(10 * math.log10(energy), abs=0.005)
            assert wave.truth.sample_peak_db[c] == pytest.approx(20 * math.log10(np.abs(x).max()), abs=1e-9)
            z = 10 * math.log10(np.sum(x**2) / 48000)
            assert 10 * math.log10(np.sum(10 ** (wave.truth.le_db[c] / 10))) == pytest.approx(z, abs=0.1)
        assert wave.truth.le_db.shape == (2, len(band_names()))


def test_a_weighting_is_the_standards_table() -> None:
    # IEC 61672-1:2013 Table 3, A at nominal frequencies; exact base-ten midbands, printed to 0.1 dB.
    exact = 1000.0 * 10 ** (np.array([-16, -10, -3, 0, 3, 6, 10, 13]) / 10)
    printed = [-44.7, -19.1, -3.2, 0.0, 1.2, 1.0, -2.5, -9.3]
    np.testing.assert_allclose(10 * np.log10(a_weighting_power(exact)), printed, atol=0.06)


def test_true_peak_finds_what_lies_between_samples() -> None:
    from scipy.signal import resample

    rng = np.random.default_rng(4)
    for _ in range(20):
        x = np.zeros(512)
        x[200:264] = np.convolve(rng.standard_normal(64), [0.25, 0.5, 0.25], "same")
        between, samples = true_peak(x)
        assert samples == np.abs(x).max()
        assert 20 * math.log10(between / np.abs(resample(x, 512 * 32)).max()) == pytest.approx(0.0, abs=0.03)


def test_rise_per_doubling_of_height_is_physical(scene) -> None:
    # 3.0 dB where the force spectrum is flat, up to 4.5 above its cut-off (Hertz: McLaskey & Glaser 2012).
    made = _spread(scene, 400.0)
    low, high = (
        impact_waveform(made, made.runs()[0], "landing", speed_mps=v, seed=3).truth for v in (1.0, math.sqrt(2.0))
    )
    rise = (high.le_db - low.le_db)[0]
    heard = low.le_db[0] > low.le_db[0].max() - 60
    np.testing.assert_allclose(rise[:16][heard[:16]], 3.01, atol=0.1)
    assert np.all((rise[heard] > 2.9) & (rise[heard] < 4.8))


def test_pads_are_quieter_because_softer(scene) -> None:
    made = scene(
        treatment=[{"name": s, "station": "landing", "surface": s} for s in ("cork", "felt", "rubber")],
        run=[{"run": "bare"}, *({"run": s, "treatment": s} for s in ("cork", "felt", "rubber"))],
    )
    truths = [impact_waveform(made, r, "landing", speed_mps=1.5, seed=1).truth for r in made.runs()]
    levels = [t.lae_db[0] for t in truths]
    assert levels == sorted(levels, reverse=True)
    assert [t.contact_s for t in truths] == sorted(t.contact_s for t in truths)
    # A low-pass: the lowest bands hardly change, the high ones fall by tens of decibels.
    change = truths[1].le_db[0] - truths[0].le_db[0]
    assert abs(change[8]) < 1.5
    assert change[25] < -25
    other = [impact_waveform(made, r, "bend", speed_mps=0.5, seed=1).truth.lae_db[1] for r in made.runs()]
    assert np.ptp(other) == 0.0


def test_crosstalk_as_stated(scene) -> None:
    made = scene(crosstalk_db=-12.0)
    for station, own in (("landing", 0), ("bend", 1)):
        gaps = [
            np.diff(impact_waveform(made, made.runs()[0], station, speed_mps=1.0, seed=k).truth.lae_db[[own, 1 - own]])
            for k in range(12)
        ]
        assert np.mean(gaps) == pytest.approx(-12.0, abs=1.0)


def test_structure_borne_sound_comes_first_and_contact_pickups_disperse(scene) -> None:
    microphones = [
        {"channel": 0, "position_mm": [900, 0, 0], "structure_db": -20.0},
        {"channel": 1, "position_mm": [900, 0, 0]},
        {"channel": 2, "position_mm": [900, 0, 0], "kind": "contact"},
    ]
    made = _quiet(scene, microphone=microphones)
    truth = impact_waveform(made, made.runs()[0], "landing", speed_mps=1.4)
    early, air, contact = truth.truth.arrival_s
    assert early == pytest.approx(0.9 / 2500)
    assert air == pytest.approx((0.9 - 0.00635) / SOUND)
    assert early < contact < air
    # Bending waves: high frequencies run ahead (group speed rises as the root of the frequency).
    x, freq = truth.samples[:, 2], np.fft.rfftfreq(len(truth.samples), 1 / 48000)
    times = []
    for low, high in ((1000, 2000), (6000, 9000)):
        part = np.fft.irfft(np.fft.rfft(x) * ((freq > low) & (freq < high)), len(x)) ** 2
        times.append(np.argmax(part))
    assert times[1] < times[0]


def test_what_bending_waves_send_ahead_of_time_does_not_come_after_their_ring(scene) -> None:
    near = {"channel": 0, "kind": "contact", "position_mm": [20, 0, 10], "station": "landing"}
    made = _quiet(scene, scene={"rate_hz": 96000}, microphone=[near])
    wave = np.abs(impact_waveform(made, made.runs()[0], "landing", speed_mps=1.4).samples[:, 0])
    assert wave[-9600:].max() < 1e-4 * wave.max()  # a twentieth once, cut off in one step


def test_same_scene_same_samples_and_seeds_matter(scene) -> None:
    made = scene(
        room={"t60_s": 0.2},
        background={
            "noise_db": -60,
            "motor_db": -60,
            "gear_db": -70,
            "chain_db": -70,
            "speech_db": -50,
            "hiss_db": -90,
        },
        feed={"balls": 2},
    )
    one, truth = render_run(made, made.runs()[0])
    two, _ = render_run(made, made.runs()[0])
    assert one.dtype == np.float32
    assert one.tobytes() == two.tobytes()
    other, _ = render_run(scene(scene={"seed": 8, "rate_hz": 48000}, feed={"balls": 2}), made.runs()[0])
    assert not np.array_equal(one[: len(other)], other[: len(one)])
    assert len(truth.impacts) == len(truth.times_s()) == len(truth.stations)


def test_mix_is_the_sum_of_clean_impacts(scene) -> None:
    made = scene(feed={"balls": 3})
    samples, _ = render_run(made, made.runs()[0])
    total = np.zeros(samples.shape)
    for wave in RunRenderer(made, made.runs()[0]).waveforms():
        piece = wave.samples[: len(total) - wave.start]
        total[wave.start : wave.start + len(piece)] += piece
    np.testing.assert_allclose(samples, total, atol=1e-6)


def test_replacing_the_microphone_spreads_levels(scene) -> None:
    run = {"run": "bare-{n}", "repeat": 40, "replaced_mm": 10.0}
    made = _spread(scene, 300.0).model_copy(update={"run": tuple(scene(run=[run]).run)})
    levels = [impact_waveform(made, r, "landing", speed_mps=1.4, seed=1).truth.lae_db[0] for r in made.runs()]
    # 10 mm at 300 mm is 0.28 dB by 1/r; the modes' changing directions add their part.
    assert 0.15 < np.std(levels) < 1.0


@pytest.mark.parametrize(
    ("part", "level"),
    [("noise_db", -50), ("hiss_db", -70), ("motor_db", -55), ("gear_db", -60), ("chain_db", -58)],
)
def test_background_levels(scene, part: str, level: float) -> None:
    made = scene(background={part: level}, run=[{"run": "empty", "role": "background", "seconds": 20}])
    samples, truth = render_run(made, made.runs()[0])
    assert truth.impacts == []
    measured = 20 * np.log10(samples.std(axis=0))
    np.testing.assert_allclose(measured, level, atol=0.3 if part in ("noise_db", "hiss_db") else 4.0)


@pytest.mark.parametrize("slope", [-3.0, -6.0])
def test_noise_slope(scene, slope: float) -> None:
    from scipy.signal import welch

    made = scene(
        background={"noise_db": -30, "noise_slope_db": slope}, run=[{"run": "e", "role": "background", "seconds": 30}]
    )
    samples, _ = render_run(made, made.runs()[0])
    freq, density = welch(samples[:, 0].astype(float), 48000, nperseg=16384)
    use = (freq > 60) & (freq < 8000)
    fit = np.polyfit(np.log2(freq[use]), 10 * np.log10(density[use]), 1)[0]
    assert fit == pytest.approx(slope, abs=0.25)
