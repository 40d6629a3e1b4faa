from __future__ import annotations

import csv
import io
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from noisecheck.core.errors import InputError
from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts, csv_columns
from noisecheck.pipeline.campaign import compare_campaign
from noisecheck.report.exports import (
    comparisons_csv,
    impacts_csv_chunks,
    inert,
    json_text,
    summaries_csv,
    write_impacts_csv,
)


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_header_is_the_registry_and_rows_equal_the_table(make: Any) -> None:
    impacts = make().impacts
    text = "".join(impacts_csv_chunks(impacts))
    assert tuple(text.split("\n", 1)[0].split(",")) == csv_columns()
    rows = read(text)
    assert len(rows) == len(impacts)
    for row, expected in zip(rows, impacts.rows(), strict=True):
        for name in csv_columns():
            value = expected[name]
            if isinstance(value, float):
                assert float(row[name]) == pytest.approx(value, abs=1e-9)
            else:
                assert row[name] == ("" if value is None else str(value))


def test_not_measurable_is_an_empty_cell() -> None:
    impacts = Impacts.of(4, run="nan and inf", lae_db=[math.nan, -math.inf, math.inf, -50.25], flags=[0, 1, 3, 0])
    rows = read("".join(impacts_csv_chunks(impacts)))
    assert [r["lae_db"] for r in rows[:3]] == ["", "", ""]
    assert float(rows[3]["lae_db"]) == -50.25  # also where others of its column are not measurable
    assert [r["run"] for r in rows] == ["nan and inf"] * 4
    assert [r["flags"] for r in rows] == ["", "clipped", "clipped;overlapped", ""]
    assert {r["drop"] for r in rows} == {""}
    assert {r["le_31.5hz"] for r in rows} == {""}


def test_empty_table_is_a_header_alone() -> None:
    assert "".join(impacts_csv_chunks(Impacts.empty())) == ",".join(csv_columns()) + "\n"


def test_pieces_do_not_change_the_text(monkeypatch: pytest.MonkeyPatch, make: Any) -> None:
    impacts = make().impacts
    whole = "".join(impacts_csv_chunks(impacts))
    monkeypatch.setattr("noisecheck.report.exports._ROWS", 7)
    assert "".join(impacts_csv_chunks(impacts)) == whole


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-a", "@x", "\t=1", "\r=1", "-nan", "+inf"])
def test_formulas_are_inert(text: str) -> None:
    assert inert(text) == "'" + text
    row = read("".join(impacts_csv_chunks(Impacts.of(1, run=text, station=text))))[0]
    assert (row["run"], row["station"]) == ("'" + text, "'" + text)


@pytest.mark.parametrize("text", ["-12.5", "+3", "felt", "", "a=b", "1e-3"])
def test_numbers_and_plain_text_stay(text: str) -> None:
    assert inert(text) == text


def test_separators_quotes_and_newlines_survive() -> None:
    name = 'a, "b"\nc'
    assert read("".join(impacts_csv_chunks(Impacts.of(2, run=name))))[1]["run"] == name


def test_comparisons_are_tidy_and_equal_the_document(make: Any) -> None:
    comparison = compare_campaign(make(), by="treatment")
    rows = read(comparisons_csv([comparison]))
    document = comparison.to_dict()
    main = next(d for d in document["differences"] if d["measure"] == "lae_db")
    row = next(r for r in rows if r["measure"] == "lae_db")
    assert float(row["difference_db"]) == main["difference_db"]
    assert [float(row["ci_low_db"]), float(row["ci_high_db"])] == main["ci_db"]
    assert row["verdict"] == main["verdict"] == "quieter"
    assert len(rows) == 4 + 30
    band = next(r for r in rows if r["measure"] == "le_1000hz")
    told = main["bands"]["le_1000hz"]
    assert [float(band[k]) for k in ("difference_db", "p", "q")] == [told[k] for k in ("difference_db", "p", "q")]
    assert [float(band["ci_low_db"]), float(band["ci_high_db"])] == told["ci_db"]
    assert band["verdict"] == ("shown" if told["shown"] else "no difference shown")
    named = ("by", "baseline", "station", "value", "runs_baseline", "runs_value")
    assert {tuple(r[k] for k in named) for r in rows} == {("treatment", "bare", "", "felt", "3", "3")}


def test_bands_in_the_background_are_said_to_be_bounds(make: Any) -> None:
    comparison = compare_campaign(make(), by="treatment")
    main = next(d for d in comparison.differences if d.measure == "lae_db")
    nothing = {"difference_db": None, "ci_db": None, "p": None, "q": None, "shown": False}
    bands = {
        "le_1000hz": {**main.bands["le_1000hz"], "shown": True, "bound": "value"},
        "le_2000hz": {**main.bands["le_2000hz"], "shown": False, "bound": "baseline"},
        "le_4000hz": {**nothing, "bound": "both"},
        "le_8000hz": {**nothing, "bound": None},
    }
    (main,) = (replace(d, bands=bands) for d in comparison.differences if d.measure == "lae_db")
    rows = read(comparisons_csv([replace(comparison, differences=(main,))]))[1:]
    assert [(r["measure"], r["verdict"]) for r in rows] == [
        ("le_1000hz", "shown, in the background: value"),
        ("le_2000hz", "no difference shown, in the background: baseline"),
        ("le_4000hz", "in the background: both"),
        ("le_8000hz", ""),
    ]
    assert [bool(r["difference_db"]) for r in rows] == [True, True, False, False]


def test_summaries_have_a_row_for_each_run_and_station(make: Any) -> None:
    result = make(treatments=("=felt", "bare"))
    rows = read(summaries_csv(result.summaries))
    assert len(rows) == len(result.summaries) == 12
    assert rows[0]["treatment"] == "'=felt"
    summary = result.summaries[0]
    assert (rows[0]["run"], rows[0]["station"]) == ("'=felt-0", summary.station)
    impacts = result.impacts
    own = impacts["lae_db"][(impacts["run"] == "=felt-0") & (impacts["station"] == summary.station)]
    told = {k: float(rows[0][k]) for k in ("impacts", "lae_db", "lae_energy_mean_db", "lae_sd_db")}
    assert told == {
        "impacts": len(own),
        "lae_db": pytest.approx(own.mean(), abs=6e-4),
        "lae_energy_mean_db": pytest.approx(10 * np.log10(np.mean(10 ** (own / 10))), abs=6e-4),
        "lae_sd_db": pytest.approx(own.std(ddof=1), abs=6e-4),
    }


def test_json_knows_no_nan() -> None:
    assert json_text({"a": math.nan, "b": [math.inf, 1.5], "c": (True, None)}) == (
        '{\n "a": null,\n "b": [\n  null,\n  1.5\n ],\n "c": [\n  true,\n  null\n ]\n}\n'
    )


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_impacts_csv(Impacts.empty(), tmp_path / "file" / "impacts.csv")


def test_a_hundred_thousand_rows_take_seconds(tmp_path: Path) -> None:
    import time

    rng = np.random.default_rng(1)
    n = 100_000
    flags = rng.integers(0, int(max(Flag)), n)
    impacts = Impacts.of(n, run="r", lae_db=rng.normal(-50, 5, n), flags=flags, bands=rng.normal(-60, 5, (n, 30)))
    start = time.process_time()
    path = write_impacts_csv(impacts, tmp_path / "impacts.csv")
    assert time.process_time() - start < 12  # about 2 s alone on one core
    with path.open() as file:
        assert sum(1 for _ in file) == n + 1
