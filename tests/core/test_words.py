"""Errors, flags and provenance: what is stored or printed, and must not change its meaning."""

from __future__ import annotations

import json
import platform
from importlib.metadata import version

import numpy as np
import pytest

from noisecheck.core.errors import InputError, MissingExtraError, NoisecheckError, nearest, one_line
from noisecheck.core.flags import FLAG_MEANING, Flag, flag_words
from noisecheck.core.provenance import provenance
from noisecheck.core.table import Impacts


def test_errors_a_user_can_cause_are_value_errors_too() -> None:
    assert issubclass(InputError, ValueError)
    assert issubclass(InputError, NoisecheckError)
    assert issubclass(MissingExtraError, InputError)


def test_nearest_names_the_likely_word_or_nothing() -> None:
    assert nearest("landnig", ["bend", "landing"]) == " (did you mean 'landing'?)"
    assert nearest("TAKE1.WAV", ["take1.wav", "taps.wav"]) == " (did you mean 'take1.wav'?)"
    assert nearest("zzz", ["bend", "landing"]) == ""
    assert nearest("x", []) == ""


@pytest.mark.parametrize("text", ["a\nb", "a\r\tb", "a\x1b[31mb", "a\u202eb", "a\x00b", "a\u2028b"])
def test_a_message_stays_one_safe_line(text: str) -> None:
    line = one_line(text)
    assert line.isprintable()
    assert len(line.splitlines()) == 1
    assert line.startswith("a")
    assert line.endswith("b")


def test_one_line_leaves_ordinary_text_alone() -> None:
    assert one_line("Übung 3 – 漢字 'x' \"y\"") == "Übung 3 – 漢字 'x' \"y\""


FROZEN = [
    "clipped",
    "overlapped",
    "low_margin",
    "file_edge",
    "uncalibrated",
    "unplaced",
    "truncated",
    "band_limited",
    "no_decay",
    "decay_t10",
    "bound",
    "nonfinite",
    "gain_riding",
    "no_background",
    "decay_t20",
    "corrected",
    "reference",
    "drifted",
    "scheduled",
    "codec_noise",
    "machine",
    "dropout",
]


def test_flag_values_are_frozen() -> None:
    """Results on disk hold the mask: a bit keeps its meaning for ever, new ones go behind."""
    assert [flag_words(1 << bit) for bit in range(len(FROZEN))] == FROZEN
    assert [int(f) for f in Flag] == [1 << bit for bit in range(len(Flag))]


def test_every_flag_says_what_it_means() -> None:
    assert set(FLAG_MEANING) == set(Flag)
    assert all(FLAG_MEANING[f] and one_line(FLAG_MEANING[f]) == FLAG_MEANING[f] for f in Flag)


def test_every_flag_of_a_mask_is_a_word() -> None:
    rng = np.random.default_rng(1)
    for mask in [0, *rng.integers(0, 1 << len(Flag), 50).tolist()]:
        assert sum(Flag[word.upper()] for word in flag_words(mask).split(";") if word) == mask
    assert flag_words(0) == ""
    assert flag_words(int(Flag.BOUND | Flag.CLIPPED)) == "clipped;bound"


def test_flagged_asks_for_any_of_the_flags() -> None:
    table = Impacts.of(5, flags=[0, 1, 2, 3, 4])
    assert table.flagged(Flag.CLIPPED).tolist() == [False, True, False, True, False]
    assert table.flagged(Flag.CLIPPED | Flag.LOW_MARGIN).tolist() == [False, True, False, True, True]


def test_provenance_names_what_can_change_a_number() -> None:
    found = provenance()
    assert found["python"] == platform.python_version()
    assert {name: found[name] for name in ("numpy", "scipy")} == {n: version(n) for n in ("numpy", "scipy")}
    assert json.loads(json.dumps(found)) == found
