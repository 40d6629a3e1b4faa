"""Typical impacts for listening without knowing, and the listening itself in the browser tests."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import numpy as np

from noisecheck.core.flags import Flag
from noisecheck.pipeline.annoyance import annoyance
from noisecheck.report.answers import ask
from noisecheck.report.blind import blind_section, typical
from noisecheck.report.context import Context
from noisecheck.report.detail import detail_data


def context_of(result: Any) -> Context:
    return Context(result, ask(result), (), 10**7)


def test_typical_ones_are_near_the_median_their_own_and_of_different_runs(make: Any) -> None:
    result = make()
    runs = list(result.runs)
    table = runs[0].impacts
    level, flags = table.data["lae_db"].copy(), table.data["flags"].copy()
    middle = float(np.median([v for r in runs if r.run.treatment == "bare" for v in r.impacts.data["lae_db"]]))
    level[4] = middle
    flags[4] |= np.uint32(Flag.CLIPPED)
    runs[0] = dataclasses.replace(runs[0], impacts=table.with_columns(lae_db=level, flags=flags))
    result = dataclasses.replace(result, runs=tuple(runs))
    names = tuple(r.run.name for r in runs if r.run.treatment == "bare")
    found = typical(context_of(result), names, "landing")
    assert len({run for run, _ in found}) == len(found) == 3
    assert (runs[0].run.name, 4) not in found
    by_name = {r.run.name: r.impacts for r in runs}
    for run, row in found:
        assert by_name[run].names["station"][by_name[run].data["station"][row]] == "landing"
        assert abs(by_name[run].data["lae_db"][row] - middle) < 2.0


def test_reference_drops_are_not_played_for_the_machine(make: Any) -> None:
    """More drops on the tile than balls of the machine, all heard as of one place."""
    result = make(stations=("landing",), impacts=10)
    runs = []
    for run in result.runs:
        level, flags = run.impacts.data["lae_db"].copy(), run.impacts.data["flags"].copy()
        level[:6] = -20.0
        flags[:6] |= np.uint32(Flag.REFERENCE)
        bands = run.impacts.data["bands"].copy()
        bands[:6] += 40.0
        runs.append(
            dataclasses.replace(
                run, impacts=run.impacts.with_columns(lae_db=level, flags=flags, bands=bands, rebound=0)
            )
        )
    context = context_of(dataclasses.replace(result, runs=tuple(runs)))
    assert all(row >= 6 for _, row in typical(context, tuple(r.run.name for r in runs), "landing"))
    (usual,) = detail_data(context, [], {})["runs"][0]["usual"].values()
    (without,) = detail_data(context_of(result), [], {})["runs"][0]["usual"].values()
    assert max(abs(a - b) for a, b in zip(usual, without, strict=True)) < 50  # tenths of a decibel
    ours = {(a.which, a.treatment): a.lae_db for a in annoyance(context.result)}
    assert max(ours.values()) < -30.0


def test_places_stand_with_the_largest_difference_first(make: Any) -> None:
    result = make()
    runs = []
    for run in result.runs:
        at_tray = run.impacts.data["station"] == run.impacts.names["station"].index("tray")
        more = -10.0 if run.run.treatment == "felt" else 0.0
        level = run.impacts.data["lae_db"] + np.where(at_tray, more, 0.0)
        runs.append(dataclasses.replace(run, impacts=run.impacts.with_columns(lae_db=level)))
    from noisecheck.compare.summary import summarise
    from noisecheck.core.table import Impacts

    summaries = summarise(Impacts.concat(r.impacts for r in runs), result.campaign.runs)
    section = blind_section(context_of(dataclasses.replace(result, runs=tuple(runs), summaries=summaries)))
    assert section is not None
    assert [p["name"] for p in section.data["places"]] == ["tray", "landing"]
    for place in section.data["places"]:
        assert [g["value"] for g in place["groups"]] == ["bare", "felt"]
        assert all(len(g["clips"]) == 3 for g in place["groups"])


def test_like_is_heard_with_like(make: Any) -> None:
    result = make(runs=4)
    runs = [
        dataclasses.replace(r, run=dataclasses.replace(r.run, drop_height_mm=60.0 if n // 2 % 2 else 120.0))
        for n, r in enumerate(result.runs)
    ]
    campaign = dataclasses.replace(result.campaign, runs=tuple(r.run for r in runs))
    summaries = tuple(dataclasses.replace(s, run=campaign.run(s.run.name)) for s in result.summaries)
    result = dataclasses.replace(result, campaign=campaign, runs=tuple(runs), summaries=summaries)
    section = blind_section(context_of(result))
    assert section is not None
    by_height = next(p for p in section.data["places"] if p["name"].endswith("by drop height"))
    assert "bare" in by_height["name"]
    heard = {c["run"] for g in by_height["groups"] for c in g["clips"]}
    assert all(run.startswith("bare") for run in heard)


def test_what_may_not_be_compared_is_not_offered(make: Any, written: Any, tmp_path: Any) -> None:
    result = make()
    runs = [
        dataclasses.replace(
            r,
            impacts=r.impacts.with_columns(
                flags=r.impacts.data["flags"] | np.uint32(Flag.GAIN_RIDING if r.run.treatment == "felt" else 0)
            ),
        )
        for r in result.runs
    ]
    from noisecheck.compare.summary import summarise
    from noisecheck.core.table import Impacts

    summaries = summarise(Impacts.concat(r.impacts for r in runs), result.campaign.runs)
    result = dataclasses.replace(result, runs=tuple(runs), summaries=summaries)
    text, _, document = written(result, tmp_path / "out")
    assert {d["verdict"] for c in document["comparisons"] for d in c["differences"]} == {"not comparable"}
    assert not re.search('id="hear"', text)
