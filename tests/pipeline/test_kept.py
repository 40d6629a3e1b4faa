"""What is heard is kept, also when another process takes the pieces away meanwhile."""

from __future__ import annotations

import functools
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from noisecheck.audio.split import join_recordings
from noisecheck.pipeline import kept
from noisecheck.pipeline.kept import catalogue_of, key_of, listen_once
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.pipeline.parts import PartsGone


def test_a_folder_that_goes_while_a_piece_is_written_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    path = tmp_path / "a.wav"
    soundfile.write(path, rng.normal(0, 1e-3, 8000), 8000, subtype="PCM_16")
    replace = os.replace

    def taken(source: Any, target: Any) -> None:
        os.unlink(source)
        replace(source, target)

    monkeypatch.setattr(os, "replace", taken)
    with pytest.raises(PartsGone):
        listen(
            functools.partial(join_recordings, (path,)), settings=ListenSettings(), unfinished=tmp_path / "unfinished"
        )


@pytest.mark.parametrize("other_keeps", [False, True])
def test_a_run_whose_pieces_vanish_is_kept_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, other_keeps: bool
) -> None:
    """Two processes that join the pieces of one run at once remove each other's: neither may end without an entry."""
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1e-3, 8000 * 4)
    for at in range(8000, 30000, 6000):
        x[at : at + 400] += rng.normal(0, 0.3, 400) * np.exp(-np.arange(400) / 100)
    path = tmp_path / "a.wav"
    soundfile.write(path, x, 8000, subtype="PCM_16")
    catalogue = catalogue_of(tmp_path)
    once = functools.partial(
        listen_once, functools.partial(join_recordings, (path,)), settings=ListenSettings(), run="a", paths=(path,)
    )
    key = key_of(catalogue, "a", (path,), settings=ListenSettings(), offset_db=None)
    others = tmp_path / "results" / "unfinished" / key.text / "0000000-0000001.npz"

    def gone(opened: Any, *, unfinished: Path | None = None, **options: Any) -> Any:
        if unfinished is None:
            return listen(opened, **options)
        unfinished.mkdir(parents=True, exist_ok=True)
        others.write_bytes(b"the other's piece")
        if other_keeps:
            with monkeypatch.context() as plain:
                plain.setattr(kept, "listen", listen)
                others.unlink()
                once(catalogue=catalogue)
        raise PartsGone("a piece")

    with monkeypatch.context() as patched:
        patched.setattr(kept, "listen", gone)
        first = once(catalogue=catalogue)
    assert len(first.heard.impacts) > 0
    assert catalogue.load(key) is not None
    monkeypatch.setattr(kept, "listen", None)  # nothing is heard again
    again = once(catalogue=catalogue)
    assert again.heard.impacts["frame"].tolist() == first.heard.impacts["frame"].tolist()
