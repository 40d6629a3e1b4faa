"""Small campaigns whose tables are known, with real recordings beside them for the clips."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisecheck.bench.campaign import Campaign
from noisecheck.bench.rig import Rig
from noisecheck.bench.runsheet import Run
from noisecheck.compare.summary import summarise
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts
from noisecheck.detect.channels import Onsets
from noisecheck.pipeline.campaign import CampaignResult, RunResult

RATE = 16_000
SECONDS = 6.0

Make = Callable[..., CampaignResult]


def _onsets() -> Onsets:
    nothing = np.empty(0)
    whole, table = nothing.astype(np.int64), np.empty((0, 1))
    return Onsets(whole, whole, nothing, table.astype(np.int64), table)


def table_of(run: Run, level_db: float, *, impacts: int, stations: Sequence[str], seed: int) -> Impacts:
    rng = np.random.default_rng(seed)
    frame = np.sort(rng.choice(int(RATE * SECONDS) - 1, impacts, replace=False))
    lae = level_db + rng.normal(0, 0.8, impacts)
    return Impacts.of(
        impacts,
        run=run.name,
        file=run.files[0],
        channel=0,
        frame=frame,
        time_s=frame / RATE,
        station=[stations[i % len(stations)] for i in range(impacts)],
        lae_db=lae,
        lzpeak_db=lae + 30,
        lcpeak_db=lae + 29,
        lafmax_db=lae + 11,
        db_re="full scale",
        margin_db=20.0,
        centroid_hz=2000.0,
        flags=np.full(impacts, int(Flag.UNCALIBRATED | Flag.NO_DECAY), np.uint32),
        bands=(lae[:, None] - 10 + rng.normal(0, 0.5, (impacts, 30))).astype(np.float32),
    )


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Return a maker of measured campaigns: runs of each treatment, at levels apart by 6 dB a treatment."""

    def maker(
        *,
        treatments: Sequence[str] = ("bare", "felt"),
        runs: int = 3,
        impacts: int = 24,
        stations: Sequence[str] = ("landing", "tray"),
        name: str = "{treatment}-{number}",
        step_db: float = -6.0,
        note: str = "",
    ) -> CampaignResult:
        folder = tmp_path / "campaign"
        folder.mkdir(exist_ok=True)
        results = []
        for number in range(runs):
            for k, treatment in enumerate(treatments):
                file = f"t{k}-{number}.wav"
                seed = 10 * k + number
                sound = np.random.default_rng(seed).normal(0, 0.1, int(RATE * SECONDS))
                soundfile.write(folder / file, sound, RATE, subtype="PCM_16")
                run = Run(
                    name.format(treatment=treatment, number=number),
                    (file,),
                    treatment=treatment,
                    session=f"day {number}",
                    notes=note,
                )
                level = -50 + step_db * k + 0.3 * number
                table = table_of(run, level, impacts=impacts, stations=stations, seed=seed)
                results.append(RunResult(run, table, _onsets(), RATE, SECONDS, 1, (folder / file,)))
        campaign = Campaign(folder, Rig(), tuple(r.run for r in results))
        everything = Impacts.concat(r.impacts for r in results)
        made = {"noisecheck": "0.1.0", "python": "3.11"}
        return CampaignResult(
            campaign, tuple(results), summarise(everything, campaign.runs), {"detect": {"a": 1}}, made
        )

    return maker
