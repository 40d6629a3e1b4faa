"""The impact table: declared once, empty is the same type, text as codes, nothing lost on the way to a dict."""

from __future__ import annotations

import json

import numpy as np
import pytest

from noisecheck.core.flags import Flag
from noisecheck.core.table import COLUMNS, Impacts, band_names, band_set, csv_columns, in_band_set

HEADER = (
    "run,file,channel,time_s,station,station_confidence,drop,rebound,lzpeak_db,lcpeak_db,lafmax_db,lae_db,db_re,"
    "margin_db,decay_ms,centroid_hz,flags,le_25hz"
)


def table() -> Impacts:
    return Impacts.of(
        4,
        run="one",
        station=["landing", "", "bend", "landing"],
        frame=[10, 20, 30, 40],
        time_s=[0.1, 0.2, 0.3, 0.4],
        lae_db=[60.0, np.nan, 61.25, -np.inf],
        flags=[0, Flag.CLIPPED, Flag.CLIPPED | Flag.BOUND, Flag.REFERENCE],
        bands=np.arange(120.0).reshape(4, 30),
    )


def test_the_header_is_frozen() -> None:
    """Users' spreadsheets stand on it."""
    assert ",".join(csv_columns()).startswith(HEADER)
    assert csv_columns()[-1] == "le_20000hz"
    assert len(csv_columns()) == len(set(csv_columns())) == 17 + 30


def test_every_column_says_what_it_is() -> None:
    for column in COLUMNS:
        assert column.kind in ("text", "int", "float", "flags", "bands", "band set")
        assert column.meaning
        assert column.unit or column.kind != "float" or column.name in ("station_confidence", "odds")


def test_a_set_of_bands_is_read_back_and_named() -> None:
    members = np.random.default_rng(1).random((5, 30)) < 0.4
    members[0], members[1] = False, True
    assert np.array_equal(in_band_set(band_set(members)), members)
    rows = list(Impacts.of(5, bound_bands=band_set(members)).rows())
    assert rows[0]["bound_bands"] == ""
    assert rows[1]["bound_bands"] == ";".join(band_names())
    assert "bound_bands" not in csv_columns()


def test_empty_is_the_same_type_with_no_rows() -> None:
    empty = Impacts.empty()
    assert len(empty) == 0
    assert list(empty.rows()) == []
    assert empty["bands"].shape == (0, 30)
    for name, array in empty.data.items():
        assert array.dtype == table().data[name].dtype, name
    assert len(Impacts.concat([])) == len(Impacts.concat([empty, empty])) == 0
    assert len(empty.where(np.zeros(0, bool))) == 0


def test_what_is_not_given_is_blank_not_zero() -> None:
    blank = Impacts.of(2)
    assert np.isnan(blank["lae_db"]).all()
    assert blank["channel"].tolist() == [-1, -1]
    assert blank["station"].tolist() == ["", ""]
    row = next(blank.rows())
    assert (row["lae_db"], row["channel"], row["station"], row["flags"], row["le_25hz"]) == (None, None, "", "", None)


def test_rows_are_plain_json() -> None:
    rows = list(table().rows())
    assert json.loads(json.dumps(rows, allow_nan=False)) == rows
    assert [r["lae_db"] for r in rows] == [60.0, None, 61.25, None]
    assert rows[2]["flags"] == "clipped;bound"
    assert (rows[1]["le_25hz"], rows[1]["le_31.5hz"], rows[3]["le_20000hz"]) == (30.0, 31.0, 119.0)


def test_picking_rows_keeps_columns_together() -> None:
    part = table().where(table().is_text("station", "landing"))
    assert part["frame"].tolist() == [10, 40]
    assert part[band_names()[0]].tolist() == [0.0, 90.0]
    assert table().where([3, 0])["frame"].tolist() == [40, 10]
    assert not table().is_text("station", "attic").any()
    assert table().flagged(Flag.CLIPPED).tolist() == [False, True, True, False]
    assert table().flagged(Flag.BOUND | Flag.REFERENCE).tolist() == [False, False, True, True]


def test_joining_tables_keeps_every_text() -> None:
    other = Impacts.of(2, run="two", station=["tray", "bend"], frame=[1, 2])
    both = Impacts.concat([table(), Impacts.empty(), other])
    assert both["station"].tolist() == ["landing", "", "bend", "landing", "tray", "bend"]
    assert both["run"].tolist() == ["one"] * 4 + ["two"] * 2
    assert both["frame"].tolist() == [10, 20, 30, 40, 1, 2]
    assert list(Impacts.concat([both.where([i]) for i in range(6)]).rows()) == list(both.rows())


def test_replacing_a_column_leaves_the_table_it_came_from() -> None:
    first = table()
    second = first.with_columns(station="tray", lae_db=1.0)
    assert second["station"].tolist() == ["tray"] * 4
    assert second["lae_db"].tolist() == [1.0] * 4
    assert first["station"][0] == "landing"
    second.data["lae_db"][0] = 5.0
    assert first["lae_db"][0] == 60.0


def test_some_rows_are_placed_and_the_others_stand() -> None:
    table = Impacts.of(3, station=["bend", "", ""], station_confidence=[0.9, 0.2, 0.3], flags=int(Flag.UNPLACED))
    placed = table.at_stations({1: ("tray", 0.75), 2: ("bend", 1.0)}, flag=Flag.SCHEDULED)
    assert placed["station"].tolist() == ["bend", "tray", "bend"]
    assert placed["station_confidence"].tolist() == [0.9, 0.75, 1.0]
    assert placed["flags"].tolist() == [Flag.UNPLACED, Flag.SCHEDULED, Flag.SCHEDULED]
    assert table["station"].tolist() == ["bend", "", ""]
    assert table.at_stations({})["station"].tolist() == ["bend", "", ""]


def test_wrong_columns_and_lengths_are_refused() -> None:
    with pytest.raises(KeyError, match="loudness"):
        Impacts.of(2, loudness=1.0)
    with pytest.raises(ValueError, match="'lae_db' has shape"):
        Impacts.of(2, lae_db=[1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="3 entries, the table needs 2"):
        Impacts.of(2, station=["a", "b", "c"])
    with pytest.raises(ValueError, match="'bands' has shape"):
        Impacts.of(2, bands=np.zeros((2, 29)))
