"""Sounds that stop: a ring that is cut off is no impact, what is struck as another stops is."""

from __future__ import annotations

import numpy as np
import pytest
from soundmaker import STEADY, click, detect, noise, ring

from noisecheck.score import match

RATE = 48_000


@pytest.mark.parametrize("under", [False, True])
def test_a_ring_that_is_cut_off_is_not_struck(under: bool) -> None:
    # Struck once each; cut 0.2 to 0.3 s later, alone or while low notes of another ring on.
    rng, truth = np.random.default_rng(61), []
    samples = noise(STEADY["pink"], RATE, 20.0, 61, gain_db=-20.0)
    for at_s in np.arange(1.2, 18.5, 0.9):
        start, cut = int(at_s * RATE), int(rng.uniform(0.2, 0.3) * RATE)
        samples[start : start + cut] += (0.2 * ring(RATE, 0.5, rng)[:cut]).astype(np.float32)
        truth.append(start / RATE)
        if under:
            t = np.arange(int(0.8 * RATE)) / RATE
            low = 0.1 * np.sin(2 * np.pi * rng.uniform(200, 300) * t) * np.exp(-t / 0.2)
            samples[start : start + len(low)] += low.astype(np.float32)
    matched = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert matched.recall >= 0.95
    assert len(matched.false_index) <= 6  # of 20; each end once


def test_what_is_struck_as_a_ring_is_cut_off_is_heard() -> None:
    rng, truth = np.random.default_rng(62), []
    samples = noise(STEADY["pink"], RATE, 20.0, 62, gain_db=-20.0)
    for at_s in np.arange(1.2, 18.5, 0.9):
        start, cut = int(at_s * RATE), int(0.25 * RATE)
        samples[start : start + cut] += (0.2 * ring(RATE, 0.5, rng)[:cut]).astype(np.float32)
        wave = 0.1 * click(RATE, rng)
        samples[start + cut : start + cut + len(wave)] += wave.astype(np.float32)
        truth += [start / RATE, (start + cut) / RATE]
    matched = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert matched.recall == 1.0


def test_what_is_struck_softly_just_before_a_ring_is_cut_off_is_heard() -> None:
    # Low notes of another body, 6 ms before the end, 18 dB below the ring: louder after it than 20 ms before it.
    rng, truth, t = np.random.default_rng(63), [], np.arange(int(0.12 * RATE)) / RATE
    samples = noise(STEADY["pink"], RATE, 20.0, 63, gain_db=-25.0)
    for at_s in np.arange(1.2, 18.5, 0.9):
        start, cut = int(at_s * RATE), int(0.25 * RATE)
        samples[start : start + cut] += (0.3 * ring(RATE, 0.5, rng)[:cut]).astype(np.float32)
        wave = np.sin(2 * np.pi * rng.uniform(100, 500, 5)[:, None] * t).sum(axis=0) * np.exp(-t / 0.015)
        wave *= np.minimum(t / 0.002, 1.0)
        at = start + cut - int(0.006 * RATE)
        samples[at : at + len(wave)] += (0.3 * 10 ** (-18 / 20) * wave / np.abs(wave).max()).astype(np.float32)
        truth += [start / RATE, at / RATE]
    matched = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert matched.recall >= 0.95


def test_what_strikes_a_plate_and_damps_its_ring_is_heard() -> None:
    # The same notes again, 18 to 24 dB softer, as the ring of before dies away within 2 ms.
    rng, truth, t = np.random.default_rng(64), [], np.arange(int(0.7 * RATE)) / RATE
    samples = noise(STEADY["pink"], RATE, 30.0, 64, gain_db=-25.0)
    for at_s in np.arange(1.2, 28.5, 0.9):
        notes, die = np.exp(rng.uniform(np.log(300), np.log(6000), 10))[:, None], rng.uniform(2.0, 7.0)
        start, cut = int(at_s * RATE), int(rng.uniform(0.15, 0.3) * RATE)
        for first, level in ((start, 0.3), (start + cut, 0.3 * 10 ** (rng.uniform(-24.0, -18.0) / 20))):
            wave = rng.uniform(0.3, 1.0, (10, 1)) * np.sin(2 * np.pi * notes * t + rng.uniform(0, 0.3, (10, 1)))
            wave = (wave * np.exp(-die * t * (notes / 1000) ** 0.3)).sum(axis=0)
            if first == start:
                wave *= np.exp(-np.maximum(np.arange(len(t)) - cut, 0) / RATE / 0.001)
            samples[first : first + len(wave)] += (level * wave / np.abs(wave).max()).astype(np.float32)
            truth.append(first / RATE)
    matched = match(detect(samples, RATE), np.array(truth), tolerance_s=0.01)
    assert len(matched.missed_index) <= 0.1 * len(truth)
