"""A recorder's split files as one recording."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavs import RATE, bext, noise, wav

from noisecheck.audio.recording import open_recording
from noisecheck.audio.split import JoinedRecording, join_recordings, natural_order
from noisecheck.core.errors import InputError


def test_numbers_in_names_are_numbers() -> None:
    names = [
        "b.wav",
        "take10.wav",
        "take2.wav",
        "take1.wav",
        "Take03.wav",
        "take2b.wav",
        "2026-1-9.wav",
        "2026-1-10.wav",
    ]
    assert [p.name for p in natural_order(names)] == [
        "2026-1-9.wav", "2026-1-10.wav", "b.wav", "take1.wav", "take2.wav", "take2b.wav", "Take03.wav", "take10.wav",
    ]  # fmt: skip


def parts(folder: Path, starts: list[int | None], *, seconds: float = 2.0) -> tuple[list[Path], np.ndarray]:
    x = noise(seconds * len(starts))
    size = len(x) // len(starts)
    paths = []
    for k, start in enumerate(starts):
        extra = [] if start is None else [bext(start)]
        paths.append(wav(folder / f"take {k + 1}.wav", x[k * size : (k + 1) * size], *extra))
    return paths, x


def test_parts_read_as_one(tmp_path: Path) -> None:
    paths, x = parts(tmp_path, [36000 * RATE + 2 * RATE * k for k in range(12)])
    with join_recordings(list(reversed(paths))) as joined:
        assert isinstance(joined, JoinedRecording)
        assert joined.gaps == ()
        assert joined.notes == ()
        assert (joined.frames, joined.start_frame) == (len(x), 36000 * RATE)
        np.testing.assert_array_equal(joined.read(0, len(x)), x)
        np.testing.assert_array_equal(joined.read(2 * RATE - 5, 6 * RATE + 7), x[2 * RATE - 5 : 6 * RATE + 7])
        assert joined.read(len(x) - 3, len(x) + 9).shape == (3, 1)


def test_a_gap_is_time_not_listened_to(tmp_path: Path) -> None:
    paths, x = parts(tmp_path, [10**6, 10**6 + 2 * RATE, 10**6 + 4 * RATE + 72000])
    with join_recordings(paths) as joined:
        assert isinstance(joined, JoinedRecording)
        assert [(g.frame, g.seconds, g.exact) for g in joined.gaps] == [(4 * RATE, pytest.approx(1.5), True)]
        assert "not listened to" in " ".join(joined.notes)
        assert joined.frames == len(x)


def test_a_gap_over_midnight(tmp_path: Path) -> None:
    x = noise(2.0)
    late = wav(tmp_path / "1.wav", x, bext(86399 * RATE, clock="23:59:59"))
    early = wav(tmp_path / "2.wav", x, bext(3 * RATE, day="2026-05-05", clock="00:00:03"))
    with join_recordings([late, early]) as joined:
        assert isinstance(joined, JoinedRecording)
        assert [g.seconds for g in joined.gaps] == [pytest.approx(2.0)]


def test_overlap_is_said(tmp_path: Path) -> None:
    paths, _ = parts(tmp_path, [10**6, 10**6 + RATE])
    with join_recordings(paths) as joined:
        assert isinstance(joined, JoinedRecording)
        assert [g.seconds for g in joined.gaps] == [pytest.approx(-1.0)]
        assert "overlap" in " ".join(joined.notes)


def test_files_without_clocks_say_so(tmp_path: Path) -> None:
    paths, _ = parts(tmp_path, [None, None, None])
    with join_recordings(paths) as joined:
        assert "2 of 2 joints" in " ".join(joined.notes)


@pytest.mark.parametrize(("rate", "channels"), [(44100, 1), (RATE, 2)])
def test_other_formats_are_no_part(tmp_path: Path, rate: int, channels: int) -> None:
    first = wav(tmp_path / "1.wav", noise(1.0))
    second = wav(tmp_path / "2.wav", noise(1.0, channels), rate=rate)
    with pytest.raises(InputError, match="not parts of one recording") as caught:
        join_recordings([first, second])
    assert "\n" not in str(caught.value)
    with pytest.raises(InputError, match="no recording"):
        join_recordings([])


def test_other_sample_types_join_and_say_so(tmp_path: Path) -> None:
    x = noise(1.0)
    first = wav(tmp_path / "1.wav", x)
    second = tmp_path / "2.wav"
    soundfile.write(second, x, RATE, subtype="FLOAT")
    with join_recordings([first, second]) as joined:
        assert joined.coding == "float"
        assert "stored as FLOAT" in " ".join(joined.notes)
        np.testing.assert_array_equal(joined.read(0, joined.frames), np.concatenate([x, x]))


def test_bad_samples_are_placed_in_the_whole(tmp_path: Path) -> None:
    for k, bad in enumerate([None, 700]):
        x = noise(1.0)
        if bad:
            x[bad : bad + 4] = np.inf
        soundfile.write(tmp_path / f"{k}.wav", x, RATE, subtype="FLOAT")
    with join_recordings([tmp_path / "0.wav", tmp_path / "1.wav"]) as joined:
        joined.read(0, joined.frames)
        assert joined.nonfinite.tolist() == [[RATE + 700, RATE + 704]]


@pytest.mark.parametrize("reference", [0, 5 * 3600 * RATE])
def test_the_start_time_of_a_broadcast_wav(tmp_path: Path, reference: int) -> None:
    path = wav(tmp_path / "a.wav", noise(1.0), bext(reference))
    with open_recording(path) as recording:
        assert recording.started is not None
        assert recording.notes == ()
        expected = ("2026-05-04T10:11:12", None) if not reference else ("2026-05-04T05:00:00", reference)
        assert (recording.started.isoformat(), recording.start_frame) == expected
