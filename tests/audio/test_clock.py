"""Two clocks set against each other, on simulated onsets with known rate errors, and from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import stats

from noisecheck.audio.clock import clock_between
from noisecheck.cli import main


def run(rng: np.random.Generator, seconds: float, period_s: float = 0.9) -> np.ndarray:
    """Impacts of balls at an even pace passing three stations, with jitter."""
    count = int(seconds / period_s)
    feed = np.arange(count) * period_s + rng.normal(0, 0.03, count)
    late = rng.normal(0, 0.03, (2, count))
    return np.sort(np.concatenate([feed, feed + 1.0 + late[0], feed + 1.7 + late[1]]))


def other(rng: np.random.Generator, a: np.ndarray, ppm: float, start_s: float) -> np.ndarray:
    """The same by a second device: 5 % missed, 3 % of its own, 0.3 ms of timing scatter."""
    kept = a[rng.random(len(a)) > 0.05]
    more = rng.uniform(a[0], a[-1], len(a) // 30)
    t = np.concatenate([kept, more])
    return np.sort((t + start_s) * (1 + ppm * 1e-6) + rng.normal(0, 3e-4, len(t)))


@pytest.mark.parametrize("seconds", [30.0, 600.0, 3600.0])
@pytest.mark.parametrize("ppm", [-300.0, -40.0, 0.0, 15.0, 120.0])
def test_rate_errors_are_found_within_their_uncertainty(seconds: float, ppm: float) -> None:
    rng = np.random.default_rng(int(seconds) + int(ppm) + 500)
    a = run(rng, seconds)
    found = clock_between(a, other(rng, a, ppm, 7.3))
    assert found is not None
    assert abs(found.ppm - ppm) < 4 * found.error_ppm + 0.01
    assert found.matched > 0.85 * len(a)
    assert found.offset_s == pytest.approx(7.3, abs=0.01)


def test_the_error_is_that_of_a_straight_line() -> None:
    rng = np.random.default_rng(3)
    a = np.sort(rng.uniform(0, 600, 400))
    b = 2.0 + a * (1 + 50e-6) + rng.normal(0, 3e-4, 400)
    found = clock_between(a, b)
    line = stats.linregress(a, b)
    assert found is not None
    assert found.ppm == pytest.approx(1e6 * (line.slope - 1), abs=0.1)
    assert found.error_ppm == pytest.approx(1e6 * line.stderr, rel=0.1)


def test_different_runs_are_no_pair() -> None:
    """0 of 100 pairs of runs with the same pace match."""
    pairs = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        pairs += clock_between(run(rng, 180.0), run(rng, 180.0) + rng.uniform(0, 5)) is not None
    assert pairs == 0
    assert clock_between([], []) is None
    assert clock_between(np.arange(10.0), np.arange(10.0)) is None
    assert clock_between(np.arange(300.0), np.arange(300.0)) is None  # a clockwork feed matches itself everywhere


def test_words() -> None:
    rng = np.random.default_rng(4)
    a = run(rng, 600.0)
    slow, same = clock_between(a, other(rng, a, -40.0, 1.0)), clock_between(a, other(rng, a, 0.0, 1.0))
    assert slow is not None
    assert same is not None
    assert slow.sentence("one.wav", "two.wav").startswith("clock of two.wav runs 40 parts per million slow")
    assert same.sentence("one.wav", "two.wav").startswith("clocks of one.wav and two.wav: no difference shown")


def test_health_of_two_devices_on_one_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The second device starts 1.5 s later, at another rate of sampling, with a clock 100 ppm fast."""
    rng = np.random.default_rng(5)
    times = np.sort(rng.uniform(2.0, 58.0, 60))
    times = times[np.concatenate([[True], np.diff(times) > 0.25])]
    for name, rate, ppm, start in (("one.wav", 48000, 0.0, 0.0), ("two.wav", 44100, 100.0, 1.5)):
        x = rng.normal(0, 1e-4, 60 * rate)
        t = np.arange(int(0.2 * rate)) / rate
        for at in times:
            frame = round(float((at - start) * (1 + ppm * 1e-6) * rate))
            piece = 0.2 * np.exp(-t / 0.02) * np.sin(2 * np.pi * 1900 * t)
            if 0 <= frame < len(x) - len(t):
                x[frame : frame + len(t)] += piece
        soundfile.write(tmp_path / name, x, rate, subtype="PCM_16")
    files = [str(tmp_path / n) for n in ("one.wav", "two.wav")]
    assert main(["health", *files, "--json"]) == 0
    (pair,) = json.loads(capsys.readouterr().out)["clocks"]
    assert pair["ppm"] == pytest.approx(100.0, abs=4 * pair["error_ppm"] + 1.0)
    assert pair["offset_s"] == pytest.approx(-1.5, abs=0.001)
    assert main(["health", files[0]]) == 0
    assert "clock error: not known" in capsys.readouterr().out
