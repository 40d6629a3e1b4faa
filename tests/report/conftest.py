"""Small campaigns whose tables are known, with real recordings beside them for the clips."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

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
from noisecheck.pipeline.campaign import CampaignResult
from noisecheck.pipeline.run import RunResult
from noisecheck.report.page import write_report

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


def campaign_in(
    folder: Path,
    *,
    treatments: Sequence[str] = ("bare", "felt"),
    runs: int = 3,
    impacts: int = 24,
    stations: Sequence[str] = ("landing", "tray"),
    name: str = "{treatment}-{number}",
    step_db: float = -6.0,
    note: str = "",
) -> CampaignResult:
    """Return a measured campaign: runs of each treatment, at levels apart by 6 dB a treatment."""
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
    return CampaignResult(campaign, tuple(results), summarise(everything, campaign.runs), {"detect": {"a": 1}}, made)


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Return a maker of measured campaigns, :func:`campaign_in` this test's folder."""
    return functools.partial(campaign_in, tmp_path / "campaign")


@pytest.fixture(scope="session")
def plain_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of an ordinary campaign, for the tests that only look at it."""
    folder = tmp_path_factory.mktemp("plain")
    write_report(campaign_in(folder / "campaign", impacts=30), folder / "out")
    return folder / "out" / "report.html"


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Page, dict[str, Any]]:
    """The text, tags and JSON of an ordinary campaign's page, for the tests that only read them."""
    folder = tmp_path_factory.mktemp("read")
    return _written(campaign_in(folder / "campaign"), folder / "out")


VOID = {"meta", "link", "br", "input", "path"}


class Page(HTMLParser):
    """Reads a page: tags in order, ids, attributes of each tag, and whether all that opens closes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.words: list[tuple[str, str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append((self.open[-1] if self.open else "", data))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [a for t, a in self.tags if t == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(d for t, d in self.words if t not in ("script", "style")).split())


def _written(result: Any, folder: Path, **more: Any) -> tuple[str, Page, dict[str, Any]]:
    paths = write_report(result, folder, **more)
    assert [p.name for p in paths] == [
        "report.html",
        "results.json",
        "impacts.csv",
        "comparisons.csv",
        "summaries.csv",
    ]
    assert sorted(p.name for p in folder.iterdir()) == sorted(p.name for p in paths)
    text = paths[0].read_text(encoding="utf-8")
    page = Page(text)
    assert page.wrong == []
    assert page.open == []
    return text, page, json.loads(paths[1].read_text(encoding="utf-8"))


@pytest.fixture
def written() -> Callable[..., tuple[str, Page, dict[str, Any]]]:
    """Return what writes a page and reads it back: its text, its tags, its JSON."""
    return _written
