"""The detection limit: what it says is found half of the time is, in recordings it has not seen."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.audio.recording import ArrayRecording
from noisecheck.bench.campaign import load_campaign
from noisecheck.cli import main
from noisecheck.flow.findings import Ledger
from noisecheck.pipeline.campaign import measure_campaign
from noisecheck.pipeline.heard import heard_share
from noisecheck.pipeline.kept import catalogue_of
from noisecheck.pipeline.limit import detection_limit
from noisecheck.pipeline.listen import ListenSettings, listen
from noisecheck.score import match
from noisecheck.simulate.backdrop import Backdrop
from noisecheck.simulate.parts import Background

RATE = 16_000
SECONDS = 100


def clicks(amplitude: float, seed: int, *, spread_db: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return 100 s of noise with decaying 2 kHz clicks, (frames, 1), and when they begin."""
    rng = np.random.default_rng(seed)
    x = 1e-3 * rng.standard_normal(SECONDS * RATE)
    at = np.arange(1.0, SECONDS - 1, 0.9)
    at = at + rng.uniform(0, 0.2, len(at))
    t = np.arange(int(0.1 * RATE)) / RATE
    shape = np.exp(-t / 0.008) * np.sin(2 * np.pi * 2000 * t)
    for start in at:
        first = round(start * RATE)
        x[first : first + len(t)] += amplitude * 10 ** (spread_db * rng.standard_normal() / 20) * shape
    return x.astype(np.float32)[:, None], np.round(at * RATE) / RATE


def found(amplitude: float, seed: int) -> float:
    x, truth = clicks(amplitude, seed)
    heard = listen(lambda: ArrayRecording(x, RATE), settings=ListenSettings())
    return match(heard.onsets.frame / RATE, truth, tolerance_s=0.01).recall


def test_half_are_found_where_it_says_half() -> None:
    x, _ = clicks(0.1, 1)
    heard = listen(lambda: ArrayRecording(x, RATE), settings=ListenSettings())
    limit = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    assert limit.why == ""
    assert limit.n > 60
    assert 0.97 < limit.heard_low <= limit.heard_fraction <= limit.heard_high <= 1.0
    assert limit.level_50_ci_db[0] < limit.level_50_db < limit.level_50_ci_db[1]
    assert limit.level_50_ci_db[1] - limit.level_50_ci_db[0] < 5.0
    # The impacts of the run are all of one level: that of the copies follows from the gain alone.
    half = 0.1 * 10 ** ((limit.level_50_db - limit.typical_db) / 20)
    assert found(half * 10 ** (-4 / 20), 2) < 0.35
    assert found(half * 10 ** (4 / 20), 3) > 0.75
    sure = 0.1 * 10 ** ((limit.level_999_db - limit.typical_db) / 20)
    assert found(sure, 4) > 0.97
    assert limit.level_999_db > limit.level_50_db
    again = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    assert again == limit


def test_the_share_is_told_where_many_lie_below_the_limit() -> None:
    # In this noise half are found at an amplitude of 0.0025: a third of these lie below.
    x, truth = clicks(0.0045, 5, spread_db=10.0)
    heard = listen(lambda: ArrayRecording(x, RATE), settings=ListenSettings())
    share = match(heard.onsets.frame / RATE, truth, tolerance_s=0.01).recall
    limit = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    assert 0.55 < share < 0.85
    assert "reach down to the limit" in limit.why
    assert limit.heard_low <= share <= limit.heard_high


def test_the_share_is_of_what_is_counted() -> None:
    # Loud contacts, each with a faint rebound of which some lie below the limit: balls are told by the contacts.
    x, truth = clicks(0.1, 6)
    faint, again = clicks(0.004, 6, spread_db=8.0)
    x[RATE // 3 :] += faint[: -(RATE // 3)]
    heard = listen(lambda: ArrayRecording(x, RATE), settings=ListenSettings())
    at = heard.onsets.frame / RATE
    contact = np.abs(at[:, None] - truth).min(axis=1) < 0.01
    share = match(at[~contact], again + 1 / 3, tolerance_s=0.01).recall
    assert share < 0.9
    every = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    balls = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings(), counted=contact)
    assert balls.heard_low > 0.95
    assert every.heard_low <= (1 + share) / 2
    assert balls.level_50_db == pytest.approx(every.level_50_db, abs=2.0)


@pytest.mark.parametrize("counted", [False, True])
def test_in_a_crowd_as_many_are_lost_as_copies_there_are(counted: bool) -> None:
    # Two trains of loud clicks that know nothing of one another, six a second in all, many within milliseconds.
    rng = np.random.default_rng(8)
    x = 1e-3 * rng.standard_normal(SECONDS * RATE)
    t = np.arange(int(0.1 * RATE)) / RATE
    shape = np.exp(-t / 0.008) * np.sin(2 * np.pi * 2000 * t)
    trains = [np.cumsum(rng.uniform(0.25, 0.45, 280)) for _ in range(2)]
    trains = [np.round(at[at < SECONDS - 1] * RATE) / RATE for at in trains]
    for start in np.concatenate(trains):
        first = round(start * RATE)
        x[first : first + len(t)] += 0.2 * 10 ** (2.0 * rng.standard_normal() / 20) * shape
    recording = ArrayRecording(x.astype(np.float32)[:, None], RATE)
    heard = listen(lambda: recording, settings=ListenSettings())
    at = heard.onsets.frame / RATE
    mine = np.zeros(len(at), bool)
    mine[match(at, trains[0], tolerance_s=0.01).found_index] = True
    both = np.sort(np.concatenate(trains))
    share = match(at, trains[0] if counted else both, tolerance_s=0.01).recall
    limit = detection_limit(lambda: recording, heard, settings=ListenSettings(), counted=mine if counted else None)
    assert (share > 0.99) == counted  # one detection for two is of both trains
    assert limit.heard_low <= share <= limit.heard_high + 0.02
    assert limit.heard_fraction == pytest.approx(share, abs=0.03)


def test_copies_meet_the_wariness_that_the_background_taught() -> None:
    # A rattling chain makes detection wary of what is half abrupt: thuds must be far above it.
    rng = np.random.default_rng(6)
    made = Backdrop(Background(noise_db=-68.0, chain_db=-56.0), rate=RATE, channels=1, seed=(6, 77))
    x = np.concatenate([made.tile(RATE) for _ in range(SECONDS)])
    t = np.arange(int(0.25 * RATE)) / RATE
    rise = np.minimum(t / 0.01, 1.0) * np.exp(-t / 0.02)
    tones = np.sin(2 * np.pi * rng.uniform(120, 900, 6)[:, None] * t + rng.uniform(0, 6.28, (6, 1)))
    at = np.arange(1.0, SECONDS - 1.0, 0.8)
    level_db = np.where(np.arange(len(at)) % 2, 0.0, rng.uniform(-40.0, -10.0, len(at)))
    for start, db in zip(np.round(at * RATE).astype(int), level_db, strict=True):
        x[start : start + len(t), 0] += 10 ** (db / 20) * rise * tones.mean(axis=0)
    recording = ArrayRecording(x.astype(np.float32), RATE)
    heard = listen(lambda: recording, settings=ListenSettings())
    limit = detection_limit(lambda: recording, heard, settings=ListenSettings())
    missed = np.isin(np.arange(len(at)), match(heard.onsets.frame / RATE, at, tolerance_s=0.01).missed_index)
    half = min(np.linspace(-40.0, -10.0, 121), key=lambda db: np.sum(missed != (level_db < db)))
    loudest = float(np.quantile(heard.impacts["lae_db"], 0.75))  # those at 0 dB are all alike
    assert limit.level_50_db - loudest == pytest.approx(half, abs=4.0)


def test_no_share_is_told_where_nearly_all_levels_drown() -> None:
    # Clicks far above a hum's pitch are heard in it, but only the loudest ones can be measured.
    x, _ = clicks(0.03, 7)
    loud, _ = clicks(0.6, 8)
    x[: 20 * RATE] += loud[: 20 * RATE]
    x += (0.05 * np.sin(2 * np.pi * 300 * np.arange(len(x)) / RATE)).astype(np.float32)[:, None]
    heard = listen(lambda: ArrayRecording(x, RATE), settings=ListenSettings())
    known = int((heard.impacts["margin_db"] > 3.0).sum())
    assert 8 < known < 0.3 * len(heard.impacts)
    limit = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    assert np.isnan(limit.heard_fraction)
    assert "are known: the share heard is not" in limit.why
    assert np.isfinite(limit.level_50_db)
    assert limit.to_dict()["heard_fraction"] is None


def test_time_not_listened_to_is_no_part_of_the_recording(tmp_path: Path) -> None:
    x, _ = clicks(0.1, 1)
    soundfile.write(tmp_path / "take.wav", x, RATE, subtype="PCM_24")
    (run,) = measure_campaign(load_campaign(tmp_path)).runs
    ledgers = (Ledger("take", 0, 0),)
    whole = heard_share([run], ledgers)
    assert whole is not None
    assert "put back" in whole.how
    gapped = replace(run, seconds=run.seconds + 3600.0, gaps_s=((50.0, 3650.0),))
    assert heard_share([gapped], ledgers) == whole


def test_the_share_heard_is_worked_out_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    x, _ = clicks(0.1, 1)
    soundfile.write(tmp_path / "take.wav", x, RATE, subtype="PCM_24")
    (run,) = measure_campaign(load_campaign(tmp_path)).runs
    ledgers, catalogue = (Ledger("take", 0, 0),), catalogue_of(tmp_path)
    share = heard_share([run], ledgers, catalogue)
    kept = tmp_path / "results" / "figures.json"
    monkeypatch.setattr("noisecheck.pipeline.heard.detection_limit", None)  # not called again
    assert heard_share([run], ledgers, catalogue) == share
    monkeypatch.undo()
    for damage in ("", "[", kept.read_text().replace("0.9", '"0.9.9"')):
        kept.write_text(damage)
        assert heard_share([run], ledgers, catalogue) == share
    louder = replace(run, impacts=run.impacts.with_columns(lae_db=run.impacts["lae_db"] + 1.0))
    heard_share([louder], ledgers, catalogue)
    assert len(json.loads(kept.read_text())) == 2


def test_too_few_clear_impacts_are_said() -> None:
    x = (1e-3 * np.random.default_rng(1).standard_normal((10 * RATE, 1))).astype(np.float32)
    heard = listen(lambda: ArrayRecording(x, RATE), settings=ListenSettings())
    limit = detection_limit(lambda: ArrayRecording(x, RATE), heard, settings=ListenSettings())
    assert "are needed to try" in limit.why
    assert limit.to_dict()["level_50_db"] is None


def test_measure_states_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    x, _ = clicks(0.1, 1)
    soundfile.write(tmp_path / "take.wav", x, RATE, subtype="PCM_24")
    assert main(["measure", str(tmp_path / "take.wav"), "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)["runs"]
    limit = run["detection_limit"]
    assert limit["level_50_re_typical_db"] < -10
    assert limit["level_50_db"] < limit["level_999_db"]
