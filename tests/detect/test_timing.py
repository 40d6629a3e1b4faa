"""When a sound begins that is heard far above all else, and one whose rise steps in only at a crest."""

from __future__ import annotations

import numpy as np
from soundmaker import detect, impacts_in_noise, ring, thud, truth_start

from noisecheck.detect.timing import first_within

RATE = 48_000


def test_thuds_far_above_the_noise_begin_within_30_db_of_their_peak() -> None:
    rng = np.random.default_rng(41)
    samples = 1e-4 * rng.standard_normal(9 * RATE)
    begins = []
    for at in np.round((1.0 + 0.6 * np.arange(12) + rng.uniform(-0.05, 0.05, 12)) * RATE).astype(int).tolist():
        wave = thud(RATE, rng, rise_s=rng.uniform(0.004, 0.010))
        samples[at : at + len(wave)] += 0.4 * wave / np.abs(wave).max()
        begins.append((at + truth_start(wave)) / RATE)
    found = detect(samples.astype(np.float32), RATE)
    assert len(found) == 12
    assert np.median(np.abs(found - begins)) < 0.00005  # 0.3 ms once
    assert np.all(np.abs(found - begins) < 0.0005)


def test_amid_what_sounded_before_nothing_is_told_by_the_peak() -> None:
    rng = np.random.default_rng(43)
    samples = (0.05 * ring(RATE, 1.0, rng)[:RATE]).astype(np.float32)
    wave = thud(RATE, rng)
    samples[RATE // 2 :][: len(wave)] += (0.3 * wave / np.abs(wave).max()).astype(np.float32)
    onset = np.array([RATE // 2 + 60, 100, RATE - 5])
    assert np.array_equal(first_within(samples, onset, RATE), onset)


def test_an_onset_further_off_than_onsets_are_mistaken_stays() -> None:
    samples = np.zeros(RATE, np.float32)
    samples[RATE // 2 : RATE // 2 + 2000] = 0.5
    onset = np.array([RATE // 2 - 300, RATE // 2 - 40, RATE // 2 + 40])
    assert first_within(samples, onset, RATE).tolist() == [RATE // 2 - 300, RATE // 2, RATE // 2]


def test_a_thud_whose_error_steps_in_at_a_crest_begins_where_it_rises() -> None:
    late = []
    for seed in (401, 402, 403, 404):
        samples, truth = impacts_in_noise(RATE, 20, "thud", seed)
        found = detect(samples, RATE)
        late += [(found - at)[np.abs(found - at).argmin()] for at in truth]
    assert max(late) < 0.0025  # 3 ms by the full band alone
    assert np.mean(np.array(late) > 0.001) < 0.05  # 7 in 96 once
