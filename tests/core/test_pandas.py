"""The impact table as a pandas DataFrame, without copying its numbers."""

from __future__ import annotations

import numpy as np
import pytest

from noisecheck.core.flags import Flag
from noisecheck.core.table import Impacts, csv_columns

pandas = pytest.importorskip("pandas", reason="pandas is not installed")


def test_numbers_are_shared_and_words_are_words() -> None:
    bands = np.arange(90, dtype=np.float32).reshape(3, 30)
    table = Impacts.of(
        3, run=["a", "b", "a"], lae_db=[-50.0, np.nan, -40.0], frame=[1, 2, 3], bands=bands,
        flags=np.array([0, Flag.CLIPPED | Flag.UNPLACED, 0], np.uint32),
    )  # fmt: skip
    frame = table.to_pandas()
    assert np.shares_memory(frame["lae_db"].to_numpy(), table["lae_db"])
    assert np.shares_memory(frame["le_1000hz"].to_numpy(), table["bands"])
    assert frame["run"].tolist() == ["a", "b", "a"]
    assert frame["flags"].tolist() == ["", "clipped;unplaced", ""]
    assert frame.groupby("run", observed=True)["lae_db"].mean().to_dict() == {
        "a": -45.0,
        "b": pytest.approx(np.nan, nan_ok=True),
    }
    assert set(csv_columns()) <= set(frame.columns)
    assert len(Impacts.empty().to_pandas()) == 0
