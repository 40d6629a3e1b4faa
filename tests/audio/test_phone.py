"""m4a, mp4 and mov made by ffmpeg's libraries, held against what went in."""

from __future__ import annotations

import importlib.util
import struct
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import correlate
from wavs import RATE, noise, taps

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import ArrayRecording, open_recording
from noisecheck.core.errors import InputError, MissingExtraError

needs_av = pytest.mark.skipif(importlib.util.find_spec("av") is None, reason="the extra 'phone' (av) is not installed")


def encode(
    path: Path, x: np.ndarray, *, codec: str = "aac", container: str = "mp4", bit_rate: int = 128_000,
    rate: int = RATE, options: dict[str, str] | None = None, picture: bool = False,
    substituted: bool = True,
) -> Path:  # fmt: skip
    """Write (frames, channels) float32 as MPEG-4 or QuickTime; ``substituted``: noise may be made by the decoder."""
    import av

    layout = "mono" if x.shape[1] == 1 else "stereo"
    wide = codec in ("aac", "libopus")
    with av.open(str(path), "w", format=container, options=options or {}) as box:
        film: Any = None
        if picture:
            film = box.add_stream("mpeg4", rate=25)
            film.width, film.height, film.pix_fmt = 64, 48, "yuv420p"
        stream: Any = box.add_stream(codec, rate=rate)
        stream.layout = layout
        if codec == "aac":
            stream.bit_rate = bit_rate
            stream.options = {} if substituted else {"aac_pns": "0"}
        if picture:
            for k in range(round(25 * len(x) / rate)):
                image = av.VideoFrame.from_ndarray(np.full((48, 64, 3), k % 255, np.uint8), format="rgb24")
                image.pts, image.time_base = k, Fraction(1, 25)
                box.mux(film.encode(image))
            box.mux(film.encode(None))
        for first in range(0, len(x), 4800):
            piece = x[first : first + 4800]
            if wide:
                frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(piece.T), format="fltp", layout=layout)
            else:
                whole = np.round(piece * 32767).astype(np.int16)
                planar = codec == "alac"
                data = np.ascontiguousarray(whole.T) if planar else whole.reshape(1, -1)
                frame = av.AudioFrame.from_ndarray(data, format="s16p" if planar else "s16", layout=layout)
            frame.sample_rate, frame.pts, frame.time_base = rate, first, Fraction(1, rate)
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))
    return path


def lag_s(truth: np.ndarray, heard: np.ndarray) -> float:
    """Return by how much ``heard`` is late, s, from the peak of the correlation."""
    n = min(len(truth), len(heard), 8 * RATE)
    c = correlate(heard[:n].astype(float), truth[:n].astype(float), mode="full", method="fft")
    return float(np.argmax(c) - (n - 1)) / RATE


def energies_db(x: np.ndarray, seconds: float) -> np.ndarray:
    """Return the level of each tap's 0.4 s (taps begin at 0.25 s and come every 0.5 s)."""
    starts = np.arange(0.25, seconds - 0.45, 0.5)
    return np.array(
        [10 * np.log10(np.mean(x[round((t - 0.02) * RATE) : round((t + 0.38) * RATE)] ** 2)) for t in starts]
    )


@needs_av
@pytest.mark.parametrize(
    ("container", "ending", "picture"), [("ipod", "m4a", False), ("mp4", "mp4", True), ("mov", "mov", False)]
)
@pytest.mark.parametrize("channels", [1, 2])
def test_times_and_levels_hold(tmp_path: Path, container: str, ending: str, picture: bool, channels: int) -> None:
    x = taps(12.0)
    truth = x if channels == 1 else np.concatenate([x, 0.3 * x[::-1]], axis=1)
    path = encode(tmp_path / f"a.{ending}", truth, container=container, picture=picture)
    with open_recording(path) as recording:
        heard = recording.read(0, recording.frames)
        assert (recording.container, recording.subtype, recording.coding) == ("MPEG-4", "AAC", "lossy")
        assert recording.delay_known
        assert recording.notes == ()
        assert (recording.rate, recording.channels) == (RATE, channels)
        assert abs(recording.frames - len(x)) <= 2048
    for c in range(channels):
        assert abs(lag_s(truth[:, c], heard[:, c])) < 0.001
    np.testing.assert_allclose(energies_db(heard[:, 0], 12.0), energies_db(x[:, 0], 12.0), atol=0.2)


@needs_av
@pytest.mark.parametrize("codec", ["alac", "pcm_s16le"])
def test_lossless_phone_files_are_exact(tmp_path: Path, codec: str) -> None:
    x = noise(3.0, 2)
    path = encode(tmp_path / "a.mov", x, codec=codec, container="mov")
    with open_recording(path) as recording:
        assert (recording.coding, recording.delay_known, recording.frames) == ("integer", True, len(x))
        np.testing.assert_allclose(recording.read(0, len(x)), np.round(x * 32767) / 32768, atol=1e-7)


@needs_av
def test_without_an_edit_list_the_delay_is_declared_unknown(tmp_path: Path) -> None:
    x = taps(6.0)
    path = encode(tmp_path / "a.m4a", x, options={"use_editlist": "0"})
    with open_recording(path) as recording:
        late = lag_s(x[:, 0], recording.read(0, recording.frames)[:, 0])
        if abs(late) > 0.001:
            assert not recording.delay_known
        health = check_health(recording)
    assert not recording.delay_known
    assert "edit list" in " ".join(recording.notes)
    assert health.times.verdict == "bound only"
    assert health.counts.verdict == "usable"


@needs_av
@pytest.mark.parametrize("options", [{}, {"movflags": "frag_keyframe+empty_moov+default_base_moof"}])
def test_tiles_join_and_blocks_do_not_matter(tmp_path: Path, options: dict[str, str]) -> None:
    x = taps(67.0)
    path = encode(tmp_path / "a.mp4", x, options=options, substituted=False)
    with open_recording(path) as recording:
        whole = recording.read(0, recording.frames)
        assert abs(recording.frames - len(x)) <= 2048
    with open_recording(path) as recording:
        for first in (61 * RATE, 5, 39 * RATE + 11, 19 * RATE):
            np.testing.assert_array_equal(recording.read(first, first + 2 * RATE), whole[first : first + 2 * RATE])
    import av

    with av.open(str(path)) as box:
        straight = np.concatenate([f.to_ndarray() for f in box.decode(audio=0)], axis=1)[0]
    lead = int(np.argmax(correlate(straight[: 4 * RATE + 4096], whole[: 4 * RATE, 0], mode="valid", method="fft")))
    n = min(len(straight) - lead, len(whole))
    np.testing.assert_allclose(whole[:n, 0], straight[lead : lead + n], atol=1e-5)


@pytest.fixture(scope="module")
def fragmented(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """40 s of taps in pieces of 2 s."""
    path = tmp_path_factory.mktemp("fragmented") / "a.mp4"
    options = {"movflags": "frag_keyframe+empty_moov", "frag_duration": "2000000"}
    return encode(path, taps(40.0), options=options).read_bytes()


@needs_av
@pytest.mark.parametrize("share", [0.1, 0.5, 0.597, 0.6, 0.605, 0.9, 0.999])
def test_a_fragmented_file_that_was_not_closed_is_read_to_where_it_ends(
    tmp_path: Path, fragmented: bytes, share: float
) -> None:
    x = taps(40.0)
    path = tmp_path / "a.mp4"
    path.write_bytes(fragmented[: round(len(fragmented) * share)])
    with open_recording(path) as recording:
        assert -2.1 < recording.frames / RATE - 40 * share < 0.3
        assert recording.notes
        assert abs(lag_s(x[:, 0], recording.read(0, recording.frames)[:, 0])) < 0.05


@needs_av
def test_a_file_with_its_index_in_front_cut_off(tmp_path: Path) -> None:
    x = taps(45.0)
    path = encode(tmp_path / "a.m4a", x, options={"movflags": "faststart"})
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with open_recording(path) as recording:
        assert 18 * RATE < recording.frames < 26 * RATE
        assert "cut off" in " ".join(recording.notes)
        heard = recording.read(0, recording.frames)
    assert abs(lag_s(x[:, 0], heard[:, 0])) < 0.001
    seconds = len(heard) / RATE - 1
    np.testing.assert_allclose(energies_db(heard[:, 0], seconds), energies_db(x[:, 0], seconds), atol=0.2)


@needs_av
def test_a_recording_without_its_index_was_not_finished(tmp_path: Path) -> None:
    path = encode(tmp_path / "a.m4a", taps(5.0))
    content = path.read_bytes()
    path.write_bytes(content[: content.rindex(b"moov") - 4])
    with pytest.raises(InputError, match="this recording was not finished"):
        open_recording(path)


@needs_av
def test_a_film_without_sound(tmp_path: Path) -> None:
    import av

    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as box:
        film: Any = box.add_stream("mpeg4", rate=25)
        film.width, film.height, film.pix_fmt = 64, 48, "yuv420p"
        for k in range(10):
            image = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
            image.pts = k
            box.mux(film.encode(image))
        box.mux(film.encode(None))
    with pytest.raises(InputError, match="no sound"):
        open_recording(path)


@needs_av
@pytest.mark.parametrize(("bit_rate", "cut"), [(32_000, True), (192_000, False)])
def test_low_bit_rates_give_a_band_limit(tmp_path: Path, bit_rate: int, cut: bool) -> None:
    x = taps(20.0) + noise(20.0, rms=0.004)
    path = encode(tmp_path / "a.m4a", x, bit_rate=bit_rate, options={})
    with open_recording(path) as recording:
        health = check_health(recording)
    if cut:
        assert health.usable_hz < 15_000
        assert "refused" in " ".join(health.bands.reasons)
    else:
        assert health.usable_hz > 15_000


@needs_av
@pytest.mark.parametrize("rail", [1.0, 0.6, 0.125])
def test_clipping_is_found_before_and_after_the_codec(tmp_path: Path, rail: float) -> None:
    clear = taps(10.0)
    x = np.clip(6 * rail * clear, -rail, rail).astype(np.float32)
    healths = [check_health(ArrayRecording(x, RATE))]
    for bit_rate in (64_000, 128_000, 256_000):
        with open_recording(encode(tmp_path / "a.m4a", x, bit_rate=bit_rate)) as recording:
            healths.append(check_health(recording))
        # Taps all equally strong, but not clipped, crowd at one height too.
        with open_recording(encode(tmp_path / "b.m4a", rail * clear, bit_rate=bit_rate)) as recording:
            assert len(check_health(recording).clipped) == 0
    for health in healths:
        assert health.levels.verdict == "bound only"
        assert not any("clip" in reason for reason in health.counts.reasons)
        found = health.clipped / RATE
        hit = [np.any((found[:, 1] > t - 0.002) & (found[:, 0] < t + 0.06)) for t in np.arange(0.25, 9.5, 0.5)]
        assert np.mean(hit) > 0.95
    for after in healths[1:] if rail < 1.0 else ():
        assert after.channels[0].rail == pytest.approx(rail, rel=0.12)
        assert "cut before the codec" in after.levels.reasons[0]


def test_without_the_extra_one_sentence_names_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.wav"  # by content, not by name
    path.write_bytes(struct.pack(">I4s4sI4s", 20, b"ftyp", b"M4A ", 0, b"isom") + struct.pack(">I4s", 8, b"moov"))
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(MissingExtraError, match=r"extra .phone.: .*pip install") as caught:
        open_recording(path)
    assert "\n" not in str(caught.value)
    assert "a.wav" in str(caught.value)
