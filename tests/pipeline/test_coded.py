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
from noisecheck.detect.coded import past_pre_echo
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
