"""Broken and hostile files: one sentence or a flagged result, in bounded time and memory, never a traceback."""

from __future__ import annotations

import functools
import importlib.util
import tempfile
import time
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from malformed import LIBRARY, broken, seeds

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import open_recording
from noisecheck.core.errors import InputError

MOST_S = 10.0
"""More than any file here takes on a busy machine; a hang takes for ever."""


def outcome(path: Path) -> str:
    """Return what became of a file: the sentence, or ``read``; fails on anything else, or where it took too long."""
    began = time.monotonic()
    try:
        with open_recording(path) as recording:
            assert recording.frames > 0
            assert recording.rate > 0
            assert recording.channels > 0
            for first in (0, recording.frames // 2, recording.frames - 10):
                data = recording.read(first, min(first + 4000, recording.frames))
                assert np.isfinite(data).all()
                assert data.shape[1] == recording.channels
            if recording.frames * recording.channels < 5_000_000:
                health = check_health(recording)
                assert all(isinstance(s, str) and "\n" not in s for s in health.sentences())
            said = "read " + "; ".join(recording.notes)
    except InputError as error:
        said = str(error)
    assert said
    assert said.isprintable()
    assert time.monotonic() - began < MOST_S, said
    return said


def test_more_than_a_hundred_malformed_files(tmp_path: Path) -> None:
    made = seeds(tmp_path)
    count = told = 0
    for number, (name, content) in enumerate(broken(made)):
        path = tmp_path / f"{number} {name}"
        path.write_bytes(content)
        said = outcome(path)
        assert path.read_bytes() == content
        count += 1
        told += said != "read "
        if name.startswith("cut "):
            assert said != "read ", name  # a cut-off file is never taken for a whole one
    assert count >= 100
    assert told >= 60


@functools.cache
def made() -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        return seeds(Path(folder))


NAMES = [*LIBRARY, "bwf.wav", *(["a.m4a", "fragments.mp4"] if importlib.util.find_spec("av") else [])]


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    content = bytearray(made()[draw(st.sampled_from(NAMES))])
    for _ in range(draw(st.integers(1, 4))):
        reach = draw(st.sampled_from([64, 300, len(content)]))  # headers are where it matters
        at = draw(st.integers(0, max(min(reach, len(content)) - 1, 0)))
        how = draw(st.sampled_from(["set", "cut", "drop", "insert", "word", "swap"]))
        if how == "set":
            content[at : at + 1] = bytes([draw(st.integers(0, 255))])
        elif how == "cut":
            del content[at + 1 :]
        elif how == "drop":
            del content[at : at + draw(st.integers(1, 2000))]
        elif how == "insert":
            content[at:at] = draw(st.binary(min_size=1, max_size=40))
        elif how == "word":
            word = draw(st.sampled_from([0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF, 0x100]))
            content[at : at + 4] = word.to_bytes(4, draw(st.sampled_from(["little", "big"])))
        else:
            other = made()[draw(st.sampled_from(NAMES))]
            content[at : at + 64] = other[at : at + 64]
    return bytes(content)


@settings(max_examples=250, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(mutated())
def test_mutated_files_give_a_result_or_a_sentence(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a"
        path.write_bytes(content)
        outcome(path)
