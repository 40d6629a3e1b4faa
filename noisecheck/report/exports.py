"""CSV and JSON beside the page.

The registry of columns drives the CSV. Text that a spreadsheet would run as a formula is made inert by a leading
apostrophe (common practice). An empty cell means *not measurable*; the reason is in ``flags``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from noisecheck.compare.summary import LEVELS, LOGARITHMIC, RunSummary, index_of
from noisecheck.core.errors import InputError, one_line
from noisecheck.core.files import csv_text, write_together
from noisecheck.core.flags import flag_words
from noisecheck.core.order import distinct
from noisecheck.core.table import COLUMNS, Impacts, band_names, csv_columns
from noisecheck.core.units import json_values, rounded

if TYPE_CHECKING:
    from noisecheck.compare.differences import Comparison

__all__ = [
    "comparisons_csv",
    "impacts_csv_chunks",
    "inert",
    "json_text",
    "summaries_csv",
    "write_impacts_csv",
]

_ROWS: Final = 20_000
"""Rows formatted at once."""
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def inert(text: str) -> str:
    """Return text that no spreadsheet takes for a formula; numbers stay as they are."""
    if not text.startswith(_FORMULA):
        return text
    try:
        return text if math.isfinite(float(text)) else "'" + text
    except ValueError:
        return "'" + text


def _quoted(text: str) -> str:
    text = inert(text)
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\r\n') or text != text.strip() else text


def _numbers(values: NDArray[Any], digits: int) -> list[str]:
    """Return numbers as text, empty where not finite. One long format string is several times faster than one each."""
    text = (f"%.{digits}f\n" * len(values)) % tuple(values.tolist())
    if not np.isfinite(values).all():
        text = text.replace("-inf", "").replace("inf", "").replace("nan", "")
    return text.split("\n")[:-1]


def _band_cells(values: NDArray[np.float32]) -> list[str]:
    """Return the bands of each row as text with two decimals, empty where not finite; each number is written once."""
    finite = np.isfinite(values)
    hundredths = np.rint(np.where(finite, values, 0.0).astype(np.float64) * 100.0).astype(np.int64)
    least = int(hundredths.min())
    words = [f"{n / 100:.2f}" for n in range(least, int(hundredths.max()) + 1)]
    index = np.where(finite, hundredths - least, len(words))
    words.append("")
    return list(map(",".join, np.array(words, object)[index].tolist()))


def impacts_csv_chunks(impacts: Impacts) -> Iterator[str]:
    """Yield ``impacts.csv`` piece by piece: the header, then some thousand rows at a time (lines end in ``\\n``)."""
    yield ",".join(csv_columns()) + "\n"
    listed = [c for c in COLUMNS if c.listed]
    names = {c.name: [_quoted(t) for t in impacts.names[c.name]] for c in listed if c.kind == "text"}
    for start in range(0, len(impacts), _ROWS):
        cells: list[list[str]] = []
        for column in listed:
            values = impacts.data[column.name][start : start + _ROWS]
            if column.kind == "text":
                words = names[column.name]
                cells.append([words[code] for code in values.tolist()])
            elif column.kind == "int":
                cells.append(["" if v < 0 else str(v) for v in values.tolist()])
            elif column.kind == "flags":
                known = {int(m): flag_words(int(m)) for m in distinct(values)}
                cells.append([known[m] for m in values.tolist()])
            elif column.kind == "bands":
                cells.append(_band_cells(values))
            else:
                cells.append(_numbers(values, column.digits))
        yield "\n".join(map(",".join, zip(*cells, strict=True))) + "\n"


def write_impacts_csv(impacts: Impacts, path: str | Path) -> Path:
    """Write ``impacts.csv`` beside its place, then rename it into it; returns the path.

    What stands there is replaced only if it is such a table: no recording, sheet or rig file named by mistake.

    Raises:
        InputError: the folder cannot be written to, or another file stands there.
    """
    path = Path(path)
    if path.is_file() and path.stat().st_size:
        with path.open("rb") as file:
            began = file.read(80)
        if not began.startswith(",".join(csv_columns()[:4]).encode()):
            raise InputError(f"{one_line(path)}: is there already and holds something else: give another name")
    return write_together({path: impacts_csv_chunks(impacts)})[0]


def _table(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    return csv_text([header, *([inert(v) if isinstance(v, str) else v for v in row] for row in rows)])


def comparisons_csv(comparisons: Iterable[Comparison]) -> str:
    """Return all differences as tidy CSV: one row a comparison, value and measure, the bands among the measures."""
    header = "by,baseline,station,value,measure,difference_db,ci_low_db,ci_high_db,p,q,verdict,runs_baseline,runs_value"
    rows: list[list[Any]] = []
    for comparison in comparisons:
        for difference in comparison.differences:
            d = difference.to_dict()
            key = [comparison.by, comparison.baseline, comparison.station or "", difference.value]
            low, high = d["ci_db"] or (None, None)
            shown = [d["difference_db"], low, high, d["p"], None, d["verdict"], *d["runs"]]
            rows.append([*key, difference.measure, *shown])
            for band, b in d["bands"].items():
                low, high = b["ci_db"] or (None, None)
                word = "" if b["difference_db"] is None else "shown" if b["shown"] else "no difference shown"
                if b["bound"]:
                    word = f"{word}, in the background: {b['bound']}".removeprefix(", ")
                rows.append([*key, band, b["difference_db"], low, high, b["p"], b["q"], word, *d["runs"]])
    return _table(header.split(","), rows)


def summaries_csv(summaries: Iterable[RunSummary]) -> str:
    """Return the run means as CSV: one row a run and station, arithmetic and energy means, spread and counts."""
    header = ["run", "station", "role", "treatment", "revision", "drop_height_mm", "session", "db_re"]
    header += ["impacts", "used", *LEVELS, "lae_energy_mean_db", "lae_sd_db", *LOGARITHMIC, *band_names()]
    lae = index_of("lae_db")
    rows = []
    for s in summaries:
        run = s.run
        row: list[Any] = [run.name, s.station, run.role, run.treatment, run.revision, run.value("drop_height_mm")]
        row += [run.session, " and ".join(s.db_re), s.impacts, s.used]
        row += [rounded(s.value(q)) for q in LEVELS]
        row += [rounded(float(s.energy[lae])), rounded(float(s.sd[lae]))]
        row += [rounded(s.value(q)) for q in (*LOGARITHMIC, *band_names())]
        rows.append(row)
    return _table(header, rows)


def json_text(document: Mapping[str, Any]) -> str:
    """Return one JSON document (UTF-8); what is not known is ``null``."""
    return json.dumps(json_values(document), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
