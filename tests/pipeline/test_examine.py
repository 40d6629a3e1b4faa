"""What health says of recordings whose codec is heard in them."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "audio"))
from test_lossy import write

from noisecheck.bench.runsheet import Run
from noisecheck.compare.summary import summarise
from noisecheck.core.flags import Flag
from noisecheck.pipeline.examine import examine
from noisecheck.pipeline.files import measure_files
from noisecheck.pipeline.listen import ListenSettings
from noisecheck.score.matching import match

DEMO = Path(__file__).parents[2] / "recordings" / "cork-120-1.flac"
needs_demo = pytest.mark.skipif(not DEMO.exists(), reason="the demo campaign is not here")


def _mono() -> np.ndarray:
    x, _ = soundfile.read(DEMO, always_2d=True, dtype="float32")
    return np.asarray(x[:, :1] * (0.5 / np.abs(x[:, :1]).max()))


@needs_demo
def test_mp3_at_a_usual_rate_adds_hardly_an_impact(tmp_path: Path) -> None:
    """At 126 kb/s."""
    plain = tmp_path / "plain.wav"
    soundfile.write(plain, _mono(), 48000, subtype="PCM_24")
    coded = write(tmp_path / "a.mp3", _mono(), "MP3", "MPEG_LAYER_III", compression_level=0.0)
    (_, before), (_, after) = examine([plain, coded]).recordings
    assert before.counts.verdict == after.counts.verdict == "usable"
    assert before.codec_made is None
    assert after.codec_made is None
    assert abs(after.impacts - before.impacts) <= 3


@needs_demo
def test_impacts_that_mp3_adds_make_the_count_a_bound(tmp_path: Path) -> None:
    """At 37 kb/s MP3 adds some 50 faint impacts to 100: its noise in each granule, of which half show its grid."""
    coded = write(tmp_path / "a.mp3", _mono(), "MP3", "MPEG_LAYER_III", compression_level=0.8)
    ((_, after),) = examine([coded]).recordings
    assert after.counts.verdict == "bound only"
    assert after.codec_made is not None
    assert 15 <= after.codec_made.count <= 60
    assert any("grid of its blocks (576 frames)" in reason for reason in after.counts.reasons)


@needs_demo
def test_what_mp3_adds_is_marked_and_doubted(tmp_path: Path) -> None:
    """Of what MP3 adds at 37 kb/s most carries the flag and odds against it; of the real ones next to none does."""
    plain = tmp_path / "plain.wav"
    soundfile.write(plain, _mono(), 48000, subtype="PCM_24")
    coded = write(tmp_path / "a.mp3", _mono(), "MP3", "MPEG_LAYER_III", compression_level=0.8)
    before, after = (measure_files([f], settings=ListenSettings()).impacts for f in (plain, coded))
    assert not before.flagged(Flag.CODEC_NOISE).any()
    pairs = match(after["time_s"], before["time_s"], tolerance_s=0.01)
    real = np.isin(np.arange(len(after)), pairs.found_index)
    marked = after.flagged(Flag.CODEC_NOISE)
    assert marked[~real].sum() >= 0.5 * (~real).sum() >= 20
    assert marked[real].sum() <= 0.06 * real.sum()
    assert (after["odds"][marked] < 0.5).all()
    assert (after["odds"][~marked] > 1.0).all()
    # whoever counts drops by station does not count them
    (run,) = summarise(after.where(marked), [Run(coded.as_posix(), ())])
    assert run.impacts == 0


@needs_demo
@pytest.mark.parametrize(("level", "verdict"), [(0.3, "usable"), (1.0, "bound only")])
def test_a_codec_short_of_bits_makes_the_count_a_bound(tmp_path: Path, level: float, verdict: str) -> None:
    coded = write(tmp_path / "a.ogg", _mono(), "OGG", "VORBIS", compression_level=level)
    ((_, health),) = examine([coded]).recordings
    assert health.bits_a_sample is not None
    assert (health.bits_a_sample < 1.5) == (verdict == "bound only")
    assert health.counts.verdict == verdict
    assert any("off by 1.5 dB" in reason for reason in health.levels.reasons) == (verdict == "bound only")
