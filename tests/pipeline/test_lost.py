"""Sound that was lost is time not listened to; what a noise gate silences is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.audio.health import check_health
from noisecheck.audio.recording import ArrayRecording
from noisecheck.bench.campaign import load_campaign
from noisecheck.bench.runsheet import Run
from noisecheck.core.table import Impacts
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.decisions import joined_onsets
from noisecheck.pipeline.lost import at_return, lost_spans
from noisecheck.pipeline.run import RunResult

RATE = 8000
SPANS = [(1.0, 1.5), (2.5, 4.0), (5.0, 5.05)]


def _found(*, impacts: int = 40, channels: int = 1, whole: int = 0) -> list[float]:
    rng = np.random.default_rng(3)
    samples = (0.01 * rng.standard_normal((6 * RATE, channels))).astype(np.float32)
    for start, stop in SPANS:
        samples[int(start * RATE) : int(stop * RATE), whole:] = 0.0
    health = check_health(ArrayRecording(samples, RATE))
    return [round(t, 2) for span in lost_spans(Impacts.of(impacts), health) for t in span]


def test_lost_sound_is_not_listened_to() -> None:
    assert _found() == [1.0, 1.5, 2.5, 4.0]


def test_a_gate_closes_after_every_drop() -> None:
    assert _found(impacts=12) == []


@pytest.mark.parametrize(("whole", "found"), [(0, [1.0, 1.5, 2.5, 4.0]), (1, [])])
def test_one_microphone_that_goes_on_listens(whole: int, found: list[float]) -> None:
    assert _found(channels=2, whole=whole) == found


def test_sound_that_comes_back_is_nothing_struck(tmp_path: Path) -> None:
    """It was a stray, 1,850 : 1."""
    rng = np.random.default_rng(5)
    samples = 0.003 * rng.standard_normal(9 * RATE)
    ring = np.exp(-np.arange(800) / 80.0) * np.sin(2.1 * np.arange(800))
    for k in range(14):
        samples[(k + 1) * 4000 : (k + 1) * 4000 + 800] += 0.3 * ring
    samples[36000:48500] = 0.0
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    (tmp_path / "runs.csv").write_text("run,file\na,a.wav\n")
    (run,) = measure_campaign(load_campaign(tmp_path)).runs
    assert run.not_listened_s == ((4.5, 6.0625),)
    times = run.impacts["time_s"]
    assert len(times) > 8
    assert not np.any(np.abs(times - 6.0625) < 0.01)


@pytest.mark.parametrize("margin_db", [8.0, 40.0])
def test_what_stands_far_out_where_sound_comes_back_was_struck(margin_db: float) -> None:
    """A gate opens for the first of many balls: each first one after a pause was lost."""
    found = Impacts.of(4, frame=[48483, 48484, 48516, 48517], margin_db=margin_db)
    back = at_return(found, [(4.5, 6.0625)], RATE).tolist()
    assert back == [False, margin_db < 10.0, margin_db < 10.0, False]


def test_sound_lost_on_both_sides_of_a_joint_is_counted_once() -> None:
    run = RunResult(Run("a", ("a.wav", "b.wav")), Impacts.empty(), joined_onsets([], 1), RATE, 9.0, 1, (),
                    gaps_s=((2.0, 4.0), (7.0, 8.0)), lost_s=((1.5, 4.5), (6.0, 6.5)))  # fmt: skip
    assert run.not_listened_s == ((1.5, 4.5), (6.0, 6.5), (7.0, 8.0))
