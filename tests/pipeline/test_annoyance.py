"""Prominence of known rises, loudness of a calibrated tone, and what is said where there is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.bench.campaign import load_campaign
from noisecheck.pipeline.annoyance import annoyance
from noisecheck.pipeline.campaign import CampaignResult, measure_campaign

RATE = 16_000


def result(folder: Path, *, pa: float | None = None) -> CampaignResult:
    """A run of 1 kHz bursts, 0.5 s long, that rise 40 dB above the noise at once: every 1.6 s, the last 10 dB up."""
    rng = np.random.default_rng(1)
    x = 1e-4 * rng.standard_normal(12 * RATE)
    t = np.arange(RATE // 2) / RATE
    for k in range(7):
        at = int((0.8 + 1.6 * k) * RATE)
        x[at : at + len(t)] += (0.1 if k == 6 else 0.0316) * np.exp(-t / 0.08) * np.sin(2 * np.pi * 1000 * t)
    soundfile.write(folder / "run.wav", x, RATE, subtype="PCM_24")
    (folder / "rig.toml").write_text("" if pa is None else f"[calibration]\npa_at_full_scale = {pa}\n")
    return measure_campaign(load_campaign(folder))


def test_what_stands_out_more_is_more_prominent(tmp_path: Path) -> None:
    typical, loudest = annoyance(result(tmp_path))
    assert (typical.which, loudest.which, loudest.impacts) == ("typical", "loudest", 1)
    assert loudest.lae_db - typical.lae_db == pytest.approx(10.0, abs=0.2)
    # NT ACOU 112:2002 clause 8: K_I = 1.8 (P - 5); ten more decibels of one rise add 3 lg and 2 lg of little.
    for found in (typical, loudest):
        assert found.adjustment_db == pytest.approx(1.8 * (found.prominence - 5))
        assert 200 < found.onset_rate_db_s < 3000
    assert 0.1 < loudest.prominence - typical.prominence < 1.5
    assert np.isnan(typical.loudness_sone)
    assert "calibrate" in typical.why_no_loudness
    assert typical.to_dict()["loudness_sone"] is None


def test_loudness_grows_with_level_where_calibrated(tmp_path: Path) -> None:
    pytest.importorskip("mosqito", reason="the loudness extra is not installed")
    typical, loudest = annoyance(result(tmp_path, pa=20.0))
    assert typical.why_no_loudness == ""
    # About a doubling of loudness for 10 dB above 40 phon: ISO 532-1:2017, sone scale.
    assert loudest.loudness_sone / typical.loudness_sone == pytest.approx(2.0, rel=0.25)


def test_nothing_heard_gives_nothing(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "quiet.wav", np.zeros(RATE), RATE)
    assert annoyance(measure_campaign(load_campaign(tmp_path))) == ()
