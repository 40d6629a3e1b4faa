"""What is decided of one channel does not depend on what is let go meanwhile."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from noisecheck.audio.recording import ArrayRecording
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.decide import DetectSettings, Judge, decide
from noisecheck.pipeline.tiles import Reader, find_in_tiles, tiles_of

RATE = 8000


def _bursts() -> Candidates:
    """Return candidates of bursts of noise, dull ones, twelve a second."""
    rng = np.random.default_rng(5)
    samples, t = 0.001 * rng.standard_normal(8 * RATE), np.arange(400) / RATE
    for at_s in np.arange(0.2, 7.8, 0.08):
        at = int((at_s + rng.uniform(0.0, 0.01)) * RATE)
        burst = rng.standard_normal(400) * np.exp(-t / 0.008) * (1.0 - np.exp(-t / 0.002))
        samples[at : at + 400] += 0.03 * burst
    recording = ArrayRecording(samples[:, None].astype(np.float32), RATE)
    ((found,),) = find_in_tiles(Reader(recording), tiles_of(RATE, recording.frames))
    return found.without_waves()


def test_what_goes_on_after_minutes_of_silence_is_judged_as_by_who_listened_from_the_start() -> None:
    early = _bursts()
    late = replace(early, onset=early.onset + 500 * RATE)
    whole = Judge(RATE, DetectSettings())
    whole.odds(early)
    resumed = Judge(RATE, DetectSettings(), early.where(slice(0, 1)))
    odds = whole.odds(late)
    assert (odds > 1.0).sum() > 50
    np.testing.assert_array_equal(resumed.odds(late), odds)  # 6 impacts instead of 89 once


def _amid_a_chain(seconds: int, seed: int) -> Candidates:
    """Return candidates of notes struck at random over noise that swells four or five times a second."""
    rng, t = np.random.default_rng(seed), np.arange(seconds * RATE) / RATE
    samples = 0.008 * rng.standard_normal(len(t)) * (0.1 + np.abs(np.sin(2 * np.pi * (2.5 + seed) * t)) ** 4)
    note = np.arange(2400) / RATE
    for at in (np.cumsum(rng.exponential(0.45, 3 * seconds)) * RATE).astype(int):
        wave = np.exp(-note / 0.05) * np.sin(2 * np.pi * rng.uniform(300, 2500) * note) * 10 ** rng.uniform(-2.7, -1.2)
        samples[at : at + 2400] += wave[: max(len(t) - at, 0)]
    recording = ArrayRecording(samples[:, None].astype(np.float32), RATE)
    tiles = find_in_tiles(Reader(recording), tiles_of(RATE, recording.frames))
    return Candidates.concat([tile[0] for tile in tiles]).without_waves()


def test_odds_are_the_same_however_the_candidates_come() -> None:
    found = _amid_a_chain(200, 2)
    whole = decide(found, RATE, DetectSettings())
    assert (whole > 1.0).sum() > 20
    for step_s in (1, 60):
        judge, cuts = Judge(RATE, DetectSettings()), np.searchsorted(found.onset, np.arange(0, 201, step_s) * RATE)
        parts = [judge.odds(found.where(slice(a, b))) for a, b in pairwise((*cuts[:-1], len(found)))]
        np.testing.assert_array_equal(np.concatenate(parts), whole)
