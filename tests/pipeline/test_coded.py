"""Impacts in lossy recordings come when they come, not when the codec announces them."""

from __future__ import annotations

import functools
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "audio"))

from noisecheck.audio.recording import open_recording
from noisecheck.core.table import Impacts
from noisecheck.detect.coded import announcing, kept_bands, past_pre_echo
from noisecheck.detect.novelty import novelty
from noisecheck.detect.spectra import PAIR, frame_grid
from noisecheck.detect.stream import Stream
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.score.matching import match

DEMO = Path(__file__).parents[2] / "recordings"
needs_av = pytest.mark.skipif(importlib.util.find_spec("av") is None, reason="the extra 'phone' (av) is not installed")


def heard(path: Path) -> Impacts:
    return listen(functools.partial(open_recording, path), settings=ListenSettings()).impacts


def sound(name: str) -> tuple[np.ndarray, int]:
    if not (DEMO / f"{name}.flac").exists():
        pytest.skip("the demo campaign is not here")
    x, rate = soundfile.read(DEMO / f"{name}.flac", always_2d=True, dtype="float32")
    return x[:, :1] * (0.5 / np.abs(x[:, :1]).max()), rate


def held(truth: Impacts, found: Impacts) -> None:
    """At 15 dB margin: all found, 95 % within 1 ms, levels within 0.1 dB in the mean and 0.3 dB for 95 %.

    Nothing is found besides, except what does not stand out of the background (the codec's own noise at low rates).
    """
    pairs = match(found["time_s"], truth["time_s"], tolerance_s=0.01)
    clear = truth["margin_db"][pairs.truth_index] >= 15.0
    assert clear.sum() >= 0.97 * (truth["margin_db"] >= 15.0).sum()
    assert (found["margin_db"][pairs.false_index] >= 6.0).sum() <= 0.02 * len(truth)
    late = pairs.error_s[clear]
    assert abs(np.median(late)) < 1e-4
    assert np.mean(np.abs(late) < 1e-3) >= 0.95
    level = (found["lae_db"][pairs.found_index] - truth["lae_db"][pairs.truth_index])[clear]
    assert abs(np.mean(level)) < 0.1
    assert np.percentile(np.abs(level), 95) < 0.3


@needs_av
@pytest.mark.parametrize("name", ["bare-60-1", "felt-120-2"])
@pytest.mark.parametrize(("container", "ending"), [("ipod", "m4a"), ("mov", "mov")])
def test_impacts_in_aac_come_on_time(tmp_path: Path, name: str, container: str, ending: str) -> None:
    from test_phone import encode

    x, rate = sound(name)
    soundfile.write(tmp_path / "a.wav", x, rate, subtype="PCM_24")
    coded = encode(tmp_path / f"a.{ending}", x, container=container, rate=rate)
    held(heard(tmp_path / "a.wav"), heard(coded))


@pytest.mark.parametrize(("ending", "subtype"), [("mp3", "MPEG_LAYER_III"), ("ogg", "VORBIS")])
def test_impacts_in_other_codecs_come_on_time(tmp_path: Path, ending: str, subtype: str) -> None:
    x, rate = sound("bare-60-1")
    soundfile.write(tmp_path / "a.wav", x, rate, subtype="PCM_24")
    soundfile.write(tmp_path / f"a.{ending}", x, rate, format=ending.upper(), subtype=subtype, compression_level=0.2)
    held(heard(tmp_path / "a.wav"), heard(tmp_path / f"a.{ending}"))


def test_a_faint_copy_before_is_passed_over_and_a_plain_start_stays() -> None:
    rate = 48000
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1e-5, 9600).astype(np.float32)
    t = np.arange(2400) / rate
    ring = (0.3 * np.exp(-t / 0.02) * np.sin(2 * np.pi * 2000 * t)).astype(np.float32)
    x[4800:7200] += ring
    assert past_pre_echo(x, np.array([4800]), rate)[0] - 4800 <= 2
    x[4200:4800] += 0.02 * ring[:600]  # 24 dB below, 12.5 ms early
    assert abs(past_pre_echo(x, np.array([4200, 4500]), rate) - 4800).max() <= 2
    noise = rng.normal(0, 0.1, 9600).astype(np.float32)
    assert past_pre_echo(noise, np.array([100]), rate)[0] - 100 < 10  # nothing stands out: nothing moves far
    assert len(past_pre_echo(x, np.empty(0, np.int64), rate)) == 0
    assert past_pre_echo(x, np.array([9599]), rate)[0] >= 9599  # the recording's end


def test_what_dies_away_before_a_louder_impact_is_one_itself() -> None:
    rate = 48000
    x = np.random.default_rng(2).normal(0.0, 1e-5, 9600).astype(np.float32)
    t = np.arange(2400) / rate
    x[4800:7200] += 0.3 * np.exp(-t / 0.02) * np.sin(2 * np.pi * 2000 * t)
    announced, struck = x.copy(), x.copy()
    announced[4080:4800] += 0.01 * np.sin(2 * np.pi * 2000 * t[:720])  # 30 dB below, 15 ms early
    struck[4080:4800] += 0.01 * (np.exp(-t / 0.002) * np.sin(2 * np.pi * 2000 * t))[:720]
    assert abs(past_pre_echo(announced, np.array([4080]), rate)[0] - 4800) <= 2
    assert past_pre_echo(struck, np.array([4080]), rate)[0] == 4080


@needs_av
def test_a_stream_hears_a_coded_recording_as_a_file(tmp_path: Path) -> None:
    from test_phone import encode

    x, rate = sound("bare-60-1")
    path = encode(tmp_path / "a.m4a", x, container="ipod", rate=rate)
    with open_recording(path) as recording:
        samples = recording.read(0, recording.frames)
    stream = Stream(rate, 1, coded=True)
    parts = [stream.push(samples[k : k + 5000]) for k in range(0, len(samples), 5000)]
    frames = np.concatenate([*(p.frame for p in parts), stream.finish().frame])
    assert frames.tolist() == heard(path)["frame"].tolist()


def rings_in_a_quiet_room(rate: int, channels: int) -> tuple[np.ndarray, np.ndarray]:
    """Return samples and true times of 25 rings, 3 to 24 dB below full scale, in pink noise at -70 dB."""
    rng = np.random.default_rng(12)
    t = np.arange(int(0.3 * rate)) / rate
    spectrum = np.fft.rfft(rng.standard_normal((20 * rate, channels)), axis=0)
    room = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 800.0))[:, None], axis=0)
    x = room / room.std() * 10.0 ** (-70.0 / 20.0)
    at = np.cumsum(rng.uniform(0.3, 1.1, 25)) + 0.5
    for begin in (at * rate).astype(int):
        tones = rng.uniform(300.0, 7000.0, 9)
        ring = (np.exp(-t / rng.uniform(0.005, 0.06, (9, 1))) * np.sin(2.0 * np.pi * tones[:, None] * t)).sum(axis=0)
        x[begin : begin + len(t)] += (10.0 ** (rng.uniform(-24.0, -3.0) / 20.0) * ring / np.abs(ring).max())[:, None]
    return x.astype(np.float32), (at * rate).astype(int) / rate


@pytest.mark.parametrize(("ending", "compression"), [("ogg", 0.2), ("ogg", 0.5), ("mp3", 0.2), ("mp3", 0.4)])
def test_a_codec_makes_no_impacts_of_its_own(tmp_path: Path, ending: str, compression: float) -> None:
    """Above its upper limit it keeps a little in some blocks and nothing in others, and it announces what is struck."""
    x, truth = rings_in_a_quiet_room(48_000, 1)
    subtype = {"ogg": "VORBIS", "mp3": "MPEG_LAYER_III"}[ending]
    soundfile.write(
        tmp_path / f"a.{ending}", x, 48_000, format=ending.upper(), subtype=subtype, compression_level=compression
    )
    found = match(heard(tmp_path / f"a.{ending}")["time_s"], truth, tolerance_s=0.01)
    assert found.pairs == len(truth)
    assert len(found.false_index) <= (2 if ending == "ogg" else 6)
    assert np.mean(np.abs(found.error_s) < 1e-3) >= 0.95


def test_what_long_blocks_announce_is_no_impact(tmp_path: Path) -> None:
    """At 16 kHz a block lasts so long that what it announces comes some 20 ms early; 4 were found without."""
    x, truth = rings_in_a_quiet_room(16_000, 1)
    false = 0
    for compression in (0.5, 0.8):
        path = tmp_path / f"{compression}.ogg"
        soundfile.write(path, x, 16_000, format="OGG", subtype="VORBIS", compression_level=compression)
        found = match(heard(path)["time_s"], truth, tolerance_s=0.01)
        assert found.pairs == len(truth)
        false += len(found.false_index)
    assert false <= 1


@pytest.mark.parametrize("rate", [11_025, 22_050])
def test_two_coded_channels_are_heard_in_a_stream_as_in_a_file(tmp_path: Path, rate: int) -> None:
    x, _ = rings_in_a_quiet_room(rate, 2)  # a hop of 11 or 21 samples
    soundfile.write(tmp_path / "a.ogg", x, rate, format="OGG", subtype="VORBIS")
    with open_recording(tmp_path / "a.ogg") as recording:
        samples = recording.read(0, recording.frames)
    stream = Stream(rate, 2, coded=True)
    parts = [stream.push(samples[k : k + 5000]) for k in range(0, len(samples), 5000)]
    frames = np.concatenate([*(p.frame for p in parts), stream.finish().frame])
    assert frames.tolist() == heard(tmp_path / "a.ogg")["frame"].tolist()


def test_a_much_louder_sound_just_after_makes_what_does_not_die_away_an_announcement() -> None:
    grid = frame_grid(48_000)
    new = np.full(400, 1e-8, np.float32)
    new[[100, 200, 300]] = 1e-4
    peaks = np.array([100, 180, 185, 200, 260, 290])
    level = np.array([1e-4, 0.9e-6, 0.9e-6, 1e-4, 0.9e-6, 1.1e-6])
    samples = np.random.default_rng(3).normal(0.0, 1e-4, 400 * grid.hop).astype(np.float32)
    samples[180 * grid.hop : 180 * grid.hop + 96] *= 4.0
    # One lies 15 ms before a sound 20.5 dB louder; another there dies away; one is 40 ms before, one 19.6 dB below.
    assert announcing(samples, peaks * grid.hop, new, level, peaks, grid).tolist() == [2]


def test_a_band_30_db_below_the_middle_one_is_closed() -> None:
    floor = np.array([[1.0, 1.0, 1e-2, 0.4e-3], [1.0, 1e-9, 1e-9, 1e-9]], np.float32)
    assert kept_bands(np.hstack((floor, floor)), 4).tolist() == [[True, True, True, False] * 2, [True] * 8]


def test_a_band_that_opens_makes_no_news_of_what_rang_in_it_all_along() -> None:
    grid = frame_grid(48_000)
    floors, energies = [], []
    for width, each in ((grid.fine_width, 1), (grid.coarse_width, PAIR)):
        floor = np.ones((2, len(width)), np.float32)
        floor[:, -6:] = [[1e-4], [1e-2]]  # closed in the first cell, open in the second
        energy = np.ones((2 * grid.cell // each, len(width)), np.float32)
        energy[:, -6:] = 10.0 * np.exp(-1e-3 * each * np.arange(len(energy)))[:, None]
        floors.append(floor)
        energies.append(energy)
    made = novelty(*energies, grid, floors=(floors[0], floors[1]), coded=True)
    assert made.fine.max() < 1.0
    assert made.coarse.max() < 1.0
    energies[0][: grid.cell, -6:] = 1e-4
    assert novelty(*energies, grid, floors=(floors[0], floors[1]), coded=True).fine.argmax() == grid.cell
