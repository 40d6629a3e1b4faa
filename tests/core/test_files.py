"""Files are whole or as they were, whatever fails."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from noisecheck.core.errors import InputError
from noisecheck.core.files import csv_text, fingerprint, replaced, write_together


def _broken() -> Iterator[str]:
    yield "half"
    raise RuntimeError("no more")


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    old = tmp_path / "a.csv"
    old.write_text("old")
    with pytest.raises(RuntimeError, match="no more"):
        write_together({old: "new", tmp_path / "b.csv": _broken()})
    with pytest.raises(RuntimeError, match="no more"), replaced(old) as file:
        file.writelines(piece.encode() for piece in _broken())
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
    assert old.read_text() == "old"


def test_a_rename_that_fails_takes_new_files_away(tmp_path: Path) -> None:
    (tmp_path / "b.csv").mkdir()
    with pytest.raises(InputError, match="cannot be written"):
        write_together({tmp_path / "a.csv": "new", tmp_path / "b.csv": "new"})
    assert [p.name for p in tmp_path.iterdir()] == ["b.csv"]


def test_folders_are_made_and_content_of_each_kind_is_written(tmp_path: Path) -> None:
    paths = [tmp_path / "x" / "a", tmp_path / "x" / "y" / "b", tmp_path / "c"]
    assert write_together(dict(zip(paths, ("ä\n", b"\x00", iter(["1,", "2\n"])), strict=True))) == paths
    assert [p.read_bytes() for p in paths] == ["ä\n".encode(), b"\x00", b"1,2\n"]
    with replaced(paths[0]) as file:
        file.write(b"new")
    assert paths[0].read_bytes() == b"new"


@pytest.mark.skipif(os.name == "nt", reason="modes are POSIX's")
def test_others_may_read_them_as_far_as_the_user_lets_them(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_together({tmp_path / "a": "x"})
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o640


def test_what_cannot_be_written_is_named_as_it_was_asked_for(tmp_path: Path) -> None:
    wanted = tmp_path / ("x" * 245 + ".csv")  # the file beside it has a longer name than systems allow
    with pytest.raises(InputError, match=f"{wanted.name}: cannot be written"):
        write_together({wanted: "new"})


def test_a_fingerprint_follows_content_not_name(tmp_path: Path) -> None:
    a, b, c, d = (tmp_path / n for n in "abcd")
    content = os.urandom(3_000_000)
    for path, written in ((a, content), (b, content), (c, content + b"x"), (d, content[:-1])):
        path.write_bytes(written)
    assert fingerprint(a) == fingerprint(b) == hashlib.sha256(content).hexdigest()
    assert len({fingerprint(p) for p in (a, c, d)}) == 3


@pytest.mark.parametrize("path", ["none.wav", ".", "a\0b.wav"])
def test_what_has_no_fingerprint_is_said(tmp_path: Path, path: str) -> None:
    with pytest.raises(InputError, match="cannot be read") as caught:
        fingerprint(tmp_path / path)
    assert str(caught.value).isprintable()


def test_csv_quotes_only_what_must_be() -> None:
    assert csv_text([["run", "note"], ["a;b", None], ['say "x"', 1.5]], ";") == 'run;note\n"a;b";\n"say ""x""";1.5\n'
