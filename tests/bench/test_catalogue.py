"""Columns on disk and the catalogue: whole or not at all, found by content, never wrong."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from unittest.mock import Mock

import numpy as np
import pytest

from noisecheck.bench.catalogue import Catalogue, code_digest
from noisecheck.bench.columns import Damaged, Stream, read_columns, write_columns
from noisecheck.core.files import TEMPORARY, fingerprint

COLUMNS = {
    "frame": np.arange(500, dtype=np.int64) * 7,
    "bands": np.linspace(-90, 0, 15_000, dtype=np.float32).reshape(500, 30),
    "nothing": np.empty((0, 3), np.int64),
    "flags": np.full(500, 3, np.uint32),
}


def test_columns_come_back_and_numpy_reads_them(tmp_path: Path) -> None:
    path = tmp_path / "x.npz"
    write_columns(path, COLUMNS, {"rate": 48_000})
    stored = read_columns(path)
    assert stored.document == {"rate": 48_000}
    assert list(stored.arrays) == list(COLUMNS)
    with np.load(path, allow_pickle=False) as plain:
        for name, column in COLUMNS.items():
            assert stored.arrays[name].dtype == column.dtype
            np.testing.assert_array_equal(stored.arrays[name], column)
            np.testing.assert_array_equal(plain[name], column)
    assert [p.name for p in tmp_path.iterdir()] == ["x.npz"]


def test_large_columns_are_mapped_on_boundaries(tmp_path: Path) -> None:
    path = tmp_path / "x.npz"
    large = {"odd": np.arange(3, dtype=np.int8), "level": np.random.default_rng(0).random(700_000)}
    write_columns(path, large, {})
    stored = read_columns(path)
    assert isinstance(stored.arrays["level"], np.memmap)
    assert stored.arrays["level"].ctypes.data % 64 == 0
    np.testing.assert_array_equal(stored.arrays["level"], large["level"])
    assert list(read_columns(path, ["odd"]).arrays) == ["odd"]


def test_streams_must_keep_their_word(tmp_path: Path) -> None:
    path = tmp_path / "x.npz"
    pieces = [np.arange(4.0), np.arange(3.0)]
    write_columns(path, {"a": Stream(np.dtype(np.float64), (7,), pieces)}, {})
    np.testing.assert_array_equal(read_columns(path).arrays["a"], np.concatenate(pieces))
    before = path.read_bytes()
    for shape, dtype in (((8,), np.float64), ((7,), np.float32)):
        with pytest.raises(ValueError, match="column 'a'"):
            write_columns(path, {"a": Stream(np.dtype(dtype), shape, pieces)}, {})
    with pytest.raises(ValueError, match="Python objects"):
        write_columns(path, {"a": np.array([None])}, {})
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["x.npz"]


def test_every_damaged_byte_is_noticed(tmp_path: Path) -> None:
    """Each byte that carries a value, flipped on its own, is noticed; elsewhere the values still come back right."""
    path = tmp_path / "x.npz"
    columns = {"a": np.arange(40, dtype=np.int64), "b": np.arange(5, dtype=np.float32)}
    write_columns(path, columns, {"rate": 1})
    whole = path.read_bytes()
    values = whole.find(columns["a"].tobytes())
    noticed = 0
    for at in range(len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        try:
            stored = read_columns(path)
        except Damaged:
            noticed += 1
            continue
        assert not values <= at < values + columns["a"].nbytes
        assert list(stored.arrays) == list(columns)
        assert all(np.array_equal(stored.arrays[n], columns[n]) for n in columns), at
        assert stored.document == {"rate": 1}
    assert noticed > columns["a"].nbytes
    for length in range(0, len(whole), 13):
        path.write_bytes(whole[:length])
        with pytest.raises(Damaged):
            read_columns(path)
    with pytest.raises(FileNotFoundError):
        read_columns(tmp_path / "absent.npz")


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    folder = tmp_path / "clock"
    folder.mkdir()
    (folder / "take.wav").write_bytes(b"sound" * 1000)
    long_ago = time.time() - 3600
    os.utime(folder / "take.wav", (long_ago, long_ago))
    return folder


def keep(folder: Path, *, run: str = "take", setting: float = 0.1, code: str = "c1") -> tuple[Catalogue, object]:
    catalogue = Catalogue(folder)
    key = catalogue.key(run, [folder / "take.wav"], {"dial": setting}, code=code)
    catalogue.store(key, COLUMNS, {"rate": 48_000})
    return catalogue, key


def test_kept_results_are_found_again_and_move_with_the_folder(campaign: Path, tmp_path: Path) -> None:
    keep(campaign)
    moved = tmp_path / "elsewhere"
    campaign.rename(moved)
    catalogue = Catalogue(moved)
    key = catalogue.key("take", [moved / "take.wav"], {"dial": 0.1}, code="c1")
    assert catalogue.standing(key).state == "kept"
    stored = catalogue.load(key)
    assert stored is not None
    np.testing.assert_array_equal(stored.arrays["bands"], COLUMNS["bands"])
    for path in (moved / "results").rglob("*.json"):
        assert str(tmp_path) not in path.read_text()


def test_a_run_of_another_name_with_the_same_content_is_found(campaign: Path) -> None:
    catalogue, _ = keep(campaign)
    key = catalogue.key("other name", [campaign / "take.wav"], {"dial": 0.1}, code="c1")
    assert catalogue.load(key) is not None


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("recording", "the recording changed"),
        ("setting", "the settings changed"),
        ("code", "this version measures differently"),
        ("both", "the recording changed and the settings changed"),
    ],
)
def test_what_made_results_stale_is_said(campaign: Path, change: str, why: str) -> None:
    catalogue, _ = keep(campaign)
    if change in ("recording", "both"):
        (campaign / "take.wav").write_bytes(b"noise" * 1000)
    key = catalogue.key(
        "take",
        [campaign / "take.wav"],
        {"dial": 0.2 if change in ("setting", "both") else 0.1},
        code="c2" if change == "code" else "c1",
    )
    standing = catalogue.standing(key)
    assert (standing.state, standing.why) == ("stale", why)
    assert standing.sentence == f"run take: results are stale ({why}); measured again"
    assert catalogue.load(key) is None


def test_a_new_run_is_new_and_a_damaged_entry_is_damaged(campaign: Path) -> None:
    catalogue, key = keep(campaign)
    assert catalogue.standing(catalogue.key("fresh", [campaign / "take.wav"], {}, code="c1")).state == "new"
    (entry,) = (campaign / "results").glob("take.*.npz")
    content = bytearray(entry.read_bytes())
    content[len(content) // 2] ^= 0xFF
    entry.write_bytes(bytes(content))
    assert catalogue.load(key) is None  # type: ignore[arg-type]
    assert catalogue.standing(key).state == "damaged"  # type: ignore[arg-type]
    catalogue.store(key, COLUMNS, {})  # type: ignore[arg-type]
    assert catalogue.standing(key).state == "kept"  # type: ignore[arg-type]


def test_recordings_are_hashed_once_until_touched(campaign: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    counted = Mock(wraps=fingerprint)
    monkeypatch.setattr("noisecheck.bench.catalogue.fingerprint", counted)
    catalogue = Catalogue(campaign)
    take = campaign / "take.wav"
    # Its inode was made a moment ago: not yet remembered, whatever its date says.
    first = catalogue.recording_digest(take)
    assert catalogue.recording_digest(take) == first
    assert counted.call_count == 2
    assert not catalogue.remembers([take])
    time.sleep(3.2)
    assert [catalogue.recording_digest(take) for _ in range(3)] == [first] * 3
    assert counted.call_count == 3
    assert catalogue.remembers([take])
    assert counted.call_count == 3
    # The same size and date, set back on purpose: noticed all the same.
    status = take.stat()
    take.write_bytes(b"sOund" * 1000)
    os.utime(take, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert catalogue.recording_digest(take) != first
    for broken in ("", "[1, 2", '{"take.wav": 5}', '{"take.wav": {"stamp": null}}', "\0\0"):
        (campaign / "results" / "recordings.json").write_text(broken)
        assert catalogue.recording_digest(take) != first


def test_nothing_of_others_is_removed(campaign: Path) -> None:
    results = campaign / "results"
    results.mkdir()
    foreign = [results / n for n in ("notes.txt", "take.npz", ".hidden", "take.backup.npz", "mine.unfinished")]
    for path in foreign:
        path.write_text("mine")
    dead = results / f".take.npz.1-0{TEMPORARY}"
    dead.write_text("left by a crash")
    os.utime(dead, (1, 1))
    for setting in range(8):
        keep(campaign, setting=float(setting))
    assert all(p.read_text() == "mine" for p in foreign)
    assert not dead.exists()
    entries = [p for p in results.glob("take.*.npz") if len(p.name.split(".")[1]) == 32]
    assert 4 <= len(entries) <= 5
    catalogue, _ = keep(campaign, setting=7.0)
    assert catalogue.load(catalogue.key("take", [campaign / "take.wav"], {"dial": 7.0}, code="c1")) is not None


@pytest.mark.parametrize("run", ["take 1", "take/1", "täke", "../../etc", "take.1", "a" * 300, "."])
def test_any_run_name_makes_a_file_in_the_folder(campaign: Path, run: str) -> None:
    keep(campaign, run=run)
    (entry,) = (campaign / "results").glob("*.npz")
    assert entry.parent == campaign / "results"


def test_code_digest_follows_the_code() -> None:
    assert code_digest("core", "bench/columns") == code_digest("core", "bench/columns")
    assert code_digest("core") != code_digest("core", "bench/columns")
    with pytest.raises(FileNotFoundError):
        code_digest("no/such/module")


WRITER = """
import sys, json
from pathlib import Path
import numpy as np
from noisecheck.bench.columns import write_columns
turn = 0
while True:
    turn += 1
    rows = 1000 + turn % 7
    columns = {"a": np.full(rows, turn), "b": np.full((rows, 30), turn, np.float32)}
    write_columns(Path(sys.argv[1]), columns, {"turn": turn})
    print(turn, flush=True)
"""


def test_killed_or_crowded_writers_never_leave_half_a_file(tmp_path: Path) -> None:
    """Two processes write the same entry over and over and are killed at random moments: what is there is whole."""
    path = tmp_path / "entry.npz"
    rng = np.random.default_rng(5)
    for _ in range(6):
        writers = [
            subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True)
            for _ in range(2)
        ]
        for writer in writers:
            assert writer.stdout is not None
            writer.stdout.readline()
        until = time.monotonic() + rng.uniform(0.02, 0.25)
        while time.monotonic() < until:
            whole(path)
        for writer in writers:
            writer.kill()
            writer.communicate()
        whole(path)
    left = [p.name for p in tmp_path.iterdir() if p != path]
    assert len(left) <= 12
    assert all(name.endswith(TEMPORARY) for name in left)


def whole(path: Path) -> None:
    stored = read_columns(path)
    turn = stored.document["turn"]
    assert len(stored.arrays["a"]) == len(stored.arrays["b"]) == 1000 + turn % 7
    assert (stored.arrays["a"] == turn).all()
    assert (stored.arrays["b"] == turn).all()
    json.dumps(stored.document)
