"""Onsets told by louder impacts that sound the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from soundmaker import candidates, detect

from noisecheck.detect.alike import MOST_SHIFT_S, Alike
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import Onsets, merge_channels
from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.detect.spectra import decimated, frame_grid
from noisecheck.detect.waves import waves_at

RATE = 48_000


def _stroke(rng: np.random.Generator, *, forerun_s: float = 0.0) -> NDArray[np.float64]:
    """Return a struck sound of peak 1 with modes of its own, after something 18 dB below it that slides so long."""
    t = np.arange(int(0.25 * RATE)) / RATE
    modes = rng.uniform(300, 2200, 9)
    ring = sum(
        rng.lognormal(0, 0.5) * np.exp(-t / rng.uniform(0.01, 0.05)) * np.sin(2 * np.pi * f * t + rng.uniform(0, 6.28))
        for f in modes
    )
    ring = np.convolve(ring, np.hanning(int(0.001 * RATE)))
    slide = np.convolve(rng.standard_normal(1 + int(forerun_s * RATE)), np.hanning(12))[: int(forerun_s * RATE)]
    slide *= 10 ** (-18 / 20) / np.abs(slide).max(initial=1e-9)
    return np.concatenate((slide, ring / np.abs(ring).max()))


def _scene(
    strokes: list[NDArray[np.float64]], levels_db: list[float], *, noise_db: float, seed: int
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return strokes 0.4 s apart in white noise, and when each begins."""
    rng = np.random.default_rng(seed)
    samples = 10 ** (noise_db / 20) * rng.standard_normal(int((1.5 + 0.4 * len(strokes)) * RATE))
    begin = np.round((1.0 + 0.4 * np.arange(len(strokes)) + rng.uniform(-0.05, 0.05, len(strokes))) * RATE).astype(int)
    for stroke, level, at in zip(strokes, levels_db, begin.tolist(), strict=True):
        samples[at : at + len(stroke)] += 10 ** (level / 20) * stroke
    return samples.astype(np.float32), begin / RATE


def _decided(samples: NDArray[np.float32]) -> tuple[Onsets, Candidates]:
    """Return impacts as each is heard by itself, and their candidates."""
    found = candidates(samples, RATE)
    return merge_channels([found], [decide(found, RATE, DetectSettings())], RATE), found


def test_the_beginning_that_lies_in_the_noise_is_where_a_louder_copy_has_it() -> None:
    stroke = _stroke(np.random.default_rng(5), forerun_s=0.0025)
    samples, begin = _scene([stroke] * 16, [-6.0] * 4 + [-30.0] * 12, noise_db=-50.0, seed=6)
    alone = _decided(samples)[0].frame / RATE
    together = detect(samples, RATE)
    assert len(alone) == len(together) == len(begin)
    # The soft ones by themselves begin with the blow; told by the loud ones, with what slides before it.
    assert np.median((alone - begin)[4:]) > 0.0015
    assert np.all(np.abs(together - begin) < 0.0007)


@pytest.mark.parametrize("gated", [False, True], ids=["noise", "digital silence before"])
def test_a_wrong_onset_is_put_right_by_a_louder_copy_to_a_tenth_of_a_millisecond(gated: bool) -> None:
    stroke = _stroke(np.random.default_rng(7))
    samples, begin = _scene([stroke] * 6, [-6.0, -6.0, -12.0, -18.0, -20.0, -22.0], noise_db=-62.0, seed=8)
    for at_s in begin if gated else ():
        samples[int((at_s - 0.05) * RATE) : round(at_s * RATE)] = 0.0
    onsets, found = _decided(samples)
    assert len(onsets) == 6
    off = np.array([0, 0, 64, -90, 120, -150])
    at = onsets.frame + off
    asked = found.where(np.searchsorted(found.onset, onsets.frame))
    moved = replace(asked, onset=at, abrupt=np.full(6, 20.0))
    moved = replace(moved, wave=waves_at(decimated(samples, frame_grid(RATE).step), RATE, at))
    told = Alike(RATE, 1).retimed(replace(onsets, frame=at, arrival=at[:, None]), [moved])
    assert np.all(np.abs(told.frame / RATE - onsets.frame[0] / RATE - (begin - begin[0])) < 0.0001)
    assert np.array_equal(told.arrival[:, 0], told.frame)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_other_sounds_tell_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    samples, _ = _scene([_stroke(rng) for _ in range(20)], rng.uniform(-26, -6, 20).tolist(), noise_db=-56.0, seed=seed)
    onsets, found = _decided(samples)
    assert np.array_equal(Alike(RATE, 1).retimed(onsets, [found]).frame, onsets.frame)


def test_one_note_fits_a_period_later_as_well_and_tells_nothing() -> None:
    t = np.arange(int(0.3 * RATE)) / RATE
    note = np.exp(-t / 0.04) * np.sin(2 * np.pi * 420 * t)
    samples, _ = _scene([note] * 10, [-6.0, -20.0] * 5, noise_db=-50.0, seed=4)
    onsets, found = _decided(samples)
    told = Alike(RATE, 1).retimed(onsets, [found])
    assert np.all(np.abs(told.frame - onsets.frame) < 0.3 * RATE / 420)


def test_nothing_is_moved_further_than_is_said() -> None:
    stroke = _stroke(np.random.default_rng(7))
    samples, _ = _scene([stroke] * 6, [-6.0, -6.0, -18.0, -18.0, -18.0, -18.0], noise_db=-62.0, seed=8)
    onsets, found = _decided(samples)
    most = int(MOST_SHIFT_S * RATE)
    at = onsets.frame + np.array([0, 0, most + 3, -most - 3, most - 1, 1 - most])
    moved = replace(found.where(np.searchsorted(found.onset, onsets.frame)), onset=at, abrupt=np.full(6, 20.0))
    moved = replace(moved, wave=waves_at(decimated(samples, frame_grid(RATE).step), RATE, at))
    told = Alike(RATE, 1).retimed(replace(onsets, frame=at, arrival=at[:, None]), [moved])
    by = told.frame - at
    assert np.abs(by).max() == most
    assert np.all(np.abs(by[4:] - [1 - most, most - 1]) <= 2)


@pytest.mark.parametrize(
    ("abrupt", "forerun_s", "noise_db"), [(60.0, 0.002, -44.0), (20.0, 0.0, -62.0)], ids=["steps in", "is heard"]
)
def test_what_plainly_begins_does_not_begin_later_because_louder_ones_were_mistaken(
    abrupt: float, forerun_s: float, noise_db: float
) -> None:
    stroke = _stroke(np.random.default_rng(7), forerun_s=forerun_s)
    samples, begin = _scene([stroke] * 6, [-6.0, -6.0, -16.0, -16.0, -16.0, -16.0], noise_db=noise_db, seed=8)
    right = np.round(begin * RATE).astype(np.int64) + 10
    at = right + np.array([96, 96, 0, 0, 0, 0])

    def told(abrupt: float) -> NDArray[np.int64]:
        onsets, found = _decided(samples)
        asked = replace(found.where(np.searchsorted(found.onset, onsets.frame)), onset=at, abrupt=np.full(6, abrupt))
        asked = replace(asked, wave=waves_at(decimated(samples, frame_grid(RATE).step), RATE, at))
        frame = Alike(RATE, 1).retimed(replace(onsets, frame=at, arrival=at[:, None]), [asked]).frame
        return np.asarray(frame - at)

    assert np.array_equal(told(abrupt), np.zeros(6))
    # In noise nothing speaks against a dull one's beginning as late as theirs.
    assert np.all(told(20.0)[2:] > 80) == (forerun_s > 0)


def test_however_the_run_is_cut_and_in_order() -> None:
    stroke = _stroke(np.random.default_rng(11), forerun_s=0.003)
    samples, _ = _scene([stroke] * 14, [-6.0] * 3 + [-26.0] * 11, noise_db=-52.0, seed=12)
    onsets, found = _decided(samples)
    whole = Alike(RATE, 1).retimed(onsets, [found])
    one = Alike(RATE, 1)
    parts = []
    for upto in (4, 5, 9, len(onsets)):
        begun = sum(map(len, parts))
        parts.append(one.retimed(onsets.where(slice(begun, upto)), [found]))
    assert np.array_equal(np.concatenate([p.frame for p in parts]), whole.frame)
    assert np.all(np.diff(whole.frame) >= 0)
    assert (whole.frame != onsets.frame).any()
    assert np.all(np.abs(whole.frame - onsets.frame) <= MOST_SHIFT_S * RATE)
    assert len(one.retimed(onsets.where(slice(0, 0)), [found])) == 0
