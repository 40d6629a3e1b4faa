"""The same bits whatever is read at once, whoever works, and however decisions are cut."""

from __future__ import annotations

import functools
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.audio.recording import ArrayRecording, open_recording
from noisecheck.core.flags import Flag
from noisecheck.core.table import COLUMNS
from noisecheck.detect.alike import Alike
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import Onsets, merge_channels
from noisecheck.detect.decide import decide
from noisecheck.pipeline.decisions import WARM_TILES, Decisions, quiet_spans
from noisecheck.pipeline.listen import Heard, ListenSettings, listen
from noisecheck.pipeline.tiles import Reader, find_in_tiles, tiles_of

SETTINGS = ListenSettings()


def same(a: Heard, b: Heard) -> bool:
    """Whether two results agree in every bit."""
    columns = all(np.array_equal(a.impacts.data[c.name], b.impacts.data[c.name], equal_nan=True) for c in COLUMNS)
    onsets = all(
        np.array_equal(getattr(a.onsets, f.name), getattr(b.onsets, f.name), equal_nan=True) for f in fields(Onsets)
    )
    return columns and onsets and np.array_equal(a.quiet, b.quiet) and a.impacts.names == b.impacts.names


def heard(path: Path, **options: object) -> Heard:
    return listen(functools.partial(open_recording, path), settings=SETTINGS, **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def plain(stereo: Path) -> Heard:
    found = heard(stereo)
    assert len(found.impacts) > 1000
    return found


@pytest.mark.parametrize("block_s", [1.0, 7.0, 1e6])
def test_reading_blocks_change_no_bit(stereo: Path, plain: Heard, block_s: float) -> None:
    assert same(heard(stereo, block_s=block_s), plain)


@pytest.mark.parametrize("workers", [2, 3])
def test_workers_change_no_bit(stereo: Path, plain: Heard, workers: int) -> None:
    assert same(heard(stereo, workers=workers), plain)


def test_samples_in_memory_give_the_same(stereo: Path, plain: Heard) -> None:
    samples, rate = soundfile.read(stereo, dtype="float32", always_2d=True)
    assert same(listen(lambda: ArrayRecording(samples, rate), settings=SETTINGS), plain)


@pytest.mark.parametrize("workers", [1, 2])
def test_what_holds_samples_that_are_no_numbers_is_flagged(
    stereo: Path, plain: Heard, workers: int, tmp_path: Path
) -> None:
    samples, rate = soundfile.read(stereo, dtype="float32", always_2d=True)
    at = int(plain.impacts.data["frame"][0]) + 10
    samples[at, plain.impacts.data["channel"][0]] = np.nan
    soundfile.write(tmp_path / "broken.wav", samples, rate, subtype="FLOAT")
    found = heard(tmp_path / "broken.wav", workers=workers)
    assert len(found.impacts) == len(plain.impacts)
    assert found.impacts.flagged(Flag.NONFINITE)[[0, -1]].tolist() == [True, False]
    assert np.isnan(found.impacts["lae_db"][[0, -1]]).tolist() == [True, False]
    assert not found.impacts.flagged(Flag.DECAY_T20)[0]


def test_a_channel_without_numbers_spoils_no_other(stereo: Path, tmp_path: Path) -> None:
    samples, rate = soundfile.read(stereo, dtype="float32", always_2d=True)
    samples[:, 1] = np.nan
    soundfile.write(tmp_path / "broken.wav", samples[: 8 * rate], rate, subtype="FLOAT")
    found = heard(tmp_path / "broken.wav").impacts
    assert len(found) > 0
    assert set(found["channel"].tolist()) == {0}
    assert not np.isnan(found["lae_db"]).any()


def test_levels_follow_calibration(stereo: Path, plain: Heard) -> None:
    loud = heard(stereo, offset_db=np.array([100.0, 90.0]))
    assert set(loud.impacts["db_re"]) == {"20 uPa"}
    assert set(plain.impacts["db_re"]) == {"full scale"}
    assert plain.impacts.flagged(Flag.UNCALIBRATED).all()
    assert not loud.impacts.flagged(Flag.UNCALIBRATED).any()
    added = np.where(plain.impacts["channel"] == 0, 100.0, 90.0)
    np.testing.assert_allclose(loud.impacts["lae_db"] - plain.impacts["lae_db"], added, atol=2e-5)


def test_deciding_tile_by_tile_is_deciding_at_once(stereo: Path) -> None:
    """Against the plain way: all candidates of the run decided and merged in one go."""
    recording = open_recording(stereo)
    rate, tiles = recording.rate, tiles_of(recording.rate, recording.frames)
    found = find_in_tiles(Reader(recording), tiles)
    whole = [Candidates.concat([tile[c] for tile in found]) for c in range(2)]
    whole = [c.where(c.onset < recording.frames - int(0.003 * rate)) for c in whole]
    odds = [decide(c, rate, SETTINGS.detect.shared_by(2)) for c in whole]
    expected = Alike(rate, 2).retimed(merge_channels(whole, odds, rate, spread_s=SETTINGS.spread_s), whole)
    for give_from in (0, 2, 5, 6):
        decisions = Decisions(
            tiles, rate, 2, detect=SETTINGS.detect, spread_s=SETTINGS.spread_s, longest_s=4.0, give_from=give_from,
            first=None if not give_from else [c.where(np.arange(1)) for c in whole],
        )  # fmt: skip
        given = [tile for part in found[max(0, give_from - WARM_TILES) :] for tile in decisions.take(part)]
        assert [(t.start, t.stop) for t in given] == tiles[give_from:]
        later = expected.where(expected.frame >= tiles[give_from][0])
        for f in fields(Onsets):
            joined = np.concatenate([getattr(t.onsets, f.name) for t in given])
            np.testing.assert_array_equal(joined, getattr(later, f.name), err_msg=f"{f.name} from {give_from}")
        limits = np.concatenate([t.limits for t in given])
        assert (limits > later.own_arrival).all()
        assert (limits[:-1] <= np.maximum(later.arrival[1:].max(axis=1), later.own_arrival[:-1] + 1)).all()


def test_quiet_spans_keep_clear_of_what_sounds() -> None:
    busy = np.array([500, 8_000, 30_000, 62_000], np.int64)
    spans = quiet_spans(busy, 1_000, 1_000, 60_000)
    np.testing.assert_array_equal(spans, [[1_000, 7_994], [8_300, 29_994], [30_300, 60_000]])
    crowded = np.arange(0, 60_000, 200, dtype=np.int64)
    spans = quiet_spans(crowded, 1_000, 1_000, 60_000)
    assert (spans[:, 1] - spans[:, 0]).sum() > 0.1 * 59_000
    assert (np.diff(spans, axis=1) > 0).all()
    np.testing.assert_array_equal(quiet_spans(np.empty(0, np.int64), 1_000, 0, 500), [[0, 500]])


@pytest.mark.parametrize("frames", [1, 10, 400, 8_001])
@pytest.mark.parametrize("workers", [1, 2])
def test_short_and_silent_recordings_are_empty_tables(frames: int, workers: int) -> None:
    silent = functools.partial(ArrayRecording, np.zeros((frames, 2), np.float32), 8_000)
    found = listen(silent, settings=SETTINGS, workers=workers)
    assert len(found.impacts) == 0
    assert set(found.impacts.data) == {c.name for c in COLUMNS}
    assert found.onsets.arrival.shape == (0, 2)


def test_reader_gives_what_the_recording_holds() -> None:
    rng = np.random.default_rng(0)
    samples = rng.standard_normal((200_000, 2)).astype(np.float32)
    for block_s in (None, 0.01, 0.37):
        reader = Reader(ArrayRecording(samples, 1_000), block_s)
        for _ in range(60):
            start = int(rng.integers(200_000))
            stop = start + int(rng.integers(90_000))
            np.testing.assert_array_equal(reader.read(start, stop), samples[start:stop])
        for start in range(0, 140_000, 60_000):
            np.testing.assert_array_equal(
                reader.read(start - 6_000, start + 60_100), samples[max(start - 6_000, 0) : start + 60_100]
            )
            np.testing.assert_array_equal(
                reader.read(start - 62_000, start + 4_000), samples[max(start - 62_000, 0) : start + 4_000]
            )


def test_the_measuring_path_imports_nothing_heavy(mono: Path) -> None:
    code = (
        "import functools, sys\n"
        "from pathlib import Path\n"
        "from noisecheck.pipeline.files import measure_files\n"
        "from noisecheck.pipeline.listen import ListenSettings\n"
        f"assert len(measure_files([Path({str(mono)!r})], settings=ListenSettings()).impacts) > 100\n"
        "heavy = ['scipy.signal', 'scipy.stats', 'scipy.optimize', 'sklearn', 'matplotlib', 'numba', 'librosa',"
        " 'pandas', 'joblib', 'dask']\n"
        "print([m for m in heavy if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
