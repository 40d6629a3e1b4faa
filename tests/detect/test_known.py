"""Faint sounds are known by the clear impacts before them, and chance is not."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from soundmaker import STEADY, candidates, noise, snr_gain

from noisecheck.detect.candidates import Candidates
from noisecheck.detect.channels import merge_channels
from noisecheck.detect.decide import DetectSettings, decide
from noisecheck.detect.known import known_evidence
from noisecheck.detect.stream import Stream

RATE = 48_000
CLEAR = 10


def _object(rng: np.random.Generator) -> np.ndarray:
    """Return the sound of an object struck, peak 1: twelve notes that die away over some 20 ms."""
    t = np.arange(int(0.2 * RATE)) / RATE
    wave = np.zeros(len(t))
    for hz in rng.uniform(300.0, 15_000.0, 12):
        wave += rng.uniform(0.3, 1.0) * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28)) * np.exp(-t / 0.015)
    return wave / np.abs(wave).max()


def _strokes(seed: int, *, faint_db: float = -6.0, seconds: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Return ten clear strokes of an object and then faint ones (RMS of 10 ms to noise), and when these come."""
    rng = np.random.default_rng((seed, 3))
    samples = noise(STEADY["pink"], RATE, seconds, seed)
    clean, wave, faint = samples.copy(), _object(rng), []
    for n, at_s in enumerate(np.arange(2.0, seconds - 1.0, 0.45)):
        gain = snr_gain(wave, clean, RATE, 25.0 if n < CLEAR else faint_db)
        at = int((at_s + rng.uniform(0.0, 0.1)) * RATE)
        samples[at : at + len(wave)] += (gain * wave).astype(np.float32)
        if n >= CLEAR:
            faint.append(at / RATE)
    return samples, np.array(faint)


@functools.cache
def _heard(seed: int) -> tuple[Candidates, np.ndarray]:
    """Return the candidates of ten clear strokes and faint ones, and when the faint ones come."""
    samples, faint = _strokes(seed)
    return candidates(samples, RATE), faint


def _fits(found: Candidates, clear: np.ndarray) -> np.ndarray:
    every = np.arange(len(found))
    end = np.searchsorted(clear, every)
    return known_evidence(found.sound, RATE, every, np.zeros_like(end), end, clear)


def _near(found: Candidates, times: np.ndarray) -> np.ndarray:
    return np.abs(found.onset[:, None] / RATE - times).min(axis=1) < 0.010


def test_a_known_object_fits_and_another_does_not() -> None:
    own, other = [], []
    for seed in range(4):
        found, faint = _heard(seed)
        clear = np.flatnonzero(found.score > 40.0)[:CLEAR]
        rows = _near(found, faint)
        own.append(_fits(found, clear)[rows])
        strange, _ = _heard(seed + 50)
        strange = strange.where(np.flatnonzero(strange.score > 40.0)[:CLEAR])
        both = Candidates.concat([strange, found.where(rows)])
        other.append(_fits(both, np.arange(len(strange)))[len(strange) :])
    assert np.median(np.concatenate(own)) > np.median(np.concatenate(other)) + 5.0


def test_chance_fits_known_sounds_ever_more_rarely() -> None:
    # A log-likelihood ratio exceeds x by chance no more often than exp(-x) (Markov's inequality).
    fits = []
    for seed in range(3):
        samples, _ = _strokes(seed, faint_db=-60.0, seconds=90.0)
        found = candidates(samples, RATE)
        clear = np.flatnonzero((found.score > 40.0) & (found.onset < 6.5 * RATE))
        late = (found.onset > 8.0 * RATE) & (found.score < 40.0)
        fits.append(_fits(found, clear)[late])
    fit = np.concatenate(fits)
    for least in (2.0, 4.0, 6.0):
        assert np.mean(fit > least) <= np.exp(-least) + 2.0 * np.sqrt(np.exp(-least) / len(fit))


def test_what_is_known_is_found_more_surely_and_never_less() -> None:
    with_past, without, chance, stated = 0, 0, 0, 0.0
    for seed in range(4):
        found, faint = _heard(seed)
        known = decide(found, RATE, DetectSettings())
        alone = decide(found, RATE, DetectSettings(), past=len(found))  # as if nothing was asked
        assert (known >= alone).all()
        own = _near(found, faint)
        with_past, without = with_past + int((known[own] > 1).sum()), without + int((alone[own] > 1).sum())
        late = found.onset > 7.0 * RATE
        chance += int((known[~own & late] > 1.0).sum())
        stated += float((1.0 / (1.0 + known[known > 1.0])).sum())
    assert with_past > 1.15 * without
    assert chance <= stated  # so many of those found are stated to be none


@pytest.mark.parametrize("block", [1_601, 48_000])
def test_a_stream_knows_what_a_file_does(block: int) -> None:
    samples, _ = _strokes(1)
    stream = Stream(RATE, 1)
    parts = [stream.push(samples[i : i + block, None]) for i in range(0, len(samples), block)]
    parts.append(stream.finish())
    found, _ = _heard(1)
    whole = merge_channels([found], [decide(found, RATE, DetectSettings())], RATE)
    np.testing.assert_array_equal(np.concatenate([p.frame for p in parts]), whole.frame)
    # Band energies of a step and of a tile are rounded apart in the last bit.
    np.testing.assert_allclose(np.concatenate([p.odds for p in parts]), whole.odds, rtol=1e-4)
